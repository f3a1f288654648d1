"""Paired differences between designs with common random numbers, unit by unit, so that common noise cancels.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.errormodel.distributions import NORMAL_95
from armsim.formatting import rounding_as_zero
from armsim.sampling.random_draws import UNIT_BLOCK
from armsim.sampling.statistics import clopper_pearson, quantile_rank

if TYPE_CHECKING:
    from armsim.model.configurations import Configurations
    from armsim.sampling.chunk import RunSpec

UNITS_COMPARED = 4 * UNIT_BLOCK
"""Most units from which the scatter of a difference is estimated."""
WINDOW = 0.02
"""Probability on either side of a quantile over which its density is estimated."""
MIN_DENSITY_WINDOW = 2.0
"""Least width of that range, in standard deviations of the share of units below the quantile."""
SHIFT_WINDOW = 0.8
"""Half-width of the window of probabilities in which the shift of a quantile is estimated, over min(p, 1 - p)."""
EXTREME_WINDOW = 10.0
"""Width of the window searched for the most extreme change, as a multiple of min(p, 1 - p)."""
MIN_UNITS_NEAR = 30
"""Least number of units near a quantile for an estimate of its shift."""


@dataclass(frozen=True)
class Difference:
    """Difference with its 95 % interval; None from few units."""

    value: float
    interval: tuple[float, float] | None

    @property
    def resolved(self) -> bool:
        """Whether 0 lies outside of the interval."""
        return self.interval is not None and not self.interval[0] <= 0.0 <= self.interval[1]

    def __iter__(self) -> Iterator[Any]:
        """Value and interval."""
        return iter((self.value, self.interval))


def influence(values: Array, p: float) -> Array:
    """Influence of each unit on a quantile of the pooled values, shape (units,).

    With the share F_u of the visits of unit u at or below the quantile q, and the density f there,

        (p - F_u) / f

    has the mean zero, and its variance over the number of units is that of q. Units are independent; visits of a unit
    need not be. Where so many values are equal that the quantile cannot move, it is zero; nan where the sample is too
    small to tell that.

    Parameters
    ----------
    values : (visits, units)
    p : float

    Returns
    -------
    (units,)
        In the unit of the values.

    References
    ----------
    .. [1] Hampel, J. Am. Stat. Assoc. 69 (1974) 383: the influence curve. Woodruff (1952) for the quantile of clusters.
    """
    n, units = values.size, values.shape[1]
    margin = min(1 - p, p)
    # the density is taken over the probabilities between which the sample puts the quantile, or a little more
    scatter = math.sqrt(p * (1 - p) / max(units, 1))
    half_window = min(max(WINDOW, MIN_DENSITY_WINDOW * scatter), 0.5 * margin)
    ranks = [min(n, max(1, math.ceil(x * n - 1e-9))) - 1 for x in (p - half_window, p, p + half_window)]
    low, q, high = np.partition(values, ranks, axis=None)[ranks]
    if high <= low:  # one value fills the window: the quantile cannot move, if the window is wide enough to tell
        return np.full(units, 0.0 if half_window >= MIN_DENSITY_WINDOW * scatter else math.nan)
    share = np.mean(values <= q, axis=0)
    return np.asarray((p - share) * (high - low) / (2 * half_window))


class Shift(NamedTuple):
    """Shift of a quantile between two populations.

    Parameters
    ----------
    value : float
    influences : (units,)
        Influence of each unit on the value, of mean zero: its variance over the number of units is that of the value.
        nan where the sample is too small.
    unsampled_half_width : float
        Half of a 95 % interval: allowance for one unsampled unit with the most extreme change seen near the quantile.
    """

    value: float
    influences: Array
    unsampled_half_width: float = 0.0


def quantile_shift(first: Array, second: Array, p: float) -> Shift:
    """Shift of a quantile between two populations that are paired member by member.

    Between members x and y lie x + t (y - x), t from 0 to 1, whose quantile q moves at the rate E[y - x | q] exactly.
    The rate at t = 1/2 is taken for the mean over t, which leaves an error of third order in the change. It is the
    value at q of a parabola of y - x over the midpoints (x + y) / 2 near q, by least squares: a window of ranks has no
    bias of first order in its width then, whatever the distribution. If some members change unlike the
    others, they may be so rare near the quantile that the sample has none; one unit of that kind is allowed for.

    Parameters
    ----------
    first, second : (visits, units)
    p : float

    Returns
    -------
    Shift
        In the unit of the values.

    References
    ----------
    .. [1] Hong, Operations Research 57 (2009) 118: the derivative of a quantile is the conditional expectation of the
       pathwise derivative.
    """
    middle, change = 0.5 * (first + second), second - first
    units = middle.shape[1]
    low, q, high = np.quantile(middle, (p - SHIFT_WINDOW * min(p, 1.0 - p), p, p + SHIFT_WINDOW * min(p, 1.0 - p)))
    inside = (middle >= low) & (middle <= high)
    unit = np.nonzero(inside)[1]
    offsets, shifts = middle[inside] - q, change[inside]
    size = max(float(high - q), float(q - low))
    units_near = len(np.unique(unit))
    if (
        units_near < MIN_UNITS_NEAR or len(np.unique(offsets)) < MIN_UNITS_NEAR
    ):  # few units, or few values that they take
        values = [_sample_quantile(values, p) for values in (first, second)]
        return Shift(values[1] - values[0], influence(second, p) - influence(first, p))
    powers = (offsets / size) ** np.arange(3)[:, None]
    inverse = np.linalg.inv(powers @ powers.T)
    parabola = inverse @ (powers @ shifts)
    weights = (inverse[0] @ powers) * (shifts - parabola @ powers)
    influences = units * np.bincount(unit, weights, minlength=units)
    # the position of the quantile is uncertain too
    density = 2.0 * SHIFT_WINDOW * min(p, 1.0 - p) / float(high - low)
    influences += parabola[1] / size * (p - np.mean(middle <= q, axis=0)) / density
    value = float(parabola[0])
    changes_near = change[middle >= np.quantile(middle, max(0.0, p - EXTREME_WINDOW * min(p, 1.0 - p)))]
    largest_deviation = max(float(changes_near.max()) - value, value - float(changes_near.min()))
    return Shift(
        value, np.asarray(influences), NORMAL_95 * float(inverse[0, 0]) * len(offsets) / units_near * largest_deviation
    )


def _sample_quantile(values: Array, p: float) -> float:
    rank = quantile_rank(values.size, p)
    return float(np.partition(values, rank, axis=None)[rank])


def quantile_influence(
    spec: RunSpec, task: int, configurations: Configurations, units: int, p: float, errors: str = "error"
) -> Array:
    """`influence` of the first units at some poses, shape (poses, units). [m or rad]

    Parameters
    ----------
    spec : RunSpec
    task : int
        Key of the random streams of the task.
    configurations : Configurations
        At most `CHUNK` poses.
    units : int
    p : float
    errors : str
        ``error`` of the tool point, or ``orientation_error``.

    Returns
    -------
    (poses, units) [m or rad]
    """
    from armsim.sampling.chunk import EvaluatedChunk  # loads the compiler, which figures of a difference do not use

    chunk = EvaluatedChunk.evaluate(spec, configurations)
    coefficients = spec.coefficients(0, units, chunk.in_motion)
    out = np.empty((len(configurations), units))
    for pose in range(len(configurations)):
        number = int(configurations.numbers[pose])
        displacements, angles = chunk.machine_at_poses.visit_displacements(pose, number, task, coefficients, 0, units)
        out[pose] = influence(angles if errors == "orientation_error" else np.linalg.norm(displacements, axis=0), p)
    return out


def half_width_of_mean(differences: Array, units: int) -> float:
    """Half-width of the 95 % interval of a mean over ``units``, from the differences of some units, shape (known,).

    Parameters
    ----------
    differences : (known,)
        Differences of some units.
    units : int
        Units of the mean.

    Returns
    -------
    float
        In the unit of the differences; nan from one unit.
    """
    return NORMAL_95 * float(np.std(differences, ddof=1)) / math.sqrt(units) if len(differences) > 1 else math.nan


def quantile_difference(
    value: float, quantile_influence: Array, units: int, common_half_width: float = 0.0
) -> Difference:
    """Difference of quantiles with its interval, from the influence of each unit, shape (known units,).

    Parameters
    ----------
    value : float
    quantile_influence : (known,)
        Influence of some units.
    units : int
    common_half_width : float
        Half-width of the 95 % interval of an error common to all units.

    Returns
    -------
    Difference
    """
    half_width = math.hypot(half_width_of_mean(quantile_influence, units), common_half_width)
    return Difference(value, None if math.isnan(half_width) else (value - half_width, value + half_width))


def zero_if_rounding(change: Difference, size: float) -> Difference:
    """Change of a figure, or 0 where it is below the resolution of rounding.

    Parameters
    ----------
    change : Difference
    size : float
        Size of the figure that changes.

    Returns
    -------
    Difference
    """
    value, *ends = rounding_as_zero([size, change.value, *(change.interval or ())])[1:]
    return Difference(value, (ends[0], ends[1]) if ends else None)


def share_difference(a: NDArray[np.bool_], b: NDArray[np.bool_]) -> Difference:
    """Share of arms that pass in b minus that in a, for equal units, shape (units,) each.

    Only arms that pass in exactly one of the two make a difference. The exact intervals of the share that is gained and
    of the share that is lost are put together, with the correlation of two shares of one sample, so that the interval
    is not empty where no unit happened to change.

    Parameters
    ----------
    a, b : (units,) bool
        Whether each unit passes.

    Returns
    -------
    Difference

    References
    ----------
    .. [1] Clopper, Pearson, Biometrika 26 (1934) 404, for either share.
    .. [2] Newcombe, Statistics in Medicine 17 (1998) 2635, and Zou, Donner, Statistics in Medicine 27 (2008) 1693: the
       interval of a difference from those of its parts.
    """
    units = len(a)
    gained, lost = (int(np.count_nonzero(first & ~second)) for first, second in ((b, a), (a, b)))
    (gained_low, gained_high), (lost_low, lost_high) = (clopper_pearson(count, units) for count in (gained, lost))
    gained_share, lost_share = gained / units, lost / units
    value = gained_share - lost_share
    # a unit that is gained is not lost: the two shares are negatively correlated
    correlation = math.sqrt(gained_share * lost_share / max((1 - gained_share) * (1 - lost_share), 1e-300))
    low = value - _correlated_sum(gained_share - gained_low, lost_high - lost_share, correlation)
    high = value + _correlated_sum(gained_high - gained_share, lost_share - lost_low, correlation)
    return Difference(value, (max(low, -1.0), min(high, 1.0)))


def _correlated_sum(a: float, b: float, correlation: float) -> float:
    """Root sum square of two correlated half-widths."""
    return math.sqrt(a * a + b * b + 2.0 * correlation * a * b)
