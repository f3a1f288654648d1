"""Mixed-integer solver whose output is suppressed.

In rare cases HiGHS prints a line to the standard output of the process, whatever its options. The program prints its
results there, including JSON.
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
"""Lock: two threads that redirect the output of the process at once could leave it redirected to the null device."""


def milp(*arguments: Any, **options: Any) -> optimize.OptimizeResult:
    """Call `scipy.optimize.milp` without output.

    Parameters
    ----------
    *arguments, **options
        As for that function.

    Returns
    -------
    OptimizeResult
    """
    with _ONE_AT_A_TIME, silenced():
        return optimize.milp(*arguments, **options)


@contextlib.contextmanager
def silenced() -> Iterator[None]:
    """Suppress output that the solver writes to file descriptor 1, below Python; no effect without that descriptor.

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
        _flush()  # text printed before still goes to the original output
        os.dup2(nowhere, 1)
        yield
    finally:
        _flush()
        os.dup2(before, 1)
        os.close(before)
        os.close(nowhere)


def _flush() -> None:
    """Flush the buffers of the C library; if it has no such function, a line of the solver may be printed late."""
    with contextlib.suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).fflush(None)
