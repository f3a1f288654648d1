"""The one place where kernels are handed to the compiler."""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import numba
import numpy as np
from numpy.typing import NDArray

F = TypeVar("F", bound=Callable[..., object])
Floats = NDArray[np.float64]
Words = NDArray[np.uint32]
Indices = NDArray[np.int64]
Places = NDArray[np.int16]
Flags = NDArray[np.bool_]

STAMP = tuple(
    (file.name, file.stat().st_mtime, file.stat().st_size) for file in sorted(Path(__file__).parent.glob("*.py"))
)
"""State of all kernel sources. A cached kernel holds the kernels it calls: a change in one makes all stale."""


def kernel_digest() -> str:
    """Twelve hexadecimal digits that stand for the sources of all kernels."""
    digest = hashlib.blake2b(digest_size=6)
    for file in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()


def compiled(function: F) -> F:
    """Compile a kernel: no interpreter lock, IEEE division, cached on disk where a folder is writable.

    Contraction of a multiply and an add into one rounding is the only relaxation of IEEE arithmetic:
    reassociation would make the bits depend on the vector width.
    """
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy", "fastmath": {"contract"}}
    try:
        kernel: Any = numba.njit(cache=True, **options)(function)
    except RuntimeError:  # no cache folder can be written: compile in memory
        warnings.warn("no folder to cache compiled kernels in: they are compiled at every start", stacklevel=2)
        return numba.njit(**options)(function)  # type: ignore[no-any-return]
    file: Any = getattr(getattr(kernel, "_cache", None), "_cache_file", None)
    if hasattr(file, "_source_stamp"):  # the compiler would look at the kernel's own file only
        file._source_stamp = STAMP
    if all(hasattr(file, name) for name in ("_index_name", "_index_path", "_data_name_pattern")):
        # two versions of the compiler that share a folder would read each other's files
        base = file._index_name.removesuffix(".nbi") + f"-{numba.__version__}"
        file._index_name, file._data_name_pattern = f"{base}.nbi", base + ".{number:d}.nbc"
        file._index_path = str(Path(file._index_path).with_name(file._index_name))
    return kernel  # type: ignore[no-any-return]
