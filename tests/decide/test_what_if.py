"""What-if tables against closed forms, and first-order shares against variance-based indices of the exact model."""

import json
import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support import ROOT, normal_machine, planar_arm

import armsim
from armsim.decide import what_if
from armsim.decide.what_if import hypothetical_changes, one_bit_finer
from armsim.errormodel.distributions import Distribution
from armsim.model.encoder import Encoder, SheetSummary
from armsim.model.joint import Joint
from armsim.model.machine import Change, Machine
from armsim.model.mounting import Mounting
from armsim.model.transmission import Transmission
from armsim.run_options import RunOptions
from armsim.sampling.first_order import linearise
from armsim.sampling.population import TaskSample
from armsim.sampling_plan import SamplingPlan
from armsim.study import Study
from armsim.tasks import NamedPose, Poses

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"


def planar_study(s1: float, s2: float) -> Study:
    base = armsim.load(DEMO)
    poses = (NamedPose("p", joints=(0.2, math.pi / 2)),)
    machine = normal_machine(planar_arm(0.4, 0.3), s1, s2)
    return base.with_scenario(
        tasks=(Poses("t", poses),), plan=SamplingPlan(4000, 10, 3), machine=machine, requirement=None
    )


def test_a_joint_made_ideal_leaves_the_other() -> None:
    """Without the first joint the error is |l2 N(0, s2)|: 95 % of it within 1.95996 l2 s2. Source: normal law."""
    s1, s2 = 1e-4, 3e-4
    table = what_if(planar_study(s1, s2), RunOptions(1))
    p95 = table.result.tasks[0].summary.p95
    row = next(row for row in table.rows if (row.kind, row.what) == ("joint ideal", "j1"))
    assert row.at_coverage.interval is not None
    remainder = 1.959964 * 0.3 * s2
    # the quantile itself scatters by sqrt(p (1 - p) / n) / density, 1.03 l2 s2 at density of |N| there
    scatter = math.sqrt(0.95 * 0.05 / 40_000) / 0.1169 * 0.3 * s2
    assert p95 + row.at_coverage.value == pytest.approx(remainder, abs=4 * scatter)
    assert row.at_coverage.interval[1] < 0


def test_halving_the_only_cause_halves_the_error() -> None:
    table = what_if(planar_study(1e-4, 3e-4), RunOptions(1))
    p95 = table.result.tasks[0].summary.p95
    row = next(row for row in table.rows if row.kind == "cause halved" and "repeatability" in row.what)
    assert row.at_coverage.value == pytest.approx(-p95 / 2, rel=1e-3)


def share_passing(study: Study, sample: TaskSample) -> float:
    """Share of the arms whose AP and RP are within the requirement and whose sensors keep to their limits."""
    requirement = study.scenario.requirement
    assert requirement is not None
    assert requirement.repeatability is not None
    accuracy, repeatability = sample.worst[:2]
    return float(
        np.mean(
            (accuracy <= requirement.position) & (repeatability <= requirement.repeatability) & sample.within_operation
        )
    )


def test_few_poses_tell_what_all_would() -> None:
    """Brute force: every change sampled at every pose gives the same quantile at its worst pose and the same yield."""
    study = armsim.load(DEMO).change({"tasks.side view.step": "60 mm"}).with_plan(units=256, visits=4)
    table, pose_sets = what_if(study, RunOptions(2)), study.find()
    plain, sampled = study.judge(pose_sets, RunOptions(2))
    names = [(row.kind, row.what) for row in table.rows if row.task == table.rows[0].task]
    listed = {(kind, what): machine for kind, what, machine in hypothetical_changes(study.scenario.machine, LARGE)}
    for number, name in enumerate(names):
        if number % 8 and name[0] != "cause at a joint halved":
            continue
        judged, again = study.with_scenario(machine=listed[name]).judge(pose_sets, RunOptions(2))
        for n, task in enumerate(judged):
            row = next(r for r in table.rows if (r.kind, r.what) == name and r.task == task.name)
            change = task.table.column("error.p95").max() - plain[n].table.column("error.p95").max()
            assert row.at_coverage.value == pytest.approx(change, abs=1e-15), name
            assert row.passing is not None
            gained = share_passing(study, again.tasks[n]) - share_passing(study, sampled.tasks[n])
            assert row.passing.value == pytest.approx(gained, abs=1e-12)


