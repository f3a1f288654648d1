"""Margin of an absolute encoder before it identifies the wrong signal period or the wrong turn.

These are limits of operation, not errors of a reading: a built arm either meets them or does not.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from armsim.arrays import Array

LARGEST_DISAGREEMENT = 0.5
"""Largest disagreement of two tracks at which the period is still identified, in periods."""


def periods_per_angle(fine: int, second: int) -> float:
    """Fine periods by which the identified position is wrong per radian of disagreement of two tracks. [1/rad]

        a code track       N / (2 pi)
        a vernier of M     N M / (N - M) / (2 pi)

    A vernier finds the angle from the difference of the phases of two tracks, (N e1 - M e2) / (N - M). This differs
    from the angle of the fine track by M (e1 - e2) / (N - M) radians, with e1 and e2 the errors of the two tracks.

    Parameters
    ----------
    fine : int
        N, signal periods of the fine track.
    second : int
        M, signal periods of the second track; 0 for a code track.

    Returns
    -------
    float
        Fine periods per radian of disagreement. [1/rad]

    References
    ----------
    .. [1] difference of two phases; tested by decoding a simulated disc.
    """
    return fine * (second / (fine - second) if second else 1.0) / (2.0 * math.pi)


def disagreement(
    skew: ArrayLike,
    eccentricity: ArrayLike,
    track_error: ArrayLike,
    signal_bounds: tuple[ArrayLike, ArrayLike],
    radius: float,
    second_radius: float,
) -> Array:
    """Largest angle over a turn by which two tracks of one disc disagree. [rad]

        e |1/R2 - 1/R1| + max(c - w1, w2 - c),    c = s (R1 - R2) / R2 + d

    A head rotated by s about the normal of the disc reads the second track s (R1 - R2) apart from the first. A disc
    whose centre lies e off the shaft moves both tracks by the same length, which is a different angle at each radius.

    Parameters
    ----------
    skew : (units,)
        s, rotation of the head about the normal of the disc. [rad]
    eccentricity : (units,)
        e, eccentricity of the disc, including the run-out of the shaft. [m]
    track_error : (units,)
        d, error of the second track relative to the first. [rad]
    signal_bounds : (units,), (units,)
        w1 and w2, lowest and highest error within a signal period of the fine track. [rad]
    radius, second_radius : float
        R1 of the fine track, R2 of the second. [m]

    Returns
    -------
    (units,)
        Largest disagreement. [rad]

    References
    ----------
    .. [1] plane geometry, first order; tested by decoding a simulated disc.
    """
    constant = np.asarray(skew) * (radius - second_radius) / second_radius + np.asarray(track_error)
    swing = np.abs(np.asarray(eccentricity)) * abs(1.0 / second_radius - 1.0 / radius)
    lowest, highest = signal_bounds
    return np.asarray(swing + np.maximum(constant - lowest, highest - constant))


def margin(disagreement: ArrayLike, per_angle: float) -> Array:
    """Margin before an absolute encoder identifies the wrong period, as share of a period; negative if it can.

    Parameters
    ----------
    disagreement : (units,)
        Largest disagreement of the two tracks. [rad]
    per_angle : float
        As in `periods_per_angle`. [1/rad]

    Returns
    -------
    (units,)
        Margin, as share of a period; 0.5 without disagreement. [1]

    References
    ----------
    .. [1] rounding to the nearest period: half of one either way.
    """
    return np.asarray(LARGEST_DISAGREEMENT - per_angle * np.asarray(disagreement))


def turn_margin(error: ArrayLike, ratio: float) -> Array:
    """Margin before a sensor on the joint identifies the wrong turn of the motor, as share of a turn of the motor.

        1/2 - |i| x / (2 pi)

    Parameters
    ----------
    error : (units,)
        x, largest error at the joint: of its sensor, the gear and the sensor on the motor together. [rad]
    ratio : float
        i, turns of the motor per turn of the joint.

    Returns
    -------
    (units,)
        Margin, as share of a turn of the motor; 0.5 without error. [1]

    References
    ----------
    .. [1] rounding to the nearest turn of the motor, which is 2 pi / i of the joint.
    """
    return np.asarray(LARGEST_DISAGREEMENT - abs(ratio) * np.abs(np.asarray(error)) / (2.0 * math.pi))
