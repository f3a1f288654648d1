"""Allocation: closed forms, a dual bound, and a loop that closes."""

import csv
import html
import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from support import COARSE, ROOT, invoke, normal_machine, planar_arm

import armsim
from armsim import figures
from armsim.decide import allocate
from armsim.decide.allocate import without_sensors
from armsim.decide.budget_split import least_cost
from armsim.decide.error_budget import equivalent_bits
from armsim.errors import InputError
from armsim.requirement.requirement import Requirement
from armsim.run_options import RunOptions
from armsim.sampling.joint_budgets import sensor_errors
from armsim.sampling_plan import SamplingPlan
from armsim.study import Study
from armsim.tasks import NamedPose, Poses

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"


def planar_study(position: float, *elbows: float) -> Study:
    poses = tuple(NamedPose(f"p{n}", joints=(0.2, elbow)) for n, elbow in enumerate(elbows))
    return armsim.load(DEMO).with_scenario(
        tasks=(Poses("t", poses),),
        plan=SamplingPlan(20_000, 2, 3),
        machine=normal_machine(planar_arm(0.4, 0.3), 1e-4, 1e-4),
        requirement=Requirement(position),
    )


def test_one_pose_in_closed_form() -> None:
    """Stretched arm: all errors point along one line, so the quantile is 1.95996 times the standard deviation.

    0.7^2 s1^2 + 0.3^2 s2^2 = (position / 1.95996)^2. Equal angles: s = that / sqrt(0.58). Equal contributions: half each.
    Least cost with the price 1/s: s_j^3 in proportion to 1 / g_j. Source: Lagrange's rule by hand.
    """
    position = 1e-4
    allocation = {
        budget.scheme: budget for budget in allocate(planar_study(position, 0.0), run_options=RunOptions(1)).budgets
    }
    room = (position / 1.959964) ** 2
    g = np.array([0.49, 0.09])
    closed = {
        "equal angles": np.full(2, math.sqrt(room / g.sum())),
        "equal contributions": np.sqrt(room / (2 * g)),
        "least cost": g ** (-1 / 3) * math.sqrt(room / np.sum(g ** (1 / 3))),
    }
    for scheme, std in closed.items():
        budget = allocation[scheme]  # type: ignore[index]
        # the quantile of 20 000 units scatters by 0.9 %, and the budgets follow it
        np.testing.assert_allclose(list(budget.std.values()), std, rtol=0.03)
        assert budget.verified == pytest.approx(position, rel=0.005)
    assert allocation["least cost"].cost == 1.0
    costs = {scheme: float(np.sum(1 / std)) for scheme, std in closed.items()}
    for scheme, cost in costs.items():
        assert allocation[scheme].cost == pytest.approx(cost / costs["least cost"], rel=0.01)  # type: ignore[index]
    assert allocation["least cost"].gap == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("coverage", "factor"), [(0.9, 1.644854), (0.99, 2.575829), (0.5, 0.674490)])
def test_the_coverage_required_decides(coverage: float, factor: float) -> None:
    """As above with the two-sided quantile of the normal law at another coverage, and sampled by hand at what results.

    Source: tables of the normal law; brute force in this test.
    """
    position, units = 1e-4, 400_000
    study = planar_study(position, 0.0)
    allocation = allocate(study.with_scenario(requirement=Requirement(position, coverage)), run_options=RunOptions(1))
    g = np.array([0.49, 0.09])
    for budget in allocation.budgets:
        std = np.array(list(budget.std.values()))
        assert budget.verified == pytest.approx(position, rel=0.005)
        # a quantile of 20 000 units scatters by 0.7 to 1.2 % at these coverages
        np.testing.assert_allclose(np.sum(g * std**2), (position / factor) ** 2, rtol=0.07)
        draws = np.random.default_rng(5).normal(0.0, 1.0, (units, 2)) * std * np.sqrt(g)
        by_hand = np.quantile(np.abs(draws.sum(axis=1)), coverage)
        assert by_hand == pytest.approx(position, rel=0.035)


