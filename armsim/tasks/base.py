"""Base class of tasks, the poses that a task yields, and commands to the tool."""

from __future__ import annotations

import hashlib
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, ClassVar, NamedTuple

import numpy as np

from armsim.arrays import Array
from armsim.field_spec import key
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations, ToolConstraint
from armsim.model.kinematics import X, Y, Z, rotation
from armsim.results import Grid, MapQuantity, Unreachable

PointProgress = Callable[[int, int], None]
"""Progress callback of a search for poses; receives the points done and the points in all."""


def no_progress(completed: int, total: int) -> None:
    """PointProgress callback that does nothing."""


@dataclass(frozen=True, eq=False)
class PoseSet:
    """Poses of a task on an arm.

    Parameters
    ----------
    names : tuple of str
    configurations : Configurations
    unreachable : tuple of Unreachable
    grid : Grid, optional
        Cells of a slice or a volume.
    along : (poses,), optional [m]
        Length of the path from its beginning to each pose.
    pairs : tuple of (first, second)
        Poses whose distance is evaluated.
    maps : tuple of str
        Measures drawn over the cells.
    constraints : tuple of str
        Constraint on the orientation at each pose: ``full``, ``direction`` or ``free``; ``full`` where empty.
    """

    names: tuple[str, ...]
    configurations: Configurations
    unreachable: tuple[Unreachable, ...] = ()
    grid: Grid | None = None
    along: Array | None = None
    pairs: tuple[tuple[int, int], ...] = ()
    maps: tuple[MapQuantity, ...] = ("error",)
    constraints: tuple[ToolConstraint, ...] = ()

    def with_keys(self) -> PoseSet:
        """The same poses; their names become the keys of their random numbers, which depend on no other pose."""
        return replace(
            self,
            configurations=replace(self.configurations, keys=np.array([name_key(n) for n in self.names], np.int64)),
        )

    def select(self, names: Sequence[str]) -> PoseSet:
        """The poses with the given names, in the given order."""
        number_of = {name: n for n, name in enumerate(self.names)}
        indices = [number_of[name] for name in names]
        new_index = {before: after for after, before in enumerate(indices)}
        grid = (
            None if self.grid is None else replace(self.grid, pose=tuple(new_index.get(n, -1) for n in self.grid.pose))
        )
        return PoseSet(
            tuple(names),
            self.configurations[np.array(indices, dtype=int)],
            self.unreachable,
            grid,
            None if self.along is None else self.along[indices],
            tuple((new_index[a], new_index[b]) for a, b in self.pairs if a in new_index and b in new_index),
            self.maps,
            tuple(self.constraints[n] for n in indices) if self.constraints else (),
        )


def name_key(name: str) -> int:
    """Hash of a name, 31 bits."""
    return int.from_bytes(hashlib.blake2b(name.encode(), digest_size=4).digest(), "little") >> 1


class Fault(NamedTuple):
    """An invalid task on an arm: the key, the value it has, what is accepted."""

    key: str
    value: str
    accepted: str


class Task(ABC):
    """Poses at which the arm is evaluated. Each kind is a class in a file of its own that declares its keys."""

    kind: ClassVar[str]
    must_reach: ClassVar[bool] = False
    """Whether every pose must be reached, so that one out of reach fails the requirement."""
    is_path: ClassVar[bool] = False
    """Whether the tool follows a path, along which AT and RT are evaluated."""
    has_named_poses: ClassVar[bool] = False
    """Whether its poses are few and have names, as in a list."""
    name: str

    @abstractmethod
    def find(self, arm: Arm, progress: PointProgress = no_progress) -> PoseSet:
        """Find the poses on an arm, and the points out of reach; ``progress`` receives points done and in all."""

    def fault(self, arm: Arm) -> Fault | None:
        """Fault that makes the task invalid on an arm, before poses are solved; None where it is valid."""
        return None

    def poses_of_varied_direction(self, names: Sequence[str]) -> list[int]:
        """Indices of the poses that are approached from several directions (vAP)."""
        return []


@dataclass(frozen=True)
class Frame:
    """A frame: a translation, then rotations about the fixed x, y, z axes of the reference frame, roll first.

    The reference frame is the one in which the base of the arm is stated too.
    """

    xyz: tuple[float, float, float] = key((0.0, 0.0, 0.0), "length", "origin of the frame, in the base frame")
    rpy: tuple[float, float, float] = key((0.0, 0.0, 0.0), "angle", "roll, pitch, yaw of the frame")


