"""Sample statistics with their uncertainty.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from armsim.arrays import Array

LEVEL = 0.95
"""Confidence level of all intervals."""
TAIL = (1.0 - LEVEL) / 2
NEGLIGIBLE_SKEWNESS = 1e-8
"""Skewness of a mean below which it counts as zero."""


class Estimate(NamedTuple):
    """Value with its 95 % interval; None where the sample is too small."""

    value: float
    interval: tuple[float, float] | None


def holm(p_values: Sequence[float], level: float) -> list[bool]:
    """Significance of several p-values, tested together. Source: Holm, Scand. J. Statist. 6 (1979) 65.

    Parameters
    ----------
    p_values : sequence of float
        Chance of each observation without an effect.
    level : float
        Chance of any false finding.

    Returns
    -------
    list of bool
    """
    out = [False] * len(p_values)
    for rank, n in enumerate(np.argsort(np.array(p_values), kind="stable").tolist()):
        if p_values[n] * (len(p_values) - rank) > level:
            break
        out[n] = True
    return out


def quantile(ordered: Array, p: float) -> float:
    """Smallest member of an ordered sample that at least the share p does not exceed. JCGM 101:2008 7.7.

    Parameters
    ----------
    ordered : (n,)
        Sample in ascending order.
    p : float

    Returns
    -------
    float
    """
    return float(ordered[quantile_rank(len(ordered), p)])


def quantile_rank(n: int, p: float) -> int:
    """Rank of a quantile in an ordered sample of n.

    Parameters
    ----------
    n : int
    p : float

    Returns
    -------
    int
        From 0.
    """
    return min(n, max(1, math.ceil(p * n - 1e-9))) - 1


def clopper_pearson(passed: float, n: float) -> tuple[float, float]:
    """Exact 95 % interval of a proportion; ``n`` may be an effective sample size.

    Parameters
    ----------
    passed, n : float

    Returns
    -------
    (low, high)

    References
    ----------
    .. [1] Clopper, Pearson, Biometrika 26 (1934) 404.
    """
    from scipy.special import betaincinv

    low = float(betaincinv(passed, n - passed + 1, TAIL)) if passed > 0 else 0.0
    high = float(betaincinv(passed + 1, n - passed, 1 - TAIL)) if passed < n else 1.0
    return low, high


@lru_cache
def sample_size_factor(units: int, samples: int) -> float:
    """Factor of Korn and Graubard on the effective sample size, for a variance estimated from a number of units.

    Parameters
    ----------
    units, samples : int

    Returns
    -------
    float
    """
    from scipy.special import stdtrit

    return float((stdtrit(samples - 1, 1 - TAIL) / stdtrit(units - 1, 1 - TAIL)) ** 2)


def _unbounded(p: Array, n: Array | int) -> NDArray[np.bool_]:
    """Whether a quantile of n independent members may lie beyond the extremes of the sample."""
    return np.asarray(np.maximum(p, 1 - p) ** n > TAIL)


def unit_quantiles(values: Array, probabilities: Sequence[float], half_width: float = 0.0) -> list[Estimate]:
    """Quantiles over independent units, with their distribution-free intervals; parameters as of `quantiles_of_rows`.

    Parameters
    ----------
    values : (units,)

    Returns
    -------
    list of Estimate
    """
    estimates = quantiles_of_rows(values[None], probabilities, np.array([half_width]))[0]
    return [Estimate(value, None if np.isnan(low) else (low, high)) for value, low, high in estimates.tolist()]


def quantiles_of_rows(values: Array, probabilities: Sequence[float], half_width: Array) -> Array:
    """Quantiles over independent units of several figures, with their distribution-free intervals.

    Parameters
    ----------
    values : (figures, units)
    probabilities : sequence of float
    half_width : (figures,)
        Half of the 95 % interval of an error that all values of a figure share; it is added to the interval in
        quadrature.

    Returns
    -------
    (figures, k, 3)
        Value, lower and upper end; nan where the sample is too small.

    References
    ----------
    .. [1] Conover, Practical Nonparametric Statistics, 3rd ed. (1999) 3.2: order statistics and the binomial
    distribution.
    """
    n = values.shape[1]
    ranks = quantile_ranks(n, probabilities)
    return quantiles_at_ranks(np.partition(values, np.unique(ranks), axis=1)[:, ranks], n, probabilities, half_width)


def quantile_ranks(n: int, probabilities: Sequence[float]) -> NDArray[np.int64]:
    """Ranks, from 0, of quantiles in an ordered sample, and of the ends of their intervals.

    Parameters
    ----------
    n : int
        Size of the sample.
    probabilities : sequence of float
        Probabilities.

    Returns
    -------
    (k, 3)
    """
    ranks = [(quantile_rank(n, p), *(_interval_ranks(n, p) or (0, 0))) for p in probabilities]
    return np.array(ranks, dtype=np.int64)


def quantiles_at_ranks(members: Array, n: int, probabilities: Sequence[float], half_width: Array) -> Array:
    """`quantiles_of_rows` of samples from their members at `quantile_ranks`.

    Parameters
    ----------
    members : (figures, k, 3)
    n : int
        Size of the samples.
    probabilities : sequence of float
        Probabilities.
    half_width : (figures,)
        As in `quantiles_of_rows`.

    Returns
    -------
    (figures, k, 3)
    """
    out = np.array(members)
    half_width_in_sample = np.hypot(out[:, :, 1:] - out[:, :, :1], half_width[:, None, None])
    out[:, :, 1:] = out[:, :, :1] + half_width_in_sample * np.array([-1.0, 1.0])
    out[:, [_interval_ranks(n, p) is None for p in probabilities], 1:] = np.nan
    return out


@lru_cache
def _interval_ranks(n: int, p: float) -> tuple[int, int] | None:
    """Ranks in an ordered sample between which a quantile lies; None where the sample is too small."""
    from scipy.special import bdtr, bdtrik

    if _unbounded(np.array(p), n):
        return None
    ranks = []
    for tail in (TAIL, 1 - TAIL):  # smallest rank r with P(B <= r) >= tail, B binomial
        rank = max(0.0, math.ceil(bdtrik(tail, n, p)) - 1)
        ranks.append(int(rank if bdtr(rank, n, p) >= tail else rank + 1))
    return ranks[0] - 1, ranks[1]


def means_from_moments(moments: Array, n: int) -> Array:
    """Means over units of non-negative figures, with their intervals.

    Squares of errors are skewed, those of a disc's tilt (a square itself) very much so; the interval is that of
    Student's statistic made symmetric by a cubic of its skewness.

    Parameters
    ----------
    moments : (figures, 3)
        Mean, mean square and mean cube of the difference from the mean.
    n : int
        Number of units.

    Returns
    -------
    (figures, 3)
        Value, lower and upper end; the ends are nan for a single unit.

    References
    ----------
    .. [1] Hall, "On the removal of skewness by transformation", J. R. Statist. Soc. B 54 (1992) 221.
    """
    out = np.full((len(moments), 3), np.nan)
    mean = out[:, 0] = moments[:, 0]
    if n < 2:
        return out
    variance = moments[:, 1]
    scattered = variance > 0.0
    step = np.sqrt(variance / (n - 1))
    third = moments[:, 2] / math.sqrt(n)
    skewness = np.divide(third, variance**1.5, out=np.zeros(len(mean)), where=scattered)
    for column, sign in ((1, 1.0), (2, -1.0)):
        out[:, column] = mean - _unskewed(sign * student_factor(n - 1), skewness) * step
    np.maximum(out[:, 1], 0.0, out=out[:, 1])
    return out


def _unskewed(z: float, skewness: Array) -> Array:
    """Value of Student's statistic at which its symmetric transform is z; skewness over the root of the sample size."""
    skewed = np.abs(skewness) >= NEGLIGIBLE_SKEWNESS
    safe = np.where(skewed, skewness, 1.0)
    return np.where(skewed, 3.0 * (np.cbrt(1.0 + safe * (z - safe / 6.0)) - 1.0) / safe, z)


