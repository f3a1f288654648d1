"""Errors of a joint about axes that it does not turn about: whose they are, what they do to the tool point.

Checked against roboticstoolbox, whose link transforms are multiplied here with an elementary rotation put between them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from support import published_arm

from armsim.calibration.estimate_correction import MeasurementPlan
from armsim.calibration.identifiable import parameters_of
from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.measured_machine import as_measured
from armsim.causes import Cause
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Constant, State, Wave
from armsim.errormodel.terms import SHAFT, Act, Axis, Role, Term, independent
from armsim.model.arm import Arm
from armsim.model.calibration_plan import Calibration, Identified, Instrument, MeasuredPoses
from armsim.model.chain import fixed_transforms
from armsim.model.encoder import Encoder
from armsim.model.joint import Joint
from armsim.model.kinematics import ERROR_MOTIONS, ArmJoint, ElementaryTransform
from armsim.model.machine import Change, Machine
from armsim.sampling.first_order import linearise
from armsim.sampling.joint_budgets import joint_budgets, link_budget

TILT = Cause("axis tilt")
FINE = Encoder("fine", signal_periods=1024, interpolation=26)
SIZES = {"tilt x": 20e-6, "tilt y": 35e-6}
Q = np.array([[0.3, -0.7, 0.9, 0.4, 0.8, -0.2], [-1.1, 0.2, -0.4, 1.5, -0.6, 0.7]])


@dataclass(frozen=True)
class Tilted(Joint):
    """A joint whose axis leans, as an outsider would write it: physics speaks of no joint by name."""

    def terms(self) -> tuple[Term, ...]:
        every = [
            independent(name, TILT, (Distribution("normal", size),), (Constant(),), 3 * size,
                        axis=Axis("", name, Role.ERROR_MOTION))
            for name, size in SIZES.items()
        ]  # fmt: skip
        return (*super().terms(), *(term.transfer_to(Axis(self.name), -1.0 / 50.0, 50.0) for term in every))


def machine_of(arm: Arm, tilted: str) -> Machine:
    kinds = {name: Tilted if name == tilted else Joint for name in arm.names}
    return Machine(arm, tuple(kinds[name](name, FINE) for name in arm.names))


def turned(axis: str, angle: float) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    out = np.eye(4)
    out[:3, :3] = [[1, 0, 0], [0, c, -s], [0, s, c]] if axis == "x" else [[c, 0, s], [0, 1, 0], [-s, 0, c]]
    return out


def tool(robot, q: np.ndarray, before: int, by: np.ndarray) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Tool point with a transform put before the row of a joint, which begins with its turn about z."""
    out = np.eye(4)
    for number, (link, angle) in enumerate(zip(robot.links, q, strict=True)):
        out = out @ (by if number == before else np.eye(4)) @ link.A(angle).A
    return (out @ robot.tool.A)[:3, 3]


@pytest.mark.parametrize("joint", [0, 2, 5])
def test_a_tilt_moves_the_tool_as_an_inserted_rotation_does(joint: int) -> None:
    arm, robot = published_arm("Puma560")
    arm = replace(arm, motions=(*arm.motions, *fixed_transforms(robot.tool.t, (0.0, 0.0, 0.0))))
    name, step = arm.names[joint], 1e-6
    machine = machine_of(arm, name)
    expected = np.zeros((len(Q), 3, 3))
    for axis, size in SIZES.items():
        for pose, q in enumerate(Q):
            ends = [tool(robot, q, joint, turned(axis[-1], way * step)) for way in (1, -1)]
            column = (ends[0] - ends[1]) / (2 * step) * size
            expected[pose] += np.outer(column, column)
    evaluated = machine.at(Q)
    actual = np.zeros_like(expected)
    for term, gain in evaluated.gains():
        if term.cause == TILT:
            assert term.owner == name
            actual += gain @ term.covariance @ gain.swapaxes(1, 2)
    np.testing.assert_allclose(actual, expected, rtol=1e-7, atol=1e-18)
    np.testing.assert_allclose(evaluated.postures.tool[:, :3, 3], [tool(robot, q, 0, np.eye(4)) for q in Q], atol=1e-12)


def test_it_stays_with_its_joint_in_every_analysis() -> None:
    arm, _ = published_arm("Puma560")
    machine = machine_of(arm, "j3")
    tilts = [term for term in machine.terms if term.cause == TILT]
    assert [term.share_name for term in tilts] == [("j3", "axis tilt")] * 2
    assert [term.name for term in tilts] == ["j3/tilt x", "j3/tilt y"]
    assert [term.limit for term in tilts] == [3 * size for size in SIZES.values()]
    grouped = replace(machine, arm=replace(arm, groups={"wrist": ("j3", "j4")}))
    assert grouped.arm.group_of(tilts[0].owner) == "wrist"
    ideal = linearise(replace(machine, changes=(Change(0.0, joint="j3"),)).at(Q))
    assert sum(part.sum() for part, t in zip(ideal.contributions, machine.terms, strict=True) if t.cause == TILT) == 0
    speeds = np.zeros(6)
    beside = {motion.motion: motion.term.rms for motion in joint_budgets(machine, 1, speeds)["j3"].error_motions}
    assert beside == pytest.approx(SIZES)
    assert link_budget(machine) == ()
    without = machine_of(arm, "none")
    assert joint_budgets(machine, 1, speeds)["j3"].rms == joint_budgets(without, 1, speeds)["j3"].rms


