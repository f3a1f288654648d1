"""Helper processes for drawing. The module imports little, so that they start early."""

from __future__ import annotations

import importlib
import multiprocessing
import os
import warnings
from collections.abc import Callable
from concurrent.futures import CancelledError, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

from armsim.processors import processors
from armsim.sampling.executors import end_with_parent

MOST_HELPERS = 3
DOCUMENT_MEMORY = 460 * 2**20
"""Memory of a process that makes the figures and documents of a result, measured. [byte]"""
T = TypeVar("T")


class Helpers:
    """Pool of helper processes for drawing, which load their libraries in the background."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._pool: ProcessPoolExecutor | None = None
        if count:
            _start_tracker()
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(count, mp_context=context, initializer=_begin)
            for _ in range(count):
                self._pool.submit(_loaded)

    @property
    def memory(self) -> int:
        """Memory of the helpers. [byte]"""
        return self._count * HELPER_MEMORY if self._pool is not None else 0

    def submit(self, function: Callable[..., T], *arguments: object) -> Future[T] | None:
        """Submit a function call to the helpers; None if there are none."""
        try:
            return None if self._pool is None else self._pool.submit(function, *arguments)
        except BrokenProcessPool:
            return None

    def stop(self, wait: bool = True) -> None:
        """Stop the helpers; with ``wait``, return when they have ended.

        If a pool is still closing at exit, the interpreter wakes it through a descriptor that may be closed, and prints
        a traceback after a good run. It would wait for the pool too, so that waiting here takes no longer.
        """
        if self._pool is not None:
            self._pool.shutdown(wait=wait, cancel_futures=True)
        self._pool = None

    def __enter__(self) -> Helpers:
        return self

    def __exit__(self, kind: object, *error: object) -> None:
        self.stop(wait=kind is None)  # a run that failed or was stopped ends without waiting


def _start_tracker() -> None:
    """Start the process that cleans up after pools, and silence its warnings if this one is killed."""
    from multiprocessing import resource_tracker

    before = os.environ.get("PYTHONWARNINGS")
    os.environ["PYTHONWARNINGS"] = ",".join(filter(None, (before, "ignore:resource_tracker")))
    try:
        resource_tracker.ensure_running()
    finally:
        if before is None:
            del os.environ["PYTHONWARNINGS"]
        else:
            os.environ["PYTHONWARNINGS"] = before


def helpers_for(memory: int, count: int | None = None) -> int:
    """Number of helper processes within a memory limit."""
    further_helpers = (memory - OWN_MEMORY) // HELPER_MEMORY
    return int(max(0, min(MOST_HELPERS, (count or processors()) - 1, further_helpers)))


OWN_MEMORY, HELPER_MEMORY = 500 * 2**20, 250 * 2**20
"""Memory of a process with results while it draws, and of one that only draws, measured. [byte]"""


def result_of(future: Future[T], function: Callable[..., T], *arguments: object) -> T:
    """Result of a submitted call, computed in this process if the helper was killed."""
    try:
        return future.result()
    except (BrokenProcessPool, CancelledError):  # killed, say for want of memory: this process is still there
        return function(*arguments)


def _begin() -> None:
    end_with_parent()
    warnings.simplefilter("ignore")


def _loaded() -> None:
    """Load the libraries that drawing needs."""
    importlib.import_module("armsim.figures")
