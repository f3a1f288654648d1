"""Counts of sampled poses as a device returns them, and their evaluation by the processor.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from armsim.core.compile import Floats, Indices, Words, compiled, subroutine
from armsim.core.counting import LINEAR_BINS, LOGARITHMIC_BINS, logarithmic_bin
from armsim.core.pose_kernel import (
    Callees,
    HistogramStack,
    PoseOutputs,
    PoseQuery,
    Poses,
    UnitArrays,
    WorkItem,
    begin_pose,
    end_pose,
)
from armsim.core.sample_kernel import MEASURES, SUMS, Histograms

BINS = 3 * LOGARITHMIC_BINS + 6 * LINEAR_BINS
"""Counts of a pose on a device, in this order: distance and rotation angle on a logarithmic scale, pairs of distances,
the three coordinates on a linear scale, pairs of each coordinate."""
TOTALS = SUMS + 2 * MEASURES
"""Totals of a block of units: sums, smallest and largest of each measure."""
WINDOWS = 4
"""Ranges of counts that are copied from a pose: each logarithmic scale, pairs of distances, all linear scales."""


class DeviceCounts(NamedTuple):
    """Sample of a block of units at poses, as a device returns it.

    windows : (poses, WINDOWS, 3)
        First count and end of each range of counts, and its offset in ``counts``.
    counts : (counts,)
    totals : (poses, blocks, TOTALS)
        Of every `LANES` units.
    """

    windows: Indices
    counts: Words
    totals: Floats


@compiled
def find_windows(totals: Floats, windows: Indices) -> int:
    """Find the ranges of counts between the smallest and largest values; return the total number of counts.

    Parameters
    ----------
    totals : (poses, blocks, TOTALS)
    windows : (poses, WINDOWS, 3), written
    """
    offset = 0
    for p in range(totals.shape[0]):
        for w in range(WINDOWS):
            first, end = 3 * LOGARITHMIC_BINS, BINS
            if w < WINDOWS - 1:
                m = w if w < 2 else 0  # pairs lie in the range of the distance
                low, high = np.inf, -np.inf
                for b in range(totals.shape[1]):
                    low = min(low, totals[p, b, SUMS + m])
                    high = max(high, totals[p, b, SUMS + MEASURES + m])
                first, end = (
                    w * LOGARITHMIC_BINS + logarithmic_bin(low),
                    w * LOGARITHMIC_BINS + logarithmic_bin(high) + 1,
                )
            windows[p, w, 0], windows[p, w, 1], windows[p, w, 2] = first, end, offset
            offset += end - first
    return offset


@compiled
def conclude_poses(
    callees: Callees,
    poses: Poses,
    item: WorkItem,
    query: PoseQuery,
    histogram_stack: HistogramStack,
    units: UnitArrays,
    outputs: PoseOutputs,
    sampled: DeviceCounts,
) -> None:
    """Evaluate the counts of a device as `pose_kernel.sample_poses` does its own; unit figures are written already."""
    for i in range(item.high - item.low):
        histograms, block_histograms = begin_pose(item, histogram_stack, i)
        _add_counts(sampled, i, block_histograms)
        for b in range(sampled.totals.shape[1]):
            for s in range(SUMS):
                outputs.sums[i, s] += sampled.totals[i, b, s]
        end_pose(callees, poses, i, item, query, (histograms, block_histograms), units, outputs)


@subroutine
def _add_counts(sampled: DeviceCounts, i: int, histograms: Histograms) -> None:
    for w in range(WINDOWS):
        first, end, offset = sampled.windows[i, w, 0], sampled.windows[i, w, 1], sampled.windows[i, w, 2]
        if w < 2:
            _add_row(
                sampled.counts,
                offset,
                first - w * LOGARITHMIC_BINS,
                end - w * LOGARITHMIC_BINS,
                histograms.logarithmic[w],
            )
        elif w == 2:
            _add_row(
                sampled.counts,
                offset,
                first - w * LOGARITHMIC_BINS,
                end - w * LOGARITHMIC_BINS,
                histograms.logarithmic_pairs,
            )
        else:
            for j in range(3):
                _add_row(sampled.counts, offset + j * LINEAR_BINS, 0, LINEAR_BINS, histograms.linear[j])
                _add_row(sampled.counts, offset + (3 + j) * LINEAR_BINS, 0, LINEAR_BINS, histograms.linear_pairs[j])
    for b in range(sampled.totals.shape[1]):
        for m in range(MEASURES):
            low, high = sampled.totals[i, b, SUMS + m], sampled.totals[i, b, SUMS + MEASURES + m]
            histograms.extremes[0, m] = min(histograms.extremes[0, m], low)
            histograms.extremes[1, m] = max(histograms.extremes[1, m], high)


@subroutine
def _add_row(counts: Words, offset: int, first: int, end: int, row: Indices) -> None:
    for b in range(first, end):
        row[b] += np.int64(counts[offset + b - first])
