"""Population at the poses of tasks: first order at once, then a growing number of units.

A unit is one simulated arm with its own drawn error coefficients.

Units are keyed by their number, so that a population that has grown to some size is, to the bit, the one that was
sampled at once. Samples are kept from one size to the next as far as the memory allows. Other poses are
sampled again from the first unit, which costs a third more if each population is four times the previous one.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.model.configurations import Configurations
from armsim.results.pose_table import PoseTable, Rows
from armsim.run_options import Interrupted, Progress, StopCallback
from armsim.sampling import executors
from armsim.sampling.chunk import CHUNK, Extremes, RunSpec
from armsim.sampling.chunk_sampler import bytes_of_arrays, sample_prepared
from armsim.sampling.operation_limits import units_within_limits
from armsim.sampling.pose_block import ChunkProgress, PoseBlock, chunk_size
from armsim.sampling.process_sampling import pickled_spec, sample_in_process

POSE_BYTES = 8 * 200
"""Memory of the distribution of the visits at a pose, for up to twenty axes, and of its statistics. [bytes]"""


@dataclass(frozen=True, eq=False)
class TaskConfigurations:
    """Configurations of a task; ``key`` identifies the task in the random numbers."""

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
        Largest figures of every unit over the poses.
    within_operation : (units,) bool
        Units that keep to the limits of operation of their sensors.
    """

    rows: Rows
    extremes: Extremes
    within_operation: NDArray[np.bool_]

    @property
    def worst(self) -> Array:
        """Largest AP and RP of every unit, position then orientation, shape (UNIT_STATISTICS, units). [m and rad]"""
        return self.extremes.worst


class MemoryAllowance:
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
    """Stop request: once made, it holds for all threads."""

    def __init__(self, stopped: StopCallback) -> None:
        self._stopped, self._requested = stopped, False

    def check_stop(self) -> None:
        """Raise `Interrupted` where a stop is requested.

        Raises
        ------
        Interrupted
        """
        self._requested = self._requested or self._stopped()
        if self._requested:
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


class SampledPoses(NamedTuple):
    """Sampled poses of a chunk: their extremes, and the rows of the pose table completed with them, if any."""

    poses: int
    extremes: Extremes
    rows: Rows | None


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
        Memory for samples that are kept from one number of units to the next; 0 to keep none. [bytes]
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
        self._allowance = MemoryAllowance(memory if workers.in_process else 0)
        # samples can only be kept if all units are drawn and all poses of a chunk are evaluated together
        self._can_hold = workers.in_process and spec.layout.all_units_at_once and spec.layout.poses_per_output >= CHUNK
        size = chunk_size(
            sum(len(task.configurations) for task in tasks), spec.plan, workers.count, spec.sampler.sizes.chunk_samples
        )
        self._blocks = [PoseBlock.divide(task.key, task.configurations, size) for task in tasks]

    def first_order(self) -> list[PoseTable]:
        """Pose tables of every task by first order; columns that need a sample are nan.

        Raises
        ------
        Interrupted
        """
        return [self._first_order(blocks) for blocks in self._blocks]

    def _first_order(self, blocks: list[PoseBlock]) -> PoseTable:
        """Evaluate all blocks to first order."""
        tables = []
        for block in blocks:
            self._stop.check_stop()
            chunk, table = block.evaluate(self.spec)
            tables.append(replace(table, rows=table.rows.copy()))  # a copy, since the table itself is filled further
            block.stored = self._allowance.take(bytes_of_arrays((chunk, table)) + len(table) * POSE_BYTES)
            if not block.stored:
                block.evaluated = None
        rows = np.concatenate([table.rows for table in tables])
        return PoseTable(("",) * len(rows), tables[0].share_names, rows)

    def sample_up_to(self, units: int, resumable: bool = False) -> tuple[TaskSample, ...]:
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
        sample = self._sample_in_threads if self._workers.in_process else self._sample_in_processes
        results = sample(units, resumable and self._can_hold)
        within_operation = units_within_limits(self.spec.machine, self.spec.plan_with_units(units))
        return tuple(self._task_sample(task, results, within_operation) for task in self._tasks)

    def _sample_in_processes(self, units: int, resumable: bool) -> Iterator[SampledPoses]:
        """Samples of all chunks, computed in other processes."""
        del resumable  # other processes keep nothing
        chunks = [chunk for blocks in self._blocks for block in blocks for chunk in block.pose_chunks()]
        sample = partial(sample_in_process, pickled_spec(self.spec), units)
        for result in executors.map_in_order(self._workers.pool, self._workers.count, sample, chunks):
            yield SampledPoses(len(result.rows), result.extremes, result.rows)

    def _sample_in_threads(self, units: int, resumable: bool) -> Iterator[SampledPoses]:
        """Samples of all chunks, computed in threads of this process."""
        chunks = [chunk for blocks in self._blocks for block in blocks for chunk in block.chunks]
        sample = partial(self._sample, resumable)
        results = executors.map_in_order(self._workers.pool, self._workers.count, sample, self._prepared_chunks(units))
        for chunk, extremes in zip(chunks, results, strict=True):
            rows = chunk.block.filled_rows() if chunk.is_last else None
            yield SampledPoses(chunk.rows.stop - chunk.rows.start, extremes, rows)

    def _prepared_chunks(self, units: int) -> Iterator[ChunkProgress]:
        """Chunks in order; each block is prepared while the threads sample the previous one."""
        blocks = [block for blocks in self._blocks for block in blocks]
        for block, following in zip([None, *blocks], [*blocks, None], strict=True):
            self._stop.check_stop()
            if following is not None:
                following.start_evaluation(self.spec, self._workers.pool)
            if block is not None:
                block.prepare(self.spec, units, self._stop.check_stop)
                yield from block.chunks

    def _sample(self, resumable: bool, chunk: ChunkProgress) -> Extremes:
        """Sample one chunk up to the number of units of its block."""
        previous, chunk.sample = chunk.sample, None
        resumable = resumable and chunk.block.stored
        prepared, statistics = chunk.block.prepared
        extremes, sample = sample_prepared(
            self.spec, prepared, statistics, chunk.rows, previous, resumable, self._stop.check_stop
        )
        if previous is not None:
            self._allowance.give_back(bytes_of_arrays(previous))
        if sample is not None and self._allowance.take(bytes_of_arrays(sample)):
            chunk.sample = sample
        return extremes

    def _task_sample(
        self, task: TaskConfigurations, results: Iterator[SampledPoses], within_operation: NDArray[np.bool_]
    ) -> TaskSample:
        """Sample of a task, put together from the samples of its chunks."""
        total, completed = len(task.configurations), 0
        rows, extremes = np.empty(total, self.spec.row_type), Extremes.without_poses(len(within_operation))
        self._progress(task.name, 0, total)
        while completed < total:
            result = next(results)
            self._stop.check_stop()
            completed += result.poses
            if result.rows is not None:
                rows[completed - len(result.rows) : completed] = result.rows
            extremes.include(result.extremes)
            self._progress(task.name, completed, total)
        return TaskSample(rows, extremes, within_operation)
