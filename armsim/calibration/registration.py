"""Registration of a measuring instrument: fit of its base frame and target offset, removed from the residuals.

A reading of the target, in the frame of the instrument, is

    y = T (p + R s) + noise

with p and R the position and orientation of the tool, s the offset of the target on it and T the pose of the base in
the frame of the instrument. If T or s is not known, it is first fitted to the nominal arm, which needs no initial
value. The errors of the arm bias that fit. Therefore the fitted directions are projected out of every statistic by
generalised least squares, for the measured arm and for the simulated arms.

References
----------
.. [1] Kabsch, Acta Cryst. A32 (1976) 922; Horn, J. Opt. Soc. Am. A 4 (1987) 629: least-squares rotation and
   translation.
.. [2] Seber, Lee, Linear Regression Analysis, 2nd ed. (2003), 3.10: generalised least squares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.model.calibration_plan import Instrument
from armsim.model.kinematics import rigid_motion, roll_pitch_yaw

MAX_ITERATIONS = 500
"""Largest number of alternations between frame and target."""
CONVERGED = 1e-13
"""Change of target offset [m] and scale [1] below which the alternation stops."""
NULL_INFORMATION_SHARE = 1e-10
"""Information, as a share of the largest, up to which a combination of frame and target counts as not identifiable.
With all axes parallel, as in a SCARA, the heights of target and frame are not separable."""


@dataclass(frozen=True, eq=False)
class RegistrationFit:
    """Fit of the frame of the instrument and of the target of a session.

    Parameters
    ----------
    rotation : (3, 3)
        Rotation from the frame of the instrument to the base.
    translation : (3,) [m]
        Origin of the instrument in the base frame.
    target_offset : (3,) [m]
        Position of the target relative to its stated position, in the tool frame.
    scale : float
        Factor on the lengths that the instrument reads.
    residuals : (readings, 3) [m]
        Measured minus nominal position of the target, in the base frame.
    """

    rotation: Array
    translation: Array
    target_offset: Array
    scale: float
    residuals: Array

    @property
    def angle(self) -> float:
        """Rotation angle between instrument and base frame. [rad]"""
        return float(np.arccos(np.clip((np.trace(self.rotation) - 1.0) / 2.0, -1.0, 1.0)))

    @property
    def rpy(self) -> tuple[float, float, float]:
        """Orientation of the instrument in the base frame: rotations about fixed x, y, z. [rad]"""
        return roll_pitch_yaw(self.rotation)


def fit_registrations(
    readings: Sequence[Array], target_poses: Sequence[Array], instrument: Instrument
) -> tuple[RegistrationFit, ...]:
    """Least-squares fit of the frames and target offsets of sessions to the nominal arm; only of those that are
    unknown.

    Parameters
    ----------
    readings : sequence of (readings, 3) [m]
        Measured positions per session, in the frame of the instrument.
    target_poses : sequence of (readings, 4, 4) [m]
        Nominal pose of the target in the base frame, per reading.
    instrument : Instrument
        States what is fitted; its scale is common to all sessions.

    Returns
    -------
    tuple of RegistrationFit
        One per session.
    """
    count, scale = len(readings), 1.0
    instrument_rotations, translations, targets = [np.eye(3)] * count, [np.zeros(3)] * count, [np.zeros(3)] * count
    rotations, positions = [poses[:, :3, :3] for poses in target_poses], [poses[:, :3, 3] for poses in target_poses]
    centre = np.array(instrument.position)
    for _ in range(MAX_ITERATIONS):
        goals = [
            position + rotation @ target
            for position, rotation, target in zip(positions, rotations, targets, strict=True)
        ]
        if instrument.pose == "identified":
            instrument_rotations = [rigid_motion(read, goal)[0] for read, goal in zip(readings, goals, strict=True)]
        previous_scale = scale
        if instrument.scale == "identified":
            scale = _scale(readings, goals, instrument_rotations, centre if instrument.pose == "known" else None)
        if instrument.pose == "identified":
            translations = [
                goal.mean(axis=0) - scale * instrument_rotation @ read.mean(axis=0)
                for read, goal, instrument_rotation in zip(readings, goals, instrument_rotations, strict=True)
            ]
        else:
            translations = [(1.0 - scale) * centre] * count
        largest_correction = 0.0
        if instrument.target == "identified":
            for n, goal in enumerate(goals):
                residuals = scale * readings[n] @ instrument_rotations[n].T + translations[n] - goal
                correction = np.mean(np.einsum("nij,ni->nj", rotations[n], residuals), axis=0)
                targets[n] = targets[n] + correction
                largest_correction = max(largest_correction, float(np.linalg.norm(correction)))
        if largest_correction < CONVERGED and abs(scale - previous_scale) < CONVERGED:
            break
    fits = zip(readings, positions, rotations, instrument_rotations, translations, targets, strict=True)
    return tuple(
        RegistrationFit(
            instrument_rotation,
            translation,
            target,
            scale,
            scale * read @ instrument_rotation.T + translation - tool_point - rotation @ target,
        )
        for read, tool_point, rotation, instrument_rotation, translation, target in fits
    )


def _scale(
    readings: Sequence[Array], goals: Sequence[Array], instrument_rotations: Sequence[Array], centre: Array | None
) -> float:
    """Least-squares factor on lengths about ``centre``, or, if that is None, about the mean of every session.

    References
    ----------
    .. [1] Umeyama, IEEE Trans. PAMI 13 (1991) 376: scale together with rotation and translation.
    """
    product = square = 0.0
    for read, goal, instrument_rotation in zip(readings, goals, instrument_rotations, strict=True):
        lengths = (read - (read.mean(axis=0) if centre is None else centre)) @ instrument_rotation.T
        product += float(np.sum(lengths * (goal - (goal.mean(axis=0) if centre is None else centre))))
        square += float(np.sum(lengths**2))
    return product / square


def nuisance_projection(inverse: Array, columns: Array) -> Array:
    """Projection that removes nuisance columns from readings by generalised least squares.

    Parameters
    ----------
    inverse : (3 M, 3 M) [m^-2]
        Inverse of the covariance of the readings, of full rank.
    columns : (3 M, K)
        Change of the readings per nuisance parameter.

    Returns
    -------
    (3 M, 3 M)

    Raises
    ------
    ArithmeticError
        As many nuisance parameters are identifiable as there are readings.
    """
    if not columns.shape[1]:
        return np.eye(len(inverse))
    scaled = columns / np.maximum(np.linalg.norm(columns, axis=0), np.finfo(float).tiny)
    values, vectors = np.linalg.eigh(scaled.T @ inverse @ scaled)
    separable = values > NULL_INFORMATION_SHARE * values[-1]
    if len(inverse) <= np.count_nonzero(separable):
        raise ArithmeticError("frame and target are not separately identifiable from these poses")
    scaled = scaled @ vectors[:, separable] / np.sqrt(values[separable])
    return np.asarray(np.eye(len(inverse)) - scaled @ (scaled.T @ inverse))
