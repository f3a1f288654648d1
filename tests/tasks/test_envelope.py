"""The outer bound of an arm, and slices that look no further. Source: forward kinematics in this test."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from support import published_arm

from armsim.arrays import Array
from armsim.errormodel.terms import Axis
from armsim.model.arm import Arm
from armsim.model.envelope import Envelope
from armsim.model.kinematics import ArmJoint, ElementaryTransform
from armsim.tasks.base import Frame, PoseConstraints
from armsim.tasks.inverse import Solver
from armsim.tasks.slice import Slice

X, Y, Z = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)
SLANTED = (0.6, 0.0, 0.8)
FIRST, SECOND, COLUMN, QUILL = 0.25, 0.2, 0.4, 0.12
TURN = math.radians(170.0)


def arm_of(*motions: tuple[Any, ...], joints: tuple[ArmJoint, ...]) -> Arm:
    parts = []
    for direction, rotary, value, *joint in motions:
        number = joint[0] if joint else None
        axes = () if number is None else (Axis(joints[number].name),)
        parts.append(ElementaryTransform(direction, rotary, value, axes, number))
    return Arm("test", joints, tuple(parts))


def scara() -> Arm:
    """Two links, a quill that goes down, and a wrist: axes all upright."""
    joints = (
        ArmJoint("j1", True, -math.radians(130), math.radians(130)),
        ArmJoint("j2", True, -math.radians(145), math.radians(145)),
        ArmJoint("j3", False, -QUILL, 0.0),
        ArmJoint("j4", True, -math.pi, math.pi),
    )
    return arm_of(
        (Z, False, COLUMN), (Z, True, 0.0, 0), (X, False, FIRST), (Z, True, 0.0, 1), (X, False, SECOND),
        (Z, False, 0.0, 2), (Z, True, 0.0, 3), (Z, False, -0.1), joints=joints,
    )  # fmt: skip


def on_a_track() -> Arm:
    """Seven axes, the first a slide at an angle, the fourth a turn about an axis at an angle."""
    joints = (ArmJoint("t", False, -0.3, 0.9), *(ArmJoint(f"j{n}", True, -TURN, TURN) for n in range(6)))
    return arm_of(
        (SLANTED, False, 0.1, 0), (Z, False, 0.3), (Z, True, 0.0, 1), (X, False, 0.1), (Y, True, 0.2, 2),
        (X, False, 0.4), (SLANTED, True, 0.0, 3), (X, True, 0.7), (X, False, 0.3), (Y, True, 0.0, 4),
        (X, True, 0.0, 5), (Z, False, 0.1), (Y, True, 0.0, 6), (SLANTED, False, 0.15), joints=joints,
    )  # fmt: skip


ARMS: dict[str, Callable[[], Arm]] = {
    "scara": scara,
    "seven axes on a track": on_a_track,
    **{name: lambda name=name: published_arm(name)[0] for name in ("Puma560", "Stanford", "Panda")},  # type: ignore[misc]
}


def tips(arm: Arm, count: int) -> Array:
    """Tool points all over the joint ranges, their ends included."""
    draw = np.random.default_rng(5).uniform(-0.3, 1.3, (count, len(arm.joints))).clip(0.0, 1.0)
    return np.asarray(arm.postures(arm.finite_lower + draw * (arm.finite_upper - arm.finite_lower)).tool[:, :3, 3])


@pytest.mark.parametrize("name", ARMS)
def test_no_tool_point_is_outside(name: str) -> None:
    arm = ARMS[name]()
    envelope = Envelope.from_arm(arm)
    points = tips(arm, 20_000)
    assert envelope.contains(points).all()
    assert envelope.radius <= arm.reach + 1e-12
    along = np.random.default_rng(6).normal(size=(200, 3))
    for direction in along / np.linalg.norm(along, axis=1, keepdims=True):
        low, high = envelope.extent(direction, 0.0)
        assert low - 1e-9 <= (points @ direction).min()
        assert (points @ direction).max() <= high + 1e-9


def test_that_of_a_scara_is_touched() -> None:
    """Upright axes: the two links stretched out, the quill up and down."""
    envelope = Envelope.from_arm(scara())
    assert envelope.axis_radii[2] == pytest.approx(FIRST + SECOND, abs=1e-12)
    assert (envelope.low[2], envelope.high[2]) == pytest.approx((COLUMN - 0.1 - QUILL, COLUMN - 0.1), abs=1e-12)
    farthest = np.hypot(*tips(scara(), 20_000)[:, :2].T).max()
    assert farthest == pytest.approx(FIRST + SECOND, rel=1e-3)


def cells(task: Slice, arm: Arm) -> dict[str, bytes]:
    """Reached cells by name, with their joints to the bit."""
    poses = task.find(arm)
    return {name: q.tobytes() for name, q in zip(poses.names, poses.configurations.joints, strict=True)}


def tried(task: Slice, arm: Arm, monkeypatch: pytest.MonkeyPatch) -> set[tuple[float, ...]]:
    """Points that the solver was given."""
    points: set[tuple[float, ...]] = set()
    solve, follow = Solver.solve, Solver.follow

    def recorded(do: Any) -> Any:
        def through(self: Solver, command: Any, *more: Any, **named: Any) -> Any:
            points.add(tuple(command.xyz))
            return do(self, command, *more, **named)

        return through

    with monkeypatch.context() as patch:
        patch.setattr(Solver, "solve", recorded(solve))
        patch.setattr(Solver, "follow", recorded(follow))
        task.find(arm)
    return points


def test_a_slice_without_ends_looks_as_far_as_a_scara_reaches(monkeypatch: pytest.MonkeyPatch) -> None:
    """It laid out 5041 cells for the 584 that are reached: as wide as if column and quill were links, too."""
    arm, step = scara(), 0.03
    task = Slice("table", "xy", 0.25, step)
    wide = Slice("table", "xy", 0.25, step, x=(-arm.reach, arm.reach), y=(-arm.reach, arm.reach))
    assert cells(task, arm) == cells(wide, arm)
    points = tried(task, arm, monkeypatch)
    assert max(math.hypot(*point[:2]) for point in points) <= FIRST + SECOND + 1e-9
    grid = task.find(arm).grid
    assert grid is not None
    assert all(max(map(abs, centres)) <= FIRST + SECOND + step for centres in grid.centres)
    lattice = np.arange(-40, 41) * step
    inside = (np.hypot(*np.meshgrid(lattice, lattice)) <= FIRST + SECOND + 1e-9).sum()
    assert len(points) <= inside
    assert task.count(arm) < 0.3 * wide.count(arm)


def test_a_plane_that_is_not_reached_is_not_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    task = Slice("floor", "xy", 0.0, 0.05)
    assert tried(task, scara(), monkeypatch) == set()
    assert not task.find(scara()).names


@pytest.mark.parametrize("name", ["scara", "Puma560"])
@pytest.mark.parametrize("plane", ["xy", "xz"])
def test_every_cell_as_before_in_a_frame_at_an_angle(name: str, plane: Any) -> None:
    """Against ends wide enough for all that the arm reaches from a frame beside it."""
    arm = ARMS[name]()
    frame = Frame((0.1, -0.2, 0.27), (0.0, 0.0, 0.5) if name == "scara" else (0.2, -0.4, 0.5))
    step, wide = (0.06, (-0.9, 0.9)) if name == "scara" else (0.2, (-1.6, 1.6))
    ends = dict.fromkeys(plane, wide)
    task = Slice("s", plane, 0.0, step, frame=frame, constraints=PoseConstraints())
    every = cells(Slice("s", plane, 0.0, step, frame=frame, constraints=PoseConstraints(), **ends), arm)  # type: ignore[arg-type]
    assert len(every) > 20
    assert cells(task, arm) == every
