"""Population at the poses of tasks: first order at once, then a growing number of units.

A unit is one simulated arm with its own drawn error coefficients.

Units are keyed by their number, so that a population that has grown to some size is, to the bit, the one that was
sampled at once. What was sampled is held as far as the memory allows; elsewhere it is sampled again from the first
unit, which costs a third more where each population is four times the one before.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.model.configurations import Configurations
from armsim.results.pose_table import PoseTable, Rows
from armsim.sampling import executors
from armsim.sampling.chunk import CHUNK, EvaluatedChunk, Extremes, PoseChunk, RunSpec, pose_chunks
from armsim.sampling.chunk_sampler import (
    ChunkResult,
    PartialSample,
    PreparedPoses,
    array_bytes,
    sample_chunk,
    sample_prepared,
)
from armsim.sampling.operation_limits import operating
from armsim.sampling.run_options import Interrupted, Progress, Stopped

TOGETHER = 16 * CHUNK
"""Poses evaluated together for first order; the result does not depend on it."""
DISTRIBUTION_BYTES = 8 * 64
"""Memory of the distribution of the visits at a pose, for up to twenty axes. [bytes]"""


@dataclass(frozen=True, eq=False)
class TaskConfigurations:
    """Configurations of a task; ``key`` is its name in the random numbers."""

    name: str
    configurations: Configurations
    key: int = 0


@dataclass(frozen=True, eq=False)
class TaskSample:
    """Rows and unit figures of a task.

    Parameters
    ----------
    rows : (poses,)
        Rows of the `PoseTable`.
    extremes : Extremes
        The largest over the poses of what every unit has.
    operating : (units,) bool
        Units that keep to the limits of operation of their sensors.
    """

    rows: Rows
    extremes: Extremes
    operating: NDArray[np.bool_]

    @property
    def worst(self) -> Array:
        """Largest AP and RP of every unit, position then orientation, shape (UNIT_STATISTICS, units). [m and rad]"""
        return self.extremes.worst


class Allowance:
    """Memory allowance that threads take from and give back to."""

    def __init__(self, memory: int) -> None:
        self._available = memory
        self._lock = threading.Lock()

    def take(self, memory: int) -> bool:
        """Take memory if available; return whether it was. [bytes]"""
        with self._lock:
            if memory > self._available:
                return False
            self._available -= memory
            return True

    def give_back(self, memory: int) -> None:
        """Give memory back. [bytes]"""
        with self._lock:
            self._available += memory


class Stop:
    """Stop request that, once seen, holds for all threads."""

    def __init__(self, stopped: Stopped) -> None:
        self._stopped, self._heard = stopped, False

    def check_stop(self) -> None:
        """Raise `Interrupted` where a stop is requested.

        Raises
        ------
        Interrupted
        """
        self._heard = self._heard or self._stopped()
        if self._heard:
            raise Interrupted


@dataclass(frozen=True, eq=False)
class Workers:
    """Pool and number of workers.

    Parameters
    ----------
    pool : Executor
    count : int
    in_process : bool
        Whether they are threads of this process, which share what it holds.
    """

    pool: Executor
    count: int
    in_process: bool


@dataclass(eq=False)
class _ChunkProgress:
    """Chunk of a task, what is prepared for it, and how far it is sampled."""

    task: int
    chunk: PoseChunk
    prepared: PreparedPoses | None = None
    sample: PartialSample | None = None


class Population:
    """Growing population at the poses of tasks, initially without units.

    Parameters
    ----------
    spec : RunSpec
        Specification; its plan sets the largest number of units, and thereby the accuracy of the integration of RP.
    tasks : list of TaskConfigurations
    workers : Workers
    stop : Stop
    progress : callable
    memory : int
        Memory that may be held from one number of units to the next; none holds nothing. [bytes]
    """

    def __init__(
        self,
        spec: RunSpec,
        tasks: list[TaskConfigurations],
        workers: Workers,
        stop: Stop,
        progress: Progress,
        memory: int = 0,
    ) -> None:
        self.spec, self._tasks, self._workers, self._stop, self._progress = spec, tasks, workers, stop, progress
        self._allowance = Allowance(memory if workers.in_process else 0)
        # what is held is drawn at once, and counted and told at all poses of a chunk together
        self._can_hold = workers.in_process and spec.layout.at_once and spec.layout.poses_per_output >= CHUNK
        self._evaluated: dict[tuple[int, int], tuple[EvaluatedChunk, PoseTable]] = {}
        self._shares = [
            _ChunkProgress(number, chunk)
            for number, task in enumerate(tasks)
            for chunk in pose_chunks(task.key, task.configurations, workers.count)
        ]

    def first_order(self) -> list[PoseTable]:
        """Pose tables of every task by first order; columns that need a sample are nan.

        Raises
        ------
        Interrupted
        """
        return [self._first_order(number, task.configurations) for number, task in enumerate(self._tasks)]

    def _first_order(self, number: int, configurations: Configurations) -> PoseTable:
        rows = []
        for first in range(0, len(configurations), TOGETHER):
            self._stop.check_stop()
            part = configurations[first : first + TOGETHER]
            chunk = EvaluatedChunk.of(self.spec, part)
            table = chunk.table(self.spec, part)
            rows.append(table.rows.copy())  # the table itself is filled on
            distributions = -(-len(part) // CHUNK) * len(part) * DISTRIBUTION_BYTES
            if self._allowance.take(array_bytes((chunk, table)) + distributions):
                self._evaluated[number, first] = chunk, table
        return PoseTable(("",) * len(configurations), table.share_names, np.concatenate(rows))

    def advance(self, units: int, resumable: bool = False) -> tuple[TaskSample, ...]:
        """Sample up to a number of units; return the samples of every task.

        Parameters
        ----------
        units : int
            At most those of the plan.
        resumable : bool
            Hold what was sampled for further units, as far as the memory allows.

        Returns
        -------
        tuple of TaskSample

        Raises
        ------
        Interrupted
        """
        results = self._results(units, resumable)
        fit = operating(self.spec.machine, self.spec.plan_of(units))
        return tuple(self._task_sample(task, results, fit) for task in self._tasks)

    def _results(self, units: int, resumable: bool) -> Iterator[ChunkResult]:
        pool, count = self._workers.pool, self._workers.count
        if self._workers.in_process:
            return executors.in_order(
                pool, count, partial(self._sample, units, resumable and self._can_hold), self._shares
            )
        chunks = (share.chunk for share in self._shares)
        return executors.in_order(pool, count, partial(sample_chunk, self.spec, units=units), chunks)

    def _task_sample(
        self, task: TaskConfigurations, results: Iterator[ChunkResult], fit: NDArray[np.bool_]
    ) -> TaskSample:
        total, at = len(task.configurations), 0
        rows, extremes = np.empty(total, self.spec.record), Extremes.none(len(fit))
        self._progress(task.name, 0, total)
        while at < total:
            result = next(results)
            self._stop.check_stop()
            rows[at : at + len(result.rows)] = result.rows
            at += len(result.rows)
            extremes.join(result.extremes)
            self._progress(task.name, at, total)
        return TaskSample(rows, extremes, fit)

    def _sample(self, units: int, resumable: bool, share: _ChunkProgress) -> ChunkResult:
        prepared = share.prepared = share.prepared or self._prepared(share)
        if prepared is None:
            return sample_chunk(self.spec, share.chunk, units, self._stop.check_stop)
        before, share.sample = share.sample, None
        result, sample = sample_prepared(self.spec, prepared, units, before, resumable, self._stop.check_stop)
        if before is not None:
            self._allowance.give_back(array_bytes(before))
        if sample is not None and self._allowance.take(array_bytes(sample)):
            share.sample = sample
        return result

    def _prepared(self, share: _ChunkProgress) -> PreparedPoses | None:
        """Prepared poses of a chunk, with stored kinematics where available."""
        chunk, first = share.chunk, share.chunk.first // TOGETHER * TOGETHER
        evaluated = self._evaluated.get((share.task, first))
        if evaluated is None:
            return None
        numbers = self._tasks[share.task].configurations[first : first + TOGETHER].numbers
        rows = slice(chunk.first - first + chunk.begin, chunk.first - first + chunk.end)
        return PreparedPoses.of(self.spec, chunk.task, *evaluated, numbers, rows)
