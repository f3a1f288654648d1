"""Disk cache of arrays in the user's cache folder. Damaged or missing files are computed again."""

from __future__ import annotations

import hashlib
import io
import os
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

CHECKSUM = 32
"""Length of the checksum of key and content at the end of a file. [bytes]"""


def cache_folder(kind: str) -> Path:
    """Folder of the arrays of a kind."""
    from platformdirs import user_cache_path

    return Path(user_cache_path("armsim")) / kind


def load(kind: str, key: str) -> dict[str, NDArray[Any]] | None:
    """Load the arrays of a key; None if there are none, or the file is damaged."""
    file = cache_folder(kind) / f"{key}.npz"
    try:
        content = file.read_bytes()
    except OSError:  # missing or unreadable
        return None
    if content[-CHECKSUM:] != _checksum(key, content[:-CHECKSUM]):
        return None  # before anything is parsed: damage makes the reader of archives fail in a dozen ways
    with np.load(io.BytesIO(content[:-CHECKSUM]), allow_pickle=False) as archive:
        arrays = dict(archive)
    with suppress(OSError):
        os.utime(file)
    return arrays


def save(kind: str, key: str, arrays: Mapping[str, NDArray[Any]], most_files: int) -> None:
    """Save arrays under a key and delete all but the ``most_files`` most recently used files of this kind.

    If writing fails, nothing is saved.
    """
    target_folder = cache_folder(kind)
    archive = io.BytesIO()
    np.savez(archive, **dict[str, Any](arrays))
    content = archive.getvalue()
    try:
        target_folder.mkdir(parents=True, exist_ok=True)
        handle, partial = tempfile.mkstemp(suffix=".partial", dir=target_folder)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content + _checksum(key, content))
            os.replace(partial, target_folder / f"{key}.npz")
        except BaseException:
            os.unlink(partial)
            raise
        for old in sorted(target_folder.glob("*.npz"), key=lambda file: file.stat().st_mtime)[:-most_files]:
            old.unlink()
    except OSError:
        return


def _checksum(key: str, content: bytes) -> bytes:
    """Checksum of key and content, so that a renamed file is not taken for another."""
    return hashlib.blake2b(content, digest_size=CHECKSUM, key=hashlib.blake2b(key.encode()).digest()).digest()