@pytest.mark.parametrize("exponent", [0.5, 1.0, 2.0])
def test_least_cost_is_the_optimum(exponent: float) -> None:
    """Random cases: the dual bound proves it, and no random feasible point near or far is cheaper. Source: brute force."""
    generator = np.random.default_rng(5)
    for _ in range(20):
        gains = generator.uniform(0.01, 1.0, (40, 5)) ** 2
        room = generator.uniform(0.5, 2.0, 40) * 1e-9
        lever = np.ones(5)
        start = np.sqrt(np.full(5, np.min(room / gains.sum(axis=1))))
        std, gap = least_cost(gains, room, lever, exponent, start)
        assert np.max(gains @ std**2 / room) <= 1 + 1e-6
        assert 0 <= gap + 1e-9 < 1e-4
        tried = std * np.exp(0.2 * generator.standard_normal((5000, 5)))
        tried /= np.sqrt(np.max(tried**2 @ gains.T / room, axis=1))[:, None]
        assert np.min(np.sum(tried**-exponent, axis=1)) >= np.sum(std**-exponent) * (1 - 1e-5)


def test_the_loop_closes_on_the_demo() -> None:
    """The sampled quantile is within 2 % of the requirement, for every scheme; j6 does not move the tool point."""
    study = armsim.load(DEMO).with_plan(units=1000, visits=4)
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    allocation = allocate(study, run_options=RunOptions(2))
    assert allocation.fixed < allocation.position
    for budget in allocation.budgets:
        assert budget.verified == pytest.approx(allocation.position, rel=0.02)
        assert budget.cost >= 1.0
    assert math.isinf(allocation.budgets[0].std["j6"])
    assert json.loads(json.dumps(allocation.to_dict(), allow_nan=False))["budgets"][0]["std"]["j6"] is None


def test_what_is_fixed_has_no_sensors() -> None:
    machine = without_sensors(armsim.load(DEMO).scenario.machine)
    causes = {term.cause.name for term in machine.terms}
    assert "gear kinematic error" in causes
    assert "mastering" in causes
    assert not causes & {"eccentricity", "graduation error", "signal offset", "noise", "disc tilt"}


def test_equivalent_bits() -> None:
    """A 12 bit encoder steps by 1.534 mrad, a standard uncertainty of 0.4428 mrad. Source: JCGM 100:2008 F.2.2.1."""
    assert equivalent_bits(2 * math.pi / 4096 / math.sqrt(12)) == pytest.approx(12.0)


def test_nothing_left_says_so() -> None:
    study = armsim.load(DEMO).with_plan(units=300, visits=2)
    study = study.with_scenario(tasks=study.scenario.tasks[:1], requirement=Requirement(10e-6))
    allocation = allocate(study, run_options=RunOptions(1))
    assert not allocation.met
    assert not allocation.budgets
    (reason,) = allocation.reasons
    assert "no error is left to the sensors: 95 % of the errors that links, gears and mastering alone make" in reason
    # which gear stands in the way, and what the output would do: the gear inside the loop leaves links and mastering
    assert "gear kinematic error of j" in reason
    assert "with the sensors of all joints on the output it would be" in reason


def test_nothing_left_is_a_result() -> None:
    """Exit 1 and the explanation on standard output, in words and as JSON. Source: design.md, section 5."""
    words = ("allocate", DEMO, "--units", "200", "--visits", "2", *COARSE, "--set", "requirement.position=10 um")
    process = invoke(*words)
    assert process.returncode == 1
    assert process.stdout.startswith("Not met, whatever the sensors: ")
    assert "no error is left to the sensors" in process.stdout
    process = invoke(*words, "--json")
    assert process.returncode == 1
    data = json.loads(process.stdout)
    assert data["met"] is False
    assert data["budgets"] == []
    assert "no error is left to the sensors" in data["reasons"][0]
    assert data["fixed"] > 10e-6


def test_the_command_writes_a_folder(tmp_path: Path) -> None:
    """Page, table, record and how to make it again; the page says what the terminal does."""
    process = invoke("allocate", DEMO, "--units", "200", "--visits", "2", *COARSE, "--out", tmp_path / "r")
    assert process.returncode == 0, process.stderr
    answer = process.stdout.splitlines()[0]
    assert answer.startswith("Met: sensors within these budgets keep 95 % of errors within 120 µm")
    page = html.unescape((tmp_path / "r" / "report.html").read_text())
    assert answer in page
    assert (tmp_path / "r" / "report.pdf").read_bytes()[:4] == b"%PDF"
    data = json.loads((tmp_path / "r" / "allocate.json").read_text())
    assert data["met"] is True
    with (tmp_path / "r" / "tables" / "allocate.csv").open() as file:
        rows = {row["joint"]: row for row in csv.DictReader(file)}
    for budget in data["budgets"]:
        cell = rows["j1"][budget["scheme"]]
        assert float(cell.split()[0]) == pytest.approx(budget["std"]["j1"] * 180 * 3600 / math.pi, rel=5e-3)
        assert cell in page
    manifest = json.loads((tmp_path / "r" / "manifest.json").read_text())
    assert manifest["command"].startswith("armsim allocate")
    assert "--exponent 1.0" in manifest["command"]


