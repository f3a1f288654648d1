"""AD and RD of a measured arm between poses that a task names, session by session."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibration_records import DistanceRecord
from armsim.documents.measured_points import LEAST_VISITS, SAME_POSITION, MeasuredArm
from armsim.model.arm import Arm
from armsim.sampling.statistics import student_factor
from armsim.tasks import PoseSet


@dataclass(frozen=True, eq=False)
class DistancePair:
    """Two poses between which a task evaluates the distance.

    Parameters
    ----------
    names : pair of str
    joints : pair of (joints,) [rad or m]
    positions : pair of (3,) [m]
        Commanded positions of the target in the base frame.
    """

    names: tuple[str, str]
    joints: tuple[Array, Array]
    positions: tuple[Array, Array]


def distance_pairs(pose_sets: Sequence[PoseSet], arm: Arm) -> list[DistancePair]:
    """Pairs of poses between which the tasks evaluate the distance.

    Parameters
    ----------
    pose_sets : sequence of PoseSet
        Poses of the tasks.
    arm : Arm
        With the target on its tool.

    Returns
    -------
    list of DistancePair
    """
    out = []
    for poses in pose_sets:
        for a, b in poses.pairs:
            joints = poses.configurations.joints[[a, b]]
            first, second = arm.postures(joints, []).tool[:, :3, 3]
            out.append(DistancePair((poses.names[a], poses.names[b]), (joints[0], joints[1]), (first, second)))
    return out


def distances(arm: MeasuredArm, pairs: Sequence[DistancePair]) -> tuple[DistanceRecord, ...]:
    """AD and RD between poses that were both measured in the same session, visit by visit in the order of the file.

    Distances between sessions are not evaluated, since the instrument may have been moved between them.

    Parameters
    ----------
    arm : MeasuredArm
        Displacements in the base frame.
    pairs : sequence of DistancePair

    Returns
    -------
    tuple of DistanceRecord

    References
    ----------
    .. [1] ISO 9283:1998 7.3.
    """
    sessions = list(dict.fromkeys(arm.sessions.get(name, "") for name in arm.visits))
    out = []
    for pair in pairs:
        for session in sessions:
            first, second = (_visits(arm, joints, session) for joints in pair.joints)
            count = min(len(first), len(second))
            if count < LEAST_VISITS:
                continue
            start, end = pair.positions
            attained = np.linalg.norm(end + second[:count] - start - first[:count], axis=1)
            value = float(attained.mean() - np.linalg.norm(end - start))
            spread = float(attained.std(ddof=1))
            half_width = student_factor(count - 1) * spread / np.sqrt(count)
            label = session if len(sessions) > 1 else ""
            out.append(DistanceRecord(pair.names, value, (value - half_width, value + half_width), 3.0 * spread, label))
    return tuple(out)


def _visits(arm: MeasuredArm, joints: Array, session: str) -> Array:
    """Displacements at joint positions in a session, at any temperature, in the order of the file. [m]"""
    names = [
        name
        for name in arm.visits
        if name not in arm.rotations
        and arm.sessions.get(name, "") == session
        and np.allclose(arm.joints[name], joints, rtol=0.0, atol=SAME_POSITION)
    ]
    if not names:
        return np.zeros((0, 3))
    lines = np.concatenate([arm.lines[name] for name in names])
    return np.concatenate([arm.visits[name] for name in names])[np.argsort(lines, kind="stable")]
