"""Processes that draw beside this one. Loads little, so that they can be started before anything else."""

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
"""Bytes that a process takes that makes the figures and the documents of a result; measured."""
T = TypeVar("T")


class Helpers:
    """Processes that draw beside this one. They load what they need while this one does something else."""

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
        """Bytes that they take."""
        return self._count * HELPER_MEMORY if self._pool is not None else 0

    def submit(self, do: Callable[..., T], *given: object) -> Future[T] | None:
        """Something for them to do; None where there are none."""
        try:
            return None if self._pool is None else self._pool.submit(do, *given)
        except BrokenProcessPool:
            return None

    def stop(self, wait: bool = True) -> None:
        """Do without them from now on; back when they have ended, unless they are not to be waited for.

        A pool that still closes while the interpreter leaves is woken by it on a descriptor that may just be gone: a
        traceback after a good run. The interpreter would wait for it, too, so that waiting here takes no longer.
        """
        if self._pool is not None:
            self._pool.shutdown(wait=wait, cancel_futures=True)
        self._pool = None

    def __enter__(self) -> Helpers:
        return self

    def __exit__(self, kind: object, *error: object) -> None:
        self.stop(wait=kind is None)  # a run that failed or was stopped ends without waiting


def _start_tracker() -> None:
    """The process that takes away what pools leave in the system; silent where this one ends at once, on a signal."""
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
    """Processes that may draw beside this one, with so much memory for all together."""
    more = (memory - OWN_MEMORY) // HELPER_MEMORY
    return int(max(0, min(MOST_HELPERS, (count or processors()) - 1, more)))


OWN_MEMORY, HELPER_MEMORY = 500 * 2**20, 250 * 2**20
"""Bytes that a process with results takes while it draws, and one that only draws; measured."""


def result_of(future: Future[T], do: Callable[..., T], *given: object) -> T:
    try:
        return future.result()
    except (BrokenProcessPool, CancelledError):  # killed, say for want of memory: this process is still there
        return do(*given)


def _begin() -> None:
    end_with_parent()
    warnings.simplefilter("ignore")


def _loaded() -> None:
    """Load what drawing takes."""
    importlib.import_module("armsim.report.gallery")
