"""Kinematics at given joint positions, worked out once for machines that share an arm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from armsim.arrays import Array
from armsim.errormodel.terms import Axis
from armsim.model.arm import Arm
from armsim.model.kinematics import ElementaryTransform, Kinematics

CacheKey = tuple[tuple[ElementaryTransform, ...], tuple[int, ...]]


@dataclass(frozen=True, eq=False)
class PostureCache:
    """Kinematics at joint positions of shape (P, joints), by the motions of the arm and the axes that are evaluated.

    Sensors that differ act on the same axes of the same arm: each of them needs the same kinematics.
    """

    q: Array
    by_axes: dict[CacheKey, Kinematics] = field(default_factory=dict)

    def postures(self, arm: Arm, axes: Sequence[Axis]) -> Kinematics:
        """Kinematics of some axes of an arm, as `Arm.postures`.

        Parameters
        ----------
        arm : Arm
        axes : sequence of Axis
            Each alone.

        Returns
        -------
        Kinematics
        """
        key = arm.motions, tuple(arm.motion_index(axis) for axis in axes)
        if key not in self.by_axes:
            self.by_axes[key] = arm.postures(self.q, axes)
        return self.by_axes[key]
