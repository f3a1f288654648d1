"""A whole population of arms at one pose: draws, joint errors, exact kinematics, and the statistics of all of it.

Nothing is kept of a sample but counts, sums and one number per unit, so that memory does not grow with the visits.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from armsim.core.attained import Axes, Kept, add_scaled, rotation_angles, stand
from armsim.core.compile import Floats, Indices, Words, compiled
from armsim.core.counting import line_bins, ratio_bins, tally, tally_larger, widen
from armsim.core.philox import TWO_VALUED, VISITS_OF_SIGNS, philox4x32, signs, standard_draws
from armsim.core.screws import displace_frames
from armsim.core.sources import LANES

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
    number, axis, value : (entries,)
        As in `Kept`; the value includes the scale of the law.
    """

    key: Words
    law: Indices
    number: Indices
    axis: Indices
    value: Floats


class Place(NamedTuple):
    """Counter words of the draws: numbers of the pose, of the task, and of the first unit (a multiple of `LANES`)."""

    pose: int
    task: int
    first_unit: int


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


class Buffers(NamedTuple):
    """Working memory of one block of `LANES` units.

    standing : (axes, LANES) [rad or m]
        Errors on the axes that the unit keeps.
    errors : (TOGETHER, axes, LANES) [rad or m]
        Those of each visit.
    moved : (3, TOGETHER, LANES) [m]
        Displacement of the tool point at each visit.
    angle : (TOGETHER, LANES) [rad]
        Rotation angle of the tool at each visit.
    e : (3, LANES) [m], r : (4, LANES)
        Displacement and quaternion of the rotation of one visit, as `screws.displace_frames`.
    scratch : (2, LANES)
        Of `screws.displace_frames`.
    drawn : (LANES,)
        One standardised coefficient.
    lanes : (LANES + 1,), dense : (LANES + 1,)
        Of `philox.standard_draws`.
    words : (4, LANES) uint32
        One call of the generator.
    bits : (coefficients, 4, LANES) uint32
        Signs of 128 visits of each two-valued coefficient.
    """

    standing: Floats
    errors: Floats
    moved: Floats
    angle: Floats
    e: Floats
    r: Floats
    scratch: Floats
    drawn: Floats
    lanes: Indices
    dense: Floats
    words: Words
    bits: Words


@compiled
def _buffers(axes: int, coefficients: int) -> Buffers:
    return Buffers(
        np.empty((axes, LANES)),
        np.empty((TOGETHER, axes, LANES)),
        np.empty((3, TOGETHER, LANES)),
        np.empty((TOGETHER, LANES)),
        np.empty((3, LANES)),
        np.empty((4, LANES)),
        np.empty((2, LANES)),
        np.empty(LANES),
        np.empty(LANES + 1, dtype=np.int64),
        np.empty(LANES + 1),
        np.empty((4, LANES), dtype=np.uint32),
        np.empty((coefficients, 4, LANES), dtype=np.uint32),
    )