@lru_cache
def student_factor(freedom: int) -> float:
    """Coverage factor of a mean, at `LEVEL`, by Student's t distribution."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 1 - TAIL))


def half_width_of_nets(values: Array) -> Array:
    """Half-width of the 95 % interval of a mean over independent nets: values of shape (..., nets) to shape (...)."""
    nets = values.shape[-1]
    return np.asarray(student_factor(nets - 1) * np.std(values, axis=-1, ddof=1) / math.sqrt(nets))


def pose_accuracy(attained: ArrayLike) -> Array:
    """AP: distance of the barycentre of the attained poses from the command. ISO 9283:1998 7.2.1.

    Parameters
    ----------
    attained : (3, visits, ...) [m]
        Errors of the visits, of one unit or of many.

    Returns
    -------
    (...) [m]
    """
    return np.asarray(np.linalg.norm(np.mean(np.asarray(attained, dtype=float), axis=1), axis=0))


def pose_repeatability(attained: ArrayLike) -> Array:
    """RP: mean distance from the barycentre plus three standard deviations of it. ISO 9283:1998 7.2.2.

    Parameters
    ----------
    attained : (3, visits, ...) [m]

    Returns
    -------
    (...) [m]
    """
    points = np.asarray(attained, dtype=float)
    distance = np.sqrt(np.sum((points - points.mean(axis=1, keepdims=True)) ** 2, axis=0))
    return np.asarray(distance.mean(axis=0) + 3.0 * distance.std(axis=0, ddof=1))


def numerical_tolerance(u: ArrayLike, digits: int = 2) -> Array:
    """Half a unit in the last significant digit of standard uncertainties. JCGM 101:2008 7.9.2.

    Written as c * 10^l with c an integer of ``digits`` digits, u has the tolerance 10^l / 2.

    Parameters
    ----------
    u : array
        Standard uncertainties.
    digits : int

    Returns
    -------
    array, shape of ``u``
        In the unit of ``u``.
    """
    values = np.asarray(u, dtype=float)
    safe = np.where(values > 0, values, 1.0)
    exponent = np.floor(np.log10(safe)) - digits + 1
    exponent += np.round(safe / 10.0**exponent) >= 10**digits
    return np.asarray(np.where(values > 0, 0.5 * 10.0**exponent, 0.0))
