"""Outer bound of the tool points of an arm, from the lengths of its links."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.model.arm import Arm
from armsim.model.kinematics import ElementaryTransform, rotation, z_onto

ROUNDING = 1e-9
"""Rounding tolerance. [m]"""


@dataclass(frozen=True, eq=False)
class Envelope:
    """A box, three cylinders and a ball about the origin of a frame; the tool point is inside each of them.

    Parameters
    ----------
    low, high : (3,) [m]
        Ends of the box.
    axis_radii : (3,) [m]
        Largest distance from the x, the y and the z axis.
    radius : float [m]
        Largest distance from the origin.
    """

    low: Array
    high: Array
    axis_radii: Array
    radius: float

    @staticmethod
    def from_arm(arm: Arm) -> Envelope:
        """Envelope of an arm in the frame of its base.

        The chain is followed from tool to base: a length shifts the box and widens the cylinders about the axes across
        it; a rotary joint keeps the distance from its axis and the height along it, whatever its range. Arms whose axes
        are parallel, such as a SCARA, keep their cylinder to the last digit. A slide without ends is taken as one metre
        each way, as in `Arm.reach`.
        """
        zero = np.zeros(3)
        envelope = Envelope(zero, zero, zero, 0.0)
        for motion in reversed(arm.motions):
            envelope = envelope._before_motion(arm, motion)
        return envelope

    def contains(self, points: Array) -> Array:
        """Whether each of the points, shape (P, 3), is inside; bool, shape (P,)."""
        axis_distances = _axis_distances(points)
        inside = (
            (points >= self.low - ROUNDING)
            & (points <= self.high + ROUNDING)
            & (axis_distances <= self.axis_radii + ROUNDING)
        )
        within_all: Array = inside.all(axis=1) & (np.linalg.norm(points, axis=1) <= self.radius + ROUNDING)
        return within_all

    def extent(self, direction: Array, distance: float) -> tuple[float, float]:
        """Lowest and highest coordinate along a direction in a plane that holds it. [m]

        Parameters
        ----------
        direction : (3,)
            Unit vector.
        distance : float
            Distance of the plane from the origin. [m]

        Returns
        -------
        (low, high) [m]
        """
        each = np.stack([direction * self.low, direction * self.high])
        low, high = float(each.min(axis=0).sum()), float(each.max(axis=0).sum())
        half_chord = math.sqrt(max(self.radius**2 - distance**2, 0.0))
        return max(low, -half_chord), min(high, half_chord)

    def _before_motion(self, arm: Arm, motion: ElementaryTransform) -> Envelope:
        """Envelope in the frame before a motion."""
        direction = np.array(motion.direction, dtype=float)
        if not motion.rotary:
            low, high = motion.value, motion.value
            steps = motion.factors if motion.joint is None else ((motion.joint, 1.0),)
            for joint, factor in ((arm.joints[number], factor) for number, factor in steps):
                finite = math.isfinite(joint.lower) and math.isfinite(joint.upper)
                ends = (joint.lower * factor, joint.upper * factor) if finite else (-abs(factor), abs(factor))
                low, high = low + min(ends), high + max(ends)
            largest_shift = max(abs(low), abs(high))
            return _tightened(
                self.low + np.minimum(direction * low, direction * high),
                self.high + np.maximum(direction * low, direction * high),
                self.axis_radii + largest_shift * np.sqrt(np.maximum(1.0 - direction**2, 0.0)),
                self.radius + largest_shift,
            )
        if not motion.moves:
            return self._rotated(rotation(direction, motion.value)[0])
        onto = z_onto(direction)
        aligned = self._rotated(onto.T)  # the axis along z
        z, bottom, top = float(aligned.axis_radii[2]), float(aligned.low[2]), float(aligned.high[2])
        reach = math.hypot(z, max(abs(bottom), abs(top)))
        envelope = _tightened(
            np.array([-z, -z, bottom]), np.array([z, z, top]), np.array([reach, reach, z]), aligned.radius
        )
        return envelope._rotated(onto)

    def _rotated(self, turn: Array) -> Envelope:
        """Envelope after a rotation, shape (3, 3)."""
        centre, half = turn @ (0.5 * (self.low + self.high)), np.abs(turn) @ (0.5 * (self.high - self.low))
        onto = np.abs(turn) > 1.0 - 1e-12  # an axis that becomes another keeps its cylinder
        axis_radii = np.where(onto.any(axis=1), onto @ self.axis_radii, self.radius)
        return _tightened(centre - half, centre + half, axis_radii, self.radius)


def _tightened(low: Array, high: Array, axis_radii: Array, radius: float) -> Envelope:
    """Envelope with each part reduced to what the others allow."""
    largest_coordinates = np.maximum(np.abs(low), np.abs(high))
    axis_radii = np.minimum(axis_radii, _axis_distances(largest_coordinates))
    radius = min(radius, float(np.hypot(axis_radii, largest_coordinates).min()))
    axis_radii = np.minimum(axis_radii, radius)
    widest = np.array(
        [min(axis_radii[1], axis_radii[2]), min(axis_radii[0], axis_radii[2]), min(axis_radii[0], axis_radii[1])]
    )
    return Envelope(np.maximum(low, -widest), np.minimum(high, widest), axis_radii, radius)


def _axis_distances(points: Array) -> Array:
    """Distances of points, shape (..., 3), from the x, the y and the z axis, same shape."""
    x, y, z = points[..., 0], points[..., 1], points[..., 2]
    return np.stack([np.hypot(y, z), np.hypot(x, z), np.hypot(x, y)], axis=-1)
