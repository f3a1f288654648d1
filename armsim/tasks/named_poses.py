"""Named poses, by joint positions or by the pose of the tool."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations, ToolConstraint
from armsim.results import Unreachable
from armsim.tasks.base import Command, PointProgress, PoseConstraints, PoseSet, Task, no_progress
from armsim.tasks.inverse import Failure, Solver


@dataclass(frozen=True)
class NamedPose:
    """One pose: positions of the joints, ``joints`` [rad or m], or a ``command``, solved near the positions ``near``.

    ``speeds`` are those of the joints [rad/s or m/s] if the arm passes the pose in motion.
    """

    name: str
    joints: tuple[float, ...] | None = None
    command: Command | None = None
    near: tuple[float, ...] | None = None
    speeds: tuple[float, ...] | None = None

    @staticmethod
    def from_pose(name: str, pose: Any) -> NamedPose:
        """Pose from joint positions of shape (joints,) [rad or m], or as ``spatialmath.SE3`` [m].

        Parameters
        ----------
        name : str
        pose : sequence of float, or spatialmath.SE3

        Returns
        -------
        NamedPose
        """
        if hasattr(pose, "rpy"):
            return NamedPose(name, command=Command.from_pose(pose))
        return NamedPose(name, tuple(float(position) for position in pose))


def checked_poses(poses: Sequence[NamedPose], arm: Arm) -> tuple[NamedPose, ...]:
    """Poses that were stated in Python, their joint positions checked against the joints of an arm.

    Raises
    ------
    ValueError
        There is no pose, or joint positions do not fit the joints or lie outside of their ranges.
    """
    if not poses:
        raise ValueError("no poses; accepted: at least one")
    for pose in poses:
        if pose.joints is not None and len(pose.joints) != len(arm.joints):
            accepted = f"{len(arm.joints)}: {', '.join(arm.names)}"
            raise ValueError(f"pose {pose.name!r}: {len(pose.joints)} joint positions; accepted: {accepted}")
        for joint, position in zip(arm.joints, pose.joints or (), strict=False):
            if not joint.in_range(position):
                unit = "rad" if joint.revolute else "m"
                ends = f"{joint.lower:g} {unit} to {joint.upper:g} {unit}"
                raise ValueError(f"pose {pose.name!r}: joint {joint.name} at {position:g}; accepted: {ends}")
    return tuple(poses)


MOST_VARIED_POSES = 24
"""Largest number of poses that are all approached from several directions."""


@dataclass(frozen=True)
class Poses(Task):
    """A list of named poses; ``distances`` are pairs of names whose distance is evaluated."""

    kind = "poses"
    must_reach = True
    has_named_poses = True
    name: str
    poses: tuple[NamedPose, ...]
    distances: tuple[tuple[str, str], ...] = ()

    def poses_of_varied_direction(self, names: Sequence[str]) -> list[int]:
        return list(range(len(names))) if len(names) <= MOST_VARIED_POSES else []

    def find(self, arm: Arm, progress: PointProgress = no_progress) -> PoseSet:
        names, joints, speeds, unreachable, constraints = [], [], [], [], list[ToolConstraint]()
        for number, pose in enumerate(self.poses):
            progress(number, len(self.poses))
            if pose.joints is not None:
                q: np.ndarray | Failure = np.array(pose.joints)
            else:
                assert pose.command is not None  # the documents require one of the two
                solver = Solver(arm, PoseConstraints(near=pose.near))
                q = solver.solve(pose.command, solver.starts())
            if isinstance(q, Failure):
                assert pose.command is not None
                unreachable.append(Unreachable(pose.name, pose.command.xyz, q.reason))
            else:
                names.append(pose.name)
                joints.append(q)
                speeds.append(pose.speeds or (0.0,) * len(arm.joints))
                constraints.append("full" if pose.command is None else pose.command.constraint)
        shape = (len(joints), len(arm.joints))
        configurations = Configurations(np.array(joints).reshape(shape), np.array(speeds).reshape(shape))
        number_of = {name: index for index, name in enumerate(names)}
        pairs = tuple((number_of[a], number_of[b]) for a, b in self.distances if a in number_of and b in number_of)
        return PoseSet(tuple(names), configurations, tuple(unreachable), pairs=pairs, constraints=tuple(constraints))


def largest_joint_speeds(arm: Arm, tasks: Iterable[Task], pose_sets: Iterable[PoseSet] = ()) -> Array:
    """Largest joint speeds that named poses state and that ``pose_sets`` contain, shape (joints,). [rad/s or m/s]"""
    out = np.zeros(len(arm.joints))
    for task in tasks:
        if isinstance(task, Poses):
            for pose in task.poses:
                out = np.maximum(out, np.abs(pose.speeds or 0.0))
    for poses in pose_sets:
        if poses.configurations.speeds is not None and len(poses.configurations):
            out = np.maximum(out, np.abs(poses.configurations.speeds).max(axis=0))
    return out
