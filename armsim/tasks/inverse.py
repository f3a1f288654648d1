"""Inverse kinematics with many starts, within the ranges of the joints, redundancy resolved.

Redundancy (a seventh axis, a tool that may turn) is resolved by the posture closest to a reference: the one that the
user states, or the middle of the ranges. So the posture depends on the pose, not on the start of the search, and
changes smoothly over a map.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from armsim.arrays import Array
from armsim.formatting import plural
from armsim.model.arm import Arm
from armsim.model.kinematics import z_onto
from armsim.tasks.base import UNCONSTRAINED, Command, PoseConstraints
from armsim.tasks.elbow import turn_elbow

if TYPE_CHECKING:
    from armsim.core import damped_least_squares, pose_residual

STARTS = 128
"""Joint positions from which the search starts if no neighbouring pose is solved."""
STEPS = 100
"""Largest number of steps of the solver from each start."""
POSE_TOLERANCE = 1e-8
"""Largest pose error of an accepted solution. [m and rad]"""
RANGE_TOLERANCE = 1e-9
"""Tolerance at the ends of a range, for rounding. [rad or m]"""
SHIFTS, SHIFT = 16, 0.05
"""Small motions tried around a neighbour, and their size. [rad; share of the reach for a prismatic joint]"""
LEAST_OFFSET = 1e-6
"""Least distance from zero of a joint restricted to one side of it. [rad or m]"""
STARTS_WITHOUT_RANGES = 16
"""Starts of a search without ranges, which names the joints whose ranges prevent a solution."""


@dataclass(frozen=True)
class Failure:
    """Reason why there is no solution."""

    reason: str


class Solver:
    """Inverse kinematics of an arm, with fixed joints and joints restricted to one side of zero.

    Parameters
    ----------
    arm : Arm
    constraints : PoseConstraints
    """

    def __init__(self, arm: Arm, constraints: PoseConstraints = UNCONSTRAINED) -> None:
        self.arm = arm
        self.elbow = constraints.elbow
        self.near = None if constraints.near is None else np.array(constraints.near)
        positions, sides = dict(constraints.fixed_joints), dict(constraints.branch)
        self.free = np.array([joint.name not in positions for joint in arm.joints])
        self.fixed = np.array([positions.get(joint.name, 0.0) for joint in arm.joints])
        signs = np.array([sides.get(joint.name, 0) for joint in arm.joints])
        self.lower = np.where(signs > 0, np.maximum(arm.lower, LEAST_OFFSET), arm.lower)
        self.upper = np.where(signs < 0, np.minimum(arm.upper, -LEAST_OFFSET), arm.upper)
        reference = next(
            posture for posture in (constraints.nearest, constraints.near, arm.middle) if posture is not None
        )
        self.reference = np.clip(np.array(reference), self.lower, self.upper)

    @cached_property
    def _kernel(self) -> Any:
        from armsim.core import damped_least_squares  # loads the compiler only when needed

        return damped_least_squares.solve_from

    @cached_property
    def _chain(self) -> pose_residual.Chain:
        from armsim.core import pose_residual

        motions = self.arm.motions
        return pose_residual.Chain(
            np.array([motion.direction for motion in motions], dtype=float).reshape(-1, 3),
            np.array([motion.rotary for motion in motions], dtype=bool),
            np.array([motion.value for motion in motions], dtype=float),
            np.array(self.arm.moving_indices, dtype=np.int64),
            self.arm.follower_factors,
            self.arm.reach or 1.0,
        )

    @cached_property
    def _scale(self) -> Array:
        return np.array([1.0 if joint.revolute else self.arm.reach or 1.0 for joint in self.arm.joints])

    @cached_property
    def _free_rotary(self) -> np.ndarray:
        """Free rotary joints, (joints,) bool."""
        return np.asarray(self.free & np.array([joint.revolute for joint in self.arm.joints]))

    @cached_property
    def _range(self) -> damped_least_squares.JointRanges:
        from armsim.core import damped_least_squares

        return damped_least_squares.JointRanges(self.lower, self.upper, self.reference, self._scale, self.free)

    @cached_property
    def _without_ranges(self) -> damped_least_squares.JointRanges:
        unlimited = np.full(len(self.lower), math.inf)
        from armsim.core import damped_least_squares

        return damped_least_squares.JointRanges(-unlimited, unlimited, self.reference, self._scale, self.free)

    def starts(self) -> list[Array]:
        """Joint positions to start from: ``near`` if stated, the reference, then points spread over the ranges."""
        from scipy.stats import qmc

        lowest, highest = np.maximum(self.arm.finite_lower, self.lower), np.minimum(self.arm.finite_upper, self.upper)
        samples = qmc.Sobol(len(self.arm.joints), scramble=False).random(STARTS)
        points = [self.reference, *(lowest + (highest - lowest) * row for row in samples[1:])]
        starts = [self._with_fixed(point) for point in points]
        return [self._with_fixed(self.near), *starts] if self.near is not None else starts

    def shifts(self) -> list[Array]:
        """Small motions of the free joints, for further starts around a neighbour."""
        from scipy.stats import qmc

        samples = 2.0 * qmc.Sobol(len(self.arm.joints), scramble=False).random(SHIFTS)[1:] - 1.0
        return list(np.where(self.free, SHIFT * self._scale * samples, 0.0))

    def solve(self, command: Command, seeds: Iterable[Array]) -> Array | Failure:
        """Joint positions for a pose of the tool, shape (joints,), from the first seed that leads to a solution."""
        starts = np.array([self._with_fixed(seed) for seed in seeds])
        target, out = self._target(command), np.empty(len(self.arm.joints))
        kernel = self._kernel
        number = first = -1
        while True:  # once, unless the elbow angle fails: other starts lead to other branches
            number, _ = kernel(self._chain, self._range, target, starts[first + 1 :], STEPS, POSE_TOLERANCE, out)
            if number < 0:
                break
            first += number + 1
            q = self._with_elbow(target, self._unwind(out, starts[first]))
            if q is not None:
                return q
        if first >= 0:
            return Failure(f"the elbow cannot reach that angle within the ranges, from {plural(len(starts), 'start')}")
        return self._failure(target, starts)

    def follow(self, command: Command, neighbour: Array) -> Array | None:
        """Joint positions for a pose of the tool, shape (joints,), from those of a neighbour; None if unsolved."""
        start = self._with_fixed(neighbour)
        out = np.empty(len(start))
        kernel = self._kernel
        target = self._target(command)
        number, _ = kernel(self._chain, self._range, target, start[None], STEPS, POSE_TOLERANCE, out)
        return None if number < 0 else self._with_elbow(target, self._unwind(out, start))

    def _with_elbow(self, target: pose_residual.Target, q: Array) -> Array | None:
        """The same pose with the elbow at the required angle, if one is required."""
        if self.elbow is None:
            return q

        def restore(start: Array) -> Array | None:
            out = np.empty(len(start))
            bounds = self._range._replace(reference=np.clip(start, self.lower, self.upper))
            kernel = self._kernel
            number, _ = kernel(self._chain, bounds, target, start[None], STEPS, POSE_TOLERANCE, out)
            return None if number < 0 else out

        return turn_elbow(self.arm, q, self.elbow, self.free, restore)

    def _failure(self, target: pose_residual.Target, starts: Array) -> Failure:
        """Reason of a failure: the joints whose ranges prevent the solution, if one exists without ranges."""
        out = np.empty(len(self.arm.joints))
        kernel = self._kernel
        number, _ = kernel(
            self._chain, self._without_ranges, target, starts[:STARTS_WITHOUT_RANGES], STEPS, POSE_TOLERANCE, out
        )
        if number >= 0:
            q = self._unwind(out, starts[number])
            outside = self.free & ((q < self.lower - RANGE_TOLERANCE) | (q > self.upper + RANGE_TOLERANCE))
            if outside.any():
                names = ", ".join(name for name, beyond in zip(self.arm.names, outside, strict=True) if beyond)
                return Failure(f"found only outside the range of {names}")
        return Failure(f"no joint position found that takes the tool there, from {plural(len(starts), 'start')}")

    def _with_fixed(self, q: Array) -> Array:
        return np.where(self.free, q, self.fixed)

    def _target(self, command: Command) -> pose_residual.Target:
        rotation = command.transform[:3, :3]
        if command.rpy is None and command.direction is not None:
            rotation = z_onto(command.direction)
        from armsim.core import pose_residual

        codes = {"free": pose_residual.FREE, "direction": pose_residual.DIRECTION, "full": pose_residual.FULL}
        constraint = codes[command.constraint]
        return pose_residual.Target(np.array(command.xyz, dtype=float), np.ascontiguousarray(rotation), constraint)

    def _unwind(self, q: Array, seed: Array) -> Array:
        """The same posture with every revolute joint turned by whole turns to lie near the seed, or else in range."""
        turn = 2 * math.pi
        value = q - turn * np.round((q - seed) / turn)
        low, high = self.lower - RANGE_TOLERANCE, self.upper + RANGE_TOLERANCE
        value = np.where(value < low, value + turn * np.ceil((low - value) / turn), value)
        value = np.where(value > high, value - turn * np.ceil((value - high) / turn), value)
        return np.where(self._free_rotary, value, q)
