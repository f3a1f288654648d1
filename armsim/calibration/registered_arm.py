"""Readings of an arm in the base frame, with the conditions and the noise of their measurement."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibration_records import RegistrationRecord
from armsim.calibration.reading_conditions import Conditions
from armsim.documents.measured_points import MeasuredArm


@dataclass(frozen=True, eq=False)
class RegisteredArm:
    """Readings of an arm in the base frame, with the conditions and the noise of their measurement.

    Parameters
    ----------
    arm : MeasuredArm
        Groups of positions, then groups of orientations with the rotations of the probe.
    conditions : Conditions
    covariance_roots : tuple of (readings or 1, 3, 3) [m]
        Square roots of the covariance by the instrument of the readings, per group.
    registrations : tuple of RegistrationRecord
        Frames and targets that were fitted.
    """

    arm: MeasuredArm
    conditions: Conditions
    covariance_roots: tuple[Array, ...]
    registrations: tuple[RegistrationRecord, ...]

    @cached_property
    def joints(self) -> Array:
        """Joint positions of every group, shape (M, joints)."""
        return np.array(list(self.arm.joints.values()))

    @property
    def counts(self) -> tuple[int, ...]:
        """Readings of every group."""
        return tuple(len(rows) for rows in self.arm.visits.values())

    @property
    def key(self) -> tuple[object, ...]:
        """Hashable key of the measurement plan: everything except the readings."""
        covariance_roots = tuple(root.tobytes() for root in self.covariance_roots)
        return self.joints.tobytes(), self.counts, covariance_roots, self.conditions.key

    @property
    def instrument_std(self) -> float:
        """Rms standard deviation of a reading of a position along an axis. [m]"""
        roots_and_oriented = zip(self.covariance_roots, self.conditions.oriented, strict=True)
        return float(
            np.sqrt(
                np.mean([np.mean(np.sum(root**2, axis=(1, 2))) / 3.0 for root, turn in roots_and_oriented if not turn])
            )
        )
