"""Sampling of many poses in one call, with the quantiles from their counts and the summary of their units.

A unit is one simulated arm with its own drawn error coefficients.

One call takes longer than the interpreter needs to prepare the next, so that threads do not wait for each other. Where
all units are drawn at once, one set of histograms is reused for every pose. Where the units come in blocks, every pose
has its own.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from armsim.core.compile import Flags, Floats, Indices, Words, compiled, subroutine
from armsim.core.counting import LINEAR_BINS, logarithmic_bin
from armsim.core.function_addresses import call_at_address
from armsim.core.quantiles import QuantileQuery, estimate_quantiles
from armsim.core.rows import add_counts
from armsim.core.sample_kernel import Block, Histograms, Scale, UnitOutputs, VisitErrors, sample_units
from armsim.core.screws import Axes
from armsim.core.unit_figures import UNIT_STATISTICS, UnitErrors, VisitEffect
from armsim.core.unit_summary import read_moments, read_ranks


class Poses(NamedTuple):
    """Poses as arrays for the kernels; P is their number.

    number : (P,)
        Number of each pose in its task.
    direction, column : (P, axes, 3), rotary : (axes,)
        As `screws.Axes`.
    unit_coefficient, unit_axis : (entries,), unit_value : (P, entries)
        As `unit_figures.UnitErrors`.
    visit_key, visit_distribution, visit_first_entry, visit_entry_axis, visit_axes, visit_axes_rotary
        As `sample_kernel.VisitErrors`.
    visit_value : (P, entries)
        Values of the visit entries, as in `sample_kernel.VisitErrors`.
    bin_scales : (P, 3, 2), centre : (P, 3)
        As `sample_kernel.Scale`.
    shift, rotation_shift, tangent : (P, 3), repeatability : (P, 2), slope : (P, 2, axes)
        As `unit_figures.VisitEffect`.
    half_width : (P,) [m]
        Half-width of the 95 % interval of RP from numerical integration.
    """

    number: Indices
    direction: Floats
    column: Floats
    rotary: Flags
    unit_coefficient: Indices
    unit_axis: Indices
    unit_value: Floats
    visit_key: Words
    visit_distribution: Indices
    visit_first_entry: Indices
    visit_entry_axis: Indices
    visit_value: Floats
    visit_axes: Indices
    visit_axes_rotary: Flags
    bin_scales: Floats
    centre: Floats
    shift: Floats
    rotation_shift: Floats
    tangent: Floats
    repeatability: Floats
    slope: Floats
    half_width: Floats


class HistogramStack(NamedTuple):
    """Histograms of several poses: `sample_kernel.Histograms`, each array with one more axis in front, the pose."""

    logarithmic: Indices
    logarithmic_pairs: Indices
    linear: Indices
    linear_pairs: Indices
    extremes: Floats


class UnitArrays(NamedTuple):
    """Figures of all units at poses, a row per pose or one row that is used again for every pose, written.

    squared_errors : (rows, units) [m^2], unit_statistics : (rows, UNIT_STATISTICS, units)
        As `sample_kernel.UnitOutputs`.
    worst : (UNIT_STATISTICS, units)
        Largest figures of every unit over the poses so far.
    bounds : (2, units) [m]
        Upper and lower bound of the largest RP from its numerical integration, over the poses so far.
    """

    squared_errors: Floats
    unit_statistics: Floats
    worst: Floats
    bounds: Floats


class PoseOutputs(NamedTuple):
    """Results of poses, written.

    sums : (poses, SUMS)
        Over all visits and units, added to.
    estimates : (poses, 3, k)
        As `quantiles.estimate_quantiles`.
    largest : (poses,) [m]
    order_statistics : (poses, UNIT_STATISTICS, r)
        Figures of the units at the ranks of the query.
    moments : (poses, MOMENTS)
        As `unit_summary.read_moments`, of the squared errors.
    batches : (poses, batches) [m]
        The quantile at the coverage by each batch of units.
    """

    sums: Floats
    estimates: Floats
    largest: Floats
    order_statistics: Floats
    moments: Floats
    batches: Floats


class PoseQuery(NamedTuple):
    """Statistics that are read at every pose.

    quantiles : QuantileQuery
        Quantiles to estimate from the counts.
    coverage : QuantileQuery
        Quantile to read of each batch.
    tail : float
        As in `quantiles.estimate_quantiles`.
    ranks : (r,)
        Ranks of units to read of each figure, in ascending order.
    """

    quantiles: QuantileQuery
    coverage: QuantileQuery
    tail: float
    ranks: Indices


class WorkItem(NamedTuple):
    """Work of one call: poses from ``low`` up to ``high``, and a block of units.

    task : int
        Number of the task, a counter word of the draws.
    first, units, visits, population : int
        First unit and units of the block; visits of each unit; units of the whole population.
    batch : int
        Number of the batch if the block is one, else -1.
    """

    low: int
    high: int
    task: int
    first: int
    units: int
    visits: int
    population: int
    batch: int


class Callees(NamedTuple):
    """Addresses of the functions that `sample_poses` calls."""

    sample_units: int
    estimate_quantiles: int
    read_ranks: int
    read_moments: int


@lru_cache(maxsize=1)
def callees() -> Callees:
    """Addresses of the functions that are called at every pose."""
    functions: Any = (sample_units, estimate_quantiles, read_ranks, read_moments)
    return Callees(*(function.address() for function in functions))


def sample_poses(
    poses: Poses,
    coefficients: Floats,
    item: WorkItem,
    query: PoseQuery,
    histogram_stack: HistogramStack,
    units: UnitArrays,
    outputs: PoseOutputs,
) -> None:
    """Sample a block of units at some poses; after the last block, estimate the quantiles and summarise the units.

    Parameters
    ----------
    poses : Poses
    coefficients : (coefficients, units of the block, or more)
    item : WorkItem
    query : PoseQuery
    histogram_stack : HistogramStack
        One per pose, and one more with batches; or a single one, reused, if all units are in the block.
    units : UnitArrays
        One row per pose, or a single one in the same case.
    outputs : PoseOutputs
        Outputs of the poses from ``low`` on.
    """
    _sample_poses(callees(), poses, coefficients, item, query, histogram_stack, units, outputs)


@compiled
def _sample_poses(
    callees: Callees,
    poses: Poses,
    coefficients: Floats,
    item: WorkItem,
    query: PoseQuery,
    histogram_stack: HistogramStack,
    units: UnitArrays,
    outputs: PoseOutputs,
) -> None:
    rotary = poses.rotary
    for p in range(item.low, item.high):
        i = p - item.low
        histograms, block_histograms = begin_pose(item, histogram_stack, i)
        unit_errors = UnitErrors(coefficients, poses.unit_coefficient, poses.unit_axis, poses.unit_value[p])
        visit_errors = VisitErrors(
            poses.visit_key,
            poses.visit_distribution,
            poses.visit_first_entry,
            poses.visit_entry_axis,
            poses.visit_value[p],
            poses.visit_axes,
            poses.visit_axes_rotary,
        )
        effect = VisitEffect(
            poses.shift[p], poses.rotation_shift[p], poses.tangent[p], poses.repeatability[p], poses.slope[p]
        )
        row = i if i < units.squared_errors.shape[0] else 0
        unit_outputs = UnitOutputs(
            units.squared_errors[row],
            units.unit_statistics[row],
            outputs.sums[i],
        )
        block = Block(poses.number[p], item.task, item.first, item.units, item.visits)
        scale = Scale(poses.bin_scales[p], poses.centre[p])
        axes = Axes(poses.direction[p], poses.column[p], rotary)
        arguments = unit_errors, visit_errors, axes, effect, block, scale, block_histograms, unit_outputs
        call_at_address(callees.sample_units, sample_units, arguments)
        end_pose(callees, poses, i, item, query, (histograms, block_histograms), units, outputs)


@subroutine
def begin_pose(item: WorkItem, histogram_stack: HistogramStack, i: int) -> tuple[Histograms, Histograms]:
    """Histograms of the i-th pose of an item and those into which its units are counted, cleared where they begin."""
    last = histogram_stack.logarithmic.shape[0] - 1
    batched = item.batch >= 0
    histograms = _histograms_of(histogram_stack, i if i <= last else 0)
    block_histograms = _histograms_of(histogram_stack, last) if batched else histograms
    if item.first == 0:
        clear_histograms(histograms)
    if batched:
        clear_histograms(block_histograms)
    return histograms, block_histograms


@subroutine
def end_pose(
    callees: Callees,
    poses: Poses,
    i: int,
    item: WorkItem,
    query: PoseQuery,
    histogram_pair: tuple[Histograms, Histograms],
    units: UnitArrays,
    outputs: PoseOutputs,
) -> None:
    """Read the batch that was counted at the i-th pose of an item; after the last units, the statistics of all."""
    p = item.low + i
    histograms, block_histograms = histogram_pair
    if item.batch >= 0:
        out = np.empty((3, 1))
        batch_arguments = (
            block_histograms,
            poses.bin_scales[p],
            query.coverage,
            item.units,
            item.visits,
            query.tail,
            out,
        )
        call_at_address(callees.estimate_quantiles, estimate_quantiles, batch_arguments)
        outputs.batches[i, item.batch] = out[0, 0]
        add_histograms(histograms, block_histograms)
    if item.first + item.units == item.population:
        row = i if i < units.squared_errors.shape[0] else 0
        bin_scales, out, scratch = poses.bin_scales[p], outputs.estimates[i], np.empty((2, item.population))
        quantile_arguments = histograms, bin_scales, query.quantiles, item.population, item.visits, query.tail, out
        call_at_address(callees.estimate_quantiles, estimate_quantiles, quantile_arguments)
        outputs.largest[i] = histograms.extremes[1, 0]
        moment_arguments = units.squared_errors[row], scratch[0], scratch[1], outputs.moments[i]
        call_at_address(callees.read_moments, read_moments, moment_arguments)
        for figure in range(UNIT_STATISTICS):
            values = units.unit_statistics[row, figure]
            rank_arguments = values, query.ranks, scratch[0], outputs.order_statistics[i, figure]
            call_at_address(callees.read_ranks, read_ranks, rank_arguments)
            _raise_largest(values, 0.0, units.worst[figure])
        for bound in range(2):
            half_width = poses.half_width[p] if bound == 0 else -poses.half_width[p]
            _raise_largest(units.unit_statistics[row, 1], half_width, units.bounds[bound])


@subroutine
def _raise_largest(values: Floats, shift: float, largest: Floats) -> None:
    """Raise the largest values to those of another pose, shifted."""
    for u in range(values.shape[0]):
        largest[u] = np.maximum(largest[u], values[u] + shift)  # nan stays


@subroutine
def _histograms_of(histogram_stack: HistogramStack, i: int) -> Histograms:
    return Histograms(
        histogram_stack.logarithmic[i],
        histogram_stack.logarithmic_pairs[i],
        histogram_stack.linear[i],
        histogram_stack.linear_pairs[i],
        histogram_stack.extremes[i],
    )


@subroutine
def clear_histograms(histograms: Histograms) -> None:
    """Reset the counts; on the long logarithmic scale only the bins in use."""
    for m in range(2):
        low, high = histograms.extremes[0, m], histograms.extremes[1, m]
        if low <= high:
            first, last = logarithmic_bin(low), logarithmic_bin(high) + 1
            histograms.logarithmic[m][first:last] = 0
            if m == 0:
                histograms.logarithmic_pairs[first:last] = 0
    histograms.linear[:] = 0
    histograms.linear_pairs[:] = 0
    histograms.extremes[0] = np.inf
    histograms.extremes[1] = -np.inf


@subroutine
def add_histograms(histograms: Histograms, more: Histograms) -> None:
    """Add the counts of further units."""
    for m in range(2):
        first, last = logarithmic_bin(more.extremes[0, m]), logarithmic_bin(more.extremes[1, m]) + 1
        add_counts(more.logarithmic[m], first, last, histograms.logarithmic[m])
        if m == 0:
            add_counts(more.logarithmic_pairs, first, last, histograms.logarithmic_pairs)
    for j in range(3):
        add_counts(more.linear[j], np.int64(0), np.int64(LINEAR_BINS), histograms.linear[j])
        add_counts(more.linear_pairs[j], np.int64(0), np.int64(LINEAR_BINS), histograms.linear_pairs[j])
    for m in range(histograms.extremes.shape[1]):
        histograms.extremes[0, m] = min(histograms.extremes[0, m], more.extremes[0, m])
        histograms.extremes[1, m] = max(histograms.extremes[1, m], more.extremes[1, m])
