"""Summary of the figures of all units at a pose: order statistics and moments.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import numpy as np

from armsim.core.compile import Floats, Indices, subroutine
from armsim.core.function_addresses import call_by_address
from armsim.core.rows import copy_row

MOMENTS = 3
"""Moments of a figure over units: mean, mean square and mean cube of the difference from the mean."""
INSERTION_SORT_SIZE = 16
"""Largest part of a sample that is sorted by insertion."""
PAIRWISE_SIZE = 128
"""Numbers that are added up by eight sums at a time; more are halved first."""
_STACK_SIZE = 64
"""Most parts on the stack: each is at most half as large as the one below it."""


@call_by_address(lambda: (np.empty(1), np.empty(1, dtype=np.int64), np.empty(1), np.empty(1)))
def read_ranks(values: Floats, ranks: Indices, scratch: Floats, out: Floats) -> None:
    """Members of a sample at some ranks of its ascending order, nan last.

    Parameters
    ----------
    values : (n,)
    ranks : (r,)
        From 0, in ascending order.
    scratch : (n,), overwritten
    out : (r,), written

    References
    ----------
    .. [1] Hoare, "Algorithm 65: find", Communications of the ACM 4 (1961) 321, for several ranks at a time; members
       equal to the pivot are set apart, so that equal figures of all units end at once.
    """
    n, parts = values.shape[0], 1
    copy_row(values, n, scratch)
    waiting = np.empty((_STACK_SIZE, 4), dtype=np.int64)  # first and end of a part, first and end of its ranks
    waiting[0, 0], waiting[0, 1], waiting[0, 2], waiting[0, 3] = 0, n, 0, ranks.shape[0]
    while parts:
        parts -= 1
        low, high, first, last = waiting[parts, 0], waiting[parts, 1], waiting[parts, 2], waiting[parts, 3]
        if first == last:
            continue
        if high - low <= INSERTION_SORT_SIZE:
            _sort_few(scratch, low, high)
            continue
        pivot = _pivot(scratch, low, high)
        below = _move_below(scratch, low, high, pivot)
        above = _move_equal(scratch, below, high, pivot)
        ranks_below = first
        while ranks_below < last and ranks[ranks_below] < below:
            ranks_below += 1
        ranks_equal = ranks_below
        while ranks_equal < last and ranks[ranks_equal] < above:
            ranks_equal += 1
        lower_part, upper_part = (low, below, first, ranks_below), (above, high, ranks_equal, last)
        longer, shorter = (lower_part, upper_part) if below - low > high - above else (upper_part, lower_part)
        for i in range(4):
            waiting[parts, i] = longer[i]
            waiting[parts + 1, i] = shorter[i]
        parts += 2
    for i in range(ranks.shape[0]):
        out[i] = scratch[ranks[i]]


@subroutine
def _sort_few(a: Floats, low: int, high: int) -> None:
    for i in range(low + 1, high):
        value, j = a[i], i
        while j > low and _precedes(value, a[j - 1]):
            a[j] = a[j - 1]
            j -= 1
        a[j] = value


@subroutine
def _precedes(value: float, other_value: float) -> bool:
    return value < other_value or (other_value != other_value and value == value)


@subroutine
def _pivot(a: Floats, low: int, high: int) -> float:
    """Median of three members; a number if any of the three is one, not nan."""
    x, y, z = a[low], a[(low + high) // 2], a[high - 1]
    if _precedes(y, x):
        x, y = y, x
    if _precedes(z, y):
        y = x if _precedes(z, x) else z
    return y  # type: ignore[no-any-return]


@subroutine
def _move_below(a: Floats, low: int, high: int, pivot: float) -> int:
    """Move members below the pivot to the front, without a branch on them; return their end."""
    end = low
    for i in range(low, high):
        value = a[i]
        a[i] = a[end]
        a[end] = value
        end += value < pivot or (pivot != pivot and value == value)
    return end


@subroutine
def _move_equal(a: Floats, low: int, high: int, pivot: float) -> int:
    end = low
    for i in range(low, high):
        value = a[i]
        a[i] = a[end]
        a[end] = value
        end += value == pivot or (pivot != pivot and value != value)
    return end


@call_by_address(lambda: (np.empty(1),) * 4)
def read_moments(values: Floats, residuals: Floats, powers: Floats, out: Floats) -> None:
    """Moments of a figure over units.

    Parameters
    ----------
    values : (units,)
    residuals, powers : (units,), overwritten
    out : (MOMENTS,), written
    """
    n = values.shape[0]
    mean = _total(values, n) / n
    for u in range(n):
        r = values[u] - mean
        residuals[u] = r
        powers[u] = r * r
    out[0], out[1] = mean, _total(powers, n) / n
    for u in range(n):
        powers[u] *= residuals[u]
    out[2] = _total(powers, n) / n


@subroutine
def _total(a: Floats, n: int) -> float:
    """Sum by halves, in the order of numpy, so that the error grows with the logarithm of the number.

    Without recursion: a cached kernel that calls itself crashes.
    """
    waiting, totals = np.empty((_STACK_SIZE, 2), dtype=np.int64), np.empty(_STACK_SIZE)
    waiting[0, 0], waiting[0, 1] = 0, n
    parts, completed = 1, 0
    while parts:
        parts -= 1
        first, size = waiting[parts, 0], waiting[parts, 1]
        if size < 0:  # both halves are complete
            completed -= 1
            totals[completed - 1] += totals[completed]
        elif size <= PAIRWISE_SIZE:
            totals[completed] = _total_of_few(a, first, size)
            completed += 1
        else:
            half = size // 2
            half -= half % 8
            waiting[parts, 1] = -1
            waiting[parts + 1, 0], waiting[parts + 1, 1] = first + half, size - half
            waiting[parts + 2, 0], waiting[parts + 2, 1] = first, half
            parts += 3
    return totals[0]  # type: ignore[no-any-return]


@subroutine
def _total_of_few(a: Floats, first: int, n: int) -> float:
    end, total = first + n, 0.0
    i = first
    if n >= 8:
        s0, s1, s2, s3 = a[i], a[i + 1], a[i + 2], a[i + 3]
        s4, s5, s6, s7 = a[i + 4], a[i + 5], a[i + 6], a[i + 7]
        i += 8
        while i + 8 <= end:
            s0 += a[i]
            s1 += a[i + 1]
            s2 += a[i + 2]
            s3 += a[i + 3]
            s4 += a[i + 4]
            s5 += a[i + 5]
            s6 += a[i + 6]
            s7 += a[i + 7]
            i += 8
        total = ((s0 + s1) + (s2 + s3)) + ((s4 + s5) + (s6 + s7))
    while i < end:
        total += a[i]
        i += 1
    return total
