"""A whole population of arms at one pose: draws, joint errors, exact kinematics, scatter of every unit."""

from __future__ import annotations

import math

import numpy as np

from armsim.core.compile import Flags, Floats, Indices, Words, compiled
from armsim.core.philox import TWO_VALUED, VISITS_OF_SIGNS, philox4x32, signs, standard_draws
from armsim.core.screws import displace_frames

LANES = 256
"""Units worked on together. Fixed, and counted from unit 0, so that the bits do not depend on how work is shared."""


@compiled
def sample_pose(
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
    distance: Floats,
    turn: Floats,
    barycentre: Floats,
    moments: Floats,
    repeatability: Floats,
) -> None:
    """Sample every unit and visit at one pose.

    Parameters
    ----------
    coefficients : (unit coefficients, units)
        Coefficients of unit life, already drawn.
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
    displacement : (3, visits, units) [m], written
        Error of the tool point in the base frame.
    distance : (visits, units) [m], written
        Its length.
    turn : (visits, units) [rad], written
        Angle of the orientation error.
    barycentre : (3, units) [m], written
        Mean over the visits of each unit.
    moments : (7, units), written
        Means over the visits of xx, yy, zz, xy, xz, yz of the displacement [m^2] and of the square of the turn [rad^2].
    repeatability : (units,) [m], written
        RP of each unit: mean distance from the barycentre and three standard deviations of it. Needs two visits.
    """
    axes = direction.shape[0]
    visits = displacement.shape[1]
    units = displacement.shape[2]
    # whole rows of LANES, so that every loop runs over contiguous memory; lanes beyond the last unit idle along
    standing = np.empty((axes, LANES))
    errors = np.empty((4, axes, LANES))
    e = np.empty((3, LANES))
    r = np.empty((4, LANES))
    length = np.empty(LANES)
    angle = np.empty(LANES)
    drawn = np.empty(LANES)
    lanes = np.empty(LANES + 1, dtype=np.int64)
    dense = np.empty(LANES + 1)
    scratch = np.empty((2, LANES))
    sums = np.empty((3, LANES))
    products = np.empty((7, LANES))
    words = np.empty((4, LANES), dtype=np.uint32)
    bits = np.empty((visit_key.shape[0], 4, LANES), dtype=np.uint32)
    for start in range(0, units, LANES):
        n = min(LANES, units - start)
        end = start + n
        standing[:] = 0.0
        sums[:] = 0.0
        products[:] = 0.0
        for i in range(unit_index.shape[0]):
            _add(coefficients[unit_index[i]][start:end], unit_value[i], standing[unit_axis[i]])
        for first in range(0, visits, 4):  # one call of the generator serves four visits, or 128 that need a sign each
            together = min(4, visits - first)
            for w in range(together):
                errors[w] = standing
            for k in range(visit_key.shape[0]):
                if visit_law[k] != TWO_VALUED:
                    philox4x32(visit_key[k], first_unit + start, first // 4, pose, task, words)
                elif first % VISITS_OF_SIGNS == 0:
                    philox4x32(visit_key[k], first_unit + start, first // VISITS_OF_SIGNS, pose, task, bits[k])
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
                v = first + w
                displace_frames(errors[w], direction, column, rotary, e, r, scratch)
                _angles(r, angle)
                _gather(e[0], e[1], e[2], angle, length, sums, products)
                for j in range(3):
                    displacement[j][v][start:end] = e[j][:n]
                distance[v][start:end] = length[:n]
                turn[v][start:end] = angle[:n]
        for j in range(3):
            barycentre[j][start:end] = sums[j][:n] / visits
        for j in range(7):
            moments[j][start:end] = products[j][:n] / visits
        scratch[:] = 0.0
        for v in range(visits):
            _scatter(displacement[0][v][start:end], displacement[1][v][start:end], displacement[2][v][start:end],
                     barycentre[0][start:end], barycentre[1][start:end], barycentre[2][start:end],
                     scratch[0], scratch[1])  # fmt: skip
        for u in range(n):
            mean = scratch[0, u] / visits
            left = max(0.0, scratch[1, u] - visits * mean * mean)
            repeatability[start + u] = mean + 3.0 * math.sqrt(left / (visits - 1)) if visits > 1 else math.nan


@compiled
def _add(source: Floats, factor: float, target: Floats) -> None:
    for u in range(source.shape[0]):
        target[u] += source[u] * factor


@compiled
def _angles(r: Floats, out: Floats) -> None:
    """Angle of a rotation from its quaternion: 2 asin of the vector part, by series where it is small."""
    x, y, z, w = r[0], r[1], r[2], r[3]
    large = 0
    for u in range(out.shape[0]):
        s2 = x[u] * x[u] + y[u] * y[u] + z[u] * z[u]
        s = math.sqrt(s2)
        # asin: what is left out, 63 s^10 / 2816, is below 3e-17 where s < 0.03
        out[u] = 2.0 * s * (1.0 + s2 * (1.0 / 6.0 + s2 * (3.0 / 40.0 + s2 * (15.0 / 336.0 + s2 * (105.0 / 3456.0)))))
        large += s2 > 0.0009
    if large:
        for u in range(out.shape[0]):
            s = math.sqrt(x[u] * x[u] + y[u] * y[u] + z[u] * z[u])
            out[u] = 2.0 * math.atan2(s, abs(w[u]))


@compiled
def _gather(ex: Floats, ey: Floats, ez: Floats, turn: Floats, distance: Floats, sums: Floats, products: Floats) -> None:
    for u in range(ex.shape[0]):
        distance[u] = math.sqrt(ex[u] * ex[u] + ey[u] * ey[u] + ez[u] * ez[u])
    _add(ex, 1.0, sums[0])
    _add(ey, 1.0, sums[1])
    _add(ez, 1.0, sums[2])
    _add_product(ex, ex, products[0])
    _add_product(ey, ey, products[1])
    _add_product(ez, ez, products[2])
    _add_product(ex, ey, products[3])
    _add_product(ex, ez, products[4])
    _add_product(ey, ez, products[5])
    _add_product(turn, turn, products[6])


@compiled
def _add_product(a: Floats, b: Floats, target: Floats) -> None:
    for u in range(a.shape[0]):
        target[u] += a[u] * b[u]


@compiled
def _scatter(ex: Floats, ey: Floats, ez: Floats, bx: Floats, by: Floats, bz: Floats,
             total: Floats, square: Floats) -> None:  # fmt: skip
    for u in range(ex.shape[0]):
        x = ex[u] - bx[u]
        y = ey[u] - by[u]
        z = ez[u] - bz[u]
        l2 = x * x + y * y + z * z
        total[u] += math.sqrt(l2)
        square[u] += l2
