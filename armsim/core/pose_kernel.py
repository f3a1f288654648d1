"""Sampling of many poses in one call, with the quantiles from their counts and the summary of their units.

A unit is one simulated arm with its own drawn error coefficients.

One call takes longer than the interpreter needs to prepare the next, so that threads do not wait for each other. Counts
are in slots: a single slot reused for each pose where all units are drawn at once, or one slot per pose where the units
come in blocks.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from armsim.core.compile import Flags, Floats, Indices, Words, compiled
from armsim.core.counting import LINE_BINS, RATIO_BINS, ratio_bin
from armsim.core.quantiles import READ, QuantileQuery, estimate_tallies, read_tallies
from armsim.core.rows import add_counts
from armsim.core.sample_kernel import Block, Scale, Tallies, UnitOutputs, Visits, sample_units
from armsim.core.screws import Axes
from armsim.core.unit_figures import UNIT_STATISTICS, UnitErrors, VisitEffect
from armsim.core.unit_summary import read_moments, read_ranks


class Poses(NamedTuple):
    """Poses as arrays for the kernels; P is their number.

    number : (P,)
        Number of each pose in its task.
    direction, column : (P, axes, 3), rotary : (axes,)
        As `screws.Axes`.
    unit_number, unit_axis : (entries,), unit_value : (P, entries)
        As `unit_figures.UnitErrors`.
    key, distribution, begin, axis, moving, moving_rotary
        As `sample_kernel.Visits`.
    value : (P, entries)
        Value of the visit entries, as in `sample_kernel.Visits`.
    line : (P, 3, 2), centre : (P, 3)
        As `sample_kernel.Scale`.
    shift, turn_shift, tangent : (P, 3), repeatability : (P, 2), slope : (P, 2, axes)
        As `unit_figures.VisitEffect`.
    half_width : (P,) [m]
        Half-width of the 95 % interval of RP from numerical integration.
    """

    number: Indices
    direction: Floats
    column: Floats
    rotary: Flags
    unit_number: Indices
    unit_axis: Indices
    unit_value: Floats
    key: Words
    distribution: Indices
    begin: Indices
    axis: Indices
    value: Floats
    moving: Indices
    moving_rotary: Flags
    line: Floats
    centre: Floats
    shift: Floats
    turn_shift: Floats
    tangent: Floats
    repeatability: Floats
    slope: Floats
    half_width: Floats


class Slots(NamedTuple):
    """Counts of several poses: `sample_kernel.Tallies`, each array with one more axis."""

    ratio: Indices
    ratio_pairs: Indices
    line: Indices
    line_pairs: Indices
    extremes: Floats


class UnitArrays(NamedTuple):
    """Figures of all units at poses, a row per pose or one row that is used again for every pose, written.

    squared_errors : (rows, units) [m^2], unit_statistics : (rows, UNIT_STATISTICS, units)
        As `sample_kernel.UnitOutputs`.
    worst : (UNIT_STATISTICS, units)
        Largest figures of every unit over poses, raised.
    bounds : (2, units) [m]
        Upper and lower bound of the largest RP by its numerical integration, raised.
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
        As `quantiles.estimate_tallies`.
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
        As in `quantiles.estimate_tallies`.
    ranks : (r,)
        Ranks of units to read of each figure, in ascending order.
    """

    quantiles: QuantileQuery
    coverage: QuantileQuery
    tail: float
    ranks: Indices


class Part(NamedTuple):
    """Part of a sample: poses from ``low`` up to ``high``, and a block of units.

    task : int
        Number of the task, a counter word of the draws.
    first, units, visits, of : int
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
    of: int
    batch: int


@compiled
def sample_poses(
    poses: Poses,
    coefficients: Floats,
    part: Part,
    query: PoseQuery,
    slots: Slots,
    units: UnitArrays,
    outputs: PoseOutputs,
) -> None:
    """Sample a block of units at some poses; after the last block, estimate the quantiles and summarise the units.

    Parameters
    ----------
    poses : Poses
    coefficients : (coefficients, units of the block, or more)
    part : Part
    query : PoseQuery
    slots : Slots
        One per pose, and one more with batches; or a single one, reused, if all units are in the block.
    units : UnitArrays
        One row per pose, or a single one in the same case.
    outputs : PoseOutputs
        Outputs of the poses from ``low`` on.
    """
    rotary, ends = poses.rotary, (part.first, part.first + part.units)
    batched = part.batch >= 0
    scratch = np.empty((2, part.of))
    for p in range(part.low, part.high):
        i = p - part.low
        tallies = _slot(slots, i if i < slots.ratio.shape[0] else 0)
        block_tallies = _slot(slots, slots.ratio.shape[0] - 1) if batched else tallies
        if ends[0] == 0:
            _clear(tallies)
        if batched:
            _clear(block_tallies)
        unit_errors = UnitErrors(coefficients, poses.unit_number, poses.unit_axis, poses.unit_value[p])
        visit_errors = Visits(
            poses.key, poses.distribution, poses.begin, poses.axis, poses.value[p], poses.moving, poses.moving_rotary
        )
        effect = VisitEffect(
            poses.shift[p], poses.turn_shift[p], poses.tangent[p], poses.repeatability[p], poses.slope[p]
        )
        row = i if i < units.squared_errors.shape[0] else 0
        unit_outputs = UnitOutputs(
            units.squared_errors[row][ends[0] : ends[1]],
            units.unit_statistics[row][:, ends[0] : ends[1]],
            outputs.sums[i],
        )
        block = Block(poses.number[p], part.task, part.first, part.units, part.visits)
        scale = Scale(poses.line[p], poses.centre[p])
        axes = Axes(poses.direction[p], poses.column[p], rotary)
        sample_units(unit_errors, visit_errors, axes, effect, block, scale, block_tallies, unit_outputs)
        if batched:
            out = np.empty((READ, 1))
            read_tallies(block_tallies, poses.line[p], query.coverage.measure, query.coverage.ps, out)
            outputs.batches[i, part.batch] = out[0, 0]
            _absorb(tallies, block_tallies)
        if ends[1] == part.of:
            estimate_tallies(
                tallies, poses.line[p], query.quantiles, part.of, part.visits, query.tail, outputs.estimates[i]
            )
            outputs.largest[i] = tallies.extremes[1, 0]
            read_moments(units.squared_errors[row], scratch[0], scratch[1], outputs.moments[i])
            for figure in range(UNIT_STATISTICS):
                values = units.unit_statistics[row, figure]
                read_ranks(values, query.ranks, scratch[0], outputs.order_statistics[i, figure])
                _raise(values, 0.0, units.worst[figure])
            for bound in range(2):
                half_width = poses.half_width[p] if bound == 0 else -poses.half_width[p]
                _raise(units.unit_statistics[row, 1], half_width, units.bounds[bound])


