"""Arms that give way under gravity more than stated, or carry another payload: `verify` names what is off.

Arms are drawn from a machine of which one value is off; the deflections themselves are held against pinocchio and beams
in tests/physics/test_bending.py.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

import armsim
from armsim.calibration.calibration_records import CauseRecord
from armsim.calibration.cause_diagnosis import cause_records
from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.measured_population import SimulatedMeasurements, measured_units
from armsim.calibration.posterior import Estimator, Posterior
from armsim.calibration.rank_tests import RankTests, Reference
from armsim.documents.measured_points import MeasuredArm
from armsim.errormodel.distributions import Distribution
from armsim.model.joint import Joint
from armsim.model.machine import Machine

ARM = """kind: arm
name: loaded
kinematics:
  convention: standard-dh
  joints:
    - {name: j1, type: revolute, d: 400 mm, a: 0 mm, alpha: -90 deg, range: [-120 deg, 120 deg]}
    - {name: j2, type: revolute, d: 0 mm, a: 500 mm, alpha: 0 deg, range: [-110 deg, 10 deg]}
    - {name: j3, type: revolute, d: 0 mm, a: 400 mm, alpha: 0 deg, range: [-20 deg, 120 deg]}
    - {name: j4, type: revolute, d: 0 mm, a: 120 mm, alpha: 90 deg, range: [-100 deg, 100 deg]}
    - {name: j5, type: revolute, d: 100 mm, a: 0 mm, alpha: 0 deg, range: [-170 deg, 170 deg]}
  tool: {xyz: [60 mm, 0 mm, 80 mm]}
masses:
  links: {j2: {mass: 8 kg, centre: [-250 mm, 0 mm, 0 mm]}, j3: {mass: 5 kg, centre: [-200 mm, 0 mm, 0 mm]}}
  payload: {mass: 6 kg, centre: [0 mm, 0 mm, 100 mm], mass_tolerance: {std: 60 g, distribution: normal}, centre_tolerance: {std: 3 mm, distribution: normal}}
"""
DISC = (
    "{kind: encoder, name: disc, measures: rotation, signal_periods: 1024, interpolation: 12 bit, track_radius: 20 mm}"
)
SOFT = (
    "{ratio: 100, stiffness: 25 N*m/mrad, stiffness_tolerance: {std: 4 %, distribution: normal}, compensation: 100 %}"
)
BENDS = "{about_y: 40 N*m/mrad, centre: [-250 mm, 0 mm, 0 mm], tolerance: {std: 4 %, distribution: normal}, compensation: 100 %}"
TWISTS = "{about_z: 40 N*m/mrad, tolerance: {std: 4 %, distribution: normal}, compensation: 100 %}"
POSES, VISITS, INSTRUMENT, TIMES, ARMS = 24, 3, 10e-6, 7.0, 20


def written(folder: Path, bending: str) -> Path:
    (folder / "arm.yaml").write_text(ARM)
    joint = (
        f"encoder: {DISC}, placement: motor, mastering: {{std: 8 arcsec, distribution: normal}}, transmission: {SOFT}"
    )
    rows = "\n".join(f"  j{n}: {{{joint}{f', bending: {bending}' if n == 2 else ''}}}" for n in range(1, 6))
    task = "tasks: [{kind: poses, name: t, poses: [{name: p, joints: [0 deg, 0 deg, 0 deg, 0 deg, 0 deg]}]}]"
    path = folder / "scenario.yaml"
    path.write_text(f"kind: scenario\nname: loaded\narm: arm.yaml\njoints:\n{rows}\n{task}\n")
    return path


def off(spread: Distribution) -> Distribution:
    return Distribution("fixed", TIMES * spread.scale)


def with_joint(machine: Machine, change: Callable[[Joint], Joint]) -> Machine:
    """The machine with a change at j2."""
    first, second, *others = machine.joints
    return replace(machine, joints=(first, change(second), *others))


def softer_gear(machine: Machine) -> Machine:
    def change(joint: Joint) -> Joint:
        gear = joint.transmission
        return replace(joint, transmission=replace(gear, stiffness_tolerance=off(gear.stiffness_tolerance)))

    return with_joint(machine, change)


def softer_link(machine: Machine) -> Machine:
    return with_joint(machine, lambda j: replace(j, bending=replace(j.bending, tolerance=off(j.bending.tolerance))))


def other_payload(machine: Machine, key: str) -> Machine:
    assert machine.masses is not None
    assert machine.masses.payload is not None
    payload = machine.masses.payload
    changed = replace(payload, **{key: off(getattr(payload, key))})
    return replace(machine, masses=replace(machine.masses, payload=changed))


class Verified:
    """Arms of a machine, each measured and diagnosed against the machine as stated."""

    def __init__(self, path: Path) -> None:
        self.machine = armsim.load(path).scenario.machine
        rng = np.random.default_rng(4)
        self.joints = rng.uniform(self.machine.arm.finite_lower, self.machine.arm.finite_upper, (POSES, 5))
        counts = [VISITS] * POSES
        self.estimator = Estimator.of(LinearPopulation.of(self.machine, self.joints), counts, INSTRUMENT)
        sound = measured_units(self.machine, self.joints, counts, INSTRUMENT, 20_000, 1)
        self.reference = Reference.of(self.estimator, SimulatedMeasurements.of(sound))

    def diagnoses(self, machine: Machine, arms: int) -> list[list[CauseRecord]]:
        """Causes of every arm that stand out, the smallest p-value first."""
        every = list(measured_units(machine, self.joints, [VISITS] * POSES, INSTRUMENT, arms, 2))
        out = []
        for unit in range(arms):
            visits = {f"p{n}": rows[unit] for n, rows in enumerate(every)}
            ranks = RankTests.of(MeasuredArm("a", visits), self.reference)
            update = Posterior.of(self.estimator, self.estimator.readings.means(list(visits.values())))
            out.append([record for record in cause_records(update, ranks) if record.significant])
        return out


@pytest.fixture(scope="module")
def verified(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Verified]:
    @lru_cache
    def of(bending: str) -> Verified:
        return Verified(written(tmp_path_factory.mktemp("loaded"), bending))

    return of


CASES: dict[str, tuple[Callable[[Machine], Machine], str, str]] = {
    "gear": (softer_gear, "wind-up", "j2"),
    "link": (softer_link, "bending", "j2"),
    "payload mass": (lambda machine: other_payload(machine, "mass_tolerance"), "payload mass", "machine"),
    "payload centre": (lambda machine: other_payload(machine, "centre_tolerance"), "payload centre", "machine"),
}


NAMED = {"gear": 0.95, "link": 0.9, "payload mass": 0.5, "payload centre": 0.95}
"""Least share of the arms in which the cause is to be named; of the payload's mass the poses resolve but half."""


