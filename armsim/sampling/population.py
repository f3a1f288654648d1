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
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.model.configurations import Configurations
from armsim.results.pose_table import PoseTable, Rows
from armsim.sampling import executors
from armsim.sampling.chunk import CHUNK, TOGETHER, EvaluatedChunk, Extremes, PoseChunk, RunSpec, chunk_size, pose_chunks
from armsim.sampling.chunk_sampler import ChunkResult, PartialSample, PreparedPoses, array_bytes, sample_prepared
from armsim.sampling.elsewhere import packed_spec, sample_elsewhere
from armsim.sampling.operation_limits import operating
from armsim.sampling.run_options import Interrupted, Progress, Stopped
from armsim.sampling_plan import SamplingPlan

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
class _Block:
    """Poses of a task that are evaluated together, by the first thread that needs any of them.

    Parameters
    ----------
    first : int
        Number of the first pose in the task.
    configurations : Configurations
    unsampled : int
        Chunks that are still to be sampled; then the block is forgotten.
    held : bool
        Whether it is held for further units instead.
    """

    first: int
    configurations: Configurations
    unsampled: int = 0
    held: bool = False
    evaluated: tuple[EvaluatedChunk, PoseTable] | None = None
    lock: threading.Lock = field(default_factory=threading.Lock)

    def of(self, spec: RunSpec) -> tuple[EvaluatedChunk, PoseTable]:
        """The evaluated poses, and their table with the columns that need no sample."""
        with self.lock:
            if self.evaluated is None:
                chunk = EvaluatedChunk.of(spec, self.configurations)
                self.evaluated = chunk, chunk.table(spec, self.configurations)
            return self.evaluated

    def count_sampled(self) -> None:
        """Count a chunk as sampled."""
        with self.lock:
            self.unsampled -= 1
            if self.unsampled == 0 and not self.held:
                self.evaluated = None


@dataclass(eq=False)
class _ChunkProgress:
    """Chunk of a task in its block, what is prepared for it, and how far it is sampled.

    The thread with the first chunk of a block evaluates the ``following`` block, so that no thread waits for it.
    """

    chunk: PoseChunk
    block: _Block
    following: _Block | None = None
    prepared: PreparedPoses | None = None
    sample: PartialSample | None = None


def _shares(tasks: list[TaskConfigurations], plan: SamplingPlan, workers: int) -> list[_ChunkProgress]:
    """Chunks of all tasks in order, none of them sampled."""
    size = chunk_size(sum(len(task.configurations) for task in tasks), plan, workers)
    out: list[_ChunkProgress] = []
    for task in tasks:
        for chunk in pose_chunks(task.key, task.configurations, size):
            first = chunk.first // TOGETHER * TOGETHER
            if chunk.first == first:
                block = _Block(first, task.configurations[first : first + TOGETHER])
                if out:
                    next(share for share in reversed(out) if share.chunk.first == share.block.first).following = block
            out.append(_ChunkProgress(chunk, block))
    return out


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
        self._shares = _shares(tasks, spec.plan, workers.count)

    def first_order(self) -> list[PoseTable]:
        """Pose tables of every task by first order; columns that need a sample are nan.

        Raises
        ------
        Interrupted
        """
        blocks = iter(dict.fromkeys(share.block for share in self._shares))
        return [self._first_order(len(task.configurations), blocks) for task in self._tasks]

    def _first_order(self, poses: int, blocks: Iterator[_Block]) -> PoseTable:
        rows = []
        for _ in range(0, poses, TOGETHER):
            self._stop.check_stop()
            block = next(blocks)
            chunk, table = block.of(self.spec)
            rows.append(table.rows.copy())  # the table itself is filled on
            memory = array_bytes((chunk, table)) + len(table) * DISTRIBUTION_BYTES
            block.held = self._allowance.take(memory)
            if not block.held:
                block.evaluated = None
        return PoseTable(("",) * poses, table.share_names, np.concatenate(rows))

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
            for share in self._shares:
                share.block.unsampled = 0
            for share in self._shares:
                share.block.unsampled += 1
            sample = partial(self._sample, units, resumable and self._can_hold)
            return executors.in_order(pool, count, sample, self._shares)
        chunks = (share.chunk for share in self._shares)
        return executors.in_order(pool, count, partial(sample_elsewhere, packed_spec(self.spec), units), chunks)

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
        prepared = share.prepared or self._prepared(share)
        share.prepared = prepared if share.block.held else None
        before, share.sample = share.sample, None
        resumable = resumable and share.block.held
        result, sample = sample_prepared(self.spec, prepared, units, before, resumable, self._stop.check_stop)
        share.block.count_sampled()
        if before is not None:
            self._allowance.give_back(array_bytes(before))
        if sample is not None and self._allowance.take(array_bytes(sample)):
            share.sample = sample
        return result

    def _prepared(self, share: _ChunkProgress) -> PreparedPoses:
        """Prepared poses of a chunk."""
        self._stop.check_stop()
        evaluated, table = share.block.of(self.spec)
        if share.following is not None:
            share.following.of(self.spec)
        chunk, first = share.chunk, share.chunk.first - share.block.first
        rows, numbers = slice(first, first + len(chunk.configurations)), chunk.configurations.numbers
        return PreparedPoses.of(self.spec, chunk.task, evaluated.at(rows), table[rows], numbers)
