"""Arrays in the cache folder of the user, so that they are not computed at every start. Whatever is wrong there, they
are computed again."""

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
"""Bytes at the end of a file that stand for its key and all bytes before."""


def folder(kind: str) -> Path:
    """Where arrays of a kind are kept."""
    from platformdirs import user_cache_path

    return Path(user_cache_path("armsim")) / kind


def load(kind: str, key: str) -> dict[str, NDArray[Any]] | None:
    """Arrays saved under a key; None where there are none, or any bit of the file is not as it was written."""
    file = folder(kind) / f"{key}.npz"
    try:
        content = file.read_bytes()
    except OSError:  # missing, or not to be read
        return None
    if content[-CHECKSUM:] != _checksum(key, content[:-CHECKSUM]):
        return None  # before anything is parsed: damage makes the reader of archives fail in a dozen ways
    with np.load(io.BytesIO(content[:-CHECKSUM]), allow_pickle=False) as archive:
        arrays = dict(archive)
    with suppress(OSError):
        os.utime(file)
    return arrays


def save(kind: str, key: str, arrays: Mapping[str, NDArray[Any]], most: int) -> None:
    """Save arrays under a key, and keep the ``most`` files of this kind that were used last; do without where that is
    not to be done."""
    place = folder(kind)
    archive = io.BytesIO()
    np.savez(archive, **dict[str, Any](arrays))
    content = archive.getvalue()
    try:
        place.mkdir(parents=True, exist_ok=True)
        handle, partial = tempfile.mkstemp(suffix=".partial", dir=place)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content + _checksum(key, content))
            os.replace(partial, place / f"{key}.npz")
        except BaseException:
            os.unlink(partial)
            raise
        for old in sorted(place.glob("*.npz"), key=lambda file: file.stat().st_mtime)[:-most]:
            old.unlink()
    except OSError:
        return


def _checksum(key: str, content: bytes) -> bytes:
    """The key is in it, so that a file under the name of another is not taken for that one."""
    return hashlib.blake2b(content, digest_size=CHECKSUM, key=hashlib.blake2b(key.encode()).digest()).digest()