def test_identifying_links_takes_constants_of_links_alone() -> None:
    """Neither error motions, nor the frames of tool, instrument and target; whatever they are called."""
    arm, robot = published_arm("Puma560")
    arm = replace(arm, motions=(*arm.motions, *fixed_transforms(robot.tool.t, (0.0, 0.0, 0.0), "tool")))
    instrument = Instrument((1e-5,) * 3)
    machine = as_measured(machine_of(arm, "j3"), instrument)
    axes = [Axis("j3", name, Role.ERROR_MOTION) for name in ERROR_MOTIONS if name != "tilt z"]
    for chain in (machine.arm, machine.perturbed_arm, machine.arm.with_error_motions(axes)):
        request = parameters_of(replace(machine, arm=chain), instrument, Identified(zeros=False, links=True))
        links = [item.axis for item in request if item.group == "links"]
        assert links == [Axis(j, p, Role.LINK) for j in arm.names for p in ("theta", "d", "a", "alpha")]
    assert "axis tilt" in {term.cause.name for term in LinearPopulation.of(machine, Q).terms}


def test_a_calibration_of_links_sees_a_lean_and_knows_no_name_for_it() -> None:
    """The second axis stands square to the first: its leans are what a zero and a twist before it can bring about, so
    that a calibration takes them away at the tool, and none of its parameters is called after them."""
    arm, _ = published_arm("Puma560")
    machine = machine_of(arm, "j2")
    joints = np.random.default_rng(8).uniform(-1.5, 1.5, (40, 6))
    calibration = Calibration(Instrument((1e-6,) * 3), MeasuredPoses(), 1, Identified(zeros=True, links=True))
    measurement = MeasurementPlan(calibration, joints)
    names = [parameter.name for parameter in measurement.estimate(machine).parameters]
    assert len(names) > 12
    assert not any("tilt" in name for name in names)

    def of_tilts(full: Machine) -> float:
        parts = linearise(full.at(Q)).contributions
        return sum(float(part.sum()) for part, t in zip(parts, full.terms, strict=True) if t.cause == TILT)

    assert of_tilts(measurement.calibrated(machine)) < 0.01 * of_tilts(machine)


def test_the_directions_are_those_of_the_joint() -> None:
    """Of an axis that lies askew: z along it, x and y square to it and to each other, in the frame before it."""
    direction = np.array([2.0, -1.0, 2.0]) / 3.0
    motion = ElementaryTransform(tuple(direction.tolist()), True, 0.0, (Axis("a"),), 0)
    axes = [Axis("a", name, Role.ERROR_MOTION) for name in ERROR_MOTIONS if name != "tilt z"]
    arm = Arm("askew", (ArmJoint("a", True),), (motion,)).with_error_motions(axes)
    at = arm.postures([[0.0], [1.0]], axes)
    frame = at.direction[0, :3]
    np.testing.assert_allclose(frame @ frame.T, np.eye(3), atol=1e-15)
    assert np.linalg.det(frame) == pytest.approx(1.0)
    np.testing.assert_allclose(frame[2], direction)
    np.testing.assert_array_equal(at.direction[0], at.direction[1])
    assert at.rotary.tolist() == [False, False, False, True, True]
    with pytest.raises(ValueError, match="own motion"):
        arm.with_error_motions([Axis("a", "tilt z", Role.ERROR_MOTION)])


def test_an_arm_without_error_motions_is_itself() -> None:
    arm, _ = published_arm("Puma560")
    assert machine_of(arm, "none").perturbed_arm is arm


def test_placing_a_term_leaves_its_error_motion_as_large_as_it_is() -> None:
    """A gear divides what the reading gets wrong, and no lean of the axis; positions are those of the shaft for both."""
    lean = Axis("", "tilt x", Role.ERROR_MOTION)
    both = independent("x", TILT, (Distribution("normal", 1.0),) * 2, (Constant(), Wave("sin", 1.0)), 1.0)
    both = replace(both, acts=(both.acts[0], Act(1, lean, both.acts[1].shape)))
    assert [act.axis for act in both.acts] == [SHAFT, lean]
    placed = both.transfer_to(Axis("j"), -0.01, 100.0)
    assert [act.axis for act in placed.acts] == [Axis("j"), Axis("j", "tilt x", Role.ERROR_MOTION)]
    assert placed.owner == "j"
    state = State.at_rest(np.array([0.01]))
    assert placed.acts[0].shape.value(state)[0] == pytest.approx(-0.01)
    assert placed.acts[1].shape.value(state)[0] == pytest.approx(np.sin(1.0))


def test_an_axis_says_what_it_is() -> None:
    with pytest.raises(ValueError, match="no parameter"):
        Axis("j1", "theta")
    with pytest.raises(ValueError, match="no parameter"):
        Axis("j1", role=Role.LINK)
    assert str(Axis("j1", "theta", Role.LINK)) == "j1.theta"
    assert str(Axis("j1")) == "j1"
