"""Sampling of the poses of a chunk, at once or in steps of units."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.core.pose_kernel import Part, PoseOutputs, Poses, Slots, pack, packed_size, unpack
from armsim.core.sample_kernel import Tallies
from armsim.errormodel.terms import Term
from armsim.model.machine import Machine
from armsim.results.pose_table import PoseTable, Rows
from armsim.sampling.chunk import EvaluatedChunk, Extremes, PoseChunk, RunSpec
from armsim.sampling.monte_carlo import blocks, sample
from armsim.sampling.pose import fill_sampled, pose_queries
from armsim.sampling.pose_sample import empty_outputs, empty_slots

CheckStop = Callable[[], None]
"""Callback before every kernel call; raises `Interrupted` to stop the sampling."""


def never_stop() -> None:
    """Callback that never stops the sampling."""


@dataclass(frozen=True, eq=False)
class ChunkResult:
    """Rows of a chunk's poses, and the extremes of every unit over them."""

    rows: Rows
    extremes: Extremes


@dataclass(frozen=True, eq=False)
class PreparedPoses:
    """Poses in the layout of the kernels.

    Parameters
    ----------
    task : int
        Key of the task.
    chunk : EvaluatedChunk
    table : PoseTable
        Of all poses of the chunk, their first order filled in.
    rows : slice
        Those that are sampled.
    poses : Poses
    half_width : (rows,) [m]
        Half of the 95 % interval of the integration of RP.
    """

    task: int
    chunk: EvaluatedChunk
    table: PoseTable
    rows: slice
    poses: Poses
    half_width: Array

    @staticmethod
    def of(
        spec: RunSpec, task: int, chunk: EvaluatedChunk, table: PoseTable, numbers: NDArray[np.int64], rows: slice
    ) -> PreparedPoses:
        """Compute the law of the visits and lay out the poses; ``numbers`` are of all poses, shape (poses,).

        Parameters
        ----------
        spec : RunSpec
        task : int
            Key of the task.
        chunk : EvaluatedChunk
        table : PoseTable
            Rows with what needs no sample.
        numbers : (poses,)
            Numbers of the poses in their task.
        rows : slice
            Poses to sample.

        Returns
        -------
        PreparedPoses
        """
        law = chunk.sampler.law(chunk.tangents, rows)
        if chunk.moving:
            chunk.fill_first_unit(table, law, spec.plan, range(rows.start, rows.stop))
        poses = chunk.sampler.laid_out(law, chunk.scales, chunk.tangents, numbers)
        return PreparedPoses(task, chunk, table, rows, poses, law.half_width[rows])


@dataclass(frozen=True, eq=False)
class PackedCounts:
    """Counts of a pose without empty bins: bin numbers (int32, shape (bins,)), counts, and extremes."""

    place: Any
    count: NDArray[np.int64]
    extremes: Array

    @staticmethod
    def of(tallies: Tallies) -> PackedCounts:
        """Pack the counts of a slot."""
        size = packed_size(tallies)
        place, count = np.empty(size, dtype=np.int64), np.empty(size, dtype=np.int64)
        pack(tallies, place, count)
        return PackedCounts(place.astype(np.int32), count, tallies.extremes.copy())


@dataclass(frozen=True, eq=False)
class PartialSample:
    """Sample of the first units of a chunk, to which more can be added.

    Parameters
    ----------
    squares : (poses, units) [m^2]
    figures : (poses, UNIT_FIGURES, units)
    sums : (poses, SUMS)
        As `PoseOutputs`.
    counts : tuple of PackedCounts
    """

    squares: Array
    figures: Array
    sums: Array
    counts: tuple[PackedCounts, ...]

    @property
    def units(self) -> int:
        """Number of units sampled."""
        return int(self.squares.shape[1])


def sample_chunk(
    spec: RunSpec, chunk: PoseChunk, units: int | None = None, check_stop: CheckStop = never_stop
) -> ChunkResult:
    """Sample the first units at the poses of a chunk; all units of the plan by default.

    Parameters
    ----------
    spec : RunSpec
    chunk : PoseChunk
    units : int, optional
    check_stop : callable
        Called before every kernel call; may raise `Interrupted`.

    Returns
    -------
    ChunkResult
    """
    evaluated = EvaluatedChunk.of(spec, chunk.configurations)
    table = evaluated.table(spec, chunk.configurations)
    rows = slice(chunk.begin, chunk.end)
    prepared = PreparedPoses.of(spec, chunk.task, evaluated, table, chunk.configurations.numbers, rows)
    return sample_prepared(spec, prepared, units or spec.plan.units, check_stop=check_stop)[0]


