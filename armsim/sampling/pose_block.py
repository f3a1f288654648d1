"""Block of poses that are evaluated together in Python, and sampled chunk by chunk in threads of compiled code.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field

from armsim.model.configurations import Configurations
from armsim.results.pose_table import PoseTable, Rows
from armsim.run_options import CheckStop
from armsim.sampling.chunk import CHUNK, EvaluatedChunk, PoseChunk, RunSpec
from armsim.sampling.chunk_sampler import PartialSample, PoseStatistics, PreparedPoses
from armsim.sampling.visit_integrals import VisitIntegrals
from armsim.sampling_plan import SamplingPlan

POSES_PER_BLOCK = 4 * CHUNK
"""Most poses evaluated together; the result does not depend on it. Larger blocks save nothing; the first ones of a task
are smaller, since all threads wait for them: `CHUNK` poses, then as many as there were before."""
CHUNKS_PER_WORKER = 6
"""Chunks per worker, so that no worker waits long for the last chunk."""


@dataclass(eq=False)
class ChunkProgress:
    """Chunk of a block, with the sample taken of it so far.

    Parameters
    ----------
    block : PoseBlock
    rows : slice
        Its poses within the block.
    sample : PartialSample, optional
        Sample that is stored for further units.
    """

    block: PoseBlock
    rows: slice
    sample: PartialSample | None = None

    @property
    def is_last(self) -> bool:
        """Whether no chunk of the block follows."""
        return self is self.block.chunks[-1]


@dataclass(eq=False)
class PoseBlock:
    """Poses of a task that are evaluated together.

    Python evaluates them in one thread, since only one thread runs Python at a time; others sum the integrals over
    their visits meanwhile, and then sample.

    Parameters
    ----------
    task : int
        Key of the task.
    configurations : Configurations
        Joint positions of the poses.
    stored : bool
        Whether evaluated poses are stored for further units.
    evaluated : (EvaluatedChunk, PoseTable), optional
        The poses, and their table with the columns that need no sample.
    """

    task: int
    configurations: Configurations
    chunks: list[ChunkProgress] = field(default_factory=list)
    stored: bool = False
    evaluated: tuple[EvaluatedChunk, PoseTable] | None = None
    _integrals: VisitIntegrals | None = None
    _sums: list[Future[None]] = field(default_factory=list)
    _prepared: PreparedPoses | None = None
    _statistics: PoseStatistics | None = None

    @staticmethod
    def divide(task: int, configurations: Configurations, chunk_size: int) -> list[PoseBlock]:
        """Divide the poses of a task into blocks of chunks.

        Parameters
        ----------
        task : int
            Key of the task.
        configurations : Configurations
            Joint positions of all poses of the task.
        chunk_size : int
            Most poses of a chunk.

        Returns
        -------
        list of PoseBlock
        """
        out, end = [], 0
        while end < len(configurations):
            first, end = end, end + min(max(CHUNK, end), POSES_PER_BLOCK)
            block = PoseBlock(task, configurations[first:end])
            poses = len(block.configurations)
            for begin in range(0, poses, chunk_size):
                block.chunks.append(ChunkProgress(block, slice(begin, min(begin + chunk_size, poses))))
            out.append(block)
        return out

    def pose_chunks(self) -> Iterator[PoseChunk]:
        """Chunks of this block for another process, which evaluates them itself."""
        for chunk in self.chunks:
            yield PoseChunk(self.task, self.configurations[chunk.rows])

    def evaluate(self, spec: RunSpec) -> tuple[EvaluatedChunk, PoseTable]:
        """Evaluate the poses, unless they are evaluated already; return them and their table."""
        if self.evaluated is None:
            chunk = EvaluatedChunk.evaluate(spec, self.configurations)
            self.evaluated = chunk, chunk.table(spec, self.configurations)
        return self.evaluated

    def start_evaluation(self, spec: RunSpec, pool: Executor) -> None:
        """Evaluate the poses and let threads of the pool sum the integrals over their visits.

        Parameters
        ----------
        spec : RunSpec
        pool : Executor
        """
        if self._prepared is None:
            chunk, _ = self.evaluate(spec)
            self._integrals = chunk.machine_at_poses.visit_integrals(chunk.tangents)
            self._sums = [pool.submit(self._integrals.sum, item.rows) for item in self.chunks]

    def prepare(self, spec: RunSpec, units: int, check_stop: CheckStop) -> None:
        """Prepare the poses for sampling, as soon as the integrals are summed.

        Parameters
        ----------
        spec : RunSpec
        units : int
            Number of units that will be sampled.
        check_stop : callable
            Called before every chunk, as `CheckStop`.
        """
        if self._prepared is None:
            for future in self._sums:
                check_stop()
                future.result()
            assert self._integrals is not None  # ensured by `start_evaluation`
            chunk, table = self.evaluate(spec)
            numbers = self.configurations.numbers
            self._prepared = PreparedPoses.prepare(spec, self.task, chunk, table, self._integrals, numbers)
            self._integrals, self._sums = None, []
        self._statistics = PoseStatistics.empty(spec, len(self.configurations), units)

    @property
    def prepared(self) -> tuple[PreparedPoses, PoseStatistics]:
        """Poses and statistics that `prepare` made."""
        assert self._prepared is not None
        assert self._statistics is not None
        return self._prepared, self._statistics

    def filled_rows(self) -> Rows:
        """Rows of all poses, once all chunks are sampled; those not stored are discarded.

        Returns
        -------
        (poses,)
        """
        prepared, statistics = self.prepared
        rows = statistics.fill(prepared)
        self._statistics = None
        if not self.stored:
            self.evaluated = self._prepared = None
        return rows


def chunk_size(poses: int, plan: SamplingPlan, workers: int, chunk_samples: int) -> int:
    """Number of poses of a chunk, so that all workers have enough to do and each call enough to sample.

    Parameters
    ----------
    poses : int
        Number of poses of all tasks.
    plan : SamplingPlan
    workers : int
    chunk_samples : int
        Pose-samples of a chunk, below which its preparation would take longer than its sampling.

    Returns
    -------
    int
    """
    if workers == 1:
        return CHUNK
    least = -(-chunk_samples // (plan.units * plan.visits))
    return min(max(-(-poses // (CHUNKS_PER_WORKER * workers)), least), CHUNK)
