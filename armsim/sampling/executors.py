"""Executors of chunks: threads, processes, or a dask cluster. Their libraries schedule the work."""

from __future__ import annotations

import multiprocessing
import os
import signal
import socket
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import CancelledError, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures import TimeoutError as FutureTimeout
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, TypeVar

from armsim.core.kernel_digest import kernel_digest
from armsim.errors import InputError, Problem, RunError
from armsim.version import package_version

P = TypeVar("P")
T = TypeVar("T")
CHUNKS_AHEAD = 4
"""Chunks submitted per worker before the first result is awaited."""
RETRIES = 10
"""Number of retries of a chunk on another worker when its worker is lost."""
LOADED_BEFORE_FORKING = "armsim.sampling.worker_start"
"""Module that the process imports from which workers are forked."""
POLL_INTERVAL, MAX_TIME_WITHOUT_WORKERS, CLOSING_TIME = 2.0, 10.0, 2.0
"""Interval of counting cluster workers, time it may have none, time for closing the connection. [s]"""


@contextmanager
def thread_pool(workers: int) -> Iterator[Executor]:
    """Pool of threads; compiled kernels release the interpreter lock."""
    pool = ThreadPoolExecutor(workers)
    yield from _shut_down_after(pool)


@contextmanager
def process_pool(workers: int) -> Iterator[Executor]:
    """Pool of processes on this machine.

    If the system can fork, they are forked from a process that has loaded the libraries and kernels already. Each would
    otherwise import the package, its libraries and the kernels, which takes 1.7 s of a processor.
    """
    forks = "forkserver" in multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if forks else "spawn")
    if forks:
        context.set_forkserver_preload([LOADED_BEFORE_FORKING])
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=end_with_parent)
    yield from _shut_down_after(pool)


def end_with_parent() -> None:
    """End this process when its parent process ends, for whatever reason."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        parent.join()  # a pipe that breaks with the parent
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
    for number in (signal.SIGINT, signal.SIGTERM):  # a terminal sends them to all processes; the parent alone reacts
        signal.signal(number, signal.SIG_IGN)


def _shut_down_after(pool: Executor) -> Iterator[Executor]:
    """Yield a pool, and shut it down afterwards without waiting for its pending work."""
    try:
        yield pool
    except BrokenProcessPool as error:
        for process in (getattr(pool, "_processes", None) or {}).values():
            process.kill()  # the others ignore the signal to end, and the pool would wait for them
        raise RunError("a worker process was killed; was there memory for all of them?") from error
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    pool.shutdown()


@contextmanager
def cluster_pool(address: str, timeout: float = 10.0) -> Iterator[tuple[Executor, int]]:
    """Pool of a running dask.distributed cluster, and its number of threads.

    Parameters
    ----------
    address : str
        Address of its scheduler, such as ``tcp://10.0.0.5:8786``.
    timeout : float
        Longest wait for it. [s]

    Yields
    ------
    (Executor, int)
        The pool, and its number of threads.

    Raises
    ------
    InputError
        The address is not valid.
    RunError
        The package is not installed, no scheduler answers, or the cluster has no worker.
    """
    try:
        from distributed import Client
        from distributed.comm.addressing import get_address_host_port
    except ImportError as error:
        raise RunError("a cluster needs the package 'distributed': pip install 'armsim[cluster]'") from error
    client_of: Any = Client
    host_and_port: Any = get_address_host_port
    try:
        endpoint = host_and_port(address)
    except ValueError as error:
        accepted = "the address of a scheduler, such as tcp://10.0.0.5:8786"
        raise InputError(Problem("address of the cluster", 0, 0, "", f"{address!r}: {error}", accepted)) from error
    try:
        socket.create_connection(
            endpoint, timeout
        ).close()  # a client that finds no scheduler would hang when it is closed
        client = client_of(address, timeout=timeout, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise RunError(f"no cluster answers at {address}: {error}") from error
    try:
        thread_count = sum(client.nthreads().values())
        if not thread_count:
            raise RunError(f"the cluster at {address} has no workers")
        this_process, workers = _identity(), client.run(_identity)
        for worker, identity in workers.items():
            if identity != this_process:
                raise RunError(
                    f"worker {worker} of the cluster has armsim {identity[0]} with kernels {identity[1]}, this process "
                    f"{this_process[0]} with kernels {this_process[1]}: their bits would differ; "
                    "install the same version on all"
                )
        yield _ClusterPool(client.get_executor(pure=False, retries=RETRIES), client), thread_count
    finally:
        # without a timeout, closing would wait for a scheduler that is gone
        client.close(timeout=CLOSING_TIME)


class _ClusterPool(Executor):
    """Pool of a cluster that raises an error if no workers are left."""

    def __init__(self, pool: Executor, client: Any) -> None:
        self.pool = pool
        self.client = client

    def submit(self, function: Callable[..., T], /, *arguments: Any, **named: Any) -> Future[T]:
        return self.pool.submit(function, *arguments, **named)

    def result(self, future: Future[T]) -> T:
        """Result of a chunk.

        Raises
        ------
        RunError
            The scheduler is gone, or has had no worker for some time.
        """
        without_workers = 0.0
        while True:
            try:
                return future.result(timeout=POLL_INTERVAL)
            except FutureTimeout:
                if future.done():  # the chunk itself ran out of time somewhere
                    raise
            except (CancelledError, OSError) as error:
                raise RunError("the connection to the cluster's scheduler was lost") from error
            if self.client.status != "running":
                raise RunError("the connection to the cluster's scheduler was lost")
            without_workers = 0.0 if self._workers() else without_workers + POLL_INTERVAL
            if without_workers >= MAX_TIME_WITHOUT_WORKERS:
                raise RunError(
                    f"the cluster has had no worker for {MAX_TIME_WITHOUT_WORKERS:g} s: all of them are gone"
                )

    def _workers(self) -> int:
        """Number of workers that the scheduler knows."""
        try:
            return len(self.client.nthreads())
        except (OSError, ValueError, TimeoutError, CancelledError) as error:
            raise RunError("the connection to the cluster's scheduler was lost") from error


def _identity() -> tuple[str, str]:
    """Version of the package and digest of its kernels in this process."""
    return package_version(), kernel_digest()


def map_in_threads(workers: int, function: Callable[[P], T], items: Iterable[P]) -> Iterator[T]:
    """Results of ``function`` for every item, in order, computed in threads.

    Parameters
    ----------
    workers : int
    function : callable
        Applied to each item.
    items : iterable

    Yields
    ------
    Results in the order of the items.
    """
    with thread_pool(workers) as pool:
        yield from map_in_order(pool, workers, function, items)


def map_in_order(pool: Executor, workers: int, function: Callable[[P], T], items: Iterable[P]) -> Iterator[T]:
    """Results of ``function`` for every item, in order, with few pending at a time.

    Parameters
    ----------
    pool : Executor
    workers : int
    function : callable
        Applied to each item.
    items : iterable

    Yields
    ------
    Results in the order of the items.
    """
    pending: deque[Future[T]] = deque()
    result = pool.result if isinstance(pool, _ClusterPool) else Future.result
    for item in items:
        pending.append(pool.submit(function, item))
        if len(pending) >= CHUNKS_AHEAD * workers:
            yield result(pending.popleft())
    while pending:
        yield result(pending.popleft())
