"""Repeatable error of a joint over its range: one unit, the band of 95 % of units, and its waves.

A wave that is too fine for the points of a curve is drawn as what it sweeps: points further apart than a part of its
period make up waves that are not there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.errormodel.shapes import Wave
from armsim.errormodel.terms import Axis, Term
from armsim.model.machine import Machine
from armsim.results import CurveDetail, JointCurve
from armsim.sampling.plan import UNIT_BLOCK, draw_units
from armsim.sampling_plan import SamplingPlan

POSITIONS = 721
"""Points of the curve per turn: every half degree."""
RESOLVED = 16
"""Points per period from which a wave is drawn in the curve."""
DETAIL, PERIODS = 24, 3
"""Points per period of the inset, and its number of periods."""
SAMPLES = 64
"""Most points within a step of the curve at which its ends are evaluated."""
NEGLIGIBLE, SHOWN = 1e-3, 0.05
"""Share of the largest wave below which a wave is not listed; of the largest fine wave, below which it is no detail."""
GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)
"""Number whose multiples, modulo 1, are evenly distributed. Source: Niederreiter (1992), 3.1."""
PHASES = 32
"""Steps over which phases of fine waves are tried for the ends of the band."""
ENDS = (0.025, 0.975)


class _Waves(NamedTuple):
    """Waves of all units: orders, whether sine or cosine, and amplitudes of shape (waves, units)."""

    order: Array
    sine: Array
    size: Array

    def at(self, position: Array) -> Array:
        """Sum of the waves, shape (positions, units)."""
        phase = position[:, None] * self.order + np.where(self.sine, 0.0, 0.5 * math.pi)
        out: Array = np.sin(phase) @ self.size
        return out

    def only(self, which: NDArray[np.bool_]) -> _Waves:
        return _Waves(self.order[which], self.sine[which], self.size[which])

    def of_first(self) -> _Waves:
        """Waves of the first unit."""
        return _Waves(self.order, self.sine, self.size[:, :1])


def joint_curve(machine: Machine, number: int, terms: Sequence[Term], axis: Axis, seed: int) -> JointCurve:
    """Error curve of a joint over its range (or a turn), at rest, the other joints in mid-range.

    Parameters
    ----------
    machine : Machine
    number : int
        Of the joint.
    terms : sequence of Term
        Of unit life, that move the axis.
    axis : Axis
    seed : int
        Of the units.

    Returns
    -------
    JointCurve
    """
    joint, arm = machine.joints[number], machine.arm
    start = float(arm.lowest[number])
    step = (float(arm.highest[number]) - start) / (POSITIONS - 1)
    q = np.repeat(arm.middle[None], POSITIONS, axis=0)
    q[:, number] = start + step * np.arange(POSITIONS)
    position, state = q[:, number], machine.states(q)[joint.name]
    coefficients = draw_units(list(terms), SamplingPlan(UNIT_BLOCK, 1, seed))
    coarse = np.zeros((POSITIONS, coefficients.shape[1]))
    orders: list[float] = []
    sines: list[bool] = []
    sizes: list[Array] = [np.zeros((0, coefficients.shape[1]))]
    squares: dict[float, float] = {}
    first = 0
    for term in terms:
        for act in term.acts:
            if act.axis != axis:
                continue
            row, k = coefficients[first + act.coefficient], act.coefficient
            if isinstance(act.shape, Wave):
                orders.append(act.shape.order)
                sines.append(act.shape.function == "sin")
                sizes.append(act.shape.gain * row[None])
                order = abs(act.shape.order)
                square = 0.5 * act.shape.gain**2 * float(term.second_moment[k, k])
                squares[order] = squares.get(order, 0.0) + square
            else:
                coarse += np.outer(act.shape.value(state), row)
        first += len(term.mean)
    waves = _Waves(np.array(orders), np.array(sines, dtype=bool), np.concatenate(sizes))
    rms = {order: math.sqrt(square) for order, square in sorted(squares.items()) if square > 0}
    visible = [order for order, size in rms.items() if size > NEGLIGIBLE * max(rms.values())]
    fine = [order for order in visible if order * step * RESOLVED > 2 * math.pi]
    is_fine = np.isin(np.abs(waves.order), fine)
    coarse += waves.only(~is_fine).at(position)
    waves = waves.only(is_fine)
    low, high = np.quantile(coarse, ENDS, axis=1)
    unit = coarse[:, 0]
    if not fine:
        return JointCurve(*_tuples(position, unit, low, high), order=tuple(rms), rms=tuple(rms.values()))
    around = math.ceil(math.pi / (min(fine) * step))
    down, up = _beyond(coarse, waves, position, step, (low, high), around)
    swept = _swept(unit, waves.of_first(), position, step, around)
    finest = max(order for order in fine if rms[order] >= SHOWN * max(rms[other] for other in fine))
    return JointCurve(
        *_tuples(position, unit + waves.of_first().at(position)[:, 0], low + down, high + up),
        order=tuple(rms),
        rms=tuple(rms.values()),
        swept_low=tuple(swept[0].tolist()),
        swept_high=tuple(swept[1].tolist()),
        detail=_detail(unit, waves.of_first(), position, finest),
    )


def _beyond(
    coarse: Array, waves: _Waves, position: Array, step: float, ends: tuple[Array, Array], around: int
) -> tuple[Array, Array]:
    """Extension of the band by fine waves, shape (positions,): the most at any nearby phase.

    Some phases must be tried of waves of one period a step or less, too: `PHASES`.
    """
    shift = (GOLDEN * np.arange(len(position))) % 1.0 - 0.5  # a phase of its own at every point
    low, high = np.quantile(coarse + waves.at(position + step * shift), ENDS, axis=1)
    around = max(around, PHASES // 2)
    return _nearby(low - ends[0], around).min(axis=1), _nearby(high - ends[1], around).max(axis=1)


def _swept(unit: Array, waves: _Waves, position: Array, step: float, around: int) -> tuple[Array, Array]:
    """Ends of the error of one unit, shape (positions,): coarse waves plus least and most of the fine waves in a
    period.
    """
    points = 2 + math.ceil(DETAIL * step * float(np.abs(waves.order).max()) / (2 * math.pi))
    even, spread = np.linspace(-0.5, 0.5, min(points, SAMPLES)), (GOLDEN * np.arange(SAMPLES)) % 1.0 - 0.5
    within = position[:, None] + step * (even if points <= SAMPLES else spread)
    fine = waves.at(within.ravel())[:, 0].reshape(within.shape)
    low, high = _nearby(fine.min(axis=1), around).min(axis=1), _nearby(fine.max(axis=1), around).max(axis=1)
    return unit + low, unit + high


def _nearby(values: Array, around: int) -> Array:
    """Values at a number of neighbours to either side, shape (positions, neighbours)."""
    number = np.arange(len(values))[:, None] + np.arange(-around, around + 1)
    out: Array = values[number.clip(0, len(values) - 1)]
    return out


def _detail(unit: Array, waves: _Waves, position: Array, order: float) -> CurveDetail:
    """Some periods of a fine wave of one unit in mid-range."""
    period = 2 * math.pi / order
    within = position[len(position) // 2] + period * (np.arange(DETAIL * PERIODS + 1) / DETAIL - 0.5 * PERIODS)
    total = np.interp(within, position, unit) + waves.at(within)[:, 0]
    return CurveDetail(order, tuple(within.tolist()), tuple(total.tolist()))


_Column = tuple[float, ...]


def _tuples(*columns: Array) -> tuple[_Column, _Column, _Column, _Column]:
    """Rows of position, unit, low, high."""
    position, unit, low, high = (tuple(column.tolist()) for column in columns)
    return position, unit, low, high
