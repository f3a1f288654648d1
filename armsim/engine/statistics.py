"""Statistics of samples, with their uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from armsim.arrays import Array
from armsim.core.counting import read_quantiles

LEVEL = 0.95
"""Level of every interval."""
TAIL = (1.0 - LEVEL) / 2
SYMMETRIC = 1e-8
"""Skewness of a mean below which it counts as none, so that nothing is divided by it."""


class Estimate(NamedTuple):
    """A value and its 95 % interval; None where the sample cannot tell."""

    value: float
    interval: tuple[float, float] | None


def quantile(ordered: Array, p: float) -> float:
    """Smallest member of an ordered sample that at least the share p does not exceed. JCGM 101:2008 7.7."""
    return float(ordered[min(len(ordered), max(1, math.ceil(p * len(ordered) - 1e-9))) - 1])


class Counted:
    """A population of units with several visits each, of which the counts in bins are known.

    A quantile is read within its bin as if the members of the bin lay evenly; it is off by less than the bin's width,
    which sampling outweighs.

    Parameters
    ----------
    counts : (bins,)
        From the lowest bin that holds a value to the highest.
    pairs : (bins,), optional
        Of the larger of each two visits of one unit.
    edges : (bins + 1,)
        Of the bins.
    ends : (2,)
        Smallest and largest value.
    units, visits : int
    """

    def __init__(
        self,
        counts: NDArray[np.int64],
        pairs: NDArray[np.int64] | None,
        edges: Array,
        ends: Array,
        units: int,
        visits: int,
    ) -> None:
        self.edges, self.ends = edges, np.ascontiguousarray(ends)
        self.upto = np.zeros(len(counts) + 1, dtype=np.int64)
        np.cumsum(counts, out=self.upto[1:])
        self.pairs_upto = None if pairs is None else np.cumsum(pairs)
        self.units, self.visits = units, visits

    def quantiles(self, ps: ArrayLike) -> Array:
        """Smallest value that at least the share p does not exceed, for every p. JCGM 101:2008 7.7."""
        return self._read(np.asarray(ps, dtype=float))[0]

    def _read(self, ps: Array) -> tuple[Array, NDArray[np.int64]]:
        """Quantiles, and the bins in which they lie."""
        out, held = np.empty(len(ps)), np.empty(len(ps), dtype=np.int64)
        read_quantiles(self.upto, self.edges, self.ends, ps, held, out)
        return out, held

    def _variance(self, held: NDArray[np.int64]) -> tuple[Array, Array]:
        """Share of visits up to some bins, and the variance of that share between units."""
        below = self.upto[held + 1] / self.upto[-1]
        if self.pairs_upto is None or not self.pairs_upto[-1]:
            return below, below * (1 - below)
        both = self.pairs_upto[held] / self.pairs_upto[-1]
        # what the mean over so few units takes away from their variance is given back
        return below, ((both - below**2) + (below - both) / self.visits) / (1 - 1 / self.units)

    def estimates(self, ps: Sequence[float]) -> tuple[Array, Array]:
        """Quantiles, shape (k,), and their 95 % intervals, shape (k, 2); see `estimates_of`."""
        return estimates_of([(self, ps)])[0]


def estimates_of(asked: Sequence[tuple[Counted, Sequence[float]]]) -> list[tuple[Array, Array]]:
    """Quantiles and their 95 % intervals of several measures of one population.

    Visits of one unit share its errors, so the sample is worth fewer than units times visits. Its effective size is
    that which gives the share of visits below the quantile the variance seen between units; the exact binomial interval
    at that size, read off the sample, is the interval. nan where so few units bound the quantile from one side only:
    the variance between them cannot be trusted there either.

    With F the chance that a visit is below, and G that both of two visits of one unit are (counted on the larger), the
    share of V visits of a unit varies between units by

        (G - F^2) + (F - G) / V

    Returns
    -------
    list of (values of shape (k,), intervals of shape (k, 2))

    References
    ----------
    .. [1] Woodruff, J. Am. Stat. Assoc. 47 (1952) 635: quantile intervals through the distribution function.
    .. [2] Korn, Graubard, Survey Methodology 24 (1998) 193: binomial interval at the effective sample size.
    """
    sizes = [len(ps) for _, ps in asked]
    read = [counted._read(np.asarray(ps, dtype=float)) for counted, ps in asked]
    units = asked[0][0].units
    if units < 2:
        return [(values, np.full((size, 2), np.nan)) for (values, _), size in zip(read, sizes, strict=True)]
    n = float(asked[0][0].upto[-1])
    p = np.array([p for _, ps in asked for p in ps])
    both = [counted._variance(held) for (counted, _), (_, held) in zip(asked, read, strict=True)]
    below, variance = (np.concatenate(parts) for parts in zip(*both, strict=True))
    scatter = below * (1 - below)
    effective = np.full(len(p), float(units))
    np.divide(units * scatter, variance, out=effective, where=variance > 0)
    effective = np.minimum(np.maximum(effective, 1.0) * _degrees_of_freedom(units, int(n)), n)
    low, high = clopper_pearson_ends(effective * p, effective)
    unbounded = _unbounded(p, np.minimum(effective, units))
    out, at = [], 0
    for (counted, _), (values, _), size in zip(asked, read, sizes, strict=True):
        own = slice(at, at + size)
        ends = counted._read(np.concatenate([low[own], high[own]]))[0].reshape(2, size).T
        ends[unbounded[own]] = np.nan
        out.append((values, ends))
        at += size
    return out


def clopper_pearson(passed: float, n: float) -> tuple[float, float]:
    """Exact 95 % interval of a proportion; ``n`` may be an effective sample size.

    References
    ----------
    .. [1] Clopper, Pearson, Biometrika 26 (1934) 404.
    """
    low, high = clopper_pearson_ends(np.array([passed]), np.array([n]))
    return float(low[0]), float(high[0])


def clopper_pearson_ends(passed: Array, n: Array) -> tuple[Array, Array]:
    """Lower and upper ends of `clopper_pearson` for many at once."""
    from scipy.special import betaincinv

    inner_low, inner_high = np.maximum(passed, 1e-300), np.maximum(n - passed, 1e-300)
    low = betaincinv(inner_low, n - passed + 1, TAIL)
    high = betaincinv(passed + 1, inner_high, 1 - TAIL)
    low[passed <= 0], high[passed >= n] = 0.0, 1.0
    return low, high


@lru_cache
def _degrees_of_freedom(units: int, samples: int) -> float:
    """Korn and Graubard's factor for a variance that is itself estimated, from so many units."""
    from scipy.special import stdtrit

    return float((stdtrit(samples - 1, 1 - TAIL) / stdtrit(units - 1, 1 - TAIL)) ** 2)


