"""Differences between designs that draw the same numbers for the same cause: unit by unit, so that noise cancels."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from armsim.engine.plan import UNIT_BLOCK, draw_units
from armsim.engine.work import CHUNK, Job, Stage
from armsim.model.places import Places
from armsim.spreads import Array

MOST_UNITS = 4 * UNIT_BLOCK
"""Units by which the scatter of a difference is judged; more tell it no better than is needed."""
WINDOW = 0.02
"""Probability either way of a quantile over which the density there is taken."""
NORMAL_95 = 1.959963984540054


class Difference(NamedTuple):
    """A difference and its 95 % interval; None from few units."""

    value: float
    interval: tuple[float, float] | None


def influence(values: Array, p: float) -> Array:
    """How each unit pulls at a quantile of the pooled values, shape (units,).

    With the share F_u of the visits of unit u at or below the quantile q, and the density f there,

        (p - F_u) / f

    has the mean zero, and its variance over the number of units is that of q. Units are independent; visits of a unit
    need not be.

    Parameters
    ----------
    values : (visits, units)
    p : float

    References
    ----------
    .. [1] Hampel, J. Am. Stat. Assoc. 69 (1974) 383: the influence curve. Woodruff (1952) for the quantile of clusters.
    """
    half = min(WINDOW, 0.5 * (1 - p), 0.5 * p)
    n = values.size
    ranks = [min(n, max(1, math.ceil(x * n - 1e-9))) - 1 for x in (p - half, p, p + half)]
    low, q, high = np.partition(values, ranks, axis=None)[ranks]
    if high <= low:
        return np.zeros(values.shape[1])
    share = np.mean(values <= q, axis=0)
    return np.asarray((p - share) * (high - low) / (2 * half))


def pulls(job: Job, task: int, places: Places, chunk: int, units: int, p: float) -> Array:
    """`influence` of the first units at the poses of a chunk, shape (poses of the chunk, units). [m]

    Parameters
    ----------
    job : Job
    task : int
        Its number.
    places : Places
        Of the whole task.
    chunk : int
        Number of the first pose of the chunk.
    units : int
    p : float
    """
    own = places[chunk : chunk + CHUNK]
    stage = Stage.of(job, own)
    drawn = draw_units(stage.machine.terms, job.plan, 0, units)
    out = np.empty((len(own), units))
    for pose in range(len(own)):
        moved, _ = stage.sampler.follow(pose, chunk + pose, task, drawn, 0, units)
        out[pose] = influence(np.linalg.norm(moved, axis=0), p)
    return out


def half_width(differences: Array, units: int) -> float:
    """Half of the 95 % interval of a mean over ``units``, from the differences of some of them, shape (known,)."""
    return NORMAL_95 * float(np.std(differences, ddof=1)) / math.sqrt(units) if len(differences) > 1 else math.nan


def difference(value: float, pulls: Array, units: int) -> Difference:
    """A difference of quantiles with its interval, from how each unit pulls at it, shape (known units,)."""
    half = half_width(pulls, units)
    return Difference(value, None if math.isnan(half) else (value - half, value + half))


def share_difference(a: NDArray[np.bool_], b: NDArray[np.bool_]) -> Difference:
    """Share of units that pass in b less that in a, the units being the same; shapes (units,)."""
    changed = b.astype(float) - a.astype(float)
    return difference(float(changed.mean()), changed, len(changed))
