"""Arrays in the cache folder of the user, so that they are not computed at every start. Whatever is wrong there, they
are computed again."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray


def folder(kind: str) -> Path:
    """Where arrays of a kind are kept."""
    from platformdirs import user_cache_path

    return Path(user_cache_path("armsim")) / kind


def load(kind: str, key: str) -> dict[str, NDArray[Any]] | None:
    """Arrays kept under a key; None where there are none, or not whole."""
    file = folder(kind) / f"{key}.npz"
    try:
        with np.load(file, allow_pickle=False) as held:
            out = dict(held)
    except (OSError, ValueError, KeyError, EOFError, BadZipFile):  # missing, cut short, of another kind
        return None
    with suppress(OSError):
        os.utime(file)
    return out


def save(kind: str, key: str, arrays: Mapping[str, NDArray[Any]], most: int) -> None:
    """Keep arrays under a key, and of this kind the ``most`` that were used last; do without where that is not to be
    done."""
    place = folder(kind)
    try:
        place.mkdir(parents=True, exist_ok=True)
        handle, partial = tempfile.mkstemp(suffix=".partial", dir=place)
        try:
            with os.fdopen(handle, "wb") as file:
                np.savez(file, **dict[str, Any](arrays))
            os.replace(partial, place / f"{key}.npz")
        except BaseException:
            os.unlink(partial)
            raise
        for old in sorted(place.glob("*.npz"), key=lambda own: own.stat().st_mtime)[:-most]:
            old.unlink()
    except OSError:
        return
