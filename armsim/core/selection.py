"""Order statistics without sorting: count into bins, then sort only the bin that holds the rank asked for."""

from __future__ import annotations

import numpy as np

from armsim.core.compile import Floats, Indices, Places, compiled

BINS = 4096


@compiled
def count_bins(values: Floats, low: float, high: float, bins: Places, upto: Indices) -> None:
    """Sort a sample into bins of equal width between its ends, and count them.

    Parameters
    ----------
    values : (n,)
        No nan.
    low, high : float
        The smallest and the largest of them.
    bins : (n,) int16, written
        Bin of every member.
    upto : (BINS + 1,), written
        Members in all bins before each, and in all.
    """
    scale = (BINS - 1) / (high - low) if high > low else 0.0
    for i in range(values.shape[0]):
        bins[i] = np.int16((values[i] - low) * scale)
    upto[:] = 0
    counts = upto[1:]
    for i in range(values.shape[0]):
        counts[bins[i]] += 1
    for b in range(BINS):
        upto[b + 1] += upto[b]


@compiled
def pick_ranks(values: Floats, bins: Places, upto: Indices, ranks: Indices, out: Floats) -> None:
    """Members of a sample by rank, exactly as sorting it would give them.

    Parameters
    ----------
    values : (n,)
    bins, upto
        Of `count_bins` on the same values.
    ranks : (k,)
        From 0, each below n.
    out : (k,), written
    """
    wanted = np.zeros(BINS, dtype=np.int8)
    held = np.searchsorted(upto, ranks, side="right") - 1
    room = 1
    for b in held:
        room += (upto[b + 1] - upto[b]) * (1 - wanted[b])
        wanted[b] = 1
    kept = np.empty(room)
    found = 0
    for i in range(values.shape[0]):  # one pass gathers the members of all bins asked for
        kept[found] = values[i]
        found += wanted[bins[i]]
    ordered = np.sort(kept[:found])
    for k in range(ranks.shape[0]):
        # bins asked for that lie below this one hold the first of the gathered members
        before = 0
        for j in range(held.shape[0]):
            again = False
            for i in range(j):
                again |= held[i] == held[j]
            if held[j] < held[k] and not again:
                before += upto[held[j] + 1] - upto[held[j]]
        out[k] = ordered[before + ranks[k] - upto[held[k]]]


@compiled
def share_variance(values: Floats, limit: float, share: Floats) -> float:
    """Variance between units of the share of their visits that does not exceed a limit.

    Parameters
    ----------
    values : (visits, units)
        Two units at least.
    limit : float
    share : (units,), overwritten
    """
    visits = values.shape[0]
    units = values.shape[1]
    share[:] = 0.0
    for v in range(visits):
        _count(values[v], limit, share)
    mean = 0.0
    for u in range(units):
        mean += share[u]
    mean /= units
    square = 0.0
    for u in range(units):
        square += (share[u] - mean) ** 2
    return float(square / (units - 1) / (visits * visits))


@compiled
def _count(values: Floats, limit: float, out: Floats) -> None:
    for u in range(values.shape[0]):
        out[u] += 1.0 if values[u] <= limit else 0.0
