"""How many processors this process may use."""

from __future__ import annotations

import os


def processors() -> int:
    """Those that it is allowed to run on, such as in a container or by taskset; all where the system does not say."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed is not None else os.cpu_count() or 1
