"""Differences between designs that draw the same numbers for the same cause: unit by unit, so that noise cancels."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.engine.plan import UNIT_BLOCK
from armsim.engine.statistics import clopper_pearson
from armsim.engine.work import Job, Stage
from armsim.errormodel.distributions import NORMAL_95
from armsim.model.configurations import Configurations

UNITS_COMPARED = 4 * UNIT_BLOCK
"""Units by which the scatter of a difference is judged; more tell it no better than is needed."""
WINDOW = 0.02
"""Probability either way of a quantile over which the density there is taken."""
SPAN = 2.0
"""Standard deviations of the share of units below a quantile over which the density is taken at least."""


class Difference(NamedTuple):
    """A difference and its 95 % interval; None from few units."""

    value: float
    interval: tuple[float, float] | None


def influence(values: Array, p: float) -> Array:
    """How each unit pulls at a quantile of the pooled values, shape (units,).

    With the share F_u of the visits of unit u at or below the quantile q, and the density f there,

        (p - F_u) / f

    has the mean zero, and its variance over the number of units is that of q. Units are independent; visits of a unit
    need not be. Where so many values are equal that the quantile cannot move, it is zero; nan where the sample is too
    small to tell that.

    Parameters
    ----------
    values : (visits, units)
    p : float

    References
    ----------
    .. [1] Hampel, J. Am. Stat. Assoc. 69 (1974) 383: the influence curve. Woodruff (1952) for the quantile of clusters.
    """
    n, units = values.size, values.shape[1]
    margin = min(1 - p, p)
    # the density is taken over the probabilities between which the sample puts the quantile, or a little more
    scatter = math.sqrt(p * (1 - p) / max(units, 1))
    half = min(max(WINDOW, SPAN * scatter), 0.5 * margin)
    ranks = [min(n, max(1, math.ceil(x * n - 1e-9))) - 1 for x in (p - half, p, p + half)]
    low, q, high = np.partition(values, ranks, axis=None)[ranks]
    if high <= low:  # one value holds all that probability: certain, if the sample tells so much
        return np.full(units, 0.0 if half >= SPAN * scatter else math.nan)
    share = np.mean(values <= q, axis=0)
    return np.asarray((p - share) * (high - low) / (2 * half))


def quantile_influence(job: Job, task: int, own: Configurations, units: int, p: float) -> Array:
    """`influence` of the first units at some poses, shape (poses, units). [m]

    Parameters
    ----------
    job : Job
    task : int
        Its key.
    own : Configurations
        At most a chunk.
    units : int
    p : float
    """
    stage = Stage.of(job, own)
    drawn = stage.units(job, 0, units)
    out = np.empty((len(own), units))
    for pose in range(len(own)):
        moved, _ = stage.sampler.follow(pose, int(own.numbers[pose]), task, drawn, 0, units)
        out[pose] = influence(np.linalg.norm(moved, axis=0), p)
    return out


def half_width(differences: Array, units: int) -> float:
    """Half of the 95 % interval of a mean over ``units``, from the differences of some of them, shape (known,)."""
    return NORMAL_95 * float(np.std(differences, ddof=1)) / math.sqrt(units) if len(differences) > 1 else math.nan


def difference(value: float, quantile_influence: Array, units: int, shared: float = 0.0) -> Difference:
    """A difference of quantiles with its interval, from how each unit pulls at it, shape (known units,).

    ``shared`` is half of the 95 % interval of an error that is the same for all units.
    """
    half = math.hypot(half_width(quantile_influence, units), shared)
    return Difference(value, None if math.isnan(half) else (value - half, value + half))


def share_difference(a: NDArray[np.bool_], b: NDArray[np.bool_]) -> Difference:
    """Share of units that pass in b less that in a, the units being the same; shapes (units,).

    Only units that pass in one of the two tell a difference. The exact intervals of the share that is gained and of the
    share that is lost are put together, with the correlation of two shares of one sample, so that the interval is not
    empty where no unit happened to change.

    References
    ----------
    .. [1] Clopper, Pearson, Biometrika 26 (1934) 404, for either share.
    .. [2] Newcombe, Statistics in Medicine 17 (1998) 2635, and Zou, Donner, Statistics in Medicine 27 (2008) 1693: the
       interval of a difference from those of its parts.
    """
    units = len(a)
    gained, lost = (int(np.count_nonzero(one & ~other)) for one, other in ((b, a), (a, b)))
    (gained_low, gained_high), (lost_low, lost_high) = (clopper_pearson(count, units) for count in (gained, lost))
    up, down = gained / units, lost / units
    value = up - down
    # a unit that is gained is not lost: the two shares are negatively correlated
    pulled = math.sqrt(up * down / max((1 - up) * (1 - down), 1e-300))
    low = value - _joined(up - gained_low, lost_high - down, pulled)
    high = value + _joined(gained_high - up, down - lost_low, pulled)
    return Difference(value, (max(low, -1.0), min(high, 1.0)))


def _joined(a: float, b: float, correlation: float) -> float:
    return math.sqrt(a * a + b * b + 2.0 * correlation * a * b)
