"""What a task is: a name, a kind, and the poses it asks for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from armsim.model.arm import Arm, X, Y, Z, rotation
from armsim.results import Grid, Unreachable
from armsim.spreads import Array


@dataclass(frozen=True, eq=False)
class PoseSet:
    """Poses found for an arm.

    Parameters
    ----------
    names : tuple of str
    joints : (poses, joints) [rad or m]
    unreachable : tuple of Unreachable
    grid : Grid, optional
        Cells of a slice.
    speeds : (poses, joints), optional [rad/s or m/s]
        Of the joints; at rest where not given.
    """

    names: tuple[str, ...]
    joints: Array
    unreachable: tuple[Unreachable, ...] = ()
    grid: Grid | None = None
    speeds: Array | None = None


Advance = Callable[[int, int], None]


def quiet(done: int, total: int) -> None:
    """Tell nobody."""


class Task(Protocol):
    """A place to look. Each kind is one file."""

    @property
    def name(self) -> str: ...

    @property
    def kind(self) -> str: ...

    def find(self, arm: Arm, advance: Advance = quiet) -> PoseSet:
        """The poses of the task on this arm, and what it cannot reach; tells points done and points in all."""
        ...


@dataclass(frozen=True)
class Command:
    """A pose asked of the tool, in the frame in which the base of the arm is given.

    Parameters
    ----------
    xyz : (3,) [m]
    rpy : (3,), optional [rad]
        Turns about the fixed x, y, z axes, roll first; the orientation is free where not given.
    """

    xyz: tuple[float, float, float]
    rpy: tuple[float, float, float] | None = None

    @property
    def transform(self) -> Array:
        """Homogeneous transform, shape (4, 4); identity orientation where it is free."""
        out = np.eye(4)
        out[:3, 3] = self.xyz
        if self.rpy is not None:
            roll, pitch, yaw = self.rpy
            out[:3, :3] = rotation(Z, yaw)[0] @ rotation(Y, pitch)[0] @ rotation(X, roll)[0]
        return out