def _unbounded(p: Array, n: Array | int) -> NDArray[np.bool_]:
    """Whether a quantile of n independent members may well lie beyond the largest or the smallest of them."""
    return np.asarray(np.maximum(p, 1 - p) ** n > TAIL)


def unit_quantiles(values: Array, ps: Sequence[float], half_width: float = 0.0) -> list[Estimate]:
    """Quantiles over independent units, with their distribution-free intervals.

    Parameters
    ----------
    values : (units,)
    ps : sequence of float
    half_width : float
        Half of the 95 % interval of an error that all values share; it widens the interval as a square root of
        squares.

    References
    ----------
    .. [1] Conover, Practical Nonparametric Statistics, 3rd ed. (1999) 3.2: order statistics and the binomial law.
    """
    ordered = np.sort(values)
    n = len(ordered)
    out = []
    for p in ps:
        ranks, value = _interval_ranks(n, p), quantile(ordered, p)
        interval = None
        if ranks is not None:
            low, high = float(ordered[ranks[0]]), float(ordered[ranks[1]])
            interval = value - math.hypot(value - low, half_width), value + math.hypot(high - value, half_width)
        out.append(Estimate(value, interval))
    return out


@lru_cache
def _interval_ranks(n: int, p: float) -> tuple[int, int] | None:
    """Places in an ordered sample between which its quantile lies; None where the sample is too small."""
    from scipy.special import bdtr, bdtrik

    if _unbounded(np.array(p), n):
        return None
    ranks = []
    for tail in (TAIL, 1 - TAIL):  # smallest rank r with P(B <= r) >= tail, B binomial
        rank = max(0.0, math.ceil(bdtrik(tail, n, p)) - 1)
        ranks.append(int(rank if bdtr(rank, n, p) >= tail else rank + 1))
    return ranks[0] - 1, ranks[1]


def mean_over_units(per_unit: Array) -> Estimate:
    """Mean over units of a figure that is not negative, with its interval; None from one unit.

    Squares of errors are skewed, those of a disc's tilt (a square itself) very much so; the interval is that of
    Student's statistic made symmetric by a cubic of its skewness.

    Parameters
    ----------
    per_unit : (units,)

    References
    ----------
    .. [1] Hall, "On the removal of skewness by transformation", J. R. Statist. Soc. B 54 (1992) 221.
    """
    n, mean = len(per_unit), float(np.mean(per_unit))
    if n < 2:
        return Estimate(mean, None)
    away = per_unit - mean
    variance = float(np.mean(away**2))
    if variance <= 0.0:
        return Estimate(mean, (mean, mean))
    step = math.sqrt(variance / (n - 1))
    skewness = float(np.mean(away**3)) / variance**1.5 / math.sqrt(n)
    low, high = (mean - _unskewed(sign * student(n - 1), skewness) * step for sign in (1.0, -1.0))
    return Estimate(mean, (max(low, 0.0), high))


def _unskewed(z: float, skewness: float) -> float:
    """Value of Student's statistic at which its symmetric transform is z; skewness over the root of the sample size."""
    if abs(skewness) < SYMMETRIC:
        return z
    return 3.0 * (float(np.cbrt(1.0 + skewness * (z - skewness / 6.0))) - 1.0) / skewness


@lru_cache
def student(freedom: int) -> float:
    """Coverage factor of a mean at `LEVEL`, by Student's law with so many degrees of freedom."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 1 - TAIL))


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
