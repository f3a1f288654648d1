"""A whole population of arms at one pose: draws, joint errors, exact kinematics, and the statistics of all of it.

Nothing is kept of a sample but counts, sums and a few numbers per unit, so that memory does not grow with the visits.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from armsim.core.compile import Flags, Floats, Indices, Words, compiled
from armsim.core.counting import line_bin, ratio_bin
from armsim.core.kernel_digest import LANES
from armsim.core.philox import NORMAL, TWO_VALUED, VISITS_OF_SIGNS, add_normals, add_signs, add_uniforms, philox4x32
from armsim.core.rows import copy_row
from armsim.core.screws import FRAME, SCREW, Axes, Pair, X, Y, Z, displace, settle
from armsim.core.unit_figures import ATTAINED, Kept, VisitEffect, figures_of_block, rotation_angles, stand

SUMS = 10
"""Sums over visits and units, about a centre: x, y, z, xx, yy, zz, xy, xz, yz; and the squared rotation angle."""
MEASURES = 5
"""What is counted: distance, rotation angle, x, y, z."""
TOGETHER = 4
"""Visits that one call of the generator serves."""


class Visits(NamedTuple):
    """Coefficients of visit life, at one pose.

    key : (coefficients, 2) uint32
    law : (coefficients,)
        Codes of `philox`.
    begin : (coefficients + 1,)
        Where the entries of each coefficient begin.
    axis, value : (entries,)
        An entry moves an axis by its coefficient times the value, which includes the scale of the law; the axis counts
        among those that visits move.
    moving : (moving axes,)
        Those axes among all, base first.
    rotary : (moving axes,) bool
    """

    key: Words
    law: Indices
    begin: Indices
    axis: Indices
    value: Floats
    moving: Indices
    rotary: Flags


class Block(NamedTuple):
    """What is sampled: numbers of the pose and of the task, which are counter words of the draws, as is the number of
    the first unit, a multiple of `LANES`; how many units, and how many visits of each."""

    pose: int
    task: int
    first_unit: int
    units: int
    visits: int


class Scale(NamedTuple):
    """Where displacements are counted and summed.

    line : (3, 2)
        Lower end [m] and bins per metre of the scale on which each coordinate is counted.
    centre : (3,) [m]
        About which the sums are taken, so that a bias far above the scatter costs no digits.
    """

    line: Floats
    centre: Floats


class Tallies(NamedTuple):
    """Counts, added to.

    ratio : (2, RATIO_BINS)
        Distance and rotation angle of every visit.
    ratio_pairs : (RATIO_BINS,)
        The larger distance of each two visits of one unit.
    line, line_pairs : (3, LINE_BINS)
        The same for the coordinates.
    extremes : (2, MEASURES)
        Smallest and largest of each measure, widened.
    """

    ratio: Indices
    ratio_pairs: Indices
    line: Indices
    line_pairs: Indices
    extremes: Floats


class Told(NamedTuple):
    """What is told of every unit and of every block, written.

    squares : (units,) [m^2]
        Mean over the visits of the squared distance.
    figures : (ATTAINED, units)
        As in `attained.figures_of_block`.
    sums : (SUMS,)
        Over the visits and units, added to, block after block of `LANES` units.
    """

    squares: Floats
    figures: Floats
    sums: Floats


class Buffers(NamedTuple):
    """Working memory of one block of `LANES` units.

    standing : (axes, LANES) [rad or m]
        Errors on the axes that the unit keeps.
    screws : (moving axes, SCREW * LANES), settled : (FRAME * LANES,)
        Of `screws.settle`.
    errors : (moving axes, TOGETHER * LANES) [rad or m]
        Those of each visit.
    by_visit : (moving axes, TOGETHER, LANES)
        The same.
    frame : (FRAME * LANES,)
        Displacement of the tool frame at one visit.
    half : (2 * LANES,)
        Of `screws`.
    angle, ratio : (LANES,)
        Of `attained.rotation_angles`.
    words : (4 * LANES,) uint32
        One call of the generator.
    bits : (coefficients, 4 * LANES) uint32
        Signs of 128 visits of each two-valued coefficient.
    """

    standing: Floats
    screws: Floats
    settled: Floats
    errors: Floats
    by_visit: Floats
    frame: Floats
    half: Floats
    angle: Floats
    ratio: Floats
    words: Words
    bits: Words


@compiled
def _buffers(axes: int, moving: int, coefficients: int) -> Buffers:
    errors = np.empty((moving, TOGETHER * LANES))
    return Buffers(
        np.empty((axes, LANES)),
        np.empty((moving, SCREW * LANES)),
        np.empty(FRAME * LANES),
        errors,
        errors.reshape((moving, TOGETHER, LANES)),
        np.empty(FRAME * LANES),
        np.empty(2 * LANES),
        np.empty(LANES),
        np.empty(LANES),
        np.empty(4 * LANES, dtype=np.uint32),
        np.empty((coefficients, 4 * LANES), dtype=np.uint32),
    )


@compiled
def sample_units(
    kept: Kept,
    drawn: Visits,
    axes: Axes,
    effect: VisitEffect,
    block: Block,
    scale: Scale,
    tallies: Tallies,
    told: Told,
) -> None:
    """Sample a block of units, all their visits, at one pose."""
    visits = block.visits
    buffers = _buffers(axes.direction.shape[0], drawn.moving.shape[0], drawn.key.shape[0])
    length, own, stands = np.empty(LANES), np.empty((ATTAINED, LANES)), np.empty((3, LANES))
    totals, extremes = np.empty((SUMS + 1) * LANES), np.empty(2 * MEASURES * LANES)
    bins = np.empty((2, MEASURES * LANES), dtype=np.int64)
    centre = scale.centre[0], scale.centre[1], scale.centre[2]
    line = (
        (scale.line[0, 0], scale.line[0, 1]),
        (scale.line[1, 0], scale.line[1, 1]),
        (scale.line[2, 0], scale.line[2, 1]),
    )
    for start in range(0, block.units, LANES):
        n = min(LANES, block.units - start)
        _settle_block(kept, drawn, axes, start, buffers)
        figures_of_block(buffers.standing, buffers.settled, effect, buffers.angle, buffers.ratio, own, stands)
        for i in range(ATTAINED):
            copy_row(own[i], n, told.figures[i][start:])
        totals[:] = 0.0
        extremes[: MEASURES * LANES] = np.inf
        extremes[MEASURES * LANES :] = -np.inf
        for first in range(0, visits, TOGETHER):
            _draw(drawn, block, start, first, buffers.errors, buffers.words, buffers.bits)
            for v in range(first, min(first + TOGETHER, visits)):
                now, before = bins[v % 2], bins[1 - v % 2]
                _visit(drawn, v - first, buffers)
                _gather(buffers.frame, buffers.angle, centre, length, totals)
                _place(buffers.frame, length, buffers.angle, line, now, extremes)
                _count(now, before, n, v % 2 == 1, tallies)
        for s in range(SUMS):
            total = 0.0
            for u in range(n):
                total += totals[s * LANES + u]
            told.sums[s] += total
        for u in range(n):
            told.squares[start + u] = totals[SUMS * LANES + u] / visits
        for m in range(MEASURES):
            for u in range(n):
                tallies.extremes[0, m] = min(tallies.extremes[0, m], extremes[m * LANES + u])
                tallies.extremes[1, m] = max(tallies.extremes[1, m], extremes[(MEASURES + m) * LANES + u])


@compiled
def follow_units(
    kept: Kept, drawn: Visits, axes: Axes, block: Block, displacement: Floats, rotation_angle: Floats
) -> None:
    """Every visit of a block of units, one by one, as `sample_units` sees them.

    Parameters
    ----------
    kept, drawn, axes, block
    displacement : (3, visits, units) [m], written
    rotation_angle : (visits, units) [rad], written
    """
    buffers = _buffers(axes.direction.shape[0], drawn.moving.shape[0], drawn.key.shape[0])
    for start in range(0, block.units, LANES):
        n = min(LANES, block.units - start)
        _settle_block(kept, drawn, axes, start, buffers)
        for first in range(0, block.visits, TOGETHER):
            _draw(drawn, block, start, first, buffers.errors, buffers.words, buffers.bits)
            for v in range(first, min(first + TOGETHER, block.visits)):
                _visit(drawn, v - first, buffers)
                for j in range(3):
                    copy_row(buffers.frame[j * LANES :], n, displacement[j, v][start:])
                copy_row(buffers.angle, n, rotation_angle[v][start:])


@compiled
def _settle_block(kept: Kept, drawn: Visits, axes: Axes, start: int, buffers: Buffers) -> None:
    stand(kept, start, buffers.standing)
    settle(buffers.standing, axes, drawn.moving, buffers.screws, buffers.settled, buffers.half)


@compiled
def _draw(drawn: Visits, block: Block, start: int, first: int, errors: Floats, words: Words, bits: Words) -> None:
    """Errors of the `TOGETHER` visits that one call of the generator serves."""
    unit = block.first_unit + start
    errors[:] = 0.0
    for k in range(drawn.key.shape[0]):
        law = drawn.law[k]
        if law != TWO_VALUED:
            philox4x32(drawn.key[k], unit, first // TOGETHER, block.pose, block.task, words)
        elif first % VISITS_OF_SIGNS == 0:
            philox4x32(drawn.key[k], unit, first // VISITS_OF_SIGNS, block.pose, block.task, bits[k])
        for i in range(drawn.begin[k], drawn.begin[k + 1]):
            target, value = errors[drawn.axis[i]], drawn.value[i]
            if law == NORMAL:
                add_normals(words, value, target)
            elif law == TWO_VALUED:
                v = first % VISITS_OF_SIGNS
                add_signs(bits[k][v // 32 * LANES : (v // 32 + 1) * LANES], v % 32, value, target)
            else:
                add_uniforms(words, value, target)


@compiled
def _visit(drawn: Visits, which: int, buffers: Buffers) -> None:
    """Displaced frame of one of the visits drawn, and its rotation angle."""
    copy_row(buffers.settled, FRAME * LANES, buffers.frame)
    displace(buffers.by_visit, which, buffers.screws, drawn.rotary, buffers.frame, buffers.half)
    rotation_angles(buffers.frame, buffers.angle, buffers.ratio)


@compiled
def _gather(frame: Floats, angle: Floats, centre: tuple[float, float, float], distance: Floats, totals: Floats) -> None:
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


@compiled
def _place(
    frame: Floats, distance: Floats, angle: Floats, line: tuple[Pair, Pair, Pair], bins: Indices, extremes: Floats
) -> None:
    """Bin of every measure, and its smallest and largest value so far."""
    for u in range(LANES):
        bins[u] = ratio_bin(distance[u])
        bins[LANES + u] = ratio_bin(angle[u])
        bins[2 * LANES + u] = line_bin(frame[X + u], line[0])
        bins[3 * LANES + u] = line_bin(frame[Y + u], line[1])
        bins[4 * LANES + u] = line_bin(frame[Z + u], line[2])
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


@compiled
def _count(now: Indices, before: Indices, n: int, second: bool, tallies: Tallies) -> None:
    """Count the bins of a visit, and of each second one the larger of the two."""
    for u in range(n):
        tallies.ratio[0, now[u]] += 1
        tallies.ratio[1, now[LANES + u]] += 1
        tallies.line[0, now[2 * LANES + u]] += 1
        tallies.line[1, now[3 * LANES + u]] += 1
        tallies.line[2, now[4 * LANES + u]] += 1
    if second:
        for u in range(n):
            tallies.ratio_pairs[max(now[u], before[u])] += 1
            for j in range(3):
                at = (2 + j) * LANES + u
                tallies.line_pairs[j, max(now[at], before[at])] += 1
