"""The one place where kernels are handed to the compiler."""

from __future__ import annotations

import warnings
from collections.abc import Callable
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


def compiled(function: F) -> F:
    """Compile a kernel: no interpreter lock, IEEE division, cached on disk where a folder is writable.

    Contraction of a multiply and an add into one rounding is the only relaxation of IEEE arithmetic:
    reassociation would make the bits depend on the vector width.
    """
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy", "fastmath": {"contract"}}
    try:
        return numba.njit(cache=True, **options)(function)  # type: ignore[no-any-return]
    except RuntimeError:  # no cache folder can be written: compile in memory
        warnings.warn("no folder to cache compiled kernels in: they are compiled at every start", stacklevel=2)
        return numba.njit(**options)(function)  # type: ignore[no-any-return]
