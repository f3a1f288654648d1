"""Configurations of an arm: joint positions, and the motion there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array

ToolConstraint = Literal["full", "direction", "free"]
"""Constraint on the orientation of the tool: all of it, the direction of its z axis, or none."""


@dataclass(frozen=True, eq=False)
class Configurations:
    """Joint positions of poses, with the motion at them.

    Parameters
    ----------
    joints : (P, joints) [rad or m]
    speeds : (P, joints), optional [rad/s or m/s]
        At rest where not given.
    directions : (P, joints), optional
        Direction of the last motion of every joint, +1 or -1; 0 where not known. Given on a path, where the motion
        decides the side of lost motion.
    tangents : (P, 3), optional
        Unit vectors along a path, in the base frame.
    keys : (P,), optional
        Numbers that identify the poses and key the random numbers of their visits; 0, 1, 2, ... where not given.
    """

    joints: Array
    speeds: Array | None = None
    directions: Array | None = None
    tangents: Array | None = None
    keys: NDArray[np.int64] | None = None

    def __len__(self) -> int:
        return len(self.joints)

    def __getitem__(self, index: slice | NDArray[np.int64]) -> Configurations:
        speeds, directions, tangents = (
            None if values is None else values[index] for values in (self.speeds, self.directions, self.tangents)
        )
        return Configurations(self.joints[index], speeds, directions, tangents, self.numbers[index])

    @property
    def is_path(self) -> bool:
        """Whether the arm goes from pose to pose along a path."""
        return self.directions is not None

    @property
    def numbers(self) -> NDArray[np.int64]:
        """The keys, shape (P,)."""
        return np.arange(len(self.joints), dtype=np.int64) if self.keys is None else self.keys
