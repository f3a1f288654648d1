"""A whole population of arms at one pose: draws, joint errors, exact kinematics, scatter of every unit."""

from __future__ import annotations

import math

import numpy as np

from armsim.core.compile import Flags, Floats, Indices, Words, compiled
from armsim.core.philox import philox4x32, standard_draws
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
    turn: Floats,
    barycentre: Floats,
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
    turn : (visits, units) [rad], written
        Angle of the orientation error.
    barycentre : (3, units) [m], written
        Mean over the visits of each unit.
    repeatability : (units,) [m], written
        RP of each unit: mean distance from the barycentre and three standard deviations of it. Needs two visits.
    """
    axes = direction.shape[0]
    visits = displacement.shape[1]
    units = displacement.shape[2]
    n_visit = visit_key.shape[0]
    errors = np.empty((axes, LANES))
    standing = np.empty((axes, LANES))
    e = np.empty((3, LANES))
    r = np.empty((4, LANES))
    scratch = np.empty((2, LANES))
    words = np.empty((4, LANES), dtype=np.uint32)
    draws = np.empty((n_visit, 4, LANES))
    for start in range(0, units, LANES):
        n = min(LANES, units - start)
        for a in range(axes):
            for u in range(n):
                standing[a, u] = 0.0
        for i in range(unit_index.shape[0]):
            value = unit_value[i]
            source = coefficients[unit_index[i]]
            target = standing[unit_axis[i]]
            for u in range(n):
                target[u] += source[start + u] * value
        for v in range(visits):
            if v % 4 == 0:  # one call of the generator serves four visits
                for k in range(n_visit):
                    philox4x32(visit_key[k], first_unit + start, v // 4, pose, task, words)
                    for w in range(min(4, visits - v)):
                        standard_draws(visit_law[k], words[w, :n], draws[k, w, :n])
            for a in range(axes):
                for u in range(n):
                    errors[a, u] = standing[a, u]
            for i in range(visit_index.shape[0]):
                value = visit_value[i]
                drawn = draws[visit_index[i], v % 4]
                target = errors[visit_axis[i]]
                for u in range(n):
                    target[u] += drawn[u] * value
            displace_frames(errors[:, :n], direction, column, rotary, e[:, :n], r[:, :n], scratch[:, :n])
            for j in range(3):
                for u in range(n):
                    displacement[j, v, start + u] = e[j, u]
            for u in range(n):
                vector = math.sqrt(r[0, u] * r[0, u] + r[1, u] * r[1, u] + r[2, u] * r[2, u])
                turn[v, start + u] = 2.0 * math.atan2(vector, abs(r[3, u]))
        for j in range(3):
            for u in range(n):
                total = 0.0
                for v in range(visits):
                    total += displacement[j, v, start + u]
                barycentre[j, start + u] = total / visits
        _repeatability(
            displacement[:, :, start : start + n], barycentre[:, start : start + n], repeatability[start : start + n]
        )


@compiled
def _repeatability(displacement: Floats, barycentre: Floats, out: Floats) -> None:
    visits = displacement.shape[1]
    for u in range(displacement.shape[2]):
        total = 0.0
        square = 0.0
        for v in range(visits):
            x = displacement[0, v, u] - barycentre[0, u]
            y = displacement[1, v, u] - barycentre[1, u]
            z = displacement[2, v, u] - barycentre[2, u]
            l2 = x * x + y * y + z * z
            total += math.sqrt(l2)
            square += l2
        mean = total / visits
        scatter = max(0.0, square - visits * mean * mean)
        out[u] = mean + 3.0 * math.sqrt(scatter / (visits - 1)) if visits > 1 else math.nan