def sample_prepared(
    spec: RunSpec,
    prepared: PreparedPoses,
    units: int,
    before: PartialSample | None = None,
    resumable: bool = False,
    check_stop: CheckStop = never_stop,
) -> tuple[ChunkResult, PartialSample | None]:
    """Sample prepared poses up to a number of units.

    Parameters
    ----------
    spec : RunSpec
    prepared : PreparedPoses
    units : int
        At most those of the plan, by which the integration of RP goes.
    before : PartialSample, optional
        Units that were sampled already, fewer; none where not given.
    resumable : bool
        Return a partial sample, to which units can be added. Needs a layout with a slot for every pose of a group.
    check_stop : callable

    Returns
    -------
    ChunkResult, PartialSample or None

    Raises
    ------
    Interrupted
        By ``check_stop``.
    """
    plan, layout, rows, chunk = spec.plan_of(units), spec.layout, prepared.rows, prepared.chunk
    previous_units = 0 if before is None else before.units
    quantiles, coverage = pose_queries(spec.coverage, plan)
    poses = rows.stop - rows.start
    size = poses if resumable or before is not None else min(max(layout.span, layout.group), poses)
    room = empty_outputs(size, units, len(quantiles.ps), units // spec.batch if spec.batch else 0)
    slots, counts = empty_slots(layout.slots), []
    extremes = Extremes.none(units)
    for low in range(rows.start, rows.stop, size):
        high = min(low + size, rows.stop)
        outputs = _part(room, 0, high - low)
        outputs.sums[:] = 0.0
        if before is not None:
            outputs.squares[:, :previous_units], outputs.figures[:, :, :previous_units] = before.squares, before.figures
            outputs.sums[:] = before.sums
        for begin in range(low, high, layout.group):
            end = min(begin + layout.group, high)
            group = _part(outputs, begin - low, end - low)
            if before is not None:
                for i, packed in enumerate(before.counts[begin - low : end - low]):
                    unpack(packed.place, packed.count, packed.extremes, _slot(slots, i))
            for number, (first, count) in enumerate(blocks(units - previous_units, layout.unit_block)):
                check_stop()
                batch = number if spec.batch and count == spec.batch else -1
                part = Part(begin, end, prepared.task, previous_units + first, count, plan.visits, units, batch)
                coefficients = spec.units(previous_units + first, count, chunk.moving)
                sample(prepared.poses, coefficients, part, quantiles, coverage, slots, group)
            if resumable:
                counts += [PackedCounts.of(_slot(slots, i)) for i in range(end - begin)]
        half_width = prepared.half_width[low - rows.start : high - rows.start]
        fill_sampled(prepared.table, slice(low, high), chunk.linear, outputs, plan, half_width)
        extremes.add(outputs.figures, half_width)
    result = ChunkResult(prepared.table.rows[rows], extremes)
    return result, PartialSample(room.squares, room.figures, room.sums, tuple(counts)) if resumable else None


def _part(outputs: PoseOutputs, low: int, high: int) -> PoseOutputs:
    return PoseOutputs(*(array[low:high] for array in outputs))


def _slot(slots: Slots, i: int) -> Tallies:
    return Tallies(*(array[i] for array in slots))


def array_bytes(thing: Any) -> int:
    """Memory of all arrays of a record and nested records, each counted once, without machines and terms. [bytes]"""
    sizes: dict[int, int] = {}
    _gather(thing, sizes)
    return sum(sizes.values())


def _gather(thing: Any, sizes: dict[int, int]) -> None:
    if isinstance(thing, np.ndarray):
        owner = thing if thing.base is None or not isinstance(thing.base, np.ndarray) else thing.base
        sizes[id(owner)] = owner.nbytes
    elif isinstance(thing, tuple | list):
        for part in thing:
            _gather(part, sizes)
    elif is_dataclass(thing) and not isinstance(thing, type | Machine | Term):
        for field in fields(thing):
            _gather(getattr(thing, field.name), sizes)
