"""Mixed-integer solver whose output is suppressed.

HiGHS prints a line of its own to the standard output of the process in some rare solutions, whatever its options say;
results go there, JSON among them.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
import threading
from collections.abc import Iterator
from typing import Any

from scipy import optimize

_ONE_AT_A_TIME = threading.Lock()
"""Two threads that redirect the output of the process would leave it with the null device of one another."""


def milp(*arguments: Any, **options: Any) -> optimize.OptimizeResult:
    """As `scipy.optimize.milp`, without output.

    Parameters
    ----------
    *arguments, **options
        As of that function.

    Returns
    -------
    OptimizeResult
    """
    with _ONE_AT_A_TIME, silenced():
        return optimize.milp(*arguments, **options)


@contextlib.contextmanager
def silenced() -> Iterator[None]:
    """Suppress output that the solver writes to file descriptor 1, below Python; no effect where there is none.

    Yields
    ------
    None
    """
    try:
        sys.stdout.flush()
        before = os.dup(1)
    except (OSError, ValueError, AttributeError):
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        _flush()  # what was printed before goes where it was to go
        os.dup2(nowhere, 1)
        yield
    finally:
        _flush()
        os.dup2(before, 1)
        os.close(before)
        os.close(nowhere)


def _flush() -> None:
    """Buffers of the C library written out; where that has no such name, a line of the solver may come late."""
    with contextlib.suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).fflush(None)
