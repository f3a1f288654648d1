"""Copying and adding of rows by loops: each assignment to a slice costs a second of compilation, for error messages
that never occur."""

from __future__ import annotations

import numpy as np

from armsim.core.compile import Floats, Indices, subroutine


@subroutine
def copy_row(source: Floats, n: int, target: Floats) -> None:
    """Copy the first n numbers of a row into another."""
    for u in range(n):
        target[u] = source[u]


@subroutine
def add_counts(source: Indices, first: int | np.int64, last: int | np.int64, target: Indices) -> None:
    """Add the counts of some bins."""
    for b in range(first, last):
        target[b] += source[b]
