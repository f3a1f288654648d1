"""Helpers on the path; poses kept by the tests of one run alone; every worker on a processor of its own."""

import os
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

CACHE = tempfile.TemporaryDirectory(prefix="armsim-tests-")
os.environ["XDG_CACHE_HOME"] = CACHE.name  # of the commands that tests start, too

LONGEST = (
    "explorer/test_page", "report/test_fronts", "report/test_faults", "cli/test_commands", "hardware/test_calibrate",
    "report/test_document", "test_properties", "decide/test_sensitivity", "test_additions", "cli/test_terminal",
)  # fmt: skip
"""Files that take longest: begun with, so that no worker is left alone with one at the end."""


def pytest_configure() -> None:
    """Helpers and threads of a worker would take the time of the others."""
    worker = os.environ.get("PYTEST_XDIST_WORKER", "")
    if worker.startswith("gw") and hasattr(os, "sched_setaffinity"):
        allowed = sorted(os.sched_getaffinity(0))
        os.sched_setaffinity(0, {allowed[int(worker[2:]) % len(allowed)]})


def pytest_collection_modifyitems(items: list[Any]) -> None:
    """The longest first; the rest in their order."""

    def place(item: Any) -> int:
        path = str(item.path)
        return next((n for n, name in enumerate(LONGEST) if name in path), len(LONGEST))

    items.sort(key=place)
