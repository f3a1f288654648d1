"""Compilation of kernels, and the cache of compiled kernels on disk."""

from __future__ import annotations

import os
import pickletools
import shutil
import sys
import warnings
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

import numba
import numpy as np
from numpy.typing import NDArray

from armsim.core.kernel_digest import kernel_digest

F = TypeVar("F", bound=Callable[..., object])
Floats = NDArray[np.float64]
Words = NDArray[np.uint32]
Indices = NDArray[np.int64]
Flags = NDArray[np.bool_]

CONFIG: Any = numba.config
ROOM = 64 * 2**20
"""Bytes that must be free on a disk for the cache: seven times the size of all kernels."""


@lru_cache(maxsize=1)
def cache_folder() -> Path | None:
    """Cache folder of the compiled kernels; None where none can be written.

    Its name contains a digest of all kernel sources, since a cached kernel contains the kernels that it calls, and the
    versions of interpreter and compiler, whose files are not exchangeable. A damaged cache is deleted.
    """
    name = f"kernels-{kernel_digest()}-{sys.implementation.cache_tag}-{numba.__version__}"
    reason = ""
    for base in _bases():
        folder = base / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
            if any(_damaged(file) for file in folder.rglob("*.nb[ic]")):
                shutil.rmtree(folder)
                folder.mkdir()
                warnings.warn(f"the cache of compiled kernels in {folder} was damaged and is rebuilt", stacklevel=2)
            if not os.access(folder, os.W_OK):
                raise PermissionError(f"{folder} cannot be written")
            if shutil.disk_usage(folder).free < ROOM:
                raise OSError(f"the disk of {folder} is full")
            return folder
        except OSError as error:
            reason = reason or str(error)
    warnings.warn(f"compiled kernels cannot be cached and are compiled at every start: {reason}", stacklevel=2)
    return None


def _bases() -> list[Path]:
    if CONFIG.CACHE_DIR:
        return [Path(CONFIG.CACHE_DIR)]
    from platformdirs import user_cache_path

    return [Path(__file__).parent / "__pycache__", user_cache_path("armsim")]


def _damaged(file: Path) -> bool:
    """Whether a file of the cache is cut short or overwritten: each holds one pickle, an index two."""
    try:
        with file.open("rb") as stream:
            for _ in range(2 if file.suffix == ".nbi" else 1):
                for _ in pickletools.genops(stream):
                    pass
            return bool(stream.read(1))
    except FileNotFoundError:  # replaced by another process in this moment
        return False
    except (ValueError, IndexError, UnicodeDecodeError):
        return True


def compiled(function: F) -> F:
    """Compile a kernel: no interpreter lock, IEEE division, cached on disk where a folder is writable.

    Contraction of a multiply and an add into one rounding is the only relaxation of IEEE arithmetic:
    reassociation would make the bits depend on the vector width.
    """
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy", "fastmath": {"contract"}}
    folder = cache_folder()
    if folder is None:
        return numba.njit(**options)(function)  # type: ignore[no-any-return]
    set_by_user, CONFIG.CACHE_DIR = CONFIG.CACHE_DIR, str(folder)
    try:
        return numba.njit(cache=True, **options)(function)  # type: ignore[no-any-return]
    finally:
        CONFIG.CACHE_DIR = set_by_user
