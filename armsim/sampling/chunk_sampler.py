"""Sampling of the poses of a chunk, at once or in steps of units.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.core.packed_counts import pack, packed_size, unpack
from armsim.core.pose_kernel import HistogramStack, PoseOutputs, PoseQuery, Poses, UnitArrays, WorkItem
from armsim.core.sample_kernel import Histograms
from armsim.errormodel.terms import Term
from armsim.model.machine import Machine
from armsim.results.pose_table import PoseTable, Rows
from armsim.run_options import CheckStop, never_stop
from armsim.sampling.chunk import EvaluatedChunk, Extremes, PoseChunk, RunSpec
from armsim.sampling.kernel_arrays import empty_histograms, empty_outputs, empty_units
from armsim.sampling.monte_carlo import unit_ranges
from armsim.sampling.pose_statistics import fill_sampled, pose_query
from armsim.sampling.visit_integrals import VisitIntegrals
from armsim.sampling_plan import SamplingPlan

Numbers = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class ChunkResult:
    """Table rows of the poses of a chunk, and the largest figures of every unit at these poses."""

    rows: Rows
    extremes: Extremes


@dataclass(frozen=True, eq=False)
class PreparedPoses:
    """Poses that are evaluated together, ready for the sampling kernels.

    Parameters
    ----------
    task : int
        Key of the task.
    chunk : EvaluatedChunk
    table : PoseTable
        Result table of the poses, with the columns of the first-order (linearised) model filled in.
    poses : Poses
    """

    task: int
    chunk: EvaluatedChunk
    table: PoseTable
    poses: Poses

    @staticmethod
    def prepare(
        spec: RunSpec, task: int, chunk: EvaluatedChunk, table: PoseTable, integrals: VisitIntegrals, numbers: Numbers
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
        integrals : VisitIntegrals
            Integrals of the poses of the chunk, summed.
        numbers : (poses,)
            Numbers of the poses in their task.

        Returns
        -------
        PreparedPoses
        """
        distribution = chunk.machine_at_poses.distribution_of(integrals)
        if chunk.in_motion:
            chunk.fill_first_unit(table, distribution, spec)
        return PreparedPoses(
            task, chunk, table, chunk.machine_at_poses.kernel_poses(distribution, chunk.scales, chunk.tangents, numbers)
        )


