"""Files that changed on disk since they were read."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from pathlib import Path

from armsim.sources import Source

Stamp = tuple[int, int, int] | None
"""Time of the last change [ns], size and inode of a file; None if it cannot be read."""


class FileWatch:
    """Watch on input files by their hashes; a file is hashed again only after its time or size changed."""

    def __init__(self, sources: Sequence[Source]) -> None:
        self.hashes = {Path(os.path.realpath(source.path)): source.sha256 for source in sources if source.sha256}
        self._stamps: dict[Path, Stamp] = {}
        self._changed: dict[Path, bool] = {}

    @property
    def changed(self) -> tuple[Path, ...]:
        """Files that are missing or differ from what was read."""
        for path, sha256 in self.hashes.items():
            stamp = _stamp(path)
            if path not in self._stamps or stamp != self._stamps[path]:
                self._stamps[path] = stamp
                self._changed[path] = stamp is None or _sha256(path) != sha256
        return tuple(path for path, changed in self._changed.items() if changed)


def _stamp(path: Path) -> Stamp:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_size, status.st_ino


def _sha256(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""
