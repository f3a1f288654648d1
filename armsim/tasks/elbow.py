"""The angle of the elbow: what a seventh axis leaves free of a posture, as people state it.

Shoulder, elbow and wrist are the origins of the second, fourth and sixth turning joint. The elbow stands at some angle
about the line from shoulder to wrist; zero is where it is highest, in the plane of that line and the z axis of the
base; positive turns follow the right hand about the line.

References
----------
.. [1] Shimizu, Kakuya, Yoon, Kitagaki, Kosuge, IEEE Trans. Robotics 24 (2008) 1131: the arm angle of seven-axis arms.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from armsim.arrays import Array
from armsim.model.arm import Arm

TURNING = 7
"""Turning joints that an arm must have."""
STEPS = 60
"""Steps along the motion that leaves the tool where it is."""
LARGEST = 0.3
"""Motion of a step. [rad]"""
CLOSE = 1e-7
"""Difference of the angle that counts as none. [rad]"""
STEP = 1e-5
"""Motion by which the change of the angle is told. [rad]"""


def possible(arm: Arm) -> bool:
    """Whether an arm has an elbow in this sense."""
    return sum(joint.revolute for joint in arm.joints) >= TURNING


def angle(arm: Arm, q: Array) -> float:
    """Angle of the elbow at joint positions of shape (joints,). [rad]

    nan where shoulder, elbow and wrist lie in one line, or that line is upright.
    """
    turning = [number for number, joint in enumerate(arm.joints) if joint.revolute]
    frames = arm.frames(q)
    shoulder, elbow, wrist = (frames.origin[0, turning[n]] for n in (1, 3, 5))
    line = wrist - shoulder
    length = float(np.linalg.norm(line))
    if length < 1e-9:
        return math.nan
    along = line / length
    out = (elbow - shoulder) - along * float(along @ (elbow - shoulder))
    up = np.array([0.0, 0.0, 1.0]) - along * along[2]
    if min(float(np.linalg.norm(out)), float(np.linalg.norm(up))) < 1e-9:
        return math.nan
    return math.atan2(float(along @ np.cross(up, out)), float(up @ out))


def brought_to(arm: Arm, q: Array, wanted: float, free: Array, settle: Callable[[Array], Array | None]) -> Array | None:
    """Joint positions with the tool where it is and the elbow at an angle; None where the ranges do not allow it.

    Parameters
    ----------
    arm : Arm
    q : (joints,)
        With the tool in place.
    wanted : float [rad]
    free : (joints,) bool
        Joints that may move.
    settle : callable
        Brings joint positions that are slightly off back to the pose of the tool; None where it cannot.
    """
    start = angle(arm, q)
    if not math.isfinite(start):
        return None
    short = (wanted - start + math.pi) % (2 * math.pi) - math.pi
    for way in (short, short - math.copysign(2 * math.pi, short)):  # the ranges may bar the shorter way round
        found = _walked(arm, q, start + way, free, settle)
        if found is not None:
            return found
    return None


def _walked(arm: Arm, q: Array, end: float, free: Array, settle: Callable[[Array], Array | None]) -> Array | None:
    """Walk to an angle that may lie more than half a turn away; parameters as of `brought_to`."""
    now = angle(arm, q)
    for _ in range(STEPS):
        gap = end - now
        if abs(gap) < CLOSE:
            return q
        at = arm.postures(q)
        jacobian = np.concatenate([at.column[0].T, np.where(at.rotary[:, None], at.direction[0], 0.0).T]) * free
        still = np.linalg.svd(jacobian)[2][-1] * free
        slope = _turned(angle(arm, q - STEP * still), angle(arm, q + STEP * still)) / (2 * STEP)
        if not math.isfinite(slope) or abs(slope) < 1e-6:
            return None
        moved = settle(q + min(max(gap / slope, -LARGEST), LARGEST) * still)
        if moved is None:
            return None
        step = _turned(now, angle(arm, moved))
        if not math.isfinite(step) or abs(step) < 0.1 * min(abs(gap), CLOSE):
            return None  # an end of a range is in the way
        q, now = moved, now + step
    return None


def _turned(before: float, after: float) -> float:
    """From one angle to another, the short way. [rad]"""
    return (after - before + math.pi) % (2 * math.pi) - math.pi