JOINTS = [f"j{number}" for number in range(1, 7)]
CAUSES = ["gear kinematic error", "eccentricity", "mastering", "lost motion", "graduation error", "disc tilt"]
LARGE = [(joint, cause) for joint in JOINTS for cause in CAUSES]


def test_a_cause_at_one_joint_is_halved_there_alone() -> None:
    table = what_if(
        armsim.load(DEMO).change({"tasks.side view.step": "120 mm"}).with_plan(units=200, visits=3), RunOptions(2)
    )
    rows = [row for row in table.rows if row.kind == "cause at a joint halved"]
    assert {"gear kinematic error at j2", "mastering at j1"} <= {row.what for row in rows}
    for row in rows:  # halved at one joint gains no more than halved everywhere, within the scatter of the sample
        everywhere = next(
            r
            for r in table.rows
            if r.kind == "cause halved" and r.what == row.what.split(" at ")[0] and r.task == row.task
        )
        assert row.at_coverage.value >= everywhere.at_coverage.value - 2e-6


def test_a_bit_finer_halves_the_step() -> None:
    sheet = Encoder("s", signal_periods=64, interpolation=6, summary=SheetSummary(12.0))
    assert one_bit_finer(sheet).step == sheet.step / 2
    disc = Encoder("d", signal_periods=64, interpolation=6)
    assert one_bit_finer(disc).step == disc.step / 2
    budget = Encoder("s", summary=SheetSummary(18.0))
    assert one_bit_finer(budget).step == budget.step / 2
    scale = Encoder("l", measures="translation", summary=SheetSummary(1e-6))
    assert one_bit_finer(scale).step == pytest.approx(scale.step / 2)


def test_every_joint_and_cause_is_changed_once() -> None:
    machine = armsim.load(DEMO).scenario.machine
    listed = [(kind, what) for kind, what, _ in hypothetical_changes(machine)]
    assert len(set(listed)) == len(listed)
    assert sum(kind == "joint ideal" for kind, _ in listed) == sum(kind == "one bit finer" for kind, _ in listed) == 6
    assert {what for kind, what in listed if kind == "cause halved"} == {term.cause.name for term in machine.terms}


def test_changes_scale_the_terms_and_leave_the_rest() -> None:
    """Mean squares: a halved cause keeps a quarter of its share, an ideal joint nothing. Source: arithmetic of shares."""
    machine = armsim.load(DEMO).scenario.machine
    q = np.array([[0.1, 0.5, 0.3, 0.0, 0.8, 0.2]])
    linear = linearise(machine.at(q))
    cause = machine.terms[0].cause
    by_cause = sum(c[0] for term, c in zip(machine.terms, linear.contributions, strict=True) if term.cause == cause)
    halved = linearise(replace(machine, changes=(Change(0.5, cause=cause),)).at(q))
    assert linear.contributions.sum() - halved.contributions.sum() == pytest.approx(0.75 * by_cause)
    ideal = linearise(replace(machine, changes=(Change(0.0, joint="j2"),)).at(q))
    of_joint = sum(c[0] for term, c in zip(machine.terms, linear.contributions, strict=True) if term.owner == "j2")
    assert linear.contributions.sum() - ideal.contributions.sum() == pytest.approx(of_joint)