def test_wind_up_is_named_by_its_joint() -> None:
    """A soft gear under load makes a mean and no scatter: the joint that makes it is named all the same."""
    study = armsim.load(ROOT / "scenarios" / "lessons" / "wind-up.yaml").with_plan(units=200, visits=2)
    study = study.with_scenario(requirement=Requirement(1e-9))
    (only,) = study.scenario.machine.joints
    (reason,) = allocate(study, run_options=RunOptions(1)).reasons
    assert f"wind-up of {only.name}" in reason


def test_the_orientation_is_shared_by_what_turns_the_tool() -> None:
    """Both joints turn the tool about one axis by all of their error: sqrt(s1^2 + s2^2) 1.95996 is the limit, and the
    sum of 1/s is least where they are equal, whatever they move the tool point. Source: Lagrange's rule by hand."""
    limit = 1e-4
    requirement = Requirement(1.0, orientation=limit, orientation_repeatability=1e-3)
    study = planar_study(1.0, 0.0).with_scenario(requirement=requirement)
    allocation = allocate(study, run_options=RunOptions(1))
    assert allocation.not_allocated == ("orientation repeatability",)
    for budget in allocation.budgets:
        # the quantile of 20 000 units scatters by 0.9 %, and the budgets follow it
        np.testing.assert_allclose(list(budget.std.values()), limit / 1.959964 / math.sqrt(2), rtol=0.03)
        (turned,) = (row for row in budget.judgements if row.criterion == "orientation")
        assert turned.value == pytest.approx(limit, rel=0.005)
    alone = allocate(planar_study(1e-4, 0.0), run_options=RunOptions(1))
    assert alone.not_allocated == ()


def test_budgets_are_confirmed_on_other_units() -> None:
    """The loop closes on its own sample; on a fresh one the quantile is near the requirement, within both intervals."""
    allocation = allocate(armsim.load(DEMO).with_plan(units=500, visits=3), run_options=RunOptions(2))
    for budget in allocation.budgets:
        assert budget.confirmed != budget.verified
        assert budget.confirmed_interval is not None
        low, high = budget.confirmed_interval
        assert low < budget.confirmed < high
        assert budget.confirmed == pytest.approx(allocation.position, rel=0.15)


def test_the_figure_holds_budgets_against_present_sensors() -> None:
    """The sensor of the lesson is off by 10 um on 10 mm, uniform in size: rms e/R/sqrt(6). Source: moments by hand."""
    machine = armsim.load(ROOT / "scenarios" / "lessons" / "two-sensors.yaml").scenario.machine
    present = sensor_errors(machine)
    assert present["j1"] == pytest.approx(1e-3 / math.sqrt(6.0), rel=1e-3)
    arcsec = present["j1"] * 648000 / math.pi
    budgets = {"equal angles": {"j1": present["j1"] / 2}, "least cost": {"j1": present["j1"] / 3}}
    picture = figures.allocation(budgets, present, ["j1"], rotary=True)
    assert picture.finding.startswith(f"j1 exceeds its budget most: present sensor {arcsec:.1f} arcsec")
    texts = [text for _, _, text in picture.spots]
    assert f"j1, equal angles: {arcsec / 2:.1f} arcsec" in texts
    assert f"j1, present sensor: {arcsec:.1f} arcsec" in texts
    budgets = {"least cost": {"j1": 3 * present["j1"], "j2": math.inf}}
    picture = figures.allocation(budgets, {**present, "j2": 0.0}, ["j1", "j2"], rotary=True)
    assert picture.finding == "Every present sensor is within its budget by least cost; closest: j1"


def test_no_requirement() -> None:
    with pytest.raises(InputError, match="requirement: missing"):
        allocate(planar_study(1e-4, 0.0).with_scenario(requirement=None))


def test_the_command() -> None:
    lesson = ROOT / "scenarios" / "bonding-cell.yaml"
    command = [
        sys.executable,
        "-m",
        "armsim.cli.main",
        "allocate",
        str(lesson),
        "--units",
        "400",
        "--visits",
        "2",
        "--json",
    ]
    process = subprocess.run(command, capture_output=True, text=True, check=False)
    assert process.returncode == 0, process.stderr
    data = json.loads(process.stdout)
    assert [budget["scheme"] for budget in data["budgets"]] == ["equal angles", "equal contributions", "least cost"]
    assert 14 < data["budgets"][0]["bits"]["j1"] < 18
