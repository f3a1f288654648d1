"""Counts of a pose without their empty bins, so that many poses fit in memory."""

from __future__ import annotations

from armsim.core.compile import Floats, Indices, compiled
from armsim.core.counting import LINEAR_BINS, LOGARITHMIC_BINS, logarithmic_bin
from armsim.core.pose_kernel import clear_histograms
from armsim.core.sample_kernel import Histograms


@compiled
def packed_size(histograms: Histograms) -> int:
    """Number of non-empty bins."""
    n = 0
    for m in range(2):
        first, last = logarithmic_bin(histograms.extremes[0, m]), logarithmic_bin(histograms.extremes[1, m]) + 1
        for b in range(first, last):
            n += histograms.logarithmic[m, b] != 0
            n += m == 0 and histograms.logarithmic_pairs[b] != 0
    for j in range(3):
        for b in range(LINEAR_BINS):
            n += histograms.linear[j, b] != 0
            n += histograms.linear_pairs[j, b] != 0
    return n


@compiled
def pack(histograms: Histograms, bin_index: Indices, count: Indices) -> None:
    """Store non-empty bins and their counts in arrays of length `packed_size`."""
    n = 0
    for m in range(2):
        first, last = logarithmic_bin(histograms.extremes[0, m]), logarithmic_bin(histograms.extremes[1, m]) + 1
        for table in range(1 + (m == 0)):
            row = histograms.logarithmic[m] if table == 0 else histograms.logarithmic_pairs
            for b in range(first, last):
                if row[b] != 0:
                    bin_index[n], count[n] = b + (m + 2 * table) * LOGARITHMIC_BINS, row[b]
                    n += 1
    for j in range(3):
        for table in range(2):
            row = histograms.linear[j] if table == 0 else histograms.linear_pairs[j]
            for b in range(LINEAR_BINS):
                if row[b] != 0:
                    bin_index[n], count[n] = b + 3 * LOGARITHMIC_BINS + (j + 3 * table) * LINEAR_BINS, row[b]
                    n += 1


@compiled
def unpack(bin_index: Indices, count: Indices, extremes: Floats, histograms: Histograms) -> None:
    """Restore counts that `pack` stored."""
    clear_histograms(histograms)
    for i in range(bin_index.shape[0]):
        bin_number = bin_index[i]
        if bin_number < 3 * LOGARITHMIC_BINS:
            table, b = bin_number // LOGARITHMIC_BINS, bin_number % LOGARITHMIC_BINS
            if table < 2:
                histograms.logarithmic[table, b] = count[i]
            else:
                histograms.logarithmic_pairs[b] = count[i]
        else:
            table, b = (
                (bin_number - 3 * LOGARITHMIC_BINS) // LINEAR_BINS,
                (bin_number - 3 * LOGARITHMIC_BINS) % LINEAR_BINS,
            )
            if table < 3:
                histograms.linear[table, b] = count[i]
            else:
                histograms.linear_pairs[table - 3, b] = count[i]
    for m in range(extremes.shape[1]):
        histograms.extremes[0, m], histograms.extremes[1, m] = extremes[0, m], extremes[1, m]
