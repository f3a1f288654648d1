"""Statistics of samples, with their uncertainty."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from armsim.spreads import Array

LEVEL = 0.95
"""Level of every interval."""


class Estimate(NamedTuple):
    """A value and its 95 % interval; None where the sample cannot tell."""

    value: float
    interval: tuple[float, float] | None


def quantile(ordered: Array, p: float) -> float:
    """Smallest member of an ordered sample that at least the share p does not exceed. JCGM 101:2008 7.7."""
    return float(ordered[min(len(ordered), max(1, math.ceil(p * len(ordered) - 1e-9))) - 1])


def clopper_pearson(passed: float, n: float) -> tuple[float, float]:
    """Exact 95 % interval of a proportion; ``n`` may be an effective sample size.

    References
    ----------
    .. [1] Clopper, Pearson, Biometrika 26 (1934) 404.
    """
    from scipy.stats import beta

    tail = (1.0 - LEVEL) / 2
    low = float(beta.ppf(tail, passed, n - passed + 1)) if passed > 0 else 0.0
    high = float(beta.ppf(1 - tail, passed + 1, n - passed)) if passed < n else 1.0
    return low, high


def nested_quantile(values: Array, ordered: Array, p: float) -> Estimate:
    """Quantile of a population of units with several visits each.

    Visits of one unit share its errors, so the sample is worth fewer than units times visits. Its effective size is
    that which gives the share of visits below the quantile the variance seen between units; the exact binomial interval
    at that size, read off the sample, is the interval.

    Parameters
    ----------
    values : (visits, units)
    ordered : (visits * units,)
        The same, sorted.
    p : float

    References
    ----------
    .. [1] Woodruff, J. Am. Stat. Assoc. 47 (1952) 635: quantile intervals through the distribution function.
    .. [2] Korn, Graubard, Survey Methodology 24 (1998) 193: binomial interval at the effective sample size.
    """
    visits, units = values.shape
    at = quantile(ordered, p)
    if units < 2:
        return Estimate(at, None)
    share = np.count_nonzero(values <= at, axis=0) / visits
    variance = float(np.var(share, ddof=1)) / units
    n = p * (1 - p) / variance if variance > 0 else float(units)
    n = min(n * _degrees_of_freedom(units, units * visits), float(units * visits))
    return Estimate(at, _interval(ordered, p, n))


def _degrees_of_freedom(units: int, samples: int) -> float:
    """Korn and Graubard's factor for a variance that is itself estimated, from so many units."""
    from scipy.stats import t

    tail = (1 + LEVEL) / 2
    return float((t.ppf(tail, samples - 1) / t.ppf(tail, units - 1)) ** 2)


def _interval(ordered: Array, p: float, n: float) -> tuple[float, float] | None:
    """Distribution-free interval of a quantile from n independent members; None where n is too few to bound it."""
    from scipy.stats import binom

    tail = (1 - LEVEL) / 2
    whole = math.floor(n)
    below = int(binom.ppf(tail, whole, p))
    above = int(binom.ppf(1 - tail, whole, p)) + 1
    if whole < 1 or below < 1 or above > whole:
        return None
    if whole == len(ordered):
        return float(ordered[below - 1]), float(ordered[above - 1])
    return tuple(quantile(ordered, x) for x in clopper_pearson(n * p, n))  # type: ignore[return-value]


def unit_quantile(ordered: Array, p: float) -> Estimate:
    """Quantile over independent units, with its distribution-free interval.

    Parameters
    ----------
    ordered : (units,)
        Sorted.

    References
    ----------
    .. [1] Conover, Practical Nonparametric Statistics, 3rd ed. (1999) 3.2: order statistics and the binomial law.
    """
    return Estimate(quantile(ordered, p), _interval(ordered, p, len(ordered)))


def mean_over_units(per_unit: Array) -> tuple[float, float | None]:
    """Mean of a figure over units and its standard deviation of the mean; None from one unit."""
    n = len(per_unit)
    return float(np.mean(per_unit)), float(np.std(per_unit, ddof=1) / math.sqrt(n)) if n > 1 else None


def pose_accuracy(barycentre: Array) -> Array:
    """AP of every unit: distance of the barycentre of its attained poses from the command. ISO 9283:1998 7.2.1.

    Parameters
    ----------
    barycentre : (3, units) [m]
        Of the errors.
    """
    return np.asarray(np.sqrt(np.sum(barycentre**2, axis=0)))


def pose_repeatability(attained: ArrayLike) -> float:
    """RP of one unit: mean distance from the barycentre plus three standard deviations of it. ISO 9283:1998 7.2.2.

    Parameters
    ----------
    attained : (3, visits) [m]
    """
    points = np.asarray(attained, dtype=float)
    distance = np.sqrt(np.sum((points - points.mean(axis=1, keepdims=True)) ** 2, axis=0))
    return float(distance.mean() + 3.0 * distance.std(ddof=1))


def numerical_tolerance(u: float, digits: int = 2) -> float:
    """Half a unit in the last of the significant digits of a standard uncertainty. JCGM 101:2008 7.9.2.

    Written as c * 10^l with c an integer of ``digits`` digits, u has the tolerance 10^l / 2.
    """
    if u <= 0:
        return 0.0
    exponent = math.floor(math.log10(u)) - digits + 1
    if round(u / 10.0**exponent) >= 10**digits:
        exponent += 1
    return 0.5 * 10.0**exponent


def coverage_interval(ordered: Array, p: float = LEVEL) -> tuple[float, float]:
    """Probabilistically symmetric coverage interval of an ordered sample. JCGM 101:2008 7.7.2."""
    return quantile(ordered, (1 - p) / 2), quantile(ordered, (1 + p) / 2)


def shortest_interval(ordered: Array, p: float = LEVEL) -> tuple[float, float]:
    """Shortest coverage interval of an ordered sample. JCGM 101:2008 7.7.4 and 5.3.4."""
    n = len(ordered)
    width = min(n - 1, math.ceil(p * n - 1e-9))
    start = int(np.argmin(ordered[width:] - ordered[: n - width]))
    return float(ordered[start]), float(ordered[start + width])
