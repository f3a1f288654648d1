"""Number of available processors, and threads of the libraries of linear algebra."""

from __future__ import annotations

import os


def processors() -> int:
    """Number of processors that this process may use, as limited by a container or taskset; all where unknown."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed is not None else os.cpu_count() or 1


THREAD_VARIABLES = "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"
"""Environment variables for the number of threads of the linear algebra that numpy may be built with."""


def limit_linear_algebra() -> None:
    """Give linear algebra one thread unless the user states another number; to be called before numpy is imported.

    Its threads would wait for each other over small matrices.
    """
    for variable in THREAD_VARIABLES:
        os.environ.setdefault(variable, "1")
