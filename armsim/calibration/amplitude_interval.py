"""Amplitude of a wave whose cosine and sine coefficients are estimated with noise: its estimate and 95 % interval."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from armsim.arrays import Array
from armsim.sampling.statistics import LEVEL, TAIL

NORMAL_FROM = 10.0
"""Amplitude, in standard uncertainties, from which the Rice distribution counts as normal: on average a fitted
amplitude is longer than the true one by 0.05 there."""
STEPS = 200
"""Number of steps of the table of critical distances, from zero to `NORMAL_FROM`."""
BISECTIONS = 50
"""Number of halvings of an interval, down to the rounding of a float."""


def rice_amplitudes(coefficients: Array, covariances: Array) -> Array:
    """Amplitudes of waves, corrected for the mean contribution of the noise; 0 if the noise explains all of it.

    The square of a fitted amplitude is too large on average by the variances of cosine and sine (2 s^2 if they are
    equal):

        A^2 = a^2 + b^2 - var a - var b

    Parameters
    ----------
    coefficients : (n, 2)
        a, b. [rad or m]
    covariances : (n, 2, 2)

    Returns
    -------
    (n,)
        [rad or m]

    References
    ----------
    .. [1] Rice, Mathematical analysis of random noise, Bell System Technical Journal 24 (1945) 46, 3.10: envelope of a
       sine wave in noise; its mean square is that of the wave and of the noise.
    """
    squares = np.sum(coefficients**2, axis=1) - np.trace(covariances, axis1=1, axis2=2)
    return np.asarray(np.sqrt(np.maximum(squares, 0.0)))


def rice_intervals(coefficients: Array, covariances: Array, degrees_of_freedom: ArrayLike) -> Array:
    """95 % intervals of the amplitudes of waves; the lower end is 0 if there may be no wave.

    An interval holds every amplitude whose circle in the plane of cosine and sine lies within a critical Mahalanobis
    distance of the fitted point. By the Rice distribution, 95 % of fits lie within that distance: 2.45 standard
    uncertainties without a wave, 1.96 for a large one. It is multiplied by Student's factor, since the noise is
    estimated. If the noise differs by direction, the Rice distribution of its largest variance is used.

    Parameters
    ----------
    coefficients : (n, 2)
        Cosine and sine coefficients. [rad or m]
    covariances : (n, 2, 2)
    degrees_of_freedom : (n,) or int
        Degrees of freedom of the variance of the noise.

    Returns
    -------
    (n, 2)
        Low and high. [rad or m]

    References
    ----------
    .. [1] Rice, Bell System Technical Journal 24 (1945) 46, 3.10: law of the fitted amplitude, whose square is a
       noncentral chi-square of two degrees of freedom.
    .. [2] Cox, Hinkley, Theoretical Statistics (1974), 7.2: intervals by inverted tests.
    .. [3] JCGM 100:2008 G.3: Student's factor.
    """
    from scipy.special import ndtri, stdtrit

    factor = (stdtrit(np.asarray(degrees_of_freedom, dtype=float), 1 - TAIL) / ndtri(1 - TAIL)) ** 2
    variances, axes = np.linalg.eigh(covariances)
    variances = np.maximum(variances, 0.0) * np.reshape(factor, (-1, 1))
    points = np.einsum("nij,ni->nj", axes, coefficients)
    amplitudes = np.hypot(points[:, 0], points[:, 1])
    out = np.stack([amplitudes, amplitudes], axis=1)
    noisy = variances[:, 1] > 0.0
    out[noisy] = _nearest_circles(points[noisy], variances[noisy])
    return out


def _nearest_circles(points: Array, variances: Array) -> Array:
    """Smallest and largest radius of a circle about the origin within the critical distance of a point, shape (n, 2).

    The point of a circle with the smallest Mahalanobis distance from d is p_i = d_i / (1 + m v_i), with the Lagrange
    multiplier m: above 0 for smaller circles, down to -1 / (largest variance) for larger ones.
    """
    sigma = np.sqrt(variances[:, 1])
    shares = variances / variances[:, 1:]  # in units of the largest variance, as the multiplier
    points = points / sigma[:, None]
    # towards a larger circle the nearest point leaves the origin along the axis of the largest noise
    points[:, 1] = np.where(np.abs(points[:, 1]) < 1e-9, 1e-9, points[:, 1])

    def radius(multiplier: Array) -> Array:
        scaled = points / (1.0 + multiplier[:, None] * shares)
        return np.hypot(scaled[:, 0], scaled[:, 1])

    def beyond(multiplier: Array) -> Array:
        ellipse_offset = multiplier[:, None] * np.sqrt(shares) * points / (1.0 + multiplier[:, None] * shares)
        return np.hypot(ellipse_offset[:, 0], ellipse_offset[:, 1]) - _critical_distance(radius(multiplier))

    # d^2 / v without dividing by a variance of 0: such a point is infinitely far from the origin
    with np.errstate(divide="ignore", invalid="ignore"):
        origin = np.sqrt(np.nansum(points**2 / shares, axis=1))
    low = radius(_odds(_root(lambda share: beyond(_odds(share)), len(points))))
    high = radius(-_root(lambda share: beyond(-share), len(points)))
    low = np.where(origin <= _critical_distance(np.zeros(1)), 0.0, low)
    return np.stack([low, high], axis=1) * sigma[:, None]


def _odds(share: Array) -> Array:
    return share / (1.0 - share)


def _root(function: Callable[[Array], Array], n: int) -> Array:
    """Zeros between 0 and 1 of functions that rise from below 0, shape (n,)."""
    low, high = np.zeros(n), np.ones(n)
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        above = function(middle) > 0.0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return low


def _critical_distance(amplitudes: Array) -> Array:
    """Distance from true amplitudes within which 95 % of fitted ones lie; noise of unit standard deviation."""
    return np.interp(amplitudes, *_critical_distance_table())


@lru_cache(maxsize=1)
def _critical_distance_table() -> tuple[Array, Array]:
    """Table of `_critical_distance`: true amplitudes, and the distance within which 95 % of fitted ones lie."""
    from scipy.special import chndtr

    amplitudes = np.linspace(0.0, NORMAL_FROM, STEPS + 1)

    def share(distance: Array) -> Array:
        within = chndtr((amplitudes + distance) ** 2, 2, amplitudes**2)
        return np.asarray(within - chndtr(np.maximum(amplitudes - distance, 0.0) ** 2, 2, amplitudes**2))

    return amplitudes, 4.0 * _root(lambda quarter: share(4.0 * quarter) - LEVEL, len(amplitudes))
