"""Number of available processors."""

from __future__ import annotations

import os


def processors() -> int:
    """Number of processors that this process may use, as limited by a container or taskset; all where unknown."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed is not None else os.cpu_count() or 1
