"""Named poses, by joint positions or by the pose of the tool."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from armsim.model.arm import Arm
from armsim.results import Unreachable
from armsim.tasks.base import Advance, Command, PoseSet, quiet
from armsim.tasks.inverse import Failure, solve, starts


@dataclass(frozen=True)
class NamedPose:
    """One pose: ``joints`` [rad or m], or ``command`` with joint positions ``near`` which to solve for it.

    ``speeds`` of the joints [rad/s or m/s] where the arm passes the pose in motion.
    """

    name: str
    joints: tuple[float, ...] | None = None
    command: Command | None = None
    near: tuple[float, ...] | None = None
    speeds: tuple[float, ...] | None = None


@dataclass(frozen=True)
class Poses:
    """A list of named poses."""

    name: str
    poses: tuple[NamedPose, ...]
    kind: str = "poses"

    def find(self, arm: Arm, advance: Advance = quiet) -> PoseSet:
        names, joints, speeds, unreachable = [], [], [], []
        for number, pose in enumerate(self.poses):
            advance(number, len(self.poses))
            if pose.joints is not None:
                q: np.ndarray | Failure = np.array(pose.joints)
            else:
                assert pose.command is not None  # the documents ask for one of the two
                q = solve(arm, pose.command, starts(arm, None if pose.near is None else np.array(pose.near)))
            if isinstance(q, Failure):
                assert pose.command is not None
                unreachable.append(Unreachable(pose.name, pose.command.xyz, q.reason))
            else:
                names.append(pose.name)
                joints.append(q)
                speeds.append(pose.speeds or (0.0,) * len(arm.joints))
        shape = (len(joints), len(arm.joints))
        found = PoseSet(tuple(names), np.array(joints).reshape(shape), tuple(unreachable))
        return replace(found, speeds=np.array(speeds).reshape(shape))
