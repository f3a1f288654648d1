"""Comparison of designs: paired intervals that hold, differences that are those of the runs, and wrong input."""

import json
import math
from dataclasses import replace
from html import escape
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest
from support import COARSE, ROOT, invoke, normal_machine, planar_arm

import armsim
from armsim.decide import compare
from armsim.errors import InputError
from armsim.report import decision_sentences
from armsim.run_options import RunOptions
from armsim.sampling.paired_difference import Difference, half_width_of_mean, influence, share_difference
from armsim.study import Study

DEMO, BASE, WRIST = (ROOT / "scenarios" / f"bonding-cell{end}.yaml" for end in ("", "-base", "-wrist"))


def small(path: Path, units: int = 300, visits: int = 5) -> Study:
    study = armsim.load(path).with_plan(units=units, visits=visits)
    return study.with_scenario(tasks=study.scenario.tasks[:1])


@pytest.mark.parametrize("share", [0.0, 0.5, 0.95])
def test_influence_gives_the_scatter_of_a_quantile(share: float) -> None:
    """Source: brute force: the quantile over 400 populations of 300 units and 8 visits."""
    generator = np.random.default_rng(3)
    quantiles, half_widths = [], []
    for _ in range(400):
        unit = math.sqrt(share) * generator.standard_normal(300)
        values = np.exp(0.5 * (unit + math.sqrt(1 - share) * generator.standard_normal((8, 300))))
        quantiles.append(np.quantile(values, 0.95))
        half_widths.append(half_width_of_mean(influence(values, 0.95), 300))
    assert np.median(half_widths) == pytest.approx(1.96 * np.std(quantiles), rel=0.15)


def test_the_paired_interval_covers_and_is_narrow() -> None:
    """Two designs that share most of their errors: the interval of the difference of their 95 % quantiles holds the truth.

    |N(0, 1 + k)| against |N(0, 1)|, k = 0.1: the difference is 1.95996 (sqrt(1.1) - 1). Source: brute force, 300 times.
    """
    generator = np.random.default_rng(4)
    true = 1.959964 * (math.sqrt(1.1) - 1)
    covered, paired, alone = 0, [], []
    for _ in range(300):
        common = generator.standard_normal((4, 500))
        a = np.abs(common)
        b = np.abs(common + math.sqrt(0.1) * generator.standard_normal((4, 500)))
        one, other = influence(a, 0.95), influence(b, 0.95)
        half = half_width_of_mean(other - one, 500)
        value = np.quantile(b, 0.95) - np.quantile(a, 0.95)
        covered += abs(value - true) <= half
        paired.append(half)
        alone.append(math.hypot(half_width_of_mean(one, 500), half_width_of_mean(other, 500)))
    assert covered / 300 >= 0.95 - 3 * math.sqrt(0.05 * 0.95 / 300)
    assert np.median(paired) < 0.7 * np.median(alone)


def test_shares_of_the_same_units() -> None:
    """Of 100 units 10 begin to pass and 5 cease to: 0.05. Source: exact intervals of scipy.stats.binomtest, joined by hand."""
    a, b = np.zeros(100, dtype=bool), np.zeros(100, dtype=bool)
    a[:60] = True
    b[5:70] = True
    change = share_difference(a, b)
    assert change.value == pytest.approx(0.05)
    gained, lost = (binomtest(k, 100).proportion_ci(0.95, "exact") for k in (10, 5))
    cross = 2 * math.sqrt(0.1 * 0.05 / (0.9 * 0.95))  # of a multinomial law
    a, b, c, d = 0.1 - gained.low, lost.high - 0.05, gained.high - 0.1, 0.05 - lost.low
    low, high = 0.05 - math.sqrt(a * a + b * b + cross * a * b), 0.05 + math.sqrt(c * c + d * d + cross * c * d)
    assert change.interval == (pytest.approx(low), pytest.approx(high))


