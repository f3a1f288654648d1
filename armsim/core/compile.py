"""Compilation of kernels, and the cache of compiled kernels on disk."""

from __future__ import annotations

import os
import shutil
import sys
import warnings
from collections.abc import Callable
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, TypeVar

import numba
import numpy as np
from numba.core.caching import FunctionCache
from numpy.typing import NDArray

from armsim.core.kernel_digest import kernel_digest

F = TypeVar("F", bound=Callable[..., object])
Floats = NDArray[np.float64]
Words = NDArray[np.uint32]
Indices = NDArray[np.int64]
Flags = NDArray[np.bool_]

CONFIG: Any = numba.config
MIN_FREE_BYTES = 64 * 2**20
"""Free disk space that the cache needs, in bytes: seven times the size of all kernels."""


@lru_cache(maxsize=1)
def cache_folder() -> Path | None:
    """Cache folder of the compiled kernels; None if no folder is writable.

    Its name contains a digest of all kernel sources, since a cached kernel contains the kernels that it calls, and the
    versions of interpreter and compiler, whose files are not exchangeable.
    """
    name = f"kernels-{kernel_digest()}-{sys.implementation.cache_tag}-{numba.__version__}"
    reason = ""
    for base in _bases():
        folder = base / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
            if not os.access(folder, os.W_OK):
                raise PermissionError(f"{folder} cannot be written")
            if shutil.disk_usage(folder).free < MIN_FREE_BYTES:
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


class _Cache(FunctionCache):
    """Cache of a kernel on disk, which compiles it anew where its files were cut short or overwritten."""

    def load_overload(self, signature: Any, target_context: Any) -> Any:
        """The compiled kernel; None where there is none that can be read."""
        try:
            return super().load_overload(signature, target_context)  # type: ignore[no-untyped-call]
        except Exception:  # a damaged file makes the reader of pickles raise many kinds of exceptions
            self.flush()  # type: ignore[no-untyped-call]
            folder = cache_folder()
            warnings.warn(f"the cache of compiled kernels in {folder} was damaged and is rebuilt", stacklevel=2)
            return None


OPTIONS: dict[str, Any] = {"nogil": True, "error_model": "numpy", "fastmath": {"contract"}, "no_cfunc_wrapper": True}
"""No interpreter lock and IEEE division. Contraction of a multiply and an add into one rounding is the only relaxation
of IEEE arithmetic: reassociation would make the bits depend on the vector width. Nothing calls kernels from C."""


def compiled(function: F) -> F:
    """Compile a kernel that Python calls, cached on disk if a folder is writable."""
    return _dispatcher(function, cache_folder())  # type: ignore[no-any-return]


def subroutine(function: F) -> F:
    """Compile a function that kernels call, without the wrapper for Python, which takes a quarter of all compilation.

    Called from Python, as tests do, it is compiled again, with the wrapper.
    """
    return Subroutine(function)  # type: ignore[return-value]


class Subroutine:
    """Function that kernels call."""

    def __init__(self, function: Callable[..., object]) -> None:
        self.py_func = function
        self.dispatcher = _dispatcher(function, cache_folder(), no_cpython_wrapper=True)

    @property
    def _numba_type_(self) -> Any:
        """Type of this function for the compiler, within a kernel."""
        return numba.types.Dispatcher(self.dispatcher)

    @cached_property
    def _with_wrapper(self) -> Callable[..., object]:
        folder = cache_folder()  # with one folder for both, the compiler would load the wrong one
        return _dispatcher(self.py_func, folder and folder / "with_wrapper")  # type: ignore[no-any-return]

    def __call__(self, *arguments: object) -> object:
        return self._with_wrapper(*arguments)


def _dispatcher(function: Callable[..., object], folder: Path | None, **options: Any) -> Any:
    compiler: Any = numba.njit
    if folder is None:
        return compiler(**OPTIONS, **options)(function)
    set_by_user, CONFIG.CACHE_DIR = CONFIG.CACHE_DIR, str(folder)
    try:
        dispatcher = compiler(**OPTIONS, **options)(function)
        dispatcher._cache = _Cache(function)  # type: ignore[no-untyped-call]
        return dispatcher
    finally:
        CONFIG.CACHE_DIR = set_by_user
