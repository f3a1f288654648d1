"""A whole population of arms at one pose: draws, joint errors, exact kinematics, and the statistics of all of it.

Nothing is kept of a sample but counts, sums and three numbers a unit, so that memory does not grow with the visits.
"""

from __future__ import annotations

import math

import numpy as np

from armsim.core.compile import Flags, Floats, Indices, Words, compiled
from armsim.core.counting import line_bins, ratio_bins, tally, tally_larger, widen
from armsim.core.philox import TWO_VALUED, VISITS_OF_SIGNS, philox4x32, signs, standard_draws
from armsim.core.screws import displace_frames

LANES = 256
"""Units worked on together. Fixed, and counted from unit 0, so that the bits do not depend on how work is shared."""
KEPT = 512
"""Visits of a block of units kept until their barycentre is known; with more, they are drawn once again."""
SUMS = 10
"""Sums over visits and units: x, y, z, xx, yy, zz, xy, xz, yz of the displacement, and the squared turn."""
FIGURES = 5
"""Figures of a unit: AP and RP of position, its mean squared distance, AP and RP of orientation."""
MEASURES = 5
"""What is counted: distance, turn, x, y, z."""


@compiled
def sample_units(
    coefficients: Floats,
    unit_index: Indices,
    unit_axis: Indices,
    unit_value: Floats,
    visit_key: Words,
    visit_law: Indices,
    visit_index: Indices,
    visit_axis: Indices,
    visit_value: Floats,
    direction: Floats,
    column: Floats,
    rotary: Flags,
    first_unit: int,
    units: int,
    visits: int,
    pose: int,
    task: int,
    line: Floats,
    tangent: Floats,
    ratio_counts: Indices,
    ratio_pairs: Indices,
    line_counts: Indices,
    line_pairs: Indices,
    extremes: Floats,
    figures: Floats,
    sums: Floats,
) -> None:
    """Sample a block of units, all their visits, at one pose.

    Parameters
    ----------
    coefficients : (unit coefficients, at least units rounded up to `LANES`)
        Coefficients of unit life, already drawn; those past ``units`` are carried along and not counted.
    unit_index, unit_axis, unit_value : (entries,)
        Entry i moves axis ``unit_axis[i]`` by coefficient ``unit_index[i]`` times ``unit_value[i]``, the value of its
        shape at this pose.
    visit_key : (visit coefficients, 2) uint32
    visit_law : (visit coefficients,)
        Codes of `philox`.
    visit_index, visit_axis, visit_value : (entries,)
        The same for the coefficients of visit life; the value includes the scale of the law.
    direction, column, rotary
        The axes at this pose, as in `screws.displace_points`.
    first_unit, pose, task : int
        Counter words of the draws; ``first_unit`` is a multiple of `LANES`.
    units, visits : int
    line : (3, 2)
        Lower end and bins per metre of the scale on which each coordinate is counted.
    tangent : (3,)
        Of a path: AP and RP are taken in the plane across it. Zero without a path.
    ratio_counts : (2, RATIO_BINS), added to
        Distance and turn of every visit.
    ratio_pairs : (RATIO_BINS,), added to
        The larger distance of each two visits of one unit.
    line_counts, line_pairs : (3, LINE_BINS), added to
        The same for the coordinates.
    extremes : (2, 5), widened
        Smallest and largest distance, turn, x, y, z.
    figures : (FIGURES, units), written
        Of each unit: AP and RP of the position [m], mean square of the distance [m^2], AP of the orientation (angle of
        the mean rotation vector) and RP of the orientation (three standard deviations about the axis, x, y or z, that
        scatters most) [rad]. RP is nan from a single visit.
    sums : (SUMS, blocks of `LANES`), written
        Over the visits and units of each block.
    """
    axes = direction.shape[0]
    rows = min((visits + 3) // 4 * 4, KEPT)
    standing = np.empty((axes, LANES))
    errors = np.empty((4, axes, LANES))
    moved = np.empty((3, rows, LANES))
    turned = np.empty((rows, LANES))
    about = np.empty((3, 4, LANES))  # of four visits: nothing asks for them again
    r = np.empty((4, LANES))
    e = np.empty((3, LANES))
    spins = np.empty((6, LANES))
    length = np.empty(LANES)
    drawn = np.empty(LANES)
    lanes = np.empty(LANES + 1, dtype=np.int64)
    dense = np.empty(LANES + 1)
    scratch = np.empty((2, LANES))
    totals = np.empty((SUMS, LANES))
    barycentre = np.empty((3, LANES))
    low = np.full((MEASURES, LANES), np.inf)
    high = np.full((MEASURES, LANES), -np.inf)
    bins = np.empty((2, MEASURES, LANES), dtype=np.int64)
    words = np.empty((4, LANES), dtype=np.uint32)
    bits = np.empty((visit_key.shape[0], 4, LANES), dtype=np.uint32)
    for start in range(0, units, LANES):
        n = min(LANES, units - start)
        standing[:] = 0.0
        totals[:] = 0.0
        spins[:] = 0.0
        for i in range(unit_index.shape[0]):
            _add(coefficients[unit_index[i]][start : start + LANES], unit_value[i], standing[unit_axis[i]])
        for first in range(0, visits, 4):
            _visit(visit_key, visit_law, visit_index, visit_axis, visit_value, direction, column, rotary, standing,
                   first_unit + start, first, visits, pose, task, errors, words, bits, drawn, lanes, dense, e, r,
                   scratch, moved, turned, about)  # fmt: skip
            for v in range(first, min(first + 4, visits)):
                row = v % rows
                for j in range(3):
                    _add_both(about[j][v % 4], spins[j], spins[3 + j])
                x, y, z, turn = moved[0][row], moved[1][row], moved[2][row], turned[row]
                _gather(x, y, z, turn, length, totals)
                now, before = bins[v % 2], bins[1 - v % 2]
                ratio_bins(length, now[0])
                ratio_bins(turn, now[1])
                widen(length[:n], low[0], high[0])
                widen(turn[:n], low[1], high[1])
                tally(now[0][:n], ratio_counts[0])
                tally(now[1][:n], ratio_counts[1])
                if v % 2:
                    tally_larger(now[0][:n], before[0][:n], ratio_pairs)
                for j in range(3):
                    line_bins(moved[j][row], line[j, 0], line[j, 1], now[2 + j])
                    widen(moved[j][row][:n], low[2 + j], high[2 + j])
                    tally(now[2 + j][:n], line_counts[j])
                    if v % 2:
                        tally_larger(now[2 + j][:n], before[2 + j][:n], line_pairs[j])
        for s in range(SUMS):
            total = 0.0
            for u in range(n):
                total += totals[s, u]
            sums[s, start // LANES] = total
        for u in range(n):
            x, y, z = totals[0, u] / visits, totals[1, u] / visits, totals[2, u] / visits
            along = x * tangent[0] + y * tangent[1] + z * tangent[2]
            figures[0, start + u] = math.sqrt(max(0.0, x * x + y * y + z * z - along * along))
            figures[2, start + u] = (totals[3, u] + totals[4, u] + totals[5, u]) / visits
            a, b, c = spins[0, u] / visits, spins[1, u] / visits, spins[2, u] / visits
            figures[3, start + u] = math.sqrt(a * a + b * b + c * c)
            widest = max(spins[3, u] - visits * a * a, spins[4, u] - visits * b * b, spins[5, u] - visits * c * c, 0.0)
            figures[4, start + u] = 3.0 * math.sqrt(widest / (visits - 1)) if visits > 1 else math.nan
        for j in range(3):
            for u in range(LANES):
                barycentre[j, u] = totals[j, u] / visits
        bx, by, bz = barycentre[0], barycentre[1], barycentre[2]
        totals[:2] = 0.0
        for first in range(0, visits, 4):
            if visits > rows:
                _visit(visit_key, visit_law, visit_index, visit_axis, visit_value, direction, column, rotary, standing,
                       first_unit + start, first, visits, pose, task, errors, words, bits, drawn, lanes, dense, e, r,
                       scratch, moved, turned, about)  # fmt: skip
            for v in range(first, min(first + 4, visits)):
                row = v % rows
                _scatter(moved[0][row], moved[1][row], moved[2][row], bx, by, bz, tangent[0], tangent[1], tangent[2],
                         totals[0], totals[1])  # fmt: skip
        for u in range(n):
            mean = totals[0, u] / visits
            left = max(0.0, totals[1, u] - visits * mean * mean)
            figures[1, start + u] = mean + 3.0 * math.sqrt(left / (visits - 1)) if visits > 1 else math.nan
    for m in range(MEASURES):
        for u in range(LANES):
            extremes[0, m] = min(extremes[0, m], low[m, u])
            extremes[1, m] = max(extremes[1, m], high[m, u])


@compiled
def follow_units(
    coefficients: Floats,
    unit_index: Indices,
    unit_axis: Indices,
    unit_value: Floats,
    visit_key: Words,
    visit_law: Indices,
    visit_index: Indices,
    visit_axis: Indices,
    visit_value: Floats,
    direction: Floats,
    column: Floats,
    rotary: Flags,
    first_unit: int,
    pose: int,
    task: int,
    displacement: Floats,
    turn: Floats,
) -> None:
    """Every visit of a block of units, one by one, as `sample_units` sees them.

    Parameters
    ----------
    displacement : (3, visits, units) [m], written
    turn : (visits, units) [rad], written
    """
    visits, units = turn.shape
    axes = direction.shape[0]
    standing = np.empty((axes, LANES))
    errors = np.empty((4, axes, LANES))
    moved, turned, about = np.empty((3, 4, LANES)), np.empty((4, LANES)), np.empty((3, 4, LANES))
    r, e, scratch = np.empty((4, LANES)), np.empty((3, LANES)), np.empty((2, LANES))
    drawn, dense = np.empty(LANES), np.empty(LANES + 1)
    lanes = np.empty(LANES + 1, dtype=np.int64)
    words = np.empty((4, LANES), dtype=np.uint32)
    bits = np.empty((visit_key.shape[0], 4, LANES), dtype=np.uint32)
    for start in range(0, units, LANES):
        n = min(LANES, units - start)
        standing[:] = 0.0
        for i in range(unit_index.shape[0]):
            _add(coefficients[unit_index[i]][start : start + LANES], unit_value[i], standing[unit_axis[i]])
        for first in range(0, visits, 4):
            _visit(visit_key, visit_law, visit_index, visit_axis, visit_value, direction, column, rotary, standing,
                   first_unit + start, first, visits, pose, task, errors, words, bits, drawn, lanes, dense, e, r,
                   scratch, moved, turned, about)  # fmt: skip
            for v in range(first, min(first + 4, visits)):
                for j in range(3):
                    displacement[j, v, start : start + n] = moved[j, v % 4, :n]
                turn[v, start : start + n] = turned[v % 4, :n]


@compiled
def _visit(
    visit_key: Words, visit_law: Indices, visit_index: Indices, visit_axis: Indices, visit_value: Floats,
    direction: Floats, column: Floats, rotary: Flags, standing: Floats, first_unit: int, first: int, visits: int,
    pose: int, task: int, errors: Floats, words: Words, bits: Words, drawn: Floats, lanes: Indices, dense: Floats,
    e: Floats, r: Floats, scratch: Floats, moved: Floats, turned: Floats, about: Floats,
) -> None:  # fmt: skip
    """Four visits that one call of the generator serves: displacement, turn, rotation vector into rows of the room."""
    together = min(4, visits - first)
    for w in range(together):
        errors[w] = standing
    for k in range(visit_key.shape[0]):
        if visit_law[k] != TWO_VALUED:
            philox4x32(visit_key[k], first_unit, first // 4, pose, task, words)
        elif first % VISITS_OF_SIGNS == 0:
            philox4x32(visit_key[k], first_unit, first // VISITS_OF_SIGNS, pose, task, bits[k])
        for w in range(together):
            if visit_law[k] == TWO_VALUED:
                v = (first + w) % VISITS_OF_SIGNS
                signs(bits[k][v // 32], v % 32, drawn)
            else:
                standard_draws(visit_law[k], words[w], drawn, lanes, dense)
            for i in range(visit_index.shape[0]):
                if visit_index[i] == k:
                    _add(drawn, visit_value[i], errors[w][visit_axis[i]])
    for w in range(together):
        row = (first + w) % turned.shape[0]
        displace_frames(errors[w], direction, column, rotary, e, r, scratch)
        _angles(r, turned[row], scratch[0])
        for j in range(3):
            moved[j][row][:] = e[j]
            _product(r[j], scratch[0], about[j][w])


@compiled
def _add(source: Floats, factor: float, target: Floats) -> None:
    for u in range(source.shape[0]):
        target[u] += source[u] * factor


@compiled
def _angles(r: Floats, out: Floats, ratio: Floats) -> None:
    """Angle of a rotation from its quaternion, and rotation vector over vector part: 2 asin, by series where small."""
    x, y, z, w = r[0], r[1], r[2], r[3]
    large = 0
    for u in range(out.shape[0]):
        s2 = x[u] * x[u] + y[u] * y[u] + z[u] * z[u]
        # asin: what is left out, 63 s^10 / 2816, is below 3e-17 where s < 0.03
        k = 2.0 * (1.0 + s2 * (1.0 / 6.0 + s2 * (3.0 / 40.0 + s2 * (15.0 / 336.0 + s2 * (105.0 / 3456.0)))))
        ratio[u] = k
        out[u] = k * math.sqrt(s2)
        large += s2 > 0.0009
    if large:
        for u in range(out.shape[0]):
            s = math.sqrt(x[u] * x[u] + y[u] * y[u] + z[u] * z[u])
            out[u] = 2.0 * math.atan2(s, abs(w[u]))
            k = out[u] / s if s > 0.0 else 2.0
            ratio[u] = k if w[u] >= 0.0 else -k


@compiled
def _product(a: Floats, b: Floats, out: Floats) -> None:
    for u in range(a.shape[0]):
        out[u] = a[u] * b[u]


@compiled
def _gather(ex: Floats, ey: Floats, ez: Floats, turn: Floats, distance: Floats, totals: Floats) -> None:
    for u in range(ex.shape[0]):
        distance[u] = math.sqrt(ex[u] * ex[u] + ey[u] * ey[u] + ez[u] * ez[u])
    _add_both(ex, totals[0], totals[3])
    _add_both(ey, totals[1], totals[4])
    _add_both(ez, totals[2], totals[5])
    _add_product(ex, ey, totals[6])
    _add_product(ex, ez, totals[7])
    _add_product(ey, ez, totals[8])
    _add_product(turn, turn, totals[9])


@compiled
def _add_both(source: Floats, total: Floats, square: Floats) -> None:
    for u in range(source.shape[0]):
        x = source[u]
        total[u] += x
        square[u] += x * x


@compiled
def _add_product(a: Floats, b: Floats, target: Floats) -> None:
    for u in range(a.shape[0]):
        target[u] += a[u] * b[u]


@compiled
def _scatter(ex: Floats, ey: Floats, ez: Floats, bx: Floats, by: Floats, bz: Floats,
             tx: float, ty: float, tz: float, total: Floats, square: Floats) -> None:  # fmt: skip
    for u in range(ex.shape[0]):
        x = ex[u] - bx[u]
        y = ey[u] - by[u]
        z = ez[u] - bz[u]
        along = x * tx + y * ty + z * tz
        l2 = max(x * x + y * y + z * z - along * along, 0.0)
        total[u] += math.sqrt(l2)
        square[u] += l2