@compiled
def _raise(values: Floats, shift: float, largest: Floats) -> None:
    """Raise the largest values to those of another pose, shifted."""
    for u in range(values.shape[0]):
        largest[u] = np.maximum(largest[u], values[u] + shift)  # what is no number stays


@compiled
def _slot(slots: Slots, i: int) -> Tallies:
    return Tallies(slots.ratio[i], slots.ratio_pairs[i], slots.line[i], slots.line_pairs[i], slots.extremes[i])


@compiled
def _clear(tallies: Tallies) -> None:
    """Reset the counts; of the long ratio scale only the part in use."""
    for m in range(2):
        low, high = tallies.extremes[0, m], tallies.extremes[1, m]
        if low <= high:
            first, last = ratio_bin(low), ratio_bin(high) + 1
            tallies.ratio[m][first:last] = 0
            if m == 0:
                tallies.ratio_pairs[first:last] = 0
    tallies.line[:] = 0
    tallies.line_pairs[:] = 0
    tallies.extremes[0] = np.inf
    tallies.extremes[1] = -np.inf


@compiled
def _absorb(tallies: Tallies, more: Tallies) -> None:
    """Add the counts of further units."""
    for m in range(2):
        first, last = ratio_bin(more.extremes[0, m]), ratio_bin(more.extremes[1, m]) + 1
        add_counts(more.ratio[m], first, last, tallies.ratio[m])
        if m == 0:
            add_counts(more.ratio_pairs, first, last, tallies.ratio_pairs)
    for j in range(3):
        add_counts(more.line[j], 0, LINE_BINS, tallies.line[j])
        add_counts(more.line_pairs[j], 0, LINE_BINS, tallies.line_pairs[j])
    for m in range(tallies.extremes.shape[1]):
        tallies.extremes[0, m] = min(tallies.extremes[0, m], more.extremes[0, m])
        tallies.extremes[1, m] = max(tallies.extremes[1, m], more.extremes[1, m])


@compiled
def packed_size(tallies: Tallies) -> int:
    """Number of non-empty bins."""
    n = 0
    for m in range(2):
        first, last = ratio_bin(tallies.extremes[0, m]), ratio_bin(tallies.extremes[1, m]) + 1
        for b in range(first, last):
            n += tallies.ratio[m, b] != 0
            n += m == 0 and tallies.ratio_pairs[b] != 0
    for j in range(3):
        for b in range(LINE_BINS):
            n += tallies.line[j, b] != 0
            n += tallies.line_pairs[j, b] != 0
    return n


@compiled
def pack(tallies: Tallies, place: Indices, count: Indices) -> None:
    """Store non-empty bins and their counts in arrays of length `packed_size`, so that many poses fit in memory."""
    n = 0
    for m in range(2):
        first, last = ratio_bin(tallies.extremes[0, m]), ratio_bin(tallies.extremes[1, m]) + 1
        for table in range(1 + (m == 0)):
            row = tallies.ratio[m] if table == 0 else tallies.ratio_pairs
            for b in range(first, last):
                if row[b] != 0:
                    place[n], count[n] = b + (m + 2 * table) * RATIO_BINS, row[b]
                    n += 1
    for j in range(3):
        for table in range(2):
            row = tallies.line[j] if table == 0 else tallies.line_pairs[j]
            for b in range(LINE_BINS):
                if row[b] != 0:
                    place[n], count[n] = b + 3 * RATIO_BINS + (j + 3 * table) * LINE_BINS, row[b]
                    n += 1


@compiled
def unpack(place: Indices, count: Indices, extremes: Floats, tallies: Tallies) -> None:
    """Restore counts that `pack` stored."""
    _clear(tallies)
    for i in range(place.shape[0]):
        at = place[i]
        if at < 3 * RATIO_BINS:
            table, b = at // RATIO_BINS, at % RATIO_BINS
            if table < 2:
                tallies.ratio[table, b] = count[i]
            else:
                tallies.ratio_pairs[b] = count[i]
        else:
            table, b = (at - 3 * RATIO_BINS) // LINE_BINS, (at - 3 * RATIO_BINS) % LINE_BINS
            if table < 3:
                tallies.line[table, b] = count[i]
            else:
                tallies.line_pairs[table - 3, b] = count[i]
    for m in range(extremes.shape[1]):
        tallies.extremes[0, m], tallies.extremes[1, m] = extremes[0, m], extremes[1, m]
