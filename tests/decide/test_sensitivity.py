"""Sensitivities against closed forms, shares, and whole runs with the number changed."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi
from support import ROOT, invoke, normal_machine, planar_arm

import armsim
from armsim.asked import SamplingPlan
from armsim.decide import Sensitivities, sensitivities
from armsim.decide.sheet_units import told_in
from armsim.engine.firstorder import linearise
from armsim.engine.gaussian import quantile, quantile_by_moments, quantile_with_slopes
from armsim.errors import InputError
from armsim.model.numbers import numbers
from armsim.study import Study
from armsim.tasks import NamedPose, Poses

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
TRACK = ROOT / "scenarios" / "track-cell.yaml"
SHEETS = ROOT / "scenarios" / "seven-from-sheets.yaml"
COARSE = {"tasks.side view.step": "90 mm"}
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
    found = sensitivities(study_of(s1, s2, 20_000), 1)
    z = np.random.default_rng(8).normal(size=(2, 4_000_000))
    levers = np.array([[-0.3, 0.4], [-0.3, 0.0]])  # of the tool about either joint, in the frame of the last link

    def p95(a: float, b: float) -> float:
        return float(np.quantile(np.linalg.norm(levers.T @ (z * np.array([[a], [b]])), axis=0), 0.95))

    for name, less, step in (("j1", (0.9 * s1, s2), (1.02 * s1, s2)), ("j2", (s1, 0.9 * s2), (s1, 1.02 * s2))):
        line = next(line for line in found.lines if line.path == f"joints.{name}.encoder.summary.repeatability")
        own = (s1, s2)[name == "j2"]
        assert line.value == pytest.approx(own / ARCSEC)
        assert line.unit.name == "arcsec"
        # the ratio of the sampled quantile to the normal one scatters by 0.4 %; the slope of the brute force by 2 %
        assert line.tenth_less == pytest.approx(p95(*less) - p95(s1, s2), rel=0.02)
        slope = (p95(*step) - p95(s1, s2)) / (0.02 * own / ARCSEC)
        assert line.per_unit == pytest.approx(slope, rel=0.04)
        assert line.checked is not None
        assert line.checked.interval is not None
        assert line.checked.interval[0] <= line.tenth_less <= line.checked.interval[1]


@pytest.mark.parametrize(("rank", "rel"), [(3, 1e-12), (2, 1e-5), (1, 1e-5)])
def test_the_quantile_of_a_length_in_closed_form(rank: int, rel: float) -> None:
    """Equal variances in three, two, one directions, turned anyhow: the chi law of so many degrees. Source: scipy."""
    turn = np.linalg.qr(np.random.default_rng(0).normal(size=(3, 3)))[0]
    c = turn @ np.diag([1.0] * rank + [0.0] * (3 - rank)) @ turn.T
    assert quantile(np.zeros((1, 3)), c[None], 0.95)[0] == pytest.approx(chi(rank).ppf(0.95), rel=rel)


@pytest.mark.parametrize("m", [(0.0, 0.0, 0.0), (0.5, 1.0, -0.3), (0.2, 3.0, 0.0), (30.0, 0.0, 0.0)])
@pytest.mark.parametrize("variances", [(1.0, 0.3, 0.01), (1.0, 1e-6, 0.0)])
def test_the_quantile_and_its_slopes_by_brute_force(m: tuple[float, ...], variances: tuple[float, ...]) -> None:
    turn = np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))[0]
    c, z = turn @ np.diag(variances) @ turn.T, np.random.default_rng(2).normal(size=(1_000_000, 3))
    spread = turn * np.sqrt(variances)
    drawn = np.quantile(np.linalg.norm(np.array(m) + z @ spread.T, axis=1), 0.95)
    assert quantile(np.array([m]), c[None], 0.95)[0] == pytest.approx(drawn, rel=3e-3)
    found = quantile_with_slopes(np.array([m]), c[None], 0.95)
    change = turn @ np.diag([0.3, 0.2, 0.1]) @ turn.T
    for by, dm, dc in (
        (found.by_mean, np.array([0.1, -0.2, 0.3]), 0 * c),
        (found.by_covariance, 0 * np.array(m), change),
    ):
        h = 1e-4
        more = quantile(np.array([m]) + h * dm, (c + h * dc)[None], 0.95)[0]
        plain = quantile(np.array([m]), c[None], 0.95)[0]
        expected = float(np.sum(by[0] * (dm if dm.any() else dc)))
        assert (more - plain) / h == pytest.approx(expected, rel=0.02, abs=2e-3)


def test_nothing_errs_by_nothing() -> None:
    """Without scatter the length is that of the mean."""
    found = quantile_with_slopes(np.array([[3.0, 4.0, 0.0], [0.0, 0.0, 0.0]]), np.zeros((2, 3, 3)), 0.95)
    np.testing.assert_allclose(found.value, [5.0, 0.0])


@pytest.fixture(scope="module")
def demo() -> Sensitivities:
    return sensitivities(armsim.load(DEMO).change(COARSE).with_plan(units=400, visits=5), 2)


SIZES = (
    "mastering", "lost_motion", "graduation_error", "eccentricity", "amplitude", "offset", "amplitude_mismatch",
    "phase_error", "noise", "hysteresis", "accuracy", "repeatability", "sub_divisional_error",
)  # fmt: skip
"""Keys to which the error is proportional; tilts enter by their square, bits as a power of two."""


@pytest.mark.parametrize("scenario", [DEMO, SHEETS], ids=["demo", "sheets"])
def test_all_numbers_together_make_the_whole(scenario: Path) -> None:
    """All sizes twice as large make the quantile twice as large: the slopes add up to it. Source: Euler's theorem on
    homogeneous functions."""
    coarse = armsim.load(scenario).change(COARSE if scenario == DEMO else {})
    found = sensitivities(coarse.with_plan(units=400, visits=5), 2)
    for task in found.result.tasks:
        total = 0.0
        for line in found.of(task.name):
            key = line.path.rpartition(".")[2]
            if key in SIZES or line.path.startswith("link "):
                total += line.per_unit * line.value
            elif key == "disc_tilt":
                total += line.per_unit * line.value / 2.0
            elif key == "interpolation":
                total -= line.per_unit / math.log(2.0)
        assert total == pytest.approx(task.summary.p95, rel=2e-3)


def test_the_shares_are_those_of_the_result(demo: Sensitivities) -> None:
    for task in demo.result.tasks:
        row = task.pose(task.summary.worst_pose)
        listed = {(part.joint, part.cause): part.worst for part in demo.parts_of(task.name)}
        for joint, causes in row.shares.items():
            for cause, share in causes.items():
                assert listed.get((joint, cause), 0.0) == pytest.approx(share)


@pytest.mark.parametrize("path", [DEMO, TRACK, SHEETS], ids=["demo", "track", "sheets"])
def test_every_number_can_be_changed_alone(path: Path) -> None:
    """Once is the machine; ten times moves the mean square only where the number has a say."""
    machine = armsim.load(path).scenario.machine
    q = machine.arm.middle[None] + 0.1
    for number in numbers(machine):
        same = number.times(machine, 1.0)
        assert same.joints == machine.joints, number.path
        assert same.tolerances == machine.tolerances
        assert same.environment == machine.environment
        changed = number.times(machine, 1.1)
        unlike = [a.name for a, b in zip(machine.joints, changed.joints, strict=True) if a != b]
        if number.path.startswith("joints."):
            assert unlike == [number.joint], number.path
        assert np.isfinite(linearise(changed.at(q)).mean_square).all()
        told = told_in(number.key.kind, number.rotary, number.value)
        assert number.value / told.si > 0 or number.value < 0


def test_paths_are_those_of_a_change() -> None:
    """What the table names is what --set takes, with a value in the unit told."""
    study = armsim.load(SHEETS)
    for number in numbers(study.scenario.machine):
        if not number.path.startswith("joints.") or ".mounted_with" in number.path:
            continue
        own = told_in(number.key.kind, number.rotary, number.value)
        value = f"{1.1 * number.value / own.si:.15g} {own.name}".rstrip()
        if not own.name:
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
        expected = number.times(study.scenario.machine, 1.1)
        mine, theirs = changed.joints, expected.joints
        for a, b in zip(mine, theirs, strict=True):
            assert terms(a) == pytest.approx(terms(b), rel=1e-9), number.path


STD = {"repeatability": ("j1", "j2", "j3", "j4"), "noise": ("j5", "j6", "j7")}


def terms(joint: object) -> list[float]:
    return [float(np.trace(term.second_moment)) * sum(a.shape.gain**2 for a in term.acts) for term in joint.terms()]  # type: ignore[attr-defined]


def test_an_entry_without_a_name_is_changed_by_its_number() -> None:
    study = armsim.load(SHEETS)
    changed = study.change({"joints.j5.transmission.kinematic_error.0.amplitude": "50 arcsec"})
    own = changed.scenario.machine.joints[4].transmission.kinematic_error[0]
    assert own.amplitude.spread.scale == pytest.approx(50 * ARCSEC)
    with pytest.raises(InputError, match="no entry '1'"):
        study.change({"joints.j5.transmission.kinematic_error.1.amplitude": "50 arcsec"})


def test_the_command_writes_a_folder(tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = invoke("sensitivity", SHEETS, "--units", "200", "--visits", "3", "--out", out)
    assert done.returncode == 0, done.stderr
    assert "joints.j2.mounting.eccentricity" in done.stdout
    assert {path.name for path in (out / "tables").iterdir()} == {"sensitivity.csv", "shares.csv"}
    assert list((out / "figures").glob("*.png"))
    record = json.loads((out / "sensitivity.json").read_text())
    assert record["format"] == "armsim-sensitivity/1"
    printed = json.loads(invoke("sensitivity", SHEETS, "--units", "200", "--visits", "3", "--json").stdout)
    assert printed == record


def test_the_quantile_by_moments_is_near_the_exact_one() -> None:
    """Two thousand laws from a needle to a ball, with means of all sizes: within 2 % of the integral; closed forms of a
    mean alone, and of a line (1.96 standard deviations)."""
    rng = np.random.default_rng(1)
    root = rng.normal(size=(2000, 3, 3)) * np.exp(rng.normal(0.0, 1.5, (2000, 3, 1)))
    covariance = root @ root.swapaxes(1, 2)
    mean = rng.normal(size=(2000, 3)) * np.exp(rng.normal(-1.0, 1.5, (2000, 1)))
    ratio = quantile_by_moments(mean, covariance, 0.95) / quantile(mean, covariance, 0.95)
    assert np.all(np.abs(ratio - 1.0) < 0.02)
    one = np.array([[3.0, 0.0, 0.0]])
    assert quantile_by_moments(one, np.zeros((1, 3, 3)), 0.95)[0] == pytest.approx(3.0)
    assert quantile_by_moments(0.0 * one, np.diag([4.0, 0.0, 0.0])[None], 0.95)[0] == pytest.approx(
        2 * 1.959964, rel=1e-6
    )
