"""The elbow angle (arm angle) of a redundant arm: the free parameter of a posture with a seventh axis.

Shoulder, elbow and wrist are the origins of the second, fourth and sixth turning joint. The elbow angle is measured
about the line from shoulder to wrist; zero is where the elbow is highest, in the plane of that line and the z axis of
the base; positive turns follow the right hand about the line.

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

ROTARY_JOINTS = 7
"""Rotary joints that an arm with an elbow angle must have."""
MOST_STEPS = 60
"""Largest number of steps along the null-space motion."""
LARGEST_STEP = 0.3
"""Largest motion of a step. [rad]"""
ANGLE_TOLERANCE = 1e-7
"""Difference of the angle that counts as zero. [rad]"""
DIFFERENCE_STEP = 1e-5
"""Step of the central difference for the slope of the angle. [rad]"""


def has_elbow_angle(arm: Arm) -> bool:
    """Whether an arm has enough rotary joints for an elbow angle."""
    return sum(joint.revolute for joint in arm.joints) >= ROTARY_JOINTS


def angle(arm: Arm, q: Array) -> float:
    """Angle of the elbow at joint positions of shape (joints,). [rad]

    nan if shoulder, elbow and wrist lie on one line, or the line from shoulder to wrist is vertical.
    """
    rotary_numbers = [number for number, joint in enumerate(arm.joints) if joint.revolute]
    frames = arm.frames(q)
    shoulder, elbow, wrist = (frames.origin[0, rotary_numbers[n]] for n in (1, 3, 5))
    line = wrist - shoulder
    length = float(np.linalg.norm(line))
    if length < 1e-9:
        return math.nan
    along = line / length
    across = (elbow - shoulder) - along * float(along @ (elbow - shoulder))
    up = np.array([0.0, 0.0, 1.0]) - along * along[2]
    if min(float(np.linalg.norm(across)), float(np.linalg.norm(up))) < 1e-9:
        return math.nan
    return math.atan2(float(along @ np.cross(up, across)), float(up @ across))


def turn_elbow(
    arm: Arm, q: Array, target: float, free: Array, restore: Callable[[Array], Array | None]
) -> Array | None:
    """Joint positions with the same pose of the tool and the elbow at a given angle; None where ranges prevent it.

    Parameters
    ----------
    arm : Arm
    q : (joints,)
        With the tool in place.
    target : float [rad]
        Elbow angle.
    free : (joints,) bool
        Joints that may move.
    restore : callable
        Returns joint positions that restore the pose of the tool after a small motion; None where there are none.
    """
    start = angle(arm, q)
    if not math.isfinite(start):
        return None
    shorter = (target - start + math.pi) % (2 * math.pi) - math.pi
    for rotation in (shorter, shorter - math.copysign(2 * math.pi, shorter)):  # ranges may block the shorter way round
        solution = _follow_elbow(arm, q, start + rotation, free, restore)
        if solution is not None:
            return solution
    return None


def _follow_elbow(
    arm: Arm, q: Array, end: float, free: Array, restore: Callable[[Array], Array | None]
) -> Array | None:
    """Follow the null-space motion to an angle that may be over half a turn away; parameters as in `turn_elbow`."""
    current = angle(arm, q)
    for _ in range(MOST_STEPS):
        gap = end - current
        if abs(gap) < ANGLE_TOLERANCE:
            return q
        posture = arm.postures(q)
        jacobian = (
            np.concatenate([posture.column[0].T, np.where(posture.rotary[:, None], posture.direction[0], 0.0).T]) * free
        )
        null_motion = np.linalg.svd(jacobian)[2][-1] * free
        slope = _angle_difference(
            angle(arm, q - DIFFERENCE_STEP * null_motion), angle(arm, q + DIFFERENCE_STEP * null_motion)
        ) / (2 * DIFFERENCE_STEP)
        if not math.isfinite(slope) or abs(slope) < 1e-6:
            return None
        solution = restore(q + min(max(gap / slope, -LARGEST_STEP), LARGEST_STEP) * null_motion)
        if solution is None:
            return None
        step = _angle_difference(current, angle(arm, solution))
        if not math.isfinite(step) or abs(step) < 0.1 * min(abs(gap), ANGLE_TOLERANCE):
            return None  # blocked by an end of a range
        q, current = solution, current + step
    return None


def _angle_difference(before: float, after: float) -> float:
    """Difference of two angles, within half a turn. [rad]"""
    return (after - before + math.pi) % (2 * math.pi) - math.pi
