"""Joints with two sensors: the sensor that determines their position, and the difference of the two readings.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from armsim.arrays import Array
from armsim.causes import JOINT_TEMPERATURE, TEMPERATURE
from armsim.errormodel.shapes import Wave
from armsim.errormodel.states import States
from armsim.errormodel.terms import Axis, Term
from armsim.model.drives import drive_columns
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.two_sensors import difference_states, difference_terms, motor_axis, with_motor_loop
from armsim.physics import sensor_difference as physics
from armsim.results import PositionSource, SensorDifference, TwoSensors
from armsim.results.joints import MotionState
from armsim.sampling.joint_budgets import combined_rms
from armsim.sampling.joint_curves import effects_on_curve, error_curve, joint_sweep
from armsim.sampling.random_draws import UNIT_BLOCK, draw_units
from armsim.sampling.statistics import unit_quantiles
from armsim.sampling_plan import SamplingPlan

POSITIONS_PER_STEP = 4
"""Positions per point of the curve at which the range of every unit is evaluated. Waves may be too short for these
positions: the largest value is found all the same, since the phases at the positions differ."""
FAULT_FREE_SHARE = 0.95
"""Share of fault-free arms within a range or a swing."""


def two_sensors(machine: Machine, seed: int, speeds: Array) -> dict[str, TwoSensors]:
    """Figures of every joint with two sensors.

    Parameters
    ----------
    machine : Machine
    seed : int
        Seed of the draws of the units.
    speeds : (joints,) [rad/s or m/s]
        Largest speeds of the tasks.

    Returns
    -------
    dict of joint to TwoSensors
    """
    return {
        joint.name: TwoSensors(
            unit="rad" if joint.rotary else "m",
            position_sensor=joint.encoder.name,
            speed_sensor=joint.motor_encoder.name,
            sources=_sources(machine, number, speeds),
            difference=_difference(machine, number, seed),
        )
        for number, joint in enumerate(machine.joints)
        if joint.motor_encoder is not None
    }


def _sources(machine: Machine, number: int, speeds: Array) -> tuple[PositionSource, ...]:
    """Sensors that determine the position: at rest, averaged, moving, and above the bandwidth of the position loop."""
    joint, no_speeds = machine.joints[number], np.zeros_like(speeds)
    encoder, motor = joint.encoder, with_motor_loop(joint)
    one_reading = replace(joint, encoder=replace(encoder, signal=replace(encoder.signal, averages=1)))
    averages, columns = encoder.signal.averages, machine.arm.postures(machine.survey()).column
    sources = [_source(machine, number, columns, one_reading, no_speeds, "at rest, one reading", encoder.name)]
    if averages > 1:
        sources.append(_source(machine, number, columns, joint, no_speeds, "at rest, averaged", encoder.name, averages))
    moving = _source(machine, number, columns, joint, speeds, "moving", encoder.name, averages)
    sources += [moving] if moving.speed else []
    state: MotionState = "above the bandwidth of the position loop"
    sources.append(_source(machine, number, columns, motor, speeds, state, f"{motor.encoder.name} and the gear"))
    return tuple(sources)


def _source(
    machine: Machine,
    number: int,
    columns: Array,
    joint: Joint,
    speeds: Array,
    state: MotionState,
    source: str,
    readings: int = 1,
) -> PositionSource:
    """Error of the joint, installed in place of that number; ``columns`` of the Jacobian over the survey."""
    modified_machine = replace(machine, joints=(*machine.joints[:number], joint, *machine.joints[number + 1 :]))
    axis, survey = Axis(joint.name), machine.survey()
    joint_state = modified_machine.states(survey, np.broadcast_to(speeds, survey.shape)).drives[joint.name]
    terms = [term for term in modified_machine.drive_terms if axis in term.axes]
    visits = [term for term in terms if term.life == "visit"]
    lever = float(np.linalg.norm(drive_columns(columns, modified_machine.drive_matrix)[:, number], axis=1).max())
    rms, repeatability = combined_rms(terms, axis, joint_state), combined_rms(visits, axis, joint_state)
    speed = float(np.abs(joint_state.speed).max())
    return PositionSource(state, source, readings, speed, rms, repeatability, rms * lever)


def _difference(machine: Machine, number: int, seed: int) -> SensorDifference:
    """Difference of the readings of the two sensors of a joint over its range."""
    joint, terms = machine.joints[number], difference_terms(machine, number)
    middle = difference_states(machine, number, machine.arm.middle[None])
    constant = [term for term in terms if term.life == "unit" and not term.cause.by_direction]
    coefficients = draw_units(constant, SamplingPlan(UNIT_BLOCK, 1, seed))
    # temperatures rise after the zero was set
    at_zero = [0.0 if term.cause in (TEMPERATURE, JOINT_TEMPERATURE) else 1.0 for term in constant for _ in term.mean]
    zero = _effects(constant, middle)[0] * np.array(at_zero) @ coefficients

    def differences(q: Array) -> Array:
        """Mean of both directions of every unit, shape (P, units). [rad or m]"""
        return np.asarray(_effects(constant, difference_states(machine, number, q)) @ coefficients - zero)

    width = _direction_step(terms, joint, middle)
    over_travel, over_survey = differences(_fine_positions(machine, number)), differences(machine.survey())
    (range_p95,) = unit_quantiles(np.ptp(over_travel, axis=0) + abs(width), (FAULT_FREE_SHARE,))
    largest = np.maximum(np.abs(over_travel).max(axis=0), np.abs(over_survey).max(axis=0))
    (swing,) = unit_quantiles(
        largest + 0.5 * abs(width) + _step_of_other_joints(terms, joint, middle), (FAULT_FREE_SHARE,)
    )
    scatter = _scatter(terms, middle)
    orders, rms = _motor_waves(constant, joint)
    width_scatter = physics.lost_motion_scatter(scatter, orders, rms, joint.transmission.lost_motion)
    alarm = physics.slip_threshold(swing.value, scatter)
    least_slip = physics.detectable_slip(alarm)
    motor = with_motor_loop(joint)
    motor_turn = 2 * math.pi / abs(motor.ratio) if motor.encoder.rotary else None
    q = joint_sweep(machine, number)
    states = difference_states(machine, number, q)
    return SensorDifference(
        zero=float(machine.arm.middle[number]),
        width=width,
        range_p95=range_p95.value,
        range_p95_interval=range_p95.interval,
        swing_p95=swing.value,
        scatter=scatter,
        width_scatter=width_scatter,
        least_growth=physics.detectable_growth(width_scatter),
        alarm=alarm,
        least_slip=least_slip,
        motor_turn=motor_turn,
        motor_turn_shows=None if motor_turn is None else motor_turn >= least_slip,
        curve=error_curve(effects_on_curve(constant, coefficients, states.state_of_act), q[:, number], zero),
    )


def _effects(terms: Sequence[Term], states: States) -> Array:
    """Effect of every coefficient on the difference, shape (P, coefficients)."""
    out = np.zeros((len(states.fixed.position), sum(len(term.mean) for term in terms)))
    first = 0
    for term in terms:
        for act in term.acts:
            out[:, first + act.coefficient] += act.shape.value(states.state_of_act(act))
        first += len(term.mean)
    return out


def _fine_positions(machine: Machine, number: int) -> Array:
    """Joint positions over the travel, `POSITIONS_PER_STEP` to a point of the curve, shape (P, joints)."""
    q = joint_sweep(machine, number)
    dense = np.repeat(q[:1], POSITIONS_PER_STEP * (len(q) - 1) + 1, axis=0)
    dense[:, number] = np.linspace(q[0, number], q[-1, number], len(dense))
    return dense


def _direction_step(terms: Sequence[Term], joint: Joint, states: States) -> float:
    """Step between the directions of approach: reading in direction +1 less that in direction -1. [rad or m]"""
    direction_terms = [term for term in terms if term.cause.by_direction and term.owner in _owners(joint)]
    return 2.0 * sum(float(_effects([term], states)[0] @ term.mean) for term in direction_terms)


def _step_of_other_joints(terms: Sequence[Term], joint: Joint, states: States) -> float:
    """Largest difference from the lost motion and hysteresis of other joints that move the motor. [rad or m]"""
    direction_terms = [t for t in terms if t.cause.by_direction and t.life == "visit" and t.owner not in _owners(joint)]
    return sum(float(np.abs(_effects([term], states)[0]) @ np.array(term.draw.limits)) for term in direction_terms)


def _owners(joint: Joint) -> tuple[str, str]:
    return joint.name, motor_axis(joint).owner


def _scatter(terms: Sequence[Term], states: States) -> float:
    """Standard deviation of one reading of the difference, for a given direction. [rad or m]"""
    scattering = [term for term in terms if term.life == "visit" and not term.cause.by_direction]
    gains = [(term, _effects([term], states)[0]) for term in scattering]
    return math.sqrt(sum(float(gain @ term.covariance @ gain) for term, gain in gains))


def _motor_waves(terms: Sequence[Term], joint: Joint) -> tuple[Array, Array]:
    """Order per motion of the joint, and root mean square, of every wave on the side of the motor."""
    waves = [
        (abs(act.shape.order), 0.5 * act.shape.gain**2 * float(term.second_moment[act.coefficient, act.coefficient]))
        for term in terms
        for act in term.acts
        if isinstance(act.shape, Wave) and act.axis == motor_axis(joint)
    ]
    return np.array([order for order, _ in waves]), np.sqrt([square for _, square in waves])
