"""Arrays that the sampling kernels fill at poses: histograms, sums, and statistics per unit (one simulated arm)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from armsim.arrays import Array
from armsim.core.counting import LINEAR_BINS, LOGARITHMIC_BINS
from armsim.core.pose_kernel import HistogramStack, PoseOutputs, PoseQuery, UnitArrays
from armsim.core.quantiles import QuantileQuery
from armsim.core.sample_kernel import MEASURES, SUMS
from armsim.core.unit_figures import UNIT_STATISTICS
from armsim.core.unit_summary import MOMENTS
from armsim.sampling import statistics as stats
from armsim.sampling.first_order import FirstOrderErrors

DISTANCE, ROTATION = 0, 1
"""Numbers of the counted measures; coordinates are 2, 3 and 4."""
HISTOGRAM_HALF_RANGE = 16.0
"""Half-range of the counted coordinates about their mean, in first-order standard deviations."""
HISTOGRAM_BYTES = 8 * (3 * LOGARITHMIC_BINS + 6 * LINEAR_BINS + 2 * MEASURES)
"""Memory of the histograms of a pose. [bytes]"""
UNIT_BYTES = 8 * (UNIT_STATISTICS + 1 + 4)
"""Memory per unit of the outputs at a pose, and of its statistics. [bytes]"""


def empty_histograms(number: int) -> HistogramStack:
    """Empty histograms for a number of poses."""
    extremes = np.full((number, 2, MEASURES), np.inf)
    extremes[:, 1] = -np.inf
    return HistogramStack(
        np.zeros((number, 2, LOGARITHMIC_BINS), dtype=np.int64),
        np.zeros((number, LOGARITHMIC_BINS), dtype=np.int64),
        np.zeros((number, 3, LINEAR_BINS), dtype=np.int64),
        np.zeros((number, 3, LINEAR_BINS), dtype=np.int64),
        extremes,
    )


def empty_units(rows: int, units: int) -> UnitArrays:
    """Arrays for the figures of units, and for the largest over no pose.

    Parameters
    ----------
    rows, units : int

    Returns
    -------
    UnitArrays
    """
    worst, bounds = np.zeros((UNIT_STATISTICS, units)), np.full((2, units), -np.inf)
    return UnitArrays(np.empty((rows, units)), np.empty((rows, UNIT_STATISTICS, units)), worst, bounds)


def empty_outputs(poses: int, query: PoseQuery, batches: int) -> PoseOutputs:
    """Arrays for the outputs of the kernel at some poses.

    Parameters
    ----------
    poses : int
    query : PoseQuery
    batches : int

    Returns
    -------
    PoseOutputs
    """
    return PoseOutputs(
        np.zeros((poses, SUMS)),
        np.empty((poses, 3, len(query.quantiles.probabilities))),
        np.empty(poses),
        np.empty((poses, UNIT_STATISTICS, len(query.ranks))),
        np.empty((poses, MOMENTS)),
        np.empty((poses, batches)),
    )


def quantile_query(
    measure: ArrayLike, probabilities: ArrayLike, with_interval: ArrayLike, units: int, visits: int
) -> QuantileQuery:
    """Query of quantiles from a sample of units and visits; parameters as in `QuantileQuery`.

    Parameters
    ----------
    measure, probabilities, with_interval : (quantiles,)
    units, visits : int

    Returns
    -------
    QuantileQuery
    """
    sample_size_factor = stats.sample_size_factor(units, units * visits) if units > 1 else np.nan
    return QuantileQuery(
        np.asarray(measure, dtype=np.int64),
        np.asarray(probabilities, dtype=float),
        np.asarray(with_interval, dtype=bool),
        sample_size_factor,
    )


class Scales(NamedTuple):
    """Origin and scale of the counted coordinates at some poses, about the first-order mean.

    bin_scales : (poses, 3, 2)
    centre : (poses, 3)
        As in `core.sample_kernel.Scale`.
    """

    bin_scales: Array
    centre: Array

    @staticmethod
    def from_first_order(first_order: FirstOrderErrors) -> Scales:
        """Scales about the mean of the first-order model, from its standard deviations."""
        std = np.sqrt(np.einsum("pii->pi", first_order.covariance))
        half_range = HISTOGRAM_HALF_RANGE * np.maximum(std, np.maximum(1e-3 * std.max(axis=1, keepdims=True), 1e-15))
        bin_scales = np.stack([first_order.mean - half_range, LINEAR_BINS / (2 * half_range)], axis=2)
        return Scales(bin_scales, np.ascontiguousarray(first_order.mean))
