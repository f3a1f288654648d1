"""Slips of an absolute position by a period: the absolute track against the fine track.

These are limits of operation, not errors of a reading: a unit either meets them or does not.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from armsim.arrays import Array

HALF = 0.5
"""Largest disagreement of the two tracks, in periods."""


def periods_per_angle(fine: int, second: int) -> float:
    """Fine periods by which a disagreement of the two tracks of one radian counts. [1/rad]

        a code track       N / (2 pi)
        a vernier of M     N M / (N - M) / (2 pi)

    A vernier locates the disc within its beat of N - M periods by the difference of two phases, N e1 - M e2 over N - M
    as an angle, which disagrees with the fine track by M (e1 - e2) / (N - M) radians.

    Parameters
    ----------
    fine : int
        N, signal periods of the fine track.
    second : int
        M, those of the other; 0 for a track that holds a code.

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
    signal: tuple[ArrayLike, ArrayLike],
    radius: float,
    second_radius: float,
) -> Array:
    """Largest angle over a turn by which two tracks of one disc disagree. [rad]

        e |1/R2 - 1/R1| + max(c - w1, w2 - c),    c = s (R1 - R2) / R2 + d

    A head turned by s about the line that is square to the disc reads the second track s (R1 - R2) beside the first; a
    centre that lies e off the shaft moves both tracks by as much along the head, which is another angle at another
    radius.

    Parameters
    ----------
    skew : (units,)
        s. [rad]
    eccentricity : (units,)
        e, with the offset of the shaft in its bearing, which turns with it. [m]
    track_error : (units,)
        d, error of the second track against the first. [rad]
    signal : (units,), (units,)
        w1 and w2, lowest and highest error within a period of the signals of the first. [rad]
    radius, second_radius : float
        R1 of the fine track, R2 of the second. [m]

    Returns
    -------
    (units,) [rad]

    References
    ----------
    .. [1] plane geometry, first order; tested by decoding a simulated disc.
    """
    constant = np.asarray(skew) * (radius - second_radius) / second_radius + np.asarray(track_error)
    swing = np.abs(np.asarray(eccentricity)) * abs(1.0 / second_radius - 1.0 / radius)
    lowest, highest = signal
    return np.asarray(swing + np.maximum(constant - lowest, highest - constant))


def margin(disagreement: ArrayLike, per_angle: float) -> Array:
    """Margin of an absolute reading before it is wrong by a period, as share of a period; negative where it is.

    Parameters
    ----------
    disagreement : (units,)
        Largest disagreement of both tracks. [rad]
    per_angle : float
        As in `periods_per_angle`. [1/rad]

    Returns
    -------
    (units,)
        Share of a period; 0.5 without disagreement.

    References
    ----------
    .. [1] rounding to the nearest period: half of one either way.
    """
    return np.asarray(HALF - per_angle * np.asarray(disagreement))


def turn_margin(error: ArrayLike, ratio: float) -> Array:
    """Margin before a sensor on the joint identifies the wrong turn of the motor, as share of a turn.

        1/2 - |i| x / (2 pi)

    Parameters
    ----------
    error : (units,)
        x, largest error at the joint of the sensor there, of the gear and of the sensor on the motor. [rad]
    ratio : float
        i, turns of the motor per turn of the joint.

    Returns
    -------
    (units,)
        Share of a turn; 0.5 without error.

    References
    ----------
    .. [1] rounding to the nearest turn of the motor, which is 2 pi / i of the joint.
    """
    return np.asarray(HALF - abs(ratio) * np.abs(np.asarray(error)) / (2.0 * math.pi))
