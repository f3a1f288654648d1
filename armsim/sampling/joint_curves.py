"""Repeatable error of a joint over its range: one unit, the band of 95 % of units, and its waves.

A unit is one simulated arm with its own drawn error coefficients. A wave whose period is too short for the points of
the curve is drawn as its envelope, the smallest and largest value within a period: sampled at these points it would
alias into waves that do not exist.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.errormodel.shapes import Shape, State, Wave
from armsim.errormodel.terms import Act, Axis, Term
from armsim.model.machine import Machine
from armsim.results import CurveDetail, JointCurve
from armsim.sampling.random_draws import UNIT_BLOCK, draw_units
from armsim.sampling_plan import SamplingPlan

POSITIONS = 721
"""Points of the curve over the range of the joint: every half degree of a full turn."""
MIN_POINTS_PER_PERIOD = 16
"""Points of the curve per period from mask a wave is drawn in it, not as an envelope."""
INSET_POINTS_PER_PERIOD, INSET_PERIODS = 24, 3
"""Points per period of the inset, and its number of periods."""
MAX_POINTS_PER_STEP = 64
"""Largest number of points within a step of the curve at mask the envelope is evaluated."""
MIN_LISTED_SHARE, MIN_INSET_SHARE = 1e-3, 0.05
"""Smallest share of the largest wave of a listed wave, and of the largest short wave of the wave in the inset."""
GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)
"""Number whose multiples, modulo 1, are evenly distributed. Source: Niederreiter (1992), 3.1."""
PHASES = 32
"""Steps over mask phases of short waves are tried for the ends of the band."""
SLOPE_DECIMALS = 12
"""Decimals of the motion of a drive per motion of a joint; further digits are rounding."""
BAND_QUANTILES = (0.025, 0.975)
"""Quantiles over the units between mask the band lies."""


class _Waves(NamedTuple):
    """Waves of all units.

    order : (waves,)
        Periods per 2 pi of position.
    phase : (waves,)
        Phase at position zero. [rad]
    amplitude : (waves, units) [rad or m]
    """

    order: Array
    phase: Array
    amplitude: Array

    def evaluate(self, position: Array) -> Array:
        """Sum of the waves, shape (positions, units). [rad or m]"""
        out: Array = np.sin(position[:, None] * self.order + self.phase) @ self.amplitude
        return out

    def select(self, mask: NDArray[np.bool_]) -> _Waves:
        """Selected waves; ``mask`` of shape (waves,)."""
        return _Waves(self.order[mask], self.phase[mask], self.amplitude[mask])

    def of_first_unit(self) -> _Waves:
        """Waves of the first unit."""
        return _Waves(self.order, self.phase, self.amplitude[:, :1])


class Effect(NamedTuple):
    """Effect of one coefficient of a term on a curve.

    coefficients : (units,)
    shape : Shape
    state : State
        At the positions of the curve.
    mean_square : float
        Mean square of the coefficient.
    """

    coefficients: Array
    shape: Shape
    state: State
    mean_square: float

    def wave_over(self, position: Array) -> tuple[float, float] | None:
        """Order of a wave over the positions of a curve, and its phase at position zero [rad]; None for all else."""
        if not isinstance(self.shape, Wave):
            return None
        drive_position, slope = self.state.position, 1.0
        if drive_position is not position:
            slope = round(
                float((drive_position[-1] - drive_position[0]) / (position[-1] - position[0])), SLOPE_DECIMALS
            )
        quarter = 0.0 if self.shape.function == "sin" else 0.5 * math.pi
        order = self.shape.order
        return (order * slope, quarter + order * float(drive_position[0] - slope * position[0])) if slope else None


def joint_curve(machine: Machine, number: int, terms: Sequence[Term], axis: Axis, seed: int) -> JointCurve:
    """Error curve of a joint over its range (or a turn), at rest, the other joints in mid-range.

    Parameters
    ----------
    machine : Machine
    number : int
        Number of the joint.
    terms : sequence of Term
        Terms constant per unit with an effect on the axis.
    axis : Axis
    seed : int
        Seed of the draws of the units.

    Returns
    -------
    JointCurve
    """
    joint = machine.joints[number]
    state = machine.states(joint_sweep(machine, number)).drives[joint.name]
    coefficients = draw_units(list(terms), SamplingPlan(UNIT_BLOCK, 1, seed))
    effects = effects_on_curve(terms, coefficients, lambda act: state if act.axis == axis else None)
    return error_curve(effects, state.position)


def effects_on_curve(
    terms: Sequence[Term], coefficients: Array, state_of: Callable[[Act], State | None]
) -> list[Effect]:
    """Effects of the coefficients of terms on a curve.

    Parameters
    ----------
    terms : sequence of Term
    coefficients : (coefficients, units)
        Of all terms, one below the other.
    state_of : function of Act to State or None
        State at mask an act is evaluated; None for one that does not act on the curve.

    Returns
    -------
    list of Effect
    """
    effects: list[Effect] = []
    first = 0
    for term in terms:
        for act in term.acts:
            state, k = state_of(act), act.coefficient
            if state is not None:
                effects.append(Effect(coefficients[first + k], act.shape, state, float(term.second_moment[k, k])))
        first += len(term.mean)
    return effects


def joint_sweep(machine: Machine, number: int) -> Array:
    """Joint positions of a joint that moves over its range, the others in mid-range.

    Parameters
    ----------
    machine : Machine
    number : int
        Number of the joint.

    Returns
    -------
    (POSITIONS, joints) [rad or m]
    """
    arm = machine.arm
    start = float(arm.finite_lower[number])
    step = (float(arm.finite_upper[number]) - start) / (POSITIONS - 1)
    q = np.repeat(arm.middle[None], POSITIONS, axis=0)
    q[:, number] = start + step * np.arange(POSITIONS)
    return q


def error_curve(effects: Sequence[Effect], position: Array, zero: Array | float = 0.0) -> JointCurve:
    """Error curve of a joint over positions in equal steps: one unit, and the band of 95 % of the units.

    Parameters
    ----------
    effects : sequence of Effect
        With their states at these positions, each moving in proportion to them.
    position : (POSITIONS,)
        [rad or m]
    zero : (units,), optional
        Offset subtracted from the error of every unit. [rad or m]

    Returns
    -------
    JointCurve
    """
    step = abs(float(position[-1] - position[0])) / (len(position) - 1)
    units = len(effects[0].coefficients) if effects else UNIT_BLOCK
    resolved_error = np.zeros((len(position), units)) - zero
    orders: list[float] = []
    phases: list[float] = []
    amplitudes: list[Array] = [np.zeros((0, units))]
    squares: dict[float, float] = {}
    for effect in effects:
        wave = effect.wave_over(position)
        if wave is None:
            resolved_error += np.outer(effect.shape.value(effect.state), effect.coefficients)
            continue
        order = abs(wave[0])
        orders.append(wave[0])
        phases.append(wave[1])
        amplitudes.append(effect.shape.gain * effect.coefficients[None])
        squares[order] = squares.get(order, 0.0) + 0.5 * effect.shape.gain**2 * effect.mean_square
    waves = _Waves(np.array(orders), np.array(phases), np.concatenate(amplitudes))
    rms = {order: math.sqrt(square) for order, square in sorted(squares.items()) if square > 0}
    listed = [order for order, value in rms.items() if value > MIN_LISTED_SHARE * max(rms.values())]
    short = [order for order in listed if order * step * MIN_POINTS_PER_PERIOD > 2 * math.pi]
    is_short = np.isin(np.abs(waves.order), short)
    resolved_error += waves.select(~is_short).evaluate(position)
    waves = waves.select(is_short)
    low, high = np.quantile(resolved_error, BAND_QUANTILES, axis=1)
    unit = resolved_error[:, 0]
    if not short:
        return JointCurve(*_as_tuples(position, unit, low, high), order=tuple(rms), rms=tuple(rms.values()))
    half_window = math.ceil(math.pi / (min(short) * step))
    low_change, high_change = _band_widening(resolved_error, waves, position, step, (low, high), half_window)
    envelope = _envelope(unit, waves.of_first_unit(), position, step, half_window)
    shortest = max(order for order in short if rms[order] >= MIN_INSET_SHARE * max(rms[other] for other in short))
    return JointCurve(
        *_as_tuples(
            position, unit + waves.of_first_unit().evaluate(position)[:, 0], low + low_change, high + high_change
        ),
        order=tuple(rms),
        rms=tuple(rms.values()),
        envelope_low=tuple(envelope[0].tolist()),
        envelope_high=tuple(envelope[1].tolist()),
        detail=_detail(unit, waves.of_first_unit(), position, shortest),
    )


def _band_widening(
    resolved_error: Array, waves: _Waves, position: Array, step: float, ends: tuple[Array, Array], half_window: int
) -> tuple[Array, Array]:
    """Change of the ends of the band by short waves, the largest at any nearby phase, shape (positions,). [rad or m]

    Waves of a period of one step or less need several phases too: `PHASES`.
    """
    shift = (GOLDEN * np.arange(len(position))) % 1.0 - 0.5  # a different phase at every point
    low, high = np.quantile(resolved_error + waves.evaluate(position + step * shift), BAND_QUANTILES, axis=1)
    half_window = max(half_window, PHASES // 2)
    return _neighbours(low - ends[0], half_window).min(axis=1), _neighbours(high - ends[1], half_window).max(axis=1)


def _envelope(unit: Array, waves: _Waves, position: Array, step: float, half_window: int) -> tuple[Array, Array]:
    """Lower and upper envelope of the error of one unit, shape (positions,). [rad or m]

    The resolved error plus the smallest and largest sum of the short waves within a period.
    """
    points = 2 + math.ceil(INSET_POINTS_PER_PERIOD * step * float(np.abs(waves.order).max()) / (2 * math.pi))
    even_steps, spread_steps = (
        np.linspace(-0.5, 0.5, min(points, MAX_POINTS_PER_STEP)),
        (GOLDEN * np.arange(MAX_POINTS_PER_STEP)) % 1.0 - 0.5,
    )
    fine_positions = position[:, None] + step * (even_steps if points <= MAX_POINTS_PER_STEP else spread_steps)
    short = waves.evaluate(fine_positions.ravel())[:, 0].reshape(fine_positions.shape)
    low, high = (
        _neighbours(short.min(axis=1), half_window).min(axis=1),
        _neighbours(short.max(axis=1), half_window).max(axis=1),
    )
    return unit + low, unit + high


def _neighbours(values: Array, half_window: int) -> Array:
    """Values within a number of points to either side, shape (positions, 2 half_window + 1)."""
    number = np.arange(len(values))[:, None] + np.arange(-half_window, half_window + 1)
    out: Array = values[number.clip(0, len(values) - 1)]
    return out


def _detail(unit: Array, waves: _Waves, position: Array, order: float) -> CurveDetail:
    """Inset of the curve: some periods of a short wave of one unit in mid-range."""
    period = 2 * math.pi / order
    fine_positions = position[len(position) // 2] + period * (
        np.arange(INSET_POINTS_PER_PERIOD * INSET_PERIODS + 1) / INSET_POINTS_PER_PERIOD - 0.5 * INSET_PERIODS
    )
    total = np.interp(fine_positions, position, unit) + waves.evaluate(fine_positions)[:, 0]
    return CurveDetail(order, tuple(fine_positions.tolist()), tuple(total.tolist()))


_Column = tuple[float, ...]


def _as_tuples(*columns: Array) -> tuple[_Column, _Column, _Column, _Column]:
    """Columns position, unit, low and high of a curve as tuples."""
    position, unit, low, high = (tuple(column.tolist()) for column in columns)
    return position, unit, low, high
