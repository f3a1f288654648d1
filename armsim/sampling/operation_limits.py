"""Operating limits of the sensors: which units violate them, as part of the yield.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.causes import HEAD_SKEW, LOST_MOTION, SECOND_TRACK, Cause
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Constant, Wave
from armsim.errormodel.terms import Axis, Role, Term, independent
from armsim.model.joint import Joint
from armsim.model.machine import Change, Machine
from armsim.physics import absolute, assembly
from armsim.results.joints import OperationLimit
from armsim.sampling.changed_terms import changed_terms, factor_of_changes
from armsim.sampling.random_draws import UNIT_BLOCK, draw_units
from armsim.sampling.statistics import clopper_pearson, unit_quantiles
from armsim.sampling_plan import SamplingPlan

SCATTER_MARGIN = 3.0
"""Standard deviations of the reading-to-reading scatter that a margin allows for."""
PHASES = 256
"""Points of a signal period at which its error is evaluated: the peak of four waves is missed by 0.1 % at most."""


def is_limited(machine: Machine) -> bool:
    """Whether any joint states an operating limit."""
    return bool(limit_names(machine))


def limit_names(machine: Machine) -> tuple[str, ...]:
    """Names of the operating limits that the joints state."""
    absolute = any(joint.encoder.absolute is not None for joint in machine.joints)
    turns = any(joint.counts_turns for joint in machine.joints)
    return (*(("absolute reading",) if absolute else ()), *(("turn of the motor",) if turns else ()))


def limit_causes(machine: Machine) -> tuple[Cause, ...]:
    """Causes that the joints state and that decide operating limits alone, without an error of the arm.

    Parameters
    ----------
    machine : Machine

    Returns
    -------
    tuple of Cause
    """
    absolute_joints = [joint for joint in machine.joints if joint.encoder.absolute is not None]
    spreads = [(HEAD_SKEW, joint.mounting.head_skew) for joint in absolute_joints]
    spreads += [(SECOND_TRACK, joint.encoder.absolute.error) for joint in absolute_joints if joint.encoder.absolute]
    return tuple(dict.fromkeys(cause for cause, spread in spreads if spread.nonzero))


def margins(machine: Machine, plan: SamplingPlan, first: int, units: int) -> list[tuple[str, str, Array]]:
    """Margins of a range of units against each operating limit; negative if a unit violates the limit.

    The draws are the same as for the errors: a unit with a large eccentricity has the same eccentricity here.

    Parameters
    ----------
    machine : Machine
    plan : SamplingPlan
    first : int
        Number of the first unit.
    units : int

    Returns
    -------
    list of (joint, limit, (units,))
        Margins in the unit of each limit.
    """
    out = []
    for joint in machine.joints:
        if joint.encoder.absolute is not None:
            out.append((joint.name, "absolute reading", _track_margins(joint, plan, first, units, machine.changes)))
        if joint.counts_turns:
            out.append(
                (joint.name, "turn of the motor", _turn_count_margins(joint, plan, first, units, machine.changes))
            )
    return out


def units_within_limits(machine: Machine, plan: SamplingPlan) -> NDArray[np.bool_]:
    """Units within all operating limits, shape (units,).

    Parameters
    ----------
    machine : Machine
    plan : SamplingPlan

    Returns
    -------
    (units,) bool
    """
    out = np.ones(plan.units, dtype=bool)
    if is_limited(machine):
        for first in range(0, plan.units, UNIT_BLOCK):
            units = min(UNIT_BLOCK, plan.units - first)
            for _, _, margin in margins(machine, plan, first, units):
                out[first : first + units] &= margin >= 0.0
    return out


def margins_of_all_units(machine: Machine, plan: SamplingPlan) -> list[tuple[str, str, Array]]:
    """`margins` of all units of the plan.

    Parameters
    ----------
    machine : Machine
    plan : SamplingPlan

    Returns
    -------
    list of (joint, limit, margin)
        Margin of every unit, shape (units,).
    """
    if not is_limited(machine):
        return []
    blocks = [
        margins(machine, plan, first, min(UNIT_BLOCK, plan.units - first)) for first in range(0, plan.units, UNIT_BLOCK)
    ]
    return [
        (joint, limit, np.concatenate([block[n][2] for block in blocks]))
        for n, (joint, limit, _) in enumerate(blocks[0])
    ]


def limits_of(machine: Machine, plan: SamplingPlan) -> tuple[OperationLimit, ...]:
    """Every operating limit over the population.

    Parameters
    ----------
    machine : Machine
    plan : SamplingPlan

    Returns
    -------
    tuple of OperationLimit
    """
    out = []
    for joint, limit, margin in margins_of_all_units(machine, plan):
        failing = int(np.count_nonzero(margin < 0.0))
        p01, p50 = unit_quantiles(margin, (0.01, 0.5))
        interval = clopper_pearson(failing, len(margin))
        out.append(
            OperationLimit(joint, limit, p50.value, p01.value, float(margin.min()), failing / len(margin), interval)
        )
    return tuple(out)


def _track_margins(joint: Joint, plan: SamplingPlan, first: int, units: int, changes: Sequence[Change]) -> Array:
    encoder, mounting, axis = joint.encoder, joint.mounting, Axis(joint.name)
    second = encoder.absolute
    assert second is not None  # ensured by the caller
    radius, period = encoder.track_radius, 2.0 * math.pi / (second.periods or encoder.signal_periods)
    offset = np.zeros((2, units))  # of the scale from the axis of rotation: both turn with the shaft
    for spread, terms_of in (
        (mounting.eccentricity, assembly.eccentricity), (mounting.shaft_runout, assembly.shaft_runout),
    ):  # fmt: skip
        terms = terms_of(spread.spread, radius, phase=spread.phase) if spread.spread.nonzero else ()
        scale = factor_of_changes(changes, joint.name, terms[0].cause) if terms else 1.0
        offset += scale * radius * _first_wave(_terms_on_axis(terms, axis), plan, first, units)
    skew = factor_of_changes(changes, joint.name, HEAD_SKEW) * _draw_quantity(
        HEAD_SKEW, mounting.head_skew, axis, plan, first, units
    )
    track_error = (
        factor_of_changes(changes, joint.name, SECOND_TRACK)
        * period
        * _draw_quantity(SECOND_TRACK, second.error, axis, plan, first, units)
    )
    waves = changed_terms(_terms_on_axis(encoder.signal_terms(), axis), changes, joint.name)
    signal = _extremes_within_period(waves, encoder.order, plan, first, units)
    disagreement = absolute.disagreement(skew, np.hypot(*offset), track_error, signal, radius, second.radius)
    return absolute.margin(disagreement, absolute.periods_per_angle(encoder.signal_periods, second.periods))


def _turn_count_margins(joint: Joint, plan: SamplingPlan, first: int, units: int, changes: Sequence[Change]) -> Array:
    """Margin of the sensor on the joint against counting a wrong motor turn, with all waves at their peaks.

    Zeros are set against each other and the load is not considered.
    """
    axis, ratio = Axis(joint.name), joint.transmission.motor_angle_per_motion
    gear = tuple(term.transfer_to(axis) for term in joint.transmission.terms(True, 0.0, joint.approach))
    sensor = changed_terms(joint.sensor_terms(), changes, joint.name)
    fixed = [*sensor, *changed_terms((*joint.speed_terms(), *gear), changes, joint.name)]
    peak = _amplitude_sum([term for term in fixed if term.life == "unit"], plan, first, units)
    variance = sum(
        float(np.trace(term.covariance)) * _constant_gain_squared(term) for term in sensor if term.life == "visit"
    )
    causes = (term.cause for term in joint.terms())
    cause = next((cause for cause in causes if LOST_MOTION in (cause, *cause.parts)), LOST_MOTION)
    lost_motion = factor_of_changes(changes, joint.name, cause) * joint.transmission.lost_motion
    error = peak + 0.5 * lost_motion + SCATTER_MARGIN * math.sqrt(variance)
    return absolute.turn_margin(error, ratio)


def _constant_gain_squared(term: Term) -> float:
    """Squared gain of the constant shape of a term on the motion of its joint; 0 if it has none."""
    shapes = (act.shape for act in term.acts if act.axis.role is Role.MOTION)
    return max((shape.gain**2 for shape in shapes if isinstance(shape, Constant)), default=0.0)


def _terms_on_axis(terms: Sequence[Term], axis: Axis) -> list[Term]:
    return [term.transfer_to(axis) for term in terms]


def _draw_quantity(cause: Cause, spread: Distribution, axis: Axis, plan: SamplingPlan, first: int, units: int) -> Array:
    """Draws of one quantity for every unit, shape (units,)."""
    if not spread.nonzero:
        return np.zeros(units)
    term = independent(cause.name, cause, (spread,), (Constant(),), spread.limit).transfer_to(axis)
    return draw_units([term], plan, first, units)[0, :units]


def _first_wave(terms: Sequence[Term], plan: SamplingPlan, first: int, units: int) -> Array:
    """Sine and cosine amplitudes of the first wave of a term, shape (2, units)."""
    return draw_units(terms, plan, first, units)[:2, :units] if terms else np.zeros((2, units))


def _waves(terms: Sequence[Term], plan: SamplingPlan, first: int, units: int) -> dict[float, Array]:
    """Sine and cosine amplitudes by order, waves of one order added as vectors, shape (2, units) each."""
    out: dict[float, Array] = {}
    if not terms:
        return out
    coefficients = draw_units(terms, plan, first, units)[:, :units]
    start = 0
    for term in terms:
        for act in term.acts:
            if isinstance(act.shape, Wave) and act.axis.role is Role.MOTION:
                wave = out.setdefault(abs(act.shape.order), np.zeros((2, units)))
                row = 0 if act.shape.function == "sin" else 1
                sign = -1.0 if row == 0 and act.shape.order < 0 else 1.0
                wave[row] += sign * act.shape.gain * coefficients[start + act.coefficient]
        start += len(term.mean)
    return out


def _amplitude_sum(terms: Sequence[Term], plan: SamplingPlan, first: int, units: int) -> Array:
    """Sum of the amplitudes of all orders, shape (units,)."""
    waves = _waves(terms, plan, first, units).values()
    return np.asarray(sum((np.hypot(*wave) for wave in waves), np.zeros(units)))


def _extremes_within_period(
    terms: Sequence[Term], order: float, plan: SamplingPlan, first: int, units: int
) -> tuple[Array, Array]:
    """Lowest and highest error within a signal period, shape (units,) each."""
    phase = 2.0 * math.pi * np.arange(PHASES)[:, None] / PHASES
    error = np.zeros((PHASES, units))
    for order_number, (sine, cosine) in _waves(terms, plan, first, units).items():
        phase_of_wave = round(order_number / order) * phase
        error += sine * np.sin(phase_of_wave) + cosine * np.cos(phase_of_wave)
    return error.min(axis=0), error.max(axis=0)