@dataclass(frozen=True, eq=False)
class PoseStatistics:
    """Statistics requested at prepared poses for a number of units, and the arrays into which kernels write them.

    Parameters
    ----------
    plan : SamplingPlan
        With that number of units.
    query : PoseQuery
    outputs : PoseOutputs
        Of all prepared poses.
    """

    plan: SamplingPlan
    query: PoseQuery
    outputs: PoseOutputs

    @staticmethod
    def empty(spec: RunSpec, poses: int, units: int) -> PoseStatistics:
        """Empty arrays for the statistics of a number of units.

        Parameters
        ----------
        spec : RunSpec
        poses, units : int

        Returns
        -------
        PoseStatistics
        """
        plan = spec.plan_with_units(units)
        query = pose_query(spec.coverage, plan)
        return PoseStatistics(plan, query, empty_outputs(poses, query, units // spec.batch if spec.batch else 0))

    def fill(self, prepared: PreparedPoses) -> Rows:
        """Fill the table of the prepared poses, once all of them are sampled, and return its rows."""
        half_width = prepared.poses.half_width
        fill_sampled(prepared.table, prepared.chunk.first_order, self.outputs, self.plan, half_width)
        return prepared.table.rows


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
    def pack(histograms: Histograms) -> PackedCounts:
        """Pack the histogram of a pose."""
        size = packed_size(histograms)
        bin_index, count = np.empty(size, dtype=np.int64), np.empty(size, dtype=np.int64)
        pack(histograms, bin_index, count)
        return PackedCounts(bin_index.astype(np.int32), count, histograms.extremes.copy())


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
    evaluated = EvaluatedChunk.evaluate(spec, chunk.configurations)
    table = evaluated.table(spec, chunk.configurations)
    integrals = evaluated.machine_at_poses.visit_integrals(evaluated.tangents)
    integrals.sum()
    prepared = PreparedPoses.prepare(spec, chunk.task, evaluated, table, integrals, chunk.configurations.numbers)
    statistics = PoseStatistics.empty(spec, len(table), units or spec.plan.units)
    extremes, _ = sample_prepared(spec, prepared, statistics, slice(0, len(table)), check_stop=check_stop)
    return ChunkResult(statistics.fill(prepared), extremes)


def sample_prepared(
    spec: RunSpec,
    prepared: PreparedPoses,
    statistics: PoseStatistics,
    rows: slice,
    previous: PartialSample | None = None,
    resumable: bool = False,
    check_stop: CheckStop = never_stop,
) -> tuple[Extremes, PartialSample | None]:
    """Sample some of the prepared poses up to the number of units of ``statistics``.

    Parameters
    ----------
    spec : RunSpec
        The accuracy of the integration of RP is set by its plan.
    prepared : PreparedPoses
    statistics : PoseStatistics
        Written at these poses.
    rows : slice
        Poses to sample.
    previous : PartialSample, optional
        Partial sample of these poses to continue; must hold fewer units. Default: start from zero.
    resumable : bool
        Return a partial sample, to which units can be added. Needs a layout with a histogram per pose of a call.
    check_stop : callable
        Called before every kernel call; may raise `Interrupted`.

    Returns
    -------
    Extremes, PartialSample or None
        Extremes of every unit over these poses.

    Raises
    ------
    Interrupted
        Raised by ``check_stop``.
    """
    plan, layout, units = statistics.plan, spec.layout, statistics.plan.units
    previous_units = 0 if previous is None else previous.units
    row_per_pose = resumable or previous is not None  # otherwise each call uses the same arrays again
    single_row = layout.histograms == 1 and not row_per_pose
    arrays = empty_units(rows.stop - rows.start if row_per_pose else 1 if single_row else layout.poses_per_call, units)
    histogram_stack, counts = empty_histograms(layout.histograms), []
    if previous is not None:
        arrays.squared_errors[:, :previous_units] = previous.squared_errors
        arrays.unit_statistics[:, :, :previous_units] = previous.unit_statistics
        statistics.outputs.sums[rows] = previous.sums
    for begin in range(rows.start, rows.stop, layout.poses_per_call):
        end = min(begin + layout.poses_per_call, rows.stop)
        group = PoseOutputs(*(array[begin:end] for array in statistics.outputs))
        call_arrays = _select_rows(arrays, slice(begin - rows.start, end - rows.start)) if row_per_pose else arrays
        if previous is not None:
            for i, packed in enumerate(previous.counts[begin - rows.start : end - rows.start]):
                unpack(packed.bin_index, packed.count, packed.extremes, _histograms_of(histogram_stack, i))
        for number, (first, count) in enumerate(unit_ranges(units - previous_units, layout.unit_block)):
            check_stop()
            batch = number if spec.batch and count == spec.batch else -1
            item = WorkItem(begin, end, prepared.task, previous_units + first, count, plan.visits, units, batch)
            coefficients = spec.coefficients(previous_units + first, count, prepared.chunk.in_motion)
            spec.sampler.sample(
                prepared.poses, coefficients, item, statistics.query, histogram_stack, call_arrays, group
            )
        if resumable:
            counts += [PackedCounts.pack(_histograms_of(histogram_stack, i)) for i in range(end - begin)]
    partial = PartialSample(
        arrays.squared_errors, arrays.unit_statistics, statistics.outputs.sums[rows].copy(), tuple(counts)
    )
    return Extremes(arrays.worst, arrays.bounds), partial if resumable else None


def _select_rows(arrays: UnitArrays, rows: slice) -> UnitArrays:
    """Views of some rows of the arrays of units."""
    return arrays._replace(squared_errors=arrays.squared_errors[rows], unit_statistics=arrays.unit_statistics[rows])


def _histograms_of(histogram_stack: HistogramStack, i: int) -> Histograms:
    """Histograms of one pose out of a stack."""
    return Histograms(*(array[i] for array in histogram_stack))


def bytes_of_arrays(value: Any) -> int:
    """Memory of all arrays of a dataclass and the dataclasses nested in it. [bytes]

    Each array is counted once. Machines and terms are shared by all chunks and are not counted.
    """
    sizes: dict[int, int] = {}
    _add_sizes(value, sizes)
    return sum(sizes.values())


def _add_sizes(value: Any, sizes: dict[int, int]) -> None:
    """Add the sizes of all arrays in a value, by their identity."""
    if isinstance(value, np.ndarray):
        array = value if value.base is None or not isinstance(value.base, np.ndarray) else value.base
        sizes[id(array)] = array.nbytes
    elif isinstance(value, tuple | list):
        for item in value:
            _add_sizes(item, sizes)
    elif is_dataclass(value) and not isinstance(value, type | Machine | Term):
        for field in fields(value):
            _add_sizes(getattr(value, field.name), sizes)
