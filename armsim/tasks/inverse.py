"""Inverse kinematics by roboticstoolbox, made repeatable: our own starts, our own check of ranges."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from armsim.model.arm import Arm
from armsim.spreads import Array
from armsim.tasks.base import Command

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


@dataclass(frozen=True)
class Failure:
    """Why no joint position was found."""

    reason: str


def starts(arm: Arm, near: Array | None = None) -> list[Array]:
    """Joint positions to start from: the wish, the middle of the ranges, then points spread evenly over them."""
    from scipy.stats import qmc

    spread = qmc.Sobol(len(arm.joints), scramble=False).random(STARTS)
    points = [arm.middle] + [arm.lowest + (arm.highest - arm.lowest) * row for row in spread[1:]]
    return [near, *points] if near is not None else points


def solve(arm: Arm, command: Command, seeds: Iterable[Array]) -> Array | Failure:
    """Joint position at which the tool takes a pose, from the first of the seeds that leads to one within the ranges.

    Parameters
    ----------
    arm : Arm
    command : Command
    seeds : iterable of (joints,)
    """
    target = command.transform
    mask = [1.0] * 3 + [1.0 if command.rpy is not None else 0.0] * 3
    reason = "no joint position found that takes the tool there"
    for seed in seeds:
        start = seed
        for _ in range(1 + RETRIES):
            found = arm.transforms.ik_LM(
                target, q0=start, ilimit=ITERATIONS, slimit=1, tol=TOLERANCE, mask=mask, joint_limits=False
            )
            q = np.asarray(found.q, dtype=float)
            if not np.all(np.isfinite(q)) or _miss(arm, q, target, command.rpy is not None) > CLOSE:
                break
            q = _unwound(arm, q, seed)
            outside = (q < arm.lower - SLACK) | (q > arm.upper + SLACK)
            if not outside.any():
                return q
            names = ", ".join(name for name, out in zip(arm.names, outside, strict=True) if out)
            reason = f"found only outside the range of {names}"
            start = np.clip(q, arm.lower, arm.upper)
    return Failure(reason)


def _miss(arm: Arm, q: Array, target: Array, orientation: bool) -> float:
    tool = np.asarray(arm.transforms.eval(q)).reshape(4, 4)
    miss = float(np.abs(tool[:3, 3] - target[:3, 3]).max())
    return max(miss, float(np.abs(tool[:3, :3] - target[:3, :3]).max())) if orientation else miss


def _unwound(arm: Arm, q: Array, seed: Array) -> Array:
    """The same posture with every revolute joint turned by whole turns to lie near the seed, or else in range."""
    out = q.copy()
    turn = 2 * np.pi
    for j, joint in enumerate(arm.joints):
        if joint.revolute:
            value = q[j] - turn * np.round((q[j] - seed[j]) / turn)
            if value < joint.lower - SLACK:
                value += turn * np.ceil((joint.lower - SLACK - value) / turn)
            elif value > joint.upper + SLACK:
                value -= turn * np.ceil((value - joint.upper - SLACK) / turn)
            out[j] = value
    return out
