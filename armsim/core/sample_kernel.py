"""Sampling of a population of arms at one pose: draws, joint errors, exact kinematics, and statistics.

A unit is one simulated arm with its own drawn error coefficients.

Only counts, sums and a few numbers per unit are stored, so that memory does not grow with the visits.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from armsim.core.compile import Flags, Floats, Indices, Words, compiled, subroutine
from armsim.core.counting import linear_bin, logarithmic_bin
from armsim.core.function_addresses import call_by_address
from armsim.core.kernel_digest import LANES
from armsim.core.philox import (
    NORMAL,
    TWO_VALUED,
    VISITS_PER_SIGN_WORDS,
    add_normals,
    add_signs,
    add_uniforms,
    philox4x32,
)
from armsim.core.rows import copy_row
from armsim.core.screws import FRAME, SCREW, Axes, Pair, X, Y, Z, apply_unit_errors, displace
from armsim.core.unit_figures import (
    UNIT_STATISTICS,
    UnitErrors,
    VisitEffect,
    errors_on_axes,
    rotation_angles,
    statistics_of_block,
)

SUMS = 10
"""Sums over visits and units, about a centre: x, y, z, xx, yy, zz, xy, xz, yz; and the squared rotation angle."""
MEASURES = 5
"""Measures that are counted: distance, rotation angle, x, y, z."""
VISITS_PER_CALL = 4
"""Visits that one call of the random number generator serves."""


class VisitErrors(NamedTuple):
    """Errors that are drawn anew at every visit, at one pose.

    key : (coefficients, 2) uint32
    distribution : (coefficients,)
        Codes of `philox`.
    first_entry : (coefficients + 1,)
        First entry of each coefficient.
    axis, value : (entries,)
        An entry moves an axis by its coefficient times the value, which includes the scale of the distribution; the
        axis is an index into ``visit_axes``.
    visit_axes : (visit axes,)
        Axes that visits move, base first.
    rotary : (visit axes,) bool
    """

    key: Words
    distribution: Indices
    first_entry: Indices
    axis: Indices
    value: Floats
    visit_axes: Indices
    rotary: Flags


class Block(NamedTuple):
    """A block of units to sample. The numbers of pose, task and first unit (a multiple of `LANES`) are counter words of
    the draws; ``visits`` is the number of visits of each unit."""

    pose: int
    task: int
    first_unit: int
    units: int
    visits: int


class Scale(NamedTuple):
    """Scales on which displacements are counted and summed.

    bin_scales : (3, 2)
        Lower end [m] and bins per metre of the scale on which each coordinate is counted.
    centre : (3,) [m]
        Centre of the sums, so that a bias much larger than the scatter loses no digits.
    """

    bin_scales: Floats
    centre: Floats


class Histograms(NamedTuple):
    """Histograms of the measures of all visits at one pose; a call adds to them.

    logarithmic : (2, LOGARITHMIC_BINS)
        Distance and rotation angle of every visit.
    logarithmic_pairs : (LOGARITHMIC_BINS,)
        The larger distance of each two visits of one unit.
    linear, linear_pairs : (3, LINEAR_BINS)
        The same for the coordinates.
    extremes : (2, MEASURES)
        Smallest and largest value of each measure so far.
    """

    logarithmic: Indices
    logarithmic_pairs: Indices
    linear: Indices
    linear_pairs: Indices
    extremes: Floats


def histograms_example() -> Histograms:
    """Histograms of the types that kernels take."""
    table, row = np.empty((1, 1), dtype=np.int64), np.empty(1, dtype=np.int64)
    return Histograms(table, row, table, table, np.empty((1, 1)))


class UnitOutputs(NamedTuple):
    """Results per unit, written at the units of the block, and sums over all units.

    squared_errors : (units,) [m^2]
        Mean over the visits of the squared distance.
    unit_statistics : (UNIT_STATISTICS, units)
        As in `unit_figures.statistics_of_block`.
    sums : (SUMS,)
        Over visits and units, accumulated in blocks of `LANES` units.
    """

    squared_errors: Floats
    unit_statistics: Floats
    sums: Floats


class Buffers(NamedTuple):
    """Working memory of one block of `LANES` units.

    axis_errors : (axes, LANES) [rad or m]
        Constant errors of the units on the axes.
    screws : (visit axes, SCREW * LANES), unit_frame : (FRAME * LANES,)
        As `screws.apply_unit_errors` writes them.
    errors : (visit axes, VISITS_PER_CALL * LANES) [rad or m]
        Errors of each visit.
    by_visit : (visit axes, VISITS_PER_CALL, LANES)
        The same array in another shape.
    frame : (FRAME * LANES,)
        Displacement of the tool frame at one visit.
    half_angle : (2 * LANES,)
        Scratch row of `screws`.
    angle, ratio : (LANES,)
        As `unit_figures.rotation_angles` writes them.
    words : (4 * LANES,) uint32
        One call of the generator.
    bits : (coefficients, 4 * LANES) uint32
        Signs of 128 visits of each two-valued coefficient.
    """

    axis_errors: Floats
    screws: Floats
    unit_frame: Floats
    errors: Floats
    by_visit: Floats
    frame: Floats
    half_angle: Floats
    angle: Floats
    ratio: Floats
    words: Words
    bits: Words


def sample_units_examples() -> tuple[object, ...]:
    """Arguments of `sample_units` of the types that `pose_kernel` passes."""
    floats, table, indices = np.empty(1), np.empty((1, 1)), np.empty(1, dtype=np.int64)
    flags, key = np.empty(1, dtype=bool), np.empty((1, 2), dtype=np.uint32)
    return (
        UnitErrors(table, indices, indices, floats),
        VisitErrors(key, indices, indices, indices, floats, indices, flags),
        Axes(table, table, flags),
        VisitEffect(floats, floats, floats, floats, table),
        Block(1, 1, 1, 1, 1),
        Scale(table, floats),
        histograms_example(),
        UnitOutputs(floats, table, floats),
    )


@subroutine
def _buffers(axes: int, visit_axes: int, coefficients: int) -> Buffers:
    errors = np.empty((visit_axes, VISITS_PER_CALL * LANES))
    return Buffers(
        np.empty((axes, LANES)),
        np.empty((visit_axes, SCREW * LANES)),
        np.empty(FRAME * LANES),
        errors,
        errors.reshape((visit_axes, VISITS_PER_CALL, LANES)),
        np.empty(FRAME * LANES),
        np.empty(2 * LANES),
        np.empty(LANES),
        np.empty(LANES),
        np.empty(4 * LANES, dtype=np.uint32),
        np.empty((coefficients, 4 * LANES), dtype=np.uint32),
    )


@call_by_address(lambda: sample_units_examples())
def sample_units(
    unit_errors: UnitErrors,
    visit_errors: VisitErrors,
    axes: Axes,
    effect: VisitEffect,
    block: Block,
    scale: Scale,
    histograms: Histograms,
    outputs: UnitOutputs,
) -> None:
    """Sample a block of units, all their visits, at one pose."""
    visits = block.visits
    buffers = _buffers(axes.direction.shape[0], visit_errors.visit_axes.shape[0], visit_errors.key.shape[0])
    length, unit_statistics, barycentre = np.empty(LANES), np.empty((UNIT_STATISTICS, LANES)), np.empty((3, LANES))
    totals, extremes = np.empty((SUMS + 1) * LANES), np.empty(2 * MEASURES * LANES)
    bins = np.empty((2, MEASURES * LANES), dtype=np.int64)
    centre = scale.centre[0], scale.centre[1], scale.centre[2]
    bin_scales = (
        (scale.bin_scales[0, 0], scale.bin_scales[0, 1]),
        (scale.bin_scales[1, 0], scale.bin_scales[1, 1]),
        (scale.bin_scales[2, 0], scale.bin_scales[2, 1]),
    )
    for start in range(0, block.units, LANES):
        n = min(LANES, block.units - start)
        _displace_by_unit_errors(unit_errors, visit_errors, axes, start, buffers)
        statistics_of_block(
            buffers.axis_errors, buffers.unit_frame, effect, buffers.angle, buffers.ratio, unit_statistics, barycentre
        )
        for i in range(UNIT_STATISTICS):
            copy_row(unit_statistics[i], n, outputs.unit_statistics[i][block.first_unit + start :])
        totals[:] = 0.0
        extremes[: MEASURES * LANES] = np.inf
        extremes[MEASURES * LANES :] = -np.inf
        for first in range(0, visits, VISITS_PER_CALL):
            _draw_visits(visit_errors, block, start, first, buffers.errors, buffers.words, buffers.bits)
            for v in range(first, min(first + VISITS_PER_CALL, visits)):
                current, previous = bins[v % 2], bins[1 - v % 2]
                _displace_by_visit(visit_errors, v - first, buffers)
                _accumulate(buffers.frame, buffers.angle, centre, length, totals)
                _bin_measures(buffers.frame, length, buffers.angle, bin_scales, current, extremes)
                _count(current, previous, n, v % 2 == 1, histograms)
        for s in range(SUMS):
            total = 0.0
            for u in range(n):
                total += totals[s * LANES + u]
            outputs.sums[s] += total
        for u in range(n):
            outputs.squared_errors[block.first_unit + start + u] = totals[SUMS * LANES + u] / visits
        for m in range(MEASURES):
            for u in range(n):
                histograms.extremes[0, m] = min(histograms.extremes[0, m], extremes[m * LANES + u])
                histograms.extremes[1, m] = max(histograms.extremes[1, m], extremes[(MEASURES + m) * LANES + u])


@compiled
def displace_units_per_visit(
    unit_errors: UnitErrors,
    visit_errors: VisitErrors,
    axes: Axes,
    block: Block,
    displacement: Floats,
    rotation_angle: Floats,
) -> None:
    """Displacement and rotation angle of every single visit of a block of units, as `sample_units` draws them.

    Parameters
    ----------
    unit_errors, visit_errors, axes, block
    displacement : (3, visits, units) [m], written
    rotation_angle : (visits, units) [rad], written
    """
    buffers = _buffers(axes.direction.shape[0], visit_errors.visit_axes.shape[0], visit_errors.key.shape[0])
    for start in range(0, block.units, LANES):
        n = min(LANES, block.units - start)
        _displace_by_unit_errors(unit_errors, visit_errors, axes, start, buffers)
        for first in range(0, block.visits, VISITS_PER_CALL):
            _draw_visits(visit_errors, block, start, first, buffers.errors, buffers.words, buffers.bits)
            for v in range(first, min(first + VISITS_PER_CALL, block.visits)):
                _displace_by_visit(visit_errors, v - first, buffers)
                for j in range(3):
                    copy_row(buffers.frame[j * LANES :], n, displacement[j, v][start:])
                copy_row(buffers.angle, n, rotation_angle[v][start:])


@subroutine
def _displace_by_unit_errors(
    unit_errors: UnitErrors, visit_errors: VisitErrors, axes: Axes, start: int, buffers: Buffers
) -> None:
    errors_on_axes(unit_errors, start, buffers.axis_errors)
    apply_unit_errors(
        buffers.axis_errors, axes, visit_errors.visit_axes, buffers.screws, buffers.unit_frame, buffers.half_angle
    )


@subroutine
def _draw_visits(
    visit_errors: VisitErrors, block: Block, start: int, first: int, errors: Floats, words: Words, bits: Words
) -> None:
    """Draw the errors of the `VISITS_PER_CALL` visits that one call of the generator serves."""
    unit = block.first_unit + start
    errors[:] = 0.0
    for k in range(visit_errors.key.shape[0]):
        distribution = visit_errors.distribution[k]
        if distribution != TWO_VALUED:
            philox4x32(visit_errors.key[k], unit, first // VISITS_PER_CALL, block.pose, block.task, words)
        elif first % VISITS_PER_SIGN_WORDS == 0:
            philox4x32(visit_errors.key[k], unit, first // VISITS_PER_SIGN_WORDS, block.pose, block.task, bits[k])
        for i in range(visit_errors.first_entry[k], visit_errors.first_entry[k + 1]):
            target, value = errors[visit_errors.axis[i]], visit_errors.value[i]
            if distribution == NORMAL:
                add_normals(words, value, target)
            elif distribution == TWO_VALUED:
                v = first % VISITS_PER_SIGN_WORDS
                add_signs(bits[k][v // 32 * LANES : (v // 32 + 1) * LANES], v % 32, value, target)
            else:
                add_uniforms(words, value, target)


@subroutine
def _displace_by_visit(visit_errors: VisitErrors, visit: int, buffers: Buffers) -> None:
    """Displace the frame by one of the visits drawn; frame and rotation angle into the buffers."""
    copy_row(buffers.unit_frame, FRAME * LANES, buffers.frame)
    displace(buffers.by_visit, visit, buffers.screws, visit_errors.rotary, buffers.frame, buffers.half_angle)
    rotation_angles(buffers.frame, buffers.angle, buffers.ratio)


@subroutine
def _accumulate(
    frame: Floats, angle: Floats, centre: tuple[float, float, float], distance: Floats, totals: Floats
) -> None:
    cx, cy, cz = centre
    for u in range(LANES):
        ex, ey, ez, r = frame[X + u], frame[Y + u], frame[Z + u], angle[u]
        s = ex * ex + ey * ey + ez * ez
        distance[u] = math.sqrt(s)
        x, y, z = ex - cx, ey - cy, ez - cz
        totals[u] += x
        totals[LANES + u] += y
        totals[2 * LANES + u] += z
        totals[3 * LANES + u] += x * x
        totals[4 * LANES + u] += y * y
        totals[5 * LANES + u] += z * z
        totals[6 * LANES + u] += x * y
        totals[7 * LANES + u] += x * z
        totals[8 * LANES + u] += y * z
        totals[9 * LANES + u] += r * r
        totals[10 * LANES + u] += s


@subroutine
def _bin_measures(
    frame: Floats, distance: Floats, angle: Floats, bin_scales: tuple[Pair, Pair, Pair], bins: Indices, extremes: Floats
) -> None:
    """Bin of every measure, and its smallest and largest value so far."""
    for u in range(LANES):
        bins[u] = logarithmic_bin(distance[u])
        bins[LANES + u] = logarithmic_bin(angle[u])
        bins[2 * LANES + u] = linear_bin(frame[X + u], bin_scales[0])
        bins[3 * LANES + u] = linear_bin(frame[Y + u], bin_scales[1])
        bins[4 * LANES + u] = linear_bin(frame[Z + u], bin_scales[2])
    for u in range(LANES):
        extremes[u] = min(extremes[u], distance[u])
        extremes[LANES + u] = min(extremes[LANES + u], angle[u])
        extremes[2 * LANES + u] = min(extremes[2 * LANES + u], frame[X + u])
        extremes[3 * LANES + u] = min(extremes[3 * LANES + u], frame[Y + u])
        extremes[4 * LANES + u] = min(extremes[4 * LANES + u], frame[Z + u])
        extremes[5 * LANES + u] = max(extremes[5 * LANES + u], distance[u])
        extremes[6 * LANES + u] = max(extremes[6 * LANES + u], angle[u])
        extremes[7 * LANES + u] = max(extremes[7 * LANES + u], frame[X + u])
        extremes[8 * LANES + u] = max(extremes[8 * LANES + u], frame[Y + u])
        extremes[9 * LANES + u] = max(extremes[9 * LANES + u], frame[Z + u])


@subroutine
def _count(current: Indices, previous: Indices, n: int, is_second: bool, histograms: Histograms) -> None:
    """Count the bins of a visit, and at every second visit the larger bin of the pair."""
    for u in range(n):
        histograms.logarithmic[0, current[u]] += 1
        histograms.logarithmic[1, current[LANES + u]] += 1
        histograms.linear[0, current[2 * LANES + u]] += 1
        histograms.linear[1, current[3 * LANES + u]] += 1
        histograms.linear[2, current[4 * LANES + u]] += 1
    if is_second:
        for u in range(n):
            histograms.logarithmic_pairs[max(current[u], previous[u])] += 1
            for j in range(3):
                bin_index = (2 + j) * LANES + u
                histograms.linear_pairs[j, max(current[bin_index], previous[bin_index])] += 1
