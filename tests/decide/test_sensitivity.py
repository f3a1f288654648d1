"""Sensitivities against closed forms, shares, and whole runs with the number changed."""

from __future__ import annotations

import json
import math
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from support import ROOT, few_arms_of_sensitivities, invoke, normal_machine, planar_arm

import armsim
from armsim.decide import Sensitivities, sensitivities
from armsim.decide.display_units import display_unit_of
from armsim.errors import InputError
from armsim.model.parameters import stated_numbers
from armsim.report.sensitivity_review import limits_of_the_table
from armsim.requirement.requirement import Requirement, TaskLimits
from armsim.results import Result
from armsim.run_options import RunOptions
from armsim.sampling.first_order import linearise
from armsim.sampling.gaussian import quantile_by_moments
from armsim.sampling.random_draws import UNIT_BLOCK
from armsim.sampling_plan import SamplingPlan
from armsim.study import Study
from armsim.tasks import NamedPose, Poses

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
TRACK = ROOT / "scenarios" / "track-cell.yaml"
SHEETS = ROOT / "scenarios" / "seven-from-sheets.yaml"
COARSE = {"tasks.side view.step": "90 mm"}
NOT_COVERED = ("repeatability", "orientation", "velocity ripple")
ARCSEC = math.pi / 648_000


def study_of(s1: float, s2: float, units: int) -> Study:
    """One normal error at each joint of a planar arm whose levers stand askew."""
    return armsim.load(DEMO).with_scenario(
        tasks=(Poses("t", (NamedPose("p", joints=(0.2, math.pi / 2)),)),), plan=SamplingPlan(units, 10, 3),
        machine=normal_machine(planar_arm(0.4, 0.3), s1, s2), requirement=None,
    )  # fmt: skip


def test_two_joints_by_brute_force() -> None:
    """The quantile of (l1 N1, l2 N2) in its plane, drawn four million times with each deviation changed."""
    s1, s2 = 1e-4, 3e-4
    table = sensitivities(study_of(s1, s2, 20_000), RunOptions(1))
    z = np.random.default_rng(8).normal(size=(2, 4_000_000))
    levers = np.array([[-0.3, 0.4], [-0.3, 0.0]])  # of the tool about either joint, in the frame of the last link

    def p95(a: float, b: float) -> float:
        return float(np.quantile(np.linalg.norm(levers.T @ (z * np.array([[a], [b]])), axis=0), 0.95))

    for name, less, step in (("j1", (0.9 * s1, s2), (1.02 * s1, s2)), ("j2", (s1, 0.9 * s2), (s1, 1.02 * s2))):
        line = next(line for line in table.lines if line.path == f"joints.{name}.encoder.summary.repeatability")
        std = (s1, s2)[name == "j2"]
        assert line.value == pytest.approx(std / ARCSEC)
        assert line.unit.name == "arcsec"
        slope = (p95(*step) - p95(s1, s2)) / (0.02 * std / ARCSEC)
        for change, true in ((line.tenth_less, p95(*less) - p95(s1, s2)), (line.per_unit, slope)):
            assert change.interval is not None
            half = 0.5 * (change.interval[1] - change.interval[0])
            # two half-widths, and 2 % by which the slope of the brute force scatters
            assert change.value == pytest.approx(true, abs=2.0 * half, rel=0.02)
            assert half < 0.05 * abs(true)


@pytest.fixture(scope="module")
def demo() -> Sensitivities:
    """Of few arms in its changes; rms and shares are of first order."""
    with few_arms_of_sensitivities():
        return sensitivities(armsim.load(DEMO).change(COARSE).with_plan(units=400, visits=5), RunOptions(2))


SIZES = (
    "mastering", "lost_motion", "graduation_error", "eccentricity", "amplitude", "offset", "amplitude_mismatch",
    "phase_error", "noise", "hysteresis", "accuracy", "repeatability", "sub_divisional_error",
)  # fmt: skip
"""Keys to which the error is proportional; tilts enter by their square, bits as a power of two."""


