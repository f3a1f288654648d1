"""A population that grows: what was sampled stays, further units are added, and it can be stopped at any time.

Units are keyed by their number, so that a population that has grown to some size is, to the bit, the one that was
sampled at once.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.asked import Requirement, SamplingPlan
from armsim.core.pose_kernel import Part, Poses, Slots, ToldPoses, pack, packed_size, unpack
from armsim.core.sample_kernel import Tallies
from armsim.core.sources import LANES
from armsim.engine.drawn import Drawn
from armsim.engine.layout import Layout
from armsim.engine.montecarlo import sample
from armsim.engine.operation import operating
from armsim.engine.pose import asked_at, fill_sampled
from armsim.engine.posesample import UNIT_BYTES, empty_slots, empty_told
from armsim.engine.run import Samples, TaskConfigurations, TaskSample
from armsim.engine.work import Job, Stage, passes, pieces
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine
from armsim.results.posetable import PoseTable

Stopped = Callable[[], bool]
TOGETHER = 4
"""Poses that one call of the kernel samples."""
POSE_BYTES = 400_000
"""Bytes that a pose takes, its packed counts most of all: on the demo up to 119 kB at 128 units, 329 kB at 2000."""
AT_ONCE = 400_000
"""Pose-samples of one call, at most, so that it takes some 20 ms and a stop is heard soon after."""


class Interrupted(Exception):
    """It was stopped."""


@dataclass
class _Counts:
    """Packed counts of a pose, and the extremes."""

    place: Any
    count: Any
    extremes: Array


@dataclass
class _Chunk:
    """Poses worked out together, and what is known of them so far."""

    configurations: Configurations
    task: int
    stage: Stage
    table: PoseTable
    poses: Poses | None = None
    half_width: Array = field(default_factory=lambda: np.empty(0))
    squares: Array = field(default_factory=lambda: np.empty((0, 0)))
    figures: Array = field(default_factory=lambda: np.empty((0, 0, 0)))
    sums: Array = field(default_factory=lambda: np.empty((0, 0)))
    counts: list[_Counts] = field(default_factory=list)


def job_of(machine: Machine, plan: SamplingPlan, coverage: float, requirement: Requirement | None) -> Job:
    """What a population that grows up to the plan's units has in common."""
    return Job(machine, plan, coverage, requirement, Layout(plan.units, 1, 1, 0))


def bytes_needed(poses: int, plan: SamplingPlan) -> int:
    """Memory that a population takes that has grown to the plan."""
    return poses * (POSE_BYTES + UNIT_BYTES * plan.units)


