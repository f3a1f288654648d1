"""Number of available processors, and threads of the libraries of linear algebra."""

from __future__ import annotations

import os


def processors() -> int:
    """Number of processors that this process may use, as limited by a container or taskset; all where unknown."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed is not None else os.cpu_count() or 1


LINEAR_ALGEBRA = "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"
"""Settings of the libraries of linear algebra that numpy may be built with."""


def limit_linear_algebra() -> None:
    """Give linear algebra one thread unless the user says otherwise; before numpy is imported.

    Its threads would wait for each other over small matrices.
    """
    for library in LINEAR_ALGEBRA:
        os.environ.setdefault(library, "1")
