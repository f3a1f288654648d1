"""Rows copied and filled by loops: an assignment to a slice takes the compiler a second, for messages that it never
gives."""

from __future__ import annotations

from armsim.core.compile import Floats, Indices, compiled


@compiled
def copy_row(source: Floats, n: int, target: Floats) -> None:
    """The first n numbers of a row into another."""
    for u in range(n):
        target[u] = source[u]


@compiled
def add_counts(source: Indices, first: int, last: int, target: Indices) -> None:
    """Add the counts of some bins."""
    for b in range(first, last):
        target[b] += source[b]
