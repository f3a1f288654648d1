"""A population that grows: what was sampled stays, further units are added, and it can be stopped at any time.

Units are keyed by their number, so that a population that has grown to some size is, to the bit, the one that was
sampled at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.core.kernel_digest import LANES
from armsim.core.pose_kernel import Part, Poses, Slots, ToldPoses, pack, packed_size, unpack
from armsim.core.sample_kernel import Tallies
from armsim.model.machine import Machine
from armsim.results.pose_table import PoseTable
from armsim.sampling.chunk import EvaluatedChunk, Extremes, RunSpec
from armsim.sampling.monte_carlo import sample
from armsim.sampling.operation_limits import operating
from armsim.sampling.pose import asked_at, fill_sampled
from armsim.sampling.pose_sample import UNIT_BYTES, empty_slots, empty_told
from armsim.sampling.run_options import Stopped, never
from armsim.sampling.sampler import Samples, TaskConfigurations, TaskSample
from armsim.sampling.unit_draws import Drawn
from armsim.sampling_plan import SamplingPlan

CHUNK = 1024
"""Poses whose kinematics is worked out together; the bits of their rows do not depend on it."""
PIECE = 64
"""Poses that a thread samples at a time."""
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
class _Piece:
    """Poses sampled together, as rows of the table of their chunk, and what is known of them so far."""

    task: int
    stage: EvaluatedChunk
    table: PoseTable
    rows: slice
    numbers: NDArray[np.int64]
    poses: Poses | None = None
    half_width: Array = field(default_factory=lambda: np.empty(0))
    squares: Array = field(default_factory=lambda: np.empty((0, 0)))
    figures: Array = field(default_factory=lambda: np.empty((0, 0, 0)))
    sums: Array = field(default_factory=lambda: np.empty((0, 0)))
    counts: list[_Counts] = field(default_factory=list)


def bytes_needed(poses: int, plan: SamplingPlan) -> int:
    """Memory that a population takes that has grown to the plan."""
    return poses * (POSE_BYTES + UNIT_BYTES * plan.units)


class Growing:
    """A population at the poses of some tasks, without a unit at first.

    Parameters
    ----------
    spec : RunSpec
        Its plan says how large the population can become; how finely RP is integrated follows from it.
    asked : list of TaskConfigurations
    workers : int
        Threads. The result does not depend on it.
    stopped : callable
        Asked after every call of the kernel whether to stop.
    """

    def __init__(self, spec: RunSpec, asked: list[TaskConfigurations], workers: int, stopped: Stopped = never) -> None:
        self.spec, self._kept, self._begun_to_grow = spec, 0, False
        self._stopped, self._workers = stopped, workers
        self._drawn: dict[bool, Drawn] = {}
        self._tables: list[list[PoseTable]] = []
        self._tasks = [list(self._begun(task)) for task in asked]

    def _begun(self, task: TaskConfigurations) -> Iterator[_Piece]:
        tables: list[PoseTable] = []
        self._tables.append(tables)
        for first in range(0, len(task.configurations), CHUNK):
            self._heed()
            own = task.configurations[first : first + CHUNK]
            stage = EvaluatedChunk.of(self.spec, own)
            tables.append(stage.table(self.spec, own))
            for low in range(0, len(own), PIECE):
                rows = slice(low, min(low + PIECE, len(own)))
                yield _Piece(task.key, stage, tables[-1], rows, own.numbers)

    def _heed(self) -> None:
        if self._stopped():
            raise Interrupted

    def first_order(self) -> list[PoseTable]:
        """What needs no sample, of every task; all else is nan."""
        return [_joined(tables) for tables in self._tables]

    def grow(self, units: int) -> Samples:
        """Sample until there are so many units; what is known of all of them.

        The first population is not kept but drawn again with the next: to keep it takes as long, and the first answer
        would wait for that.

        Raises
        ------
        Interrupted
        """
        plan = replace(self.spec.plan, units=units)
        every = [piece for pieces in self._tasks for piece in pieces]
        for piece in every:
            moving = self._moves(piece.stage.machine)
            if moving not in self._drawn:
                self._drawn[moving] = Drawn(piece.stage.machine.terms, self.spec.plan, in_memory=True)
        keep = self._begun_to_grow and units < self.spec.plan.units
        with ThreadPoolExecutor(self._workers) as pool:
            grown = iter(list(pool.map(lambda piece: self._grown(piece, units, keep), every)))
        self._begun_to_grow, self._kept = True, units if keep else 0
        found, fit = [], operating(self.spec.machine, plan)
        for pieces, tables in zip(self._tasks, self._tables, strict=True):
            rows = np.concatenate([table.rows for table in tables])
            extremes = Extremes.none(units)
            for _ in pieces:
                extremes.join(next(grown))
            found.append(TaskSample(rows, extremes, fit))
        return Samples(replace(self.spec, plan=plan, drawn=None), tuple(found), None)

    def _grown(self, piece: _Piece, units: int, keep: bool) -> Extremes:
        spec, plan, before = self.spec, replace(self.spec.plan, units=units), self._kept
        first, last = piece.rows.start, piece.rows.stop
        if piece.poses is None:
            piece.poses = self._laid_out(piece)
        asked, coverage = asked_at(spec.coverage, plan)
        told = empty_told(last - first, units, len(asked.ps), 0)
        if before:
            told.squares[:, :before], told.figures[:, :, :before] = piece.squares, piece.figures
            told.sums[:] = piece.sums
        slots, counts = empty_slots(TOGETHER), []
        size = max(LANES, AT_ONCE // (TOGETHER * plan.visits) // LANES * LANES)
        for low in range(first, last, TOGETHER):
            high = min(low + TOGETHER, last)
            if before:
                for i, own in enumerate(piece.counts[low - first : high - first]):
                    unpack(own.place, own.count, own.extremes, _slot_of(slots, i))
            part_told = ToldPoses(*(array[low - first : high - first] for array in told))
            for begin in range(before, units, size):
                self._heed()
                more = min(size, units - begin)
                part = Part(low, high, piece.task, begin, more, plan.visits, units, -1)
                drawn = self._coefficients(piece.stage.machine, begin, more)
                sample(piece.poses, drawn, part, asked, coverage, slots, part_told)
            if keep:
                counts += [_packed(_slot_of(slots, i)) for i in range(high - low)]
        piece.squares, piece.figures, piece.sums, piece.counts = told.squares, told.figures, told.sums, counts
        fill_sampled(piece.table, piece.rows, piece.stage.linear, told, plan, piece.half_width)
        extremes = Extremes.none(units)
        extremes.add(told.figures, piece.half_width)
        return extremes

    def _laid_out(self, piece: _Piece) -> Poses:
        stage, rows = piece.stage, piece.rows
        law = stage.sampler.law(stage.tangents, rows)
        piece.half_width = law.half_width[rows]
        if self._moves(stage.machine):
            stage.fill_first_unit(piece.table, law, self.spec.plan, range(rows.start, rows.stop))
        return stage.sampler.laid_out(law, stage.scales, stage.tangents, piece.numbers)

    def _coefficients(self, machine: Machine, first: int, units: int) -> Array:
        return self._drawn[self._moves(machine)].of(first, units)

    def _moves(self, machine: Machine) -> bool:
        """Whether a machine is that of a path."""
        return machine is not self.spec.machine


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