@pytest.mark.parametrize("scenario", [DEMO, SHEETS], ids=["demo", "sheets"])
def test_all_numbers_together_make_the_whole(scenario: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All sizes twice as large make the quantile twice as large: the slopes add up to it. Source: Euler's theorem on
    homogeneous functions. The slopes are of a population larger than that of the quantile, whose interval they hold."""
    monkeypatch.setattr("armsim.decide.sensitivity.LEAST_UNITS", 4 * UNIT_BLOCK)
    coarse = armsim.load(scenario).change(COARSE if scenario == DEMO else {})
    table = sensitivities(coarse.with_plan(units=2000, visits=5), RunOptions(2))
    for task in table.result.tasks:
        total = 0.0
        for line in table.lines_of(task.name):
            key, slope = line.path.rpartition(".")[2], line.per_unit.value
            if key in SIZES or line.path.startswith("link "):
                total += slope * line.value
            elif key == "disc_tilt":
                total += slope * line.value / 2.0
            elif key == "interpolation":
                total -= slope / math.log(2.0)
        interval = task.summary.p95_interval
        assert interval is not None
        middle, half = 0.5 * (interval[0] + interval[1]), 0.5 * (interval[1] - interval[0])
        assert total == pytest.approx(middle, abs=1.5 * half)


def test_the_rms_of_a_tenth_less_is_that_of_a_run(demo: Sensitivities) -> None:
    """Against a run of the scenario with the number changed, which shares its random numbers. What both leave of first
    order cancels in the difference but for a few per cent of it, as the same units are drawn."""
    study = armsim.load(DEMO).change(COARSE).with_plan(units=400, visits=5)
    path = "joints.j2.transmission.kinematic_error.0.amplitude"
    changed = study.change({path: "16.2 arcsec"}).run(2)
    for before, after in zip(demo.result.tasks, changed.tasks, strict=True):
        line = next(line for line in demo.lines_of(before.name) if line.path == path)
        assert line.value == pytest.approx(18.0)
        rms = [float(np.sqrt(np.mean(task.column("error.rms") ** 2))) for task in (before, after)]
        # the mean square of 400 random amplitudes of one cause scatters by 1 / sqrt(400), twice that is 10 %
        assert line.rms_tenth_less == pytest.approx(rms[1] - rms[0], rel=0.15)


def test_a_joint_alone_has_the_lines_of_the_whole() -> None:
    study = study_of(1e-5, 2e-5, 500)
    all_joints = sensitivities(study, RunOptions(1))
    joint = study.scenario.machine.arm.names[0]
    alone = sensitivities(study, RunOptions(1), joint)
    assert alone.lines == tuple(line for line in all_joints.lines if line.path.startswith(f"joints.{joint}."))
    assert 0 < len(alone.lines) < len(all_joints.lines)


def test_the_shares_are_those_of_the_result(demo: Sensitivities) -> None:
    for task in demo.result.tasks:
        row = task.pose(task.summary.worst_pose)
        listed = {(part.joint, part.cause): part.worst for part in demo.cause_shares_of(task.name)}
        for joint, causes in row.shares.items():
            for cause, share in causes.items():
                assert listed.get((joint, cause), 0.0) == pytest.approx(share)


@pytest.mark.parametrize("path", [DEMO, TRACK, SHEETS], ids=["demo", "track", "sheets"])
def test_every_number_can_be_changed_alone(path: Path) -> None:
    """Once is the machine; ten times moves the mean square only where the number has a say."""
    machine = armsim.load(path).scenario.machine
    q = machine.arm.middle[None] + 0.1
    for number in stated_numbers(machine):
        same = number.multiply(machine, 1.0)
        assert same.joints == machine.joints, number.path
        assert same.tolerances == machine.tolerances
        assert same.environment == machine.environment
        changed = number.multiply(machine, 1.1)
        unlike = [a.name for a, b in zip(machine.joints, changed.joints, strict=True) if a != b]
        if number.path.startswith("joints."):
            assert unlike == [number.joint], number.path
        assert np.isfinite(linearise(changed.at(q)).mean_square).all()
        unit = display_unit_of(number.key.kind, number.rotary, number.value)
        assert number.value / unit.si_value > 0 or number.value < 0


def test_paths_are_those_of_a_change() -> None:
    """What the table names is what --set takes, with a value in the unit told."""
    study = armsim.load(SHEETS)
    for number in stated_numbers(study.scenario.machine):
        if not number.path.startswith("joints.") or ".mounted_with" in number.path:
            continue
        unit = display_unit_of(number.key.kind, number.rotary, number.value)
        value = f"{1.1 * number.value / unit.si_value:.15g} {unit.name}".rstrip()
        if not unit.name:
            continue
        field = number.path.rpartition(".")[2]
        if field in ("interpolation", "track_radius"):
            continue  # these follow from other lines of the sheet
        text = (
            {"std": value, "distribution": "normal"}
            if field in ("repeatability", "noise") and number.joint in STD[field]
            else value
        )
        changed = study.change({number.path: text}).scenario.machine
        expected = number.multiply(study.scenario.machine, 1.1)
        mine, theirs = changed.joints, expected.joints
        for a, b in zip(mine, theirs, strict=True):
            assert terms(a) == pytest.approx(terms(b), rel=1e-9), number.path


STD = {"repeatability": ("j1", "j2", "j3", "j4"), "noise": ("j5", "j6", "j7")}


def terms(joint: object) -> list[float]:
    return [float(np.trace(term.second_moment)) * sum(a.shape.gain**2 for a in term.acts) for term in joint.terms()]  # type: ignore[attr-defined]


def test_an_entry_without_a_name_is_changed_by_its_number() -> None:
    study = armsim.load(SHEETS)
    changed = study.change({"joints.j5.transmission.kinematic_error.0.amplitude": "50 arcsec"})
    entry = changed.scenario.machine.joints[4].transmission.kinematic_error[0]
    assert entry.amplitude.spread.scale == pytest.approx(50 * ARCSEC)
    with pytest.raises(InputError, match="no entry '1'"):
        study.change({"joints.j5.transmission.kinematic_error.1.amplitude": "50 arcsec"})


def test_the_command_writes_a_folder(tmp_path: Path) -> None:
    out = tmp_path / "out"
    process = invoke("sensitivity", SHEETS, "--units", "200", "--visits", "3", "--out", out)
    assert process.returncode == 0, process.stderr
    assert "j2, mounting: eccentricity" in process.stdout
    assert "joints.j2.mounting.eccentricity" in (out / "tables" / "sensitivity.csv").read_text()
    assert {path.name for path in (out / "tables").iterdir()} == {"sensitivity.csv", "shares.csv"}
    assert list((out / "figures").glob("*.png"))
    record = json.loads((out / "sensitivity.json").read_text())
    assert record["format"] == "armsim-sensitivity/2"
    printed = json.loads(invoke("sensitivity", SHEETS, "--units", "200", "--visits", "3", "--json").stdout)
    assert printed == record


def test_the_quantile_by_moments_is_near_the_sampled_one() -> None:
    """Laws from a needle to a ball, with means of all sizes, drawn 100 000 times each: within 2 %, and four standard
    deviations of a sampled quantile; closed forms of a mean alone, and of a line (1.96 standard deviations)."""
    rng = np.random.default_rng(1)
    for _ in range(150):
        root = rng.normal(size=(3, 3)) * np.exp(rng.normal(0.0, 1.5, (3, 1)))
        mean = rng.normal(size=3) * np.exp(rng.normal(-1.0, 1.5))
        lengths = np.linalg.norm(mean + rng.normal(size=(100_000, 3)) @ root.T, axis=1)
        low, q, high = np.quantile(lengths, (0.945, 0.95, 0.955))
        scatter = math.sqrt(0.95 * 0.05 / 100_000) * (high - low) / 0.01
        value = quantile_by_moments(mean[None], (root @ root.T)[None], 0.95)[0]
        assert abs(value - q) < 0.02 * q + 4.0 * scatter
    one = np.array([[3.0, 0.0, 0.0]])
    assert quantile_by_moments(one, np.zeros((1, 3, 3)), 0.95)[0] == pytest.approx(3.0)
    assert quantile_by_moments(0.0 * one, np.diag([4.0, 0.0, 0.0])[None], 0.95)[0] == pytest.approx(
        2 * 1.959964, rel=1e-6
    )


def test_criteria_that_are_not_covered_are_named() -> None:
    """All that is required but the error of the tool point, of which the tables are. Source: the requirement."""
    required = Requirement(1e-3, orientation=1e-3, velocity_ripple=0.1, tasks={"t": TaskLimits(repeatability=1e-4)})
    for requirement, names in ((None, ()), (Requirement(1e-3), ()), (required, NOT_COVERED)):
        result = cast(Result, SimpleNamespace(requirement=requirement))
        table = Sensitivities(result, (), ())
        assert table.not_covered == names
        assert all(name in limits_of_the_table(table) for name in names)
        assert bool(limits_of_the_table(table)) == bool(names)