@compiled
def sample_units(
    kept: Kept,
    drawn: Visits,
    axes: Axes,
    place: Place,
    counts: tuple[int, int],
    scale: Scale,
    tallies: Tallies,
    squares_and_sums: tuple[Floats, Floats],
) -> None:
    """Sample a block of units, all their visits, at one pose.

    Parameters
    ----------
    kept, drawn, axes, place, scale, tallies
    counts : (units, visits)
    squares_and_sums : (units,) [m^2] and (SUMS, blocks of `LANES`), written
        Mean square of the distance of each unit; sums over the visits and units of each block.
    """
    units, visits = counts
    squares, sums = squares_and_sums
    buffers = _buffers(axes.direction.shape[0], drawn.key.shape[0])
    length = np.empty(LANES)
    totals = np.empty((SUMS + 1, LANES))
    low = np.full((MEASURES, LANES), np.inf)
    high = np.full((MEASURES, LANES), -np.inf)
    bins = np.empty((2, MEASURES, LANES), dtype=np.int64)
    line = scale.line
    for start in range(0, units, LANES):
        n = min(LANES, units - start)
        totals[:] = 0.0
        stand(kept, start, buffers.standing)
        for first in range(0, visits, TOGETHER):
            _visit(drawn, axes, place.pose, place.task, place.first_unit + start, first, visits, buffers)
            for v in range(first, min(first + TOGETHER, visits)):
                w = v - first
                x, y, z, rotation_angle = (
                    buffers.moved[0][w],
                    buffers.moved[1][w],
                    buffers.moved[2][w],
                    buffers.angle[w],
                )
                _gather(x, y, z, rotation_angle, scale.centre, length, totals)
                now, before = bins[v % 2], bins[1 - v % 2]
                ratio_bins(length, now[0])
                ratio_bins(rotation_angle, now[1])
                widen(length[:n], low[0], high[0])
                widen(rotation_angle[:n], low[1], high[1])
                tally(now[0][:n], tallies.ratio[0])
                tally(now[1][:n], tallies.ratio[1])
                if v % 2:
                    tally_larger(now[0][:n], before[0][:n], tallies.ratio_pairs)
                for j in range(3):
                    line_bins(buffers.moved[j][w], line[j, 0], line[j, 1], now[2 + j])
                    widen(buffers.moved[j][w][:n], low[2 + j], high[2 + j])
                    tally(now[2 + j][:n], tallies.line[j])
                    if v % 2:
                        tally_larger(now[2 + j][:n], before[2 + j][:n], tallies.line_pairs[j])
        for s in range(SUMS):
            total = 0.0
            for u in range(n):
                total += totals[s, u]
            sums[s, start // LANES] = total
        for u in range(n):
            squares[start + u] = totals[SUMS, u] / visits
    for m in range(MEASURES):
        for u in range(LANES):
            tallies.extremes[0, m] = min(tallies.extremes[0, m], low[m, u])
            tallies.extremes[1, m] = max(tallies.extremes[1, m], high[m, u])


@compiled
def follow_units(
    kept: Kept, drawn: Visits, axes: Axes, place: Place, displacement: Floats, rotation_angle: Floats
) -> None:
    """Every visit of a block of units, one by one, as `sample_units` sees them.

    Parameters
    ----------
    kept, drawn, axes, place
    displacement : (3, visits, units) [m], written
    rotation_angle : (visits, units) [rad], written
    """
    visits, units = rotation_angle.shape
    buffers = _buffers(axes.direction.shape[0], drawn.key.shape[0])
    for start in range(0, units, LANES):
        n = min(LANES, units - start)
        stand(kept, start, buffers.standing)
        for first in range(0, visits, TOGETHER):
            _visit(drawn, axes, place.pose, place.task, place.first_unit + start, first, visits, buffers)
            for v in range(first, min(first + TOGETHER, visits)):
                for j in range(3):
                    displacement[j, v, start : start + n] = buffers.moved[j, v - first, :n]
                rotation_angle[v, start : start + n] = buffers.angle[v - first, :n]


@compiled
def _visit(
    drawn: Visits, axes: Axes, pose: int, task: int, first_unit: int, first: int, visits: int, buffers: Buffers
) -> None:
    """`TOGETHER` visits that one call of the generator serves: displacement and rotation angle into the buffers."""
    together = min(TOGETHER, visits - first)
    for w in range(together):
        buffers.errors[w] = buffers.standing
    for k in range(drawn.key.shape[0]):
        if drawn.law[k] != TWO_VALUED:
            philox4x32(drawn.key[k], first_unit, first // TOGETHER, pose, task, buffers.words)
        elif first % VISITS_OF_SIGNS == 0:
            philox4x32(drawn.key[k], first_unit, first // VISITS_OF_SIGNS, pose, task, buffers.bits[k])
        for w in range(together):
            if drawn.law[k] == TWO_VALUED:
                v = (first + w) % VISITS_OF_SIGNS
                signs(buffers.bits[k][v // 32], v % 32, buffers.drawn)
            else:
                standard_draws(drawn.law[k], buffers.words[w], buffers.drawn, buffers.lanes, buffers.dense)
            for i in range(drawn.number.shape[0]):
                if drawn.number[i] == k:
                    add_scaled(buffers.drawn, drawn.value[i], buffers.errors[w][drawn.axis[i]])
    for w in range(together):
        displace_frames(
            buffers.errors[w], axes.direction, axes.column, axes.rotary, buffers.e, buffers.r, buffers.scratch
        )
        rotation_angles(buffers.r, buffers.angle[w], buffers.scratch[0])
        for j in range(3):
            buffers.moved[j][w][:] = buffers.e[j]


@compiled
def _gather(
    ex: Floats, ey: Floats, ez: Floats, rotation_angle: Floats, centre: Floats, distance: Floats, totals: Floats
) -> None:
    _distances(ex, ey, ez, distance, totals[SUMS])
    _add_both(ex, centre[0], totals[0], totals[3])
    _add_both(ey, centre[1], totals[1], totals[4])
    _add_both(ez, centre[2], totals[2], totals[5])
    _add_product(ex, ey, centre[0], centre[1], totals[6])
    _add_product(ex, ez, centre[0], centre[2], totals[7])
    _add_product(ey, ez, centre[1], centre[2], totals[8])
    _add_product(rotation_angle, rotation_angle, 0.0, 0.0, totals[9])


@compiled
def _distances(ex: Floats, ey: Floats, ez: Floats, distance: Floats, square: Floats) -> None:
    for u in range(ex.shape[0]):
        s = ex[u] * ex[u] + ey[u] * ey[u] + ez[u] * ez[u]
        distance[u] = math.sqrt(s)
        square[u] += s


@compiled
def _add_both(source: Floats, centre: float, total: Floats, square: Floats) -> None:
    for u in range(source.shape[0]):
        x = source[u] - centre
        total[u] += x
        square[u] += x * x


@compiled
def _add_product(a: Floats, b: Floats, ca: float, cb: float, target: Floats) -> None:
    for u in range(a.shape[0]):
        target[u] += (a[u] - ca) * (b[u] - cb)
