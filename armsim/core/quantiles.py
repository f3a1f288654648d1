"""Quantiles and their intervals, from counts.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from armsim.core.beta import beta_quantile
from armsim.core.compile import Flags, Floats, Indices, compiled, subroutine
from armsim.core.counting import linear_bin, linear_edge, logarithmic_bin, logarithmic_edge
from armsim.core.function_addresses import call_by_address
from armsim.core.sample_kernel import Histograms, histograms_example

ROWS_READ = 3
"""Rows read per quantile: value, share of visits up to its bin, share of pairs with both visits up to it."""
ANGLE = 1
"""Index of the measure that has no pairs: the rotation angle. The distance has index 0."""
FIRST_COORDINATE = 2
"""Index of x; y and z follow. Coordinates lie in linear bins, the measures before them in logarithmic bins."""


@compiled
def read_quantiles(
    histograms: Histograms, bin_scales: Floats, measure: Indices, probabilities: Floats, out: Floats
) -> None:
    """Quantiles from histograms, interpolated as if each bin were evenly filled.

    A quantile is the smallest value that at least a share p of the counted errors does not exceed.

    Parameters
    ----------
    histograms : Histograms
    bin_scales : (3, 2)
        As in `sample_kernel.Scale`.
    measure : (k,)
        Indices of the measures, in ascending order: 0 distance, 1 rotation angle, 2 to 4 x, y, z.
    probabilities : (k,)
    out : (ROWS_READ, k), written
        The share of pairs is nan where no pairs are counted.
    """
    i = 0
    while i < measure.shape[0]:
        m = measure[i]
        end = i
        while end < measure.shape[0] and measure[end] == m:
            end += 1
        low, high = histograms.extremes[0, m], histograms.extremes[1, m]
        if m < FIRST_COORDINATE:
            first, last = logarithmic_bin(low), logarithmic_bin(high)
            cumulative = _cumulative_counts(histograms.logarithmic[m], first, last)
            pairs = _cumulative_counts(histograms.logarithmic_pairs, first, last)
        else:
            scale = (bin_scales[m - FIRST_COORDINATE, 0], bin_scales[m - FIRST_COORDINATE, 1])
            first, last = linear_bin(low, scale), linear_bin(high, scale)
            cumulative = _cumulative_counts(histograms.linear[m - FIRST_COORDINATE], first, last)
            pairs = _cumulative_counts(histograms.linear_pairs[m - FIRST_COORDINATE], first, last)
        for k in range(i, end):
            b, share_in_bin = _quantile_bin(cumulative, probabilities[k])
            if m < FIRST_COORDINATE:
                lower, upper = logarithmic_edge(first + b), logarithmic_edge(first + b + 1)
            else:
                lower, upper = linear_edge(first + b, scale), linear_edge(first + b + 1, scale)
            lower = low if b == 0 else lower
            upper = high if first + b == last else upper
            out[0, k] = lower + share_in_bin * (upper - lower)
            out[1, k] = cumulative[b + 1] / cumulative[-1]
            out[2, k] = pairs[b + 1] / pairs[-1] if m != ANGLE and pairs[-1] > 0 else np.nan
        i = end


@subroutine
def _cumulative_counts(counts: Indices, first: int, last: int) -> Indices:
    """Number of members before each bin from the first to the last, and their total."""
    cumulative = np.empty(last - first + 2, dtype=np.int64)
    total = np.int64(0)
    for b in range(last - first + 1):
        cumulative[b] = total
        total += counts[first + b]
    cumulative[-1] = total
    return cumulative


@subroutine
def _quantile_bin(cumulative: Indices, p: float) -> tuple[int, float]:
    """Bin of a quantile, and the share of the bin below it."""
    n = cumulative[-1]
    rank = min(max(np.int64(math.ceil(p * n - 1e-9)), np.int64(1)), n)
    b = np.searchsorted(cumulative, rank) - 1
    return b, (rank - cumulative[b] - 0.5) / (cumulative[b + 1] - cumulative[b])


class QuantileQuery(NamedTuple):
    """Quantiles to estimate.

    measure : (k,)
        Indices of the measures, in ascending order: 0 distance, 1 rotation angle, 2 to 4 x, y, z.
    probabilities : (k,)
    with_interval : (k,) bool
        Whether an interval is estimated too.
    freedom_correction : float
        Factor of Korn and Graubard on the effective sample size, for the degrees of freedom; nan for one unit.
    """

    measure: Indices
    probabilities: Floats
    with_interval: Flags
    sample_size_factor: float


def query_example() -> QuantileQuery:
    """Example query, for compiling the kernels."""
    return QuantileQuery(np.empty(1, dtype=np.int64), np.empty(1), np.empty(1, dtype=bool), 1.0)


@call_by_address(lambda: (histograms_example(), np.empty((1, 2)), query_example(), 1, 1, 0.1, np.empty((1, 1))))
def estimate_quantiles(
    histograms: Histograms, bin_scales: Floats, query: QuantileQuery, units: int, visits: int, tail: float, out: Floats
) -> None:
    """Quantiles and their intervals.

    Visits of one unit share its errors, so the sample is worth fewer independent draws than units times visits. The
    effective size is the number of independent draws at which the share below the quantile would have the variance
    observed between units. The exact binomial interval at that size is converted to error values through the sample.
    It is nan where there are too few units to bound the quantile on both sides; the variance between units is
    unreliable there too.

    Let F be the probability that a visit is below the quantile, and G the probability that two visits of one unit are
    both below it (the larger of the two is counted). The share of V visits of a unit that are below varies between
    units with the variance

        (G - F^2) + (F - G) / V

    Parameters
    ----------
    histograms : Histograms
    bin_scales : (3, 2)
        As in `sample_kernel.Scale`.
    query : QuantileQuery
    units, visits : int
    tail : float
        Probability beyond either end of an interval.
    out : (3, k), written
        Value, lower and upper end; nan where the sample is too small, or no interval is required.

    References
    ----------
    .. [1] Woodruff, J. Am. Stat. Assoc. 47 (1952) 635: quantile intervals through the distribution function.
    .. [2] Korn, Graubard, Survey Methodology 24 (1998) 193: binomial interval at the effective sample size.
    """
    count = query.measure.shape[0]
    estimates = np.empty((ROWS_READ, count))
    read_quantiles(histograms, bin_scales, query.measure, query.probabilities, estimates)
    for k in range(count):
        out[0, k], out[1, k], out[2, k] = estimates[0, k], np.nan, np.nan
    measure, ends, query_index = (
        np.empty(2 * count, dtype=np.int64),
        np.empty(2 * count),
        np.empty(count, dtype=np.int64),
    )
    intervals = 0
    n = float(units) * visits
    for k in range(count):
        p, share_below, share_both_below = query.probabilities[k], estimates[1, k], estimates[2, k]
        if not query.with_interval[k] or units < 2:
            continue
        scatter = share_below * (1.0 - share_below)
        # Bessel correction of the variance between units
        variance = ((share_both_below - share_below**2) + (share_below - share_both_below) / visits) / (
            1.0 - 1.0 / units
        )
        variance = scatter if np.isnan(share_both_below) else variance
        effective = units * scatter / variance if variance > 0.0 else float(units)
        effective = min(max(effective, 1.0) * query.sample_size_factor, n)
        if max(p, 1.0 - p) ** min(effective, float(units)) > tail:
            continue
        expected_below = effective * p
        measure[2 * intervals] = measure[2 * intervals + 1] = query.measure[k]
        ends[2 * intervals] = (
            beta_quantile(tail, expected_below, effective - expected_below + 1.0) if expected_below > 0.0 else 0.0
        )
        upper_probability = (
            beta_quantile(1.0 - tail, expected_below + 1.0, effective - expected_below)
            if expected_below < effective
            else 1.0
        )
        ends[2 * intervals + 1] = upper_probability
        query_index[intervals] = k
        intervals += 1
    bounds = np.empty((ROWS_READ, 2 * intervals))
    read_quantiles(histograms, bin_scales, measure[: 2 * intervals], ends[: 2 * intervals], bounds)
    for i in range(intervals):
        out[1, query_index[i]], out[2, query_index[i]] = bounds[0, 2 * i], bounds[0, 2 * i + 1]