def test_no_unit_that_changed_is_no_proof_that_none_does() -> None:
    """Source: rule of three, exact: with 0 of n the share is below 1 - 0.025^(1/n)."""
    same = np.ones(500, dtype=bool)
    value, interval = share_difference(same, same)
    assert value == 0.0
    assert interval == (pytest.approx(-(1 - 0.025 ** (1 / 500))), pytest.approx(1 - 0.025 ** (1 / 500)))


@pytest.mark.parametrize(("gain", "loss"), [(0.0009, 0.0), (0.05, 0.03), (0.4, 0.1)])
def test_the_interval_of_a_change_of_yield_covers(gain: float, loss: float) -> None:
    """A true change is held in 95 % of 2000 repetitions of 1000 units, or more where hardly a unit changes."""
    rng, covered = np.random.default_rng(5), 0
    for _ in range(2000):
        u = rng.random(1000)
        a = rng.random(1000) < 0.5
        a = np.where(u < gain, False, np.where(u < gain + loss, True, a))
        b = np.where(u < gain, True, np.where(u < gain + loss, False, a))
        _, interval = share_difference(a, b)
        assert interval is not None
        covered += interval[0] <= gain - loss <= interval[1]
    assert covered / 2000 >= 0.95 - 4 * math.sqrt(0.95 * 0.05 / 2000)


def test_ties_are_no_certainty_in_a_small_sample() -> None:
    """All values equal: of 20 units the 95 % quantile is not known, of 2000 it is. Source: binomial law."""
    assert np.isnan(influence(np.ones((1, 20)), 0.95)).all()
    assert (influence(np.ones((1, 2000)), 0.95) == 0.0).all()


def test_a_design_against_itself_differs_by_nothing() -> None:
    twin = small(DEMO).with_scenario(name="twin")
    (row,) = compare([small(DEMO), twin]).differences
    assert row.at_coverage == Difference(0.0, (0.0, 0.0))
    assert row.repeatability == Difference(0.0, (0.0, 0.0))
    np.testing.assert_array_equal(row.values, 0.0)
    np.testing.assert_array_equal(row.half_widths, 0.0)
    assert not row.better.any()
    assert not row.worse.any()
    assert not row.ranking_reversals


def test_differences_are_those_of_the_runs() -> None:
    """Source: the two runs one by one."""
    studies = [small(DEMO), small(BASE)]
    comparison = compare(studies, RunOptions(2))
    alone = [study.run(1).tasks[0] for study in studies]
    (row,) = comparison.differences
    np.testing.assert_array_equal(row.values, alone[1].column("error.p95") - alone[0].column("error.p95"))
    assert row.at_coverage.value == alone[1].summary.p95 - alone[0].summary.p95
    assert row.price == studies[1].scenario.machine.price - studies[0].scenario.machine.price
    assert row.better.all()
    assert row.at_coverage.interval is not None
    assert row.at_coverage.interval[1] < 0
    assert f"for {row.price:g} cost units more" in decision_sentences.difference(row)


def test_order_of_designs_flips_where_it_does() -> None:
    """Two planar arms, one with the better shoulder, the other with the better elbow: near the base the elbow decides.

    E|dp|^2 = r^2 s1^2 + l2^2 s2^2 with r the distance of the tool. Source: closed form of the planar arm.
    """
    from armsim.sampling_plan import SamplingPlan
    from armsim.tasks import NamedPose, Poses

    arm = planar_arm(0.4, 0.3)
    poses = tuple(NamedPose(name, joints=(0.2, elbow)) for name, elbow in (("out", 0.1), ("half", 1.6), ("in", 3.1)))
    base = armsim.load(DEMO).with_scenario(tasks=(Poses("t", poses),), plan=SamplingPlan(2000, 10, 1), requirement=None)
    one = base.with_scenario(name="shoulder", machine=normal_machine(arm, 1e-4, 4e-4))
    other = base.with_scenario(name="elbow", machine=normal_machine(arm, 3e-4, 1e-4))
    (row,) = compare([one, other]).differences
    closed = [(0.25 + 0.24 * math.cos(elbow)) * (9e-8 - 1e-8) + 0.09 * (1e-8 - 16e-8) for elbow in (0.1, 1.6, 3.1)]
    assert [bool(x > 0) for x in row.values] == [x > 0 for x in closed] == [True, True, False]
    assert row.ranking_reversals == ("in",)