def test_shares_are_the_variance_based_indices_of_the_exact_model() -> None:
    """First-order indices of Sobol by the Saltelli scheme, each term one group of inputs, on exact kinematics.

    The mean square of a centred error is the sum of the variances of its coordinates, so the share of a term is the
    average of its indices over the coordinates, weighted by their variance. Source: SALib on a model written here.
    """
    sample = pytest.importorskip("SALib.sample.sobol")
    analyze = pytest.importorskip("SALib.analyze.sobol")
    disc = Encoder(
        "d", signal_periods=64, interpolation=14, track_radius=0.02, graduation_error=Distribution("uniform", 2e-5)
    )
    from armsim.errormodel.distributions import Magnitude

    def joint(name: str, ratio: float) -> Joint:
        mounting = Mounting(eccentricity=Magnitude(Distribution("uniform", 2e-6)))
        return Joint(name, disc, placement="motor", mounting=mounting, transmission=Transmission(ratio),
                     mastering=Distribution("uniform", 5e-5))  # fmt: skip

    lengths = (0.4, 0.3)
    machine = Machine(planar_arm(*lengths), (joint("j1", 1.0), joint("j2", 2.0)))
    q = np.array([0.3, 1.1])
    evaluated = machine.at(q[None])
    terms = [(n, term) for n, term in enumerate(machine.terms) if term.life == "unit"]
    names = [f"{term.name}/{k}" for _, term in terms for k in range(term.draw.dimensions)]
    problem = {
        "num_vars": len(names),
        "names": names,
        "groups": [term.name for _, term in terms for _ in range(term.draw.dimensions)],
        "bounds": [[0.0, 1.0]] * len(names),
    }
    uniform = np.clip(sample.sample(problem, 4096, calc_second_order=False, seed=1), 1e-9, 1 - 1e-9)
    errors, column = np.zeros((len(uniform), 2)), 0
    for n, term in terms:
        draws = term.draw.from_uniform(uniform[:, column : column + term.draw.dimensions].T)
        column += term.draw.dimensions
        for k, axis, value in evaluated.acts[n]:
            errors[:, axis] += draws[k] * value[0]
    at = q + errors  # exact kinematics of a planar arm
    tip = [sum(length * f(at[:, : j + 1].sum(axis=1)) for j, length in enumerate(lengths)) for f in (np.cos, np.sin)]
    indices = [analyze.analyze(problem, x - x.mean(), calc_second_order=False, seed=1)["S1"] for x in tip]
    weight = np.array([x.var() for x in tip])
    average = np.average(indices, axis=0, weights=weight)
    linear = linearise(evaluated).contributions[[n for n, _ in terms], 0]
    np.testing.assert_allclose(average, linear / linear.sum(), atol=0.02)


def test_shares_by_life() -> None:
    """One joint with unit life only, one with visit life only, equal levers: shares as their squares. Source: arithmetic."""
    arm = planar_arm(0.4, 0.3)
    still = Encoder("i", signal_periods=1, interpolation=60)
    first = Joint("j1", still, mastering=Distribution("normal", 1e-4))
    machine = Machine(arm, (first, normal_machine(arm, 1e-4, 2e-4).joints[1]))
    study = planar_study(1e-4, 1e-4).with_scenario(machine=machine)
    lives = study.run(1).tasks[0].summary.lives
    unit, visit = (0.25 * 1e-8), (0.09 * 4e-8)  # the tool is 0.5 m from the base at a right angle
    assert lives["visit"] == pytest.approx(visit / (unit + visit), rel=1e-6)
    assert sum(lives.values()) == pytest.approx(1.0)


def test_the_command(tmp_path: Path) -> None:
    text = (
        (ROOT / "scenarios" / "lessons" / "mastering.yaml").read_text().replace("../../configs", str(ROOT / "configs"))
    )
    scenario = tmp_path / "lesson.yaml"
    scenario.write_text(text)
    arguments = ["what-if", scenario, "--units", "200", "--visits", "2", "--out", tmp_path / "w", "--json"]
    command = [sys.executable, "-m", "armsim.cli.main", *map(str, arguments)]
    process = subprocess.run(command, capture_output=True, text=True, check=False)
    assert process.returncode == 0, process.stderr
    data = json.loads(process.stdout)
    assert data["format"] == "armsim-what-if/2"
    assert {row["kind"] for row in data["rows"]} == {"joint ideal", "cause halved", "one bit finer"}
    assert (tmp_path / "w" / "tables" / "what-if.csv").read_text().count("\n") == 1 + len(data["rows"])
    assert len(list((tmp_path / "w" / "figures").glob("*.png"))) == 1
