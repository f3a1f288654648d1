"""Sampling of the poses of a chunk, at once or in steps of units.

A unit is one simulated arm with its own drawn error coefficients.
"""

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
    """Table rows of a chunk's poses, and the extremes of every unit over them."""

    rows: Rows
    extremes: Extremes


@dataclass(frozen=True, eq=False)
class PreparedPoses:
    """Poses of one chunk, ready for the sampling kernels.

    Parameters
    ----------
    task : int
        Key of the task.
    chunk : EvaluatedChunk
    table : PoseTable
        Result table of the poses, with the columns of the first-order (linearised) model filled in.
    poses : Poses
    half_width : (poses,) [m]
        Half-width of the 95 % interval of pose repeatability RP (ISO 9283) from numerical integration.
    """

    task: int
    chunk: EvaluatedChunk
    table: PoseTable
    poses: Poses
    half_width: Array

    @staticmethod
    def of(
        spec: RunSpec, task: int, chunk: EvaluatedChunk, table: PoseTable, numbers: NDArray[np.int64]
    ) -> PreparedPoses:
        """Compute the distribution of the visits and arrange the poses for the kernels.

        Parameters
        ----------
        spec : RunSpec
        task : int
            Key of the task.
        chunk : EvaluatedChunk
        table : PoseTable
            Result table with the columns that need no sample filled in.
        numbers : (poses,)
            Numbers of the poses in their task.

        Returns
        -------
        PreparedPoses
        """
        distribution = chunk.sampler.visit_distribution(chunk.tangents)
        if chunk.in_motion:
            chunk.fill_first_unit(table, distribution, spec)
        poses = chunk.sampler.laid_out(distribution, chunk.scales, chunk.tangents, numbers)
        return PreparedPoses(task, chunk, table, poses, distribution.half_width)


@dataclass(frozen=True, eq=False)
class PackedCounts:
    """Sparse histogram of one pose: numbers and counts of the non-empty bins, and the extremes.

    Parameters
    ----------
    bin_index : (bins,) int32
    count : (bins,)
    extremes : (2, MEASURES)
        Smallest and largest value of each measure.
    """

    bin_index: Any
    count: NDArray[np.int64]
    extremes: Array

    @staticmethod
    def of(tallies: Tallies) -> PackedCounts:
        """Pack the histogram of a pose."""
        size = packed_size(tallies)
        bin_index, count = np.empty(size, dtype=np.int64), np.empty(size, dtype=np.int64)
        pack(tallies, bin_index, count)
        return PackedCounts(bin_index.astype(np.int32), count, tallies.extremes.copy())


@dataclass(frozen=True, eq=False)
class PartialSample:
    """Sample of the first units of a chunk, to which more can be added.

    Parameters
    ----------
    squared_errors : (poses, units) [m^2]
        Mean over the visits of the squared position error.
    unit_statistics : (poses, UNIT_STATISTICS, units) [m, m, rad, rad]
        AP and RP of position, AP and RP of orientation of every unit.
    sums : (poses, SUMS)
        Sums over all visits and units: coordinates, their products, and the squared rotation angle.
    counts : tuple of PackedCounts
        Histogram of every pose.
    """

    squared_errors: Array
    unit_statistics: Array
    sums: Array
    counts: tuple[PackedCounts, ...]

    @property
    def units(self) -> int:
        """Number of units sampled."""
        return int(self.squared_errors.shape[1])


def sample_chunk(
    spec: RunSpec, chunk: PoseChunk, units: int | None = None, check_stop: CheckStop = never_stop
) -> ChunkResult:
    """Sample the first units at the poses of a chunk; all units of the plan by default.

    Parameters
    ----------
    spec : RunSpec
    chunk : PoseChunk
    units : int, optional
        Number of units; that of the plan by default.
    check_stop : callable
        Called before every kernel call; may raise `Interrupted`.

    Returns
    -------
    ChunkResult
    """
    evaluated = EvaluatedChunk.of(spec, chunk.configurations)
    table = evaluated.table(spec, chunk.configurations)
    prepared = PreparedPoses.of(spec, chunk.task, evaluated, table, chunk.configurations.numbers)
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
        Number of units, at most ``spec.plan.units``; the accuracy of the integration of RP is set by the plan.
    before : PartialSample, optional
        Partial sample to continue; must hold fewer than ``units`` units. Default: start from zero.
    resumable : bool
        Return a partial sample, to which units can be added. Needs a layout with a histogram per pose of a call.
    check_stop : callable
        Called before every kernel call; may raise `Interrupted`.

    Returns
    -------
    ChunkResult, PartialSample or None

    Raises
    ------
    Interrupted
        Raised by ``check_stop``.
    """
    plan, layout, chunk = spec.plan_of(units), spec.layout, prepared.chunk
    previous_units = 0 if before is None else before.units
    quantiles, coverage = pose_queries(spec.coverage, plan)
    poses = len(prepared.table)
    size = poses if resumable or before is not None else min(max(layout.poses_per_output, layout.poses_per_call), poses)
    buffers = empty_outputs(size, units, len(quantiles.ps), units // spec.batch if spec.batch else 0)
    slots, counts = empty_slots(layout.histograms), []
    extremes = Extremes.none(units)
    for low in range(0, poses, size):
        high = min(low + size, poses)
        outputs = _slice_rows(buffers, 0, high - low)
        outputs.sums[:] = 0.0
        if before is not None:
            outputs.squared_errors[:, :previous_units], outputs.unit_statistics[:, :, :previous_units] = (
                before.squared_errors,
                before.unit_statistics,
            )
            outputs.sums[:] = before.sums
        for begin in range(low, high, layout.poses_per_call):
            end = min(begin + layout.poses_per_call, high)
            group = _slice_rows(outputs, begin - low, end - low)
            if before is not None:
                for i, packed in enumerate(before.counts[begin - low : end - low]):
                    unpack(packed.bin_index, packed.count, packed.extremes, _slot(slots, i))
            for number, (first, count) in enumerate(blocks(units - previous_units, layout.unit_block)):
                check_stop()
                batch = number if spec.batch and count == spec.batch else -1
                part = Part(begin, end, prepared.task, previous_units + first, count, plan.visits, units, batch)
                coefficients = spec.units(previous_units + first, count, chunk.in_motion)
                sample(prepared.poses, coefficients, part, quantiles, coverage, slots, group)
            if resumable:
                counts += [PackedCounts.of(_slot(slots, i)) for i in range(end - begin)]
        half_width = prepared.half_width[low:high]
        fill_sampled(prepared.table, slice(low, high), chunk.linear, outputs, plan, half_width)
        extremes.add(outputs.unit_statistics, half_width)
    result = ChunkResult(prepared.table.rows, extremes)
    return result, PartialSample(
        buffers.squared_errors, buffers.unit_statistics, buffers.sums, tuple(counts)
    ) if resumable else None


def _slice_rows(outputs: PoseOutputs, low: int, high: int) -> PoseOutputs:
    return PoseOutputs(*(array[low:high] for array in outputs))


def _slot(slots: Slots, i: int) -> Tallies:
    return Tallies(*(array[i] for array in slots))


def array_bytes(thing: Any) -> int:
    """Memory of all arrays of a dataclass and the dataclasses nested in it. [bytes]

    Each array is counted once. Machines and terms are shared by all chunks and are not counted.
    """
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
