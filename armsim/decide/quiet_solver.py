"""Mixed-integer solver whose output is suppressed, and which can be left in the middle of a solution.

In rare cases HiGHS prints a line to the standard output of the process, whatever its options. The program prints its
results there, including JSON. SciPy has no callback of HiGHS that could end it, and a solution may take some seconds.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, wait
from typing import Any

from scipy import optimize

from armsim.run_options import CheckStop, never_stop

_ONE_AT_A_TIME = threading.Lock()
"""Lock: two threads that redirect the output of the process at once could leave it redirected to the null device."""
BETWEEN_CHECKS = 0.05
"""Time between two calls of the callback that may stop a solution. [s]"""


def milp(*arguments: Any, check_stop: CheckStop = never_stop, **options: Any) -> optimize.OptimizeResult:
    """Call `scipy.optimize.milp` without output, in a thread that is left to itself where a stop is requested.

    Parameters
    ----------
    *arguments, **options
        As for that function.
    check_stop : callable
        Called before the solution and while it is computed, as `CheckStop`.

    Returns
    -------
    OptimizeResult

    Raises
    ------
    Interrupted
        By ``check_stop``.
    """
    solution: Future[optimize.OptimizeResult] = Future()
    threading.Thread(target=_solve, args=(solution, arguments, options), name="solver", daemon=True).start()
    try:
        while not solution.done():
            check_stop()
            wait([solution], BETWEEN_CHECKS)
    except BaseException:
        solution.cancel()  # one that still waits for another never begins
        raise
    return solution.result()


def _solve(solution: Future[optimize.OptimizeResult], arguments: Sequence[Any], options: Mapping[str, Any]) -> None:
    with _ONE_AT_A_TIME:
        if not solution.set_running_or_notify_cancel():
            return
        try:
            with silenced():
                result = optimize.milp(*arguments, **options)
        except BaseException as error:
            solution.set_exception(error)
        else:
            solution.set_result(result)


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
