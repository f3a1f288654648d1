"""Scenarios that were opened last, remembered in the user's cache folder."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

from armsim.disk_cache import cache_folder
from armsim.explorer.saving import write_whole

MOST_RECENT = 10


def _file() -> Path:
    return cache_folder("explorer") / "recent.json"


def recent_scenarios() -> tuple[Path, ...]:
    """Scenarios opened last that still exist, the latest first; none where the list cannot be read."""
    try:
        names = json.loads(_file().read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return ()
    paths = [Path(name) for name in names if isinstance(name, str)] if isinstance(names, list) else []
    return tuple(path for path in paths if path.is_file())[:MOST_RECENT]


def remember(scenario: Path) -> None:
    """Put a scenario first in the list; nothing is remembered where the list cannot be written."""
    path = scenario.absolute()
    names = [str(path), *(str(other) for other in recent_scenarios() if other != path)][:MOST_RECENT]
    with suppress(OSError):
        _file().parent.mkdir(parents=True, exist_ok=True)
        write_whole(_file(), json.dumps(names).encode())