def test_wrong_input() -> None:
    study = small(DEMO)
    for studies, fault in (
        ([study], "1 scenarios"),
        ([study, study], "two designs named"),
        ([study, small(BASE).with_scenario(tasks=armsim.load(BASE).scenario.tasks)], "other tasks"),
        ([armsim.load(DEMO), armsim.load(BASE).change({"tasks.side view.step": "240 mm"})], "another step than in the"),
    ):
        with pytest.raises(InputError, match=fault):
            compare(studies)


def test_the_command(tmp_path: Path) -> None:
    words = ["compare", DEMO, WRIST, *COARSE, "--units", "100", "--visits", "3", "--out", tmp_path / "c"]
    process = invoke(*words, "--json", pictures=True)
    assert process.returncode == 0, process.stderr
    data = json.loads(process.stdout)
    assert data == json.loads((tmp_path / "c" / "comparison.json").read_text())
    assert [row["task"] for row in data["differences"]] == ["stations", "side view"]
    assert (tmp_path / "c" / "tables" / "differences.csv").read_text().count("\n") == 1 + 45
    assert len(list((tmp_path / "c" / "figures").glob("*.png"))) == 4
    page = (tmp_path / "c" / "report.html").read_text()
    assert (tmp_path / "c" / "report.pdf").read_bytes().startswith(b"%PDF")
    again = invoke(*words)  # replaces its own earlier folder
    first = again.stdout.splitlines()[0]
    assert first.startswith(("A, for ", "B, for ", "No design "))
    assert escape(first, quote=False) in page
    lines = [line for line in again.stdout.splitlines() if "the 95 % quantile at the worst pose" in line]
    assert len(lines) == 2
    assert all(escape(line, quote=False) in page for line in lines)  # what was bought stands first on the page
    assert again.returncode == 0, again.stderr
    assert "B: at stations" in again.stdout
    assert "better discs at the wrist outputs" in again.stdout
    alone = invoke("compare", DEMO)
    assert alone.returncode == 2
    assert "two or more" in alone.stderr


def test_tolerance_of_the_first_design_holds_for_all() -> None:
    from armsim.sampling_plan import NumericalTolerance

    first = small(DEMO, 100, 20)
    plan = replace(first.scenario.plan, tolerance=NumericalTolerance(0.1))
    comparison = compare([first.with_scenario(plan=plan), small(BASE)])
    assert comparison.results[0].adaptive is not None
    assert comparison.results[1].units == comparison.results[0].units > 100


def test_a_requirement_of_its_own_is_told() -> None:
    """All are judged by the first; the one that asks for something else is named, in the result and in the document."""
    strict = small(DEMO).with_scenario(name="strict")
    assert strict.scenario.requirement is not None
    strict = strict.with_scenario(requirement=replace(strict.scenario.requirement, position=1e-6))
    comparison = compare([small(DEMO), strict])
    (text,) = decision_sentences.other_requirements(comparison)
    assert "'strict' asks for" in text
    assert "1.00" in text
    assert comparison.to_dict()["other_requirements"]["strict"]["position"] == 1e-6
    assert compare([small(DEMO), small(BASE)]).other_requirements == {}


def test_no_change_of_the_yield_that_can_be_told_is_called_so() -> None:
    twin = small(DEMO).with_scenario(name="twin")
    (row,) = compare([small(DEMO), twin]).differences
    assert row.passing is not None
    assert row.passing.interval[0] < 0 < row.passing.interval[1]
    assert "no significant change of the yield" in decision_sentences.difference(row)
