"""Order statistics without sorting: count into bins, then sort only the bin that holds the rank asked for."""

from __future__ import annotations

import numpy as np

from armsim.core.compile import Floats, Indices, compiled

BINS = 4096
_LANES = 8


@compiled
def order_statistics(values: Floats, ranks: Indices, out: Floats) -> None:
    """Members of a sample by rank, exactly as sorting it would give them.

    Parameters
    ----------
    values : (n,)
        Not changed; no nan.
    ranks : (k,)
        From 0, each below n.
    out : (k,), written
    """
    n = values.shape[0]
    low, high = _ends(values)
    counts = np.zeros(BINS, dtype=np.int64)
    if high > low:
        scale = (BINS - 1) / (high - low)
        for i in range(n):
            counts[int((values[i] - low) * scale)] += 1
    else:
        scale = 0.0
        counts[0] = n
    kept = np.empty(n)
    for k in range(ranks.shape[0]):
        below = 0
        wanted = 0
        while below + counts[wanted] <= ranks[k]:
            below += counts[wanted]
            wanted += 1
        found = 0
        for i in range(n):
            kept[found] = values[i]
            found += int((values[i] - low) * scale) == wanted
        out[k] = np.sort(kept[:found])[ranks[k] - below]


@compiled
def _ends(values: Floats) -> tuple[float, float]:
    """Smallest and largest member; eight of each at a time, since that vectorises."""
    low = np.full(_LANES, values[0])
    high = np.full(_LANES, values[0])
    whole = values.shape[0] // _LANES * _LANES
    for i in range(0, whole, _LANES):
        for j in range(_LANES):
            x = values[i + j]
            low[j] = x if x < low[j] else low[j]
            high[j] = x if x > high[j] else high[j]
    smallest = low[0]
    largest = high[0]
    for j in range(_LANES):
        smallest = min(smallest, low[j])
        largest = max(largest, high[j])
    for i in range(whole, values.shape[0]):
        smallest = min(smallest, values[i])
        largest = max(largest, values[i])
    return smallest, largest


@compiled
def share_within(values: Floats, limit: float, out: Floats) -> None:
    """Share of the visits of each unit that do not exceed a limit.

    Parameters
    ----------
    values : (visits, units)
    limit : float
    out : (units,), written
    """
    visits = values.shape[0]
    out[:] = 0.0
    for v in range(visits):
        _count(values[v], limit, out)
    for u in range(out.shape[0]):
        out[u] /= visits


@compiled
def _count(values: Floats, limit: float, out: Floats) -> None:
    for u in range(values.shape[0]):
        out[u] += 1.0 if values[u] <= limit else 0.0
