"""Order statistics without keeping the sample: every value is counted into a bin, and counts of any parts add up.

Two scales of bins. `ratio_bins` serves lengths and angles, not negative: bins in proportion to the value, by the
leading bits of the number itself, from 2^-60 to 1024, so that no scale need be known beforehand. `line_bins` serves
coordinates: bins of equal width about a centre.
"""

from __future__ import annotations

import math

import numpy as np

from armsim.core.compile import Floats, Indices, compiled

MANTISSA = 11
"""Leading bits of the fraction that tell bins apart: a bin is 2^-12 to 2^-11 of its value wide."""
LOWEST, HIGHEST = -60, 10
"""Powers of two at the ends; what lies beyond is counted in the end bins."""
RATIO_BINS = (HIGHEST - LOWEST) << MANTISSA
LINE_BINS = 4096
_SHIFT = np.int64(52 - MANTISSA)
_FIRST = np.int64((LOWEST + 1023) << MANTISSA)


@compiled
def ratio_bins(values: Floats, bins: Indices) -> None:
    """Bin of every value on the ratio scale, shape (lanes,); no nan."""
    bits = values.view(np.int64)
    for u in range(values.shape[0]):
        bins[u] = min(max((bits[u] >> _SHIFT) - _FIRST, np.int64(0)), np.int64(RATIO_BINS - 1))


def _ratio_edges() -> Floats:
    edges = ((np.arange(RATIO_BINS + 1, dtype=np.int64) + _FIRST) << _SHIFT).view(np.float64)
    edges[0] = 0.0
    return edges


RATIO_EDGES = _ratio_edges()
"""Edges of the bins of the ratio scale, shape (RATIO_BINS + 1,); the lowest begins at 0."""


@compiled
def line_bins(values: Floats, low: float, per: float, bins: Indices) -> None:
    """Bin of every value on the line scale, ``per`` bins per unit from ``low`` on, shape (lanes,); no nan."""
    for u in range(values.shape[0]):
        bins[u] = np.int64(min(max((values[u] - low) * per, 0.0), LINE_BINS - 1.0))


@compiled
def tally(bins: Indices, counts: Indices) -> None:
    """Count the bins."""
    for u in range(bins.shape[0]):
        counts[bins[u]] += 1


@compiled
def tally_larger(a: Indices, b: Indices, counts: Indices) -> None:
    """Count the larger of each two bins."""
    for u in range(a.shape[0]):
        counts[max(a[u], b[u])] += 1


@compiled
def widen(values: Floats, low: Floats, high: Floats) -> None:
    """Take values into the running smallest and largest of each lane."""
    for u in range(values.shape[0]):
        x = values[u]
        low[u] = x if x < low[u] else low[u]
        high[u] = x if x > high[u] else high[u]


@compiled
def read_quantiles(upto: Indices, edges: Floats, ends: Floats, ps: Floats, held: Indices, out: Floats) -> None:
    """Smallest member that at least the share p does not exceed, as if the members of a bin lay evenly in it.

    Parameters
    ----------
    upto : (bins + 1,)
        Members before each bin, and in all.
    edges : (bins + 1,)
        Of the bins.
    ends : (2,)
        Smallest and largest member, which bound the outer bins.
    ps : (k,)
    held : (k,), written
        Bin of each.
    out : (k,), written
    """
    n = upto[-1]
    for i in range(ps.shape[0]):
        rank = min(max(np.int64(math.ceil(ps[i] * n - 1e-9)), np.int64(1)), n)
        b = np.searchsorted(upto, rank) - 1
        inside = (rank - upto[b] - 0.5) / (upto[b + 1] - upto[b])
        held[i] = b
        low = ends[0] if b == 0 else edges[b]
        high = ends[1] if b == upto.shape[0] - 2 else edges[b + 1]
        out[i] = low + inside * (high - low)