class Growing:
    """A population at the poses of some tasks, without a unit at first.

    Parameters
    ----------
    job : Job
        Of `job_of`. Its plan says how large the population can become; how finely RP is integrated follows from it.
    asked : list of TaskConfigurations
    workers : int
        Threads. The result does not depend on it.
    stopped : callable
        Asked after every call of the kernel whether to stop.
    """

    def __init__(
        self, job: Job, asked: list[TaskConfigurations], workers: int, stopped: Stopped = lambda: False
    ) -> None:
        self.job, self.units = job, 0
        self._stopped, self._workers = stopped, workers
        self._drawn: dict[bool, Drawn] = {}
        self._tasks = [
            [self._begun(task.key, piece.configurations) for piece in pieces(task.key, task.configurations, 1)]
            for task in asked
        ]

    def _begun(self, task: int, configurations: Configurations) -> _Chunk:
        self._heed()
        stage = Stage.of(self.job, configurations)
        return _Chunk(configurations, task, stage, stage.table(self.job, configurations))

    def _heed(self) -> None:
        if self._stopped():
            raise Interrupted

    def first_order(self) -> list[PoseTable]:
        """What needs no sample, of every task; all else is nan."""
        return [_joined([chunk.table for chunk in chunks]) for chunks in self._tasks]

    def grow(self, units: int) -> Samples:
        """Sample until there are so many units; what is known of all of them.

        Raises
        ------
        Interrupted
        """
        plan = replace(self.job.plan, units=units)
        every = [chunk for chunks in self._tasks for chunk in chunks]
        for chunk in every:
            moving = chunk.stage.machine is not self.job.machine
            if moving not in self._drawn:
                self._drawn[moving] = Drawn(chunk.stage.machine.terms, self.job.plan, in_memory=True)
        with ThreadPoolExecutor(self._workers) as pool:
            passing = list(pool.map(lambda chunk: self._grown(chunk, units), every))
        self.units, found, at, fit = units, [], 0, operating(self.job.machine, plan)[None]
        for chunks in self._tasks:
            rows = np.concatenate([chunk.table.rows for chunk in chunks])
            own = np.logical_and.reduce([passing[at + i] for i in range(len(chunks))]) & fit
            worst = np.maximum.reduce([chunk.figures[:, :2].max(axis=0) for chunk in chunks])
            found.append(TaskSample(rows, own[0], own[1:], worst))
            at += len(chunks)
        return Samples(replace(self.job, plan=plan, drawn=None), tuple(found), None)

    def _grown(self, chunk: _Chunk, units: int) -> np.ndarray:
        job, plan = self.job, replace(self.job.plan, units=units)
        count, before = len(chunk.configurations), self.units
        if chunk.poses is None:
            chunk.poses = self._laid_out(chunk)
        asked, coverage = asked_at(job.coverage, plan)
        told = empty_told(count, units, len(asked.ps), 0)
        if before:
            told.squares[:, :before], told.figures[:, :, :before] = chunk.squares, chunk.figures
            told.sums[:] = chunk.sums
        slots, counts = empty_slots(TOGETHER), []
        size = max(LANES, AT_ONCE // (TOGETHER * plan.visits) // LANES * LANES)
        for low in range(0, count, TOGETHER):
            high = min(low + TOGETHER, count)
            for i, pose in enumerate(range(low, high)):
                if before:
                    kept = chunk.counts[pose]
                    unpack(kept.place, kept.count, kept.extremes, _slot_of(slots, i))
            own = ToldPoses(*(array[low:high] for array in told))
            for first in range(before, units, size):
                self._heed()
                more = min(size, units - first)
                part = Part(low, high, chunk.task, first, more, plan.visits, units, -1)
                drawn = self._coefficients(chunk.stage.machine, first, more)
                sample(chunk.poses, drawn, part, asked, coverage, slots, own)
            counts += [_packed(_slot_of(slots, i)) for i in range(high - low)]
        chunk.squares, chunk.figures, chunk.sums, chunk.counts = told.squares, told.figures, told.sums, counts
        fill_sampled(chunk.table, slice(0, count), chunk.stage.linear, told, plan, chunk.half_width)
        return passes(told.figures, job.requirement, chunk.half_width)

    def _laid_out(self, chunk: _Chunk) -> Poses:
        stage, configurations = chunk.stage, chunk.configurations
        law = stage.sampler.law(stage.tangents)
        chunk.half_width = law.half_width
        if configurations.directions is not None:
            stage.fill_first_unit(chunk.table, law, self.job.plan, range(len(configurations)))
        return stage.sampler.laid_out(law, stage.scales, stage.tangents, configurations.numbers)

    def _coefficients(self, machine: Machine, first: int, units: int) -> Array:
        moving = machine is not self.job.machine
        return self._drawn[moving].of(first, units)


def _slot_of(slots: Slots, i: int) -> Tallies:
    return Tallies(*(own[i] for own in slots))


def _packed(tallies: Tallies) -> _Counts:
    size = packed_size(tallies)
    place, count = np.empty(size, dtype=np.int64), np.empty(size, dtype=np.int64)
    pack(tallies, place, count)
    return _Counts(place.astype(np.int32), count, tallies.extremes.copy())


def _joined(tables: list[PoseTable]) -> PoseTable:
    rows = np.concatenate([table.rows for table in tables])
    return PoseTable(("",) * len(rows), tables[0].share_names, rows)
