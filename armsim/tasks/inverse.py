"""Inverse kinematics by roboticstoolbox, made repeatable: our own starts, our own check of ranges."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from armsim.model.arm import Arm, Motion, z_onto
from armsim.spreads import Array
from armsim.tasks.base import FREELY, Command, Holding

STARTS = 128
"""Joint positions tried where no neighbour is known."""
RETRIES = 12
"""Times that a solution outside the ranges is pushed back to their ends and solved again."""
TOLERANCE = 1e-20
"""Residual asked of the solver: half the squared pose error, so 1e-10 m and rad."""
CLOSE = 1e-8
"""Largest pose error of an accepted solution. [m and rad]"""
ITERATIONS = 60
SLACK = 1e-9
"""By which a joint may pass the end of its range, for rounding. [rad or m]"""
SHIFTS, SHIFT = 16, 0.05
"""Small motions tried around a neighbour, and their size. [rad, parts of the reach]"""
SIDE = 1e-6
"""By which a joint that stays on one side of zero keeps away from it. [rad or m]"""


@dataclass(frozen=True)
class Failure:
    """Why no joint position was found."""

    reason: str


class Solver:
    """Inverse kinematics of an arm, some joints held, some kept on one side of zero.

    Parameters
    ----------
    arm : Arm
    holding : Holding
    """

    def __init__(self, arm: Arm, holding: Holding = FREELY) -> None:
        self.arm = arm
        held = dict(holding.hold)
        self.free = np.array([joint.name not in held for joint in arm.joints])
        self.fixed = np.array([held.get(joint.name, 0.0) for joint in arm.joints])
        self.own = _one_sided(_holding(arm, held), dict(holding.branch))
        self._turned: dict[tuple[float, ...], Any] = {}
        near = None if holding.near is None else np.array(holding.near)
        self.near = near

    def starts(self) -> list[Array]:
        """Joint positions to start from: the wish, the middle of the ranges, then points spread evenly over them."""
        from scipy.stats import qmc

        own = self.own
        spread = qmc.Sobol(len(own.joints), scramble=False).random(STARTS)
        points = [own.middle] + [own.lowest + (own.highest - own.lowest) * row for row in spread[1:]]
        every = [self._whole(point) for point in points]
        return [self.near, *every] if self.near is not None else every

    def shifts(self) -> list[Array]:
        """Small motions of the free joints, from which to try again where a neighbour leads nowhere."""
        from scipy.stats import qmc

        around = 2.0 * qmc.Sobol(len(self.own.joints), scramble=False).random(SHIFTS)[1:] - 1.0
        scale = np.array([1.0 if joint.revolute else self.arm.reach for joint in self.own.joints])
        out = np.zeros((SHIFTS - 1, len(self.arm.joints)))
        out[:, self.free] = SHIFT * scale * around
        return list(out)

    def solve(self, command: Command, seeds: Iterable[Array]) -> Array | Failure:
        """Joint position at which the tool takes a pose, by the first of the seeds that leads to one in the ranges."""
        own = self.own
        transforms, target, mask = self._problem(command)
        reason = "no joint position found that takes the tool there"
        for seed in seeds:
            start = own_seed = seed[self.free]
            for _ in range(1 + RETRIES):
                found = transforms.ik_LM(
                    target, q0=start, ilimit=ITERATIONS, slimit=1, tol=TOLERANCE, mask=mask, joint_limits=False
                )
                q = np.asarray(found.q, dtype=float)
                if not np.all(np.isfinite(q)) or _miss(transforms, q, target, mask) > CLOSE:
                    break
                q = _unwound(own, q, own_seed)
                outside = (q < own.lower - SLACK) | (q > own.upper + SLACK)
                if not outside.any():
                    return self._whole(q)
                names = ", ".join(name for name, out in zip(own.names, outside, strict=True) if out)
                reason = f"found only outside the range of {names}"
                start = np.clip(q, own.lower, own.upper)
        return Failure(reason)

    def _whole(self, q: Array) -> Array:
        out = self.fixed.copy()
        out[self.free] = q
        return out

    def _problem(self, command: Command) -> tuple[Any, Array, list[float]]:
        """Chain, target and weights; with a direction both are turned so that it is z, about which the tool is free."""
        if command.direction is None:
            return self.own.transforms, command.transform, [1.0] * 3 + [1.0 if command.rpy is not None else 0.0] * 3
        turn: Array = np.eye(4)
        turn[:3, :3] = z_onto(command.direction).T
        if command.direction not in self._turned:
            import roboticstoolbox as rtb
            import spatialmath

            before = rtb.ET.SE3(spatialmath.SE3(turn, check=False))
            self._turned[command.direction] = before * self.own.transforms
        target: Array = np.eye(4)
        target[:3, 3] = turn[:3, :3] @ np.array(command.xyz)
        return self._turned[command.direction], target, [1.0] * 5 + [0.0]


def _holding(arm: Arm, held: dict[str, float]) -> Arm:
    """The arm with some joints turned into fixed motions."""
    if not held:
        return arm
    number = {name: i for i, name in enumerate(name for name in arm.names if name not in held)}
    motions = []
    for motion in arm.motions:
        joint = None if motion.joint is None else arm.names[motion.joint]
        if joint is None:
            motions.append(motion)
        elif joint in held:
            motions.append(Motion(motion.direction, motion.rotary, motion.value + held[joint], motion.axes))
        else:
            motions.append(replace(motion, joint=number[joint]))
    return Arm(arm.name, tuple(joint for joint in arm.joints if joint.name not in held), tuple(motions))


def _one_sided(arm: Arm, branch: dict[str, int]) -> Arm:
    """The arm with some joints kept above (+1) or below (-1) zero."""
    if not branch:
        return arm
    joints = []
    for joint in arm.joints:
        sign = branch.get(joint.name, 0)
        lower = max(joint.lower, SIDE) if sign > 0 else joint.lower
        upper = min(joint.upper, -SIDE) if sign < 0 else joint.upper
        joints.append(replace(joint, lower=lower, upper=upper))
    return Arm(arm.name, tuple(joints), arm.motions)


def _miss(transforms: Any, q: Array, target: Array, mask: list[float]) -> float:
    tool = np.asarray(transforms.eval(q)).reshape(4, 4)
    miss = float(np.abs(tool[:3, 3] - target[:3, 3]).max())
    if not mask[3]:
        return miss
    columns = slice(0, 3) if mask[5] else slice(2, 3)  # all of the orientation, or where the tool points
    return max(miss, float(np.abs(tool[:3, columns] - target[:3, columns]).max()))


def _unwound(arm: Arm, q: Array, seed: Array) -> Array:
    """The same posture with every revolute joint turned by whole turns to lie near the seed, or else in range."""
    out = q.copy()
    turn = 2 * math.pi
    for j, joint in enumerate(arm.joints):
        if joint.revolute:
            value = q[j] - turn * np.round((q[j] - seed[j]) / turn)
            if value < joint.lower - SLACK:
                value += turn * np.ceil((joint.lower - SLACK - value) / turn)
            elif value > joint.upper + SLACK:
                value -= turn * np.ceil((value - joint.upper - SLACK) / turn)
            out[j] = value
    return out