REFERENCE = Frame()
"""The reference frame itself."""


@dataclass(frozen=True)
class Command:
    """A commanded pose of the tool in the reference frame, in which the base of the arm is stated too.

    Parameters
    ----------
    xyz : (3,) [m]
    rpy : (3,), optional [rad]
        Turns about the fixed x, y, z axes, roll first.
    direction : (3,), optional
        Unit vector along which the z axis of the tool points, the rotation about it left free. Without ``rpy``
        and ``direction`` the orientation is free.
    """

    xyz: tuple[float, float, float]
    rpy: tuple[float, float, float] | None = None
    direction: tuple[float, float, float] | None = None

    @staticmethod
    def from_pose(pose: Any) -> Command:
        """Command of a pose of the tool.

        Parameters
        ----------
        pose : spatialmath.SE3
            One pose in the reference frame. [m]

        Returns
        -------
        Command
        """
        x, y, z = (float(value) for value in pose.t)
        roll, pitch, yaw = (float(value) for value in pose.rpy(order="zyx"))
        return Command((x, y, z), (roll, pitch, yaw))

    @property
    def constraint(self) -> ToolConstraint:
        """Constraint on the orientation: ``full``, ``direction`` or ``free``."""
        return "full" if self.rpy is not None else "free" if self.direction is None else "direction"

    @property
    def transform(self) -> Array:
        """Homogeneous transform, shape (4, 4); identity orientation where it is free."""
        return np.asarray(frame_matrix(self.xyz, self.rpy or (0.0, 0.0, 0.0)))


def frame_matrix(xyz: tuple[float, float, float], rpy: tuple[float, float, float]) -> Array:
    """Homogeneous transform from a position and turns about the fixed x, y, z axes, shape (4, 4)."""
    out = np.eye(4)
    out[:3, 3] = xyz
    out[:3, :3] = _rotation_matrix(rpy)
    return out


@lru_cache(maxsize=64)
def _rotation_matrix(rpy: tuple[float, float, float]) -> Array:
    """Rotation matrix, read-only; cached, as a task often has one orientation at all points."""
    roll, pitch, yaw = rpy
    out = np.asarray(rotation(Z, yaw)[0] @ rotation(Y, pitch)[0] @ rotation(X, roll)[0])
    out.setflags(write=False)
    return out


@dataclass(frozen=True)
class PoseConstraints:
    """Constraints of a task on the orientation of the tool and on the posture of the arm.

    Parameters
    ----------
    rpy, direction
        As in `Command`.
    near : (joints,), optional
        Joint positions near which the first point is solved.
    nearest : (joints,), optional
        Reference posture that resolves redundancy; by default ``near``, or else the middle of the ranges.
    elbow : float, optional
        Angle of the elbow about the line from shoulder to wrist, as `armsim.tasks.elbow.angle`. [rad]
    fixed_joints : tuple of (joint, position)
        Joints at a fixed position. [rad or m]
    branch : tuple of (joint, sign)
        Joints that stay on one side of zero: the branch of elbow and wrist.
    """

    rpy: tuple[float, float, float] | None = None
    direction: tuple[float, float, float] | None = None
    near: tuple[float, ...] | None = None
    fixed_joints: tuple[tuple[str, float], ...] = ()
    branch: tuple[tuple[str, int], ...] = ()
    nearest: tuple[float, ...] | None = None
    elbow: float | None = None

    def command_at(self, xyz: tuple[float, float, float]) -> Command:
        """Command at a point under these constraints."""
        return Command(xyz, self.rpy, self.direction)


UNCONSTRAINED = PoseConstraints()
"""Any orientation of the tool, any posture of the arm."""


def constraints_field() -> PoseConstraints:
    """Dataclass field for a `PoseConstraints`; its keys are among those of the task in a document."""
    field: PoseConstraints = key(UNCONSTRAINED, "constraints", "orientation of the tool and posture of the arm")
    return field


def name_field() -> str:
    """Dataclass field for the name of a task."""
    field: str = key(..., "word", "name of the task")
    return field
