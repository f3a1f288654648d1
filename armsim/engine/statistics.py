"""Statistics of samples, with their uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from armsim.core.selection import BINS, count_bins, pick_ranks, share_variance
from armsim.spreads import Array

LEVEL = 0.95
"""Level of every interval."""
TAIL = (1.0 - LEVEL) / 2


class Estimate(NamedTuple):
    """A value and its 95 % interval; None where the sample cannot tell."""

    value: float
    interval: tuple[float, float] | None


def quantile(ordered: Array, p: float) -> float:
    """Smallest member of an ordered sample that at least the share p does not exceed. JCGM 101:2008 7.7."""
    return float(ordered[min(len(ordered), max(1, math.ceil(p * len(ordered) - 1e-9))) - 1])


class Ranked:
    """A sample that gives its members by rank without being sorted.

    Parameters
    ----------
    values : any shape, contiguous
    bins : (n,) int16, optional
        Room to work in: fresh memory costs more than the counting.
    """

    def __init__(self, values: Array, bins: NDArray[np.int16] | None = None) -> None:
        self.values = values.reshape(-1)
        self.bins = np.empty(len(self.values), dtype=np.int16) if bins is None else bins
        self.upto = np.empty(BINS + 1, dtype=np.int64)
        count_bins(self.values, self.values.min(), self.values.max(), self.bins, self.upto)

    def quantiles(self, ps: Sequence[float]) -> list[float]:
        """As `quantile`, for several probabilities at once."""
        n = len(self.values)
        ranks = np.array([min(n, max(1, math.ceil(p * n - 1e-9))) - 1 for p in ps], dtype=np.int64)
        out = np.empty(len(ranks))
        pick_ranks(self.values, self.bins, self.upto, ranks, out)
        return [float(value) for value in out]


def clopper_pearson(passed: float, n: float) -> tuple[float, float]:
    """Exact 95 % interval of a proportion; ``n`` may be an effective sample size.

    References
    ----------
    .. [1] Clopper, Pearson, Biometrika 26 (1934) 404.
    """
    from scipy.special import betaincinv

    low = float(betaincinv(passed, n - passed + 1, TAIL)) if passed > 0 else 0.0
    high = float(betaincinv(passed + 1, n - passed, 1 - TAIL)) if passed < n else 1.0
    return low, high


def nested_quantiles(
    values: Array, ps: Sequence[float], bins: NDArray[np.int16] | None = None, plain: Sequence[float] = ()
) -> list[Estimate]:
    """Quantiles of a population of units with several visits each.

    Visits of one unit share its errors, so the sample is worth fewer than units times visits. Its effective size is
    that which gives the share of visits below the quantile the variance seen between units; the exact binomial interval
    at that size, read off the sample, is the interval. None where so few units bound the quantile from one side only:
    the variance between them cannot be trusted there either.

    Parameters
    ----------
    values : (visits, units)
    ps : sequence of float
    bins : (visits * units,) int16, optional
        As in `Ranked`.
    plain : sequence of float
        Further probabilities, whose quantiles follow without an interval.

    References
    ----------
    .. [1] Woodruff, J. Am. Stat. Assoc. 47 (1952) 635: quantile intervals through the distribution function.
    .. [2] Korn, Graubard, Survey Methodology 24 (1998) 193: binomial interval at the effective sample size.
    """
    visits, units = values.shape
    ranked = Ranked(values, bins)
    at = ranked.quantiles([*ps, *plain])
    rest = [Estimate(value, None) for value in at[len(ps) :]]
    if units < 2:
        return [Estimate(value, None) for value in at]
    factor = _degrees_of_freedom(units, units * visits)
    share = np.empty(units)
    ends: list[tuple[float, float] | None] = []
    for p, value in zip(ps, at, strict=False):
        variance = share_variance(values, value, share) / units
        n = p * (1 - p) / variance if variance > 0 else float(units)
        n = min(n * factor, float(units * visits))
        ends.append(None if _unbounded(p, min(n, units)) else clopper_pearson(n * p, n))
    read = iter(ranked.quantiles([x for end in ends if end is not None for x in end]))
    bounded = [None if end is None else (next(read), next(read)) for end in ends]
    return [Estimate(value, interval) for value, interval in zip(at, bounded, strict=False)] + rest


def _degrees_of_freedom(units: int, samples: int) -> float:
    """Korn and Graubard's factor for a variance that is itself estimated, from so many units."""
    from scipy.special import stdtrit

    return float((stdtrit(samples - 1, 1 - TAIL) / stdtrit(units - 1, 1 - TAIL)) ** 2)


def _unbounded(p: float, n: float) -> bool:
    """Whether a quantile of n independent members may well lie beyond the largest or the smallest of them."""
    return bool(p**n > TAIL or (1 - p) ** n > TAIL)


def unit_quantiles(values: Array, ps: Sequence[float]) -> list[Estimate]:
    """Quantiles over independent units, with their distribution-free intervals.

    Parameters
    ----------
    values : (units,)
    ps : sequence of float

    References
    ----------
    .. [1] Conover, Practical Nonparametric Statistics, 3rd ed. (1999) 3.2: order statistics and the binomial law.
    """
    from scipy.special import bdtr, bdtrik

    ordered = np.sort(values)
    n = len(ordered)
    out = []
    for p in ps:
        interval = None
        if not _unbounded(p, n):
            ranks = []
            for tail in (TAIL, 1 - TAIL):  # smallest rank r with P(B <= r) >= tail, B binomial
                rank = max(0.0, math.ceil(bdtrik(tail, n, p)) - 1)
                ranks.append(int(rank if bdtr(rank, n, p) >= tail else rank + 1))
            interval = (float(ordered[ranks[0] - 1]), float(ordered[ranks[1]]))
        out.append(Estimate(quantile(ordered, p), interval))
    return out


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