@pytest.mark.parametrize("case", CASES)
def test_what_gives_way_too_much_is_named(verified: Callable[[str], Verified], case: str) -> None:
    """Seven standard deviations off: it comes first wherever anything is named, and others are named as seldom as the
    level says. Binomial bounds at 1 %."""
    change, cause, owner = CASES[case]
    arms = verified(BENDS)
    every = arms.diagnoses(change(arms.machine), ARMS)
    first = [(records[0].cause, records[0].owner) for records in every if records]
    assert first.count((cause, owner)) >= stats.binom.ppf(0.01, ARMS, NAMED[case])
    assert len(first) - first.count((cause, owner)) <= stats.binom.ppf(0.99, ARMS, 0.02)
    innocent = sum(any(record.cause != cause for record in records) for records in every)
    assert innocent <= stats.binom.ppf(0.99, ARMS, 0.02)
    if case == "payload centre":  # off along all three axes of the tool
        assert sum(len(records) == 3 for records in every) >= stats.binom.ppf(0.01, ARMS, 0.9)


def test_sound_loaded_arms_are_not_accused(verified: Callable[[str], Verified]) -> None:
    arms = verified(BENDS)
    assert sum(map(bool, arms.diagnoses(arms.machine, 5 * ARMS))) <= stats.binom.ppf(0.99, 5 * ARMS, 0.002)


@pytest.mark.parametrize("case", ["gear", "link"])
def test_what_no_pose_tells_apart_is_named_together(verified: Callable[[str], Verified], case: str) -> None:
    """A gear that winds up and a link that twists about the same axis give way by the same load: both or none stand
    out, with the same chance. Source: Hooke's law, two springs in a row."""
    arms = verified(TWISTS)
    every = [records for records in arms.diagnoses(CASES[case][0](arms.machine), ARMS) if records]
    assert len(every) >= ARMS // 4
    for records in every:
        assert {(record.cause, record.owner) for record in records[:2]} == {("wind-up", "j2"), ("bending", "j2")}
        assert records[0].p_value == records[1].p_value
