"""Velocity ripple of the joints caused by their sensors: resolution, noise and periodic errors.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from armsim.arrays import Array
from armsim.errormodel.shapes import Constant, Wave
from armsim.errormodel.terms import Role, Term
from armsim.model.joint import Joint
from armsim.model.machine import Change, Machine
from armsim.model.motion import Motion
from armsim.physics import speed_from_positions as physics
from armsim.results.joints import JointMotion, Ripple, SteadySpeed
from armsim.sampling.changed_terms import changed_terms
from armsim.sampling.random_draws import UNIT_BLOCK, draw_units
from armsim.sampling.statistics import unit_quantiles
from armsim.sampling_plan import SamplingPlan

UNITS = 4 * UNIT_BLOCK
"""Units whose ripple is evaluated."""
SPEEDS = 400
"""Number of speeds at which the slowest smooth one is searched, on a logarithmic scale."""
SLOWEST_SPEED_SHARE = 1e-5
"""Lowest of these speeds, over the stated speed."""


def joint_motions(machine: Machine, motion: Motion | None, seed: int) -> dict[str, JointMotion]:
    """Velocity ripple of every joint with a stated speed.

    Parameters
    ----------
    machine : Machine
    motion : Motion, optional
    seed : int

    Returns
    -------
    dict of joint to JointMotion
    """
    if motion is None:
        return {}
    moving = (joint for joint in machine.joints if joint.name in motion.speeds)
    return {
        joint.name: joint_motion(joint, motion.speeds[joint.name], motion, seed, machine.changes) for joint in moving
    }


def joint_motion(joint: Joint, speed: float, motion: Motion, seed: int, changes: Sequence[Change] = ()) -> JointMotion:
    """Velocity ripple and noise of a joint, from the sensor that closes its speed loop.

    Ripple is rms over a turn, over the speed, of what the reading adds to a perfectly steady motion; a drive that
    follows the reading moves by as much. Waves of the sensor and its mounting count; those of the gear do not, since a
    sensor on the motor does not see them.

    Parameters
    ----------
    joint : Joint
    speed : float [rad/s or m/s]
    motion : Motion
    seed : int
    changes : sequence of Change
        Hypothetical changes of the machine.

    Returns
    -------
    JointMotion
    """
    sensor, ratio = joint.speed_sensor
    waves, noise = _waves(joint, seed, changes), _reading_noise(joint, changes)
    pole, sample_time = motion.pole, motion.sample_time
    speeds = np.concatenate([[1.0], np.geomspace(1.0, SLOWEST_SPEED_SHARE, SPEEDS)[1:]]) * speed
    steady = _motion_at(joint, waves, noise, speed, motion)
    smoothness = np.array([_smoothness(waves, v, motion, steady.noise) for v in speeds])
    return JointMotion(
        unit=steady.unit,
        encoder=sensor.name,
        speed=speed,
        shaft_speed=abs(speed * ratio),
        shaft_speed_limit=sensor.max_speed or None,
        frequency=physics.signal_frequency(sensor.order, speed * ratio),
        frequency_limit=sensor.max_frequency or None,
        step=physics.speed_step(sensor.step / abs(ratio), sample_time, 0.0),
        step_filtered=physics.speed_step(sensor.step / abs(ratio), sample_time, pole),
        noise=steady.noise,
        ripple_p50=steady.ripple_p50,
        ripple_p95=steady.ripple_p95,
        ripple_p95_interval=steady.ripple_p95_interval,
        smoothness=steady.smoothness,
        largest=_largest(waves, speed, motion),
        slowest=_slowest(speeds, smoothness, motion.ripple_limit),
        lag=speed * joint.encoder.timing.latency * (1.0 - joint.encoder.corrections.latency),
        jitter=speed * joint.encoder.timing.jitter,
        speeds=tuple(speeds[::-4].tolist()),
        smoothness_at=tuple(smoothness[::-4].tolist()),
    )


def steady_speed(joint: Joint, speed: float, motion: Motion, seed: int, changes: Sequence[Change] = ()) -> SteadySpeed:
    """Ripple and noise at one speed, without the sweep over lower speeds.

    Parameters
    ----------
    joint : Joint
    speed : float [rad/s or m/s]
    motion : Motion
    seed : int
    changes : sequence of Change
        Hypothetical changes of the machine.

    Returns
    -------
    SteadySpeed
    """
    return _motion_at(joint, _waves(joint, seed, changes), _reading_noise(joint, changes), speed, motion)


def ripple_of_units(joint: Joint, speed: float, motion: Motion, seed: int, changes: Sequence[Change] = ()) -> Array:
    """Ripple of every unit at one speed.

    Parameters
    ----------
    joint : Joint
    speed : float
        [rad/s or m/s]
    motion : Motion
    seed : int
    changes : sequence of Change
        Hypothetical changes of the machine.

    Returns
    -------
    (UNITS,) [1]
        Rms over the speed.
    """
    return _ripple(_waves(joint, seed, changes), speed, motion)


def _motion_at(
    joint: Joint, waves: dict[float, tuple[Array, str]], reading_noise: float, speed: float, motion: Motion
) -> SteadySpeed:
    noise = physics.speed_noise(reading_noise, motion.sample_time, motion.pole)
    p50, p95 = unit_quantiles(_ripple(waves, speed, motion), (0.5, 0.95))
    return SteadySpeed(
        unit="rad" if joint.rotary else "m",
        speed=speed,
        noise=noise,
        ripple_p50=p50.value,
        ripple_p95=p95.value,
        ripple_p95_interval=p95.interval,
        smoothness=math.hypot(p95.value, noise / speed),
    )


def _waves(joint: Joint, seed: int, changes: Sequence[Change]) -> dict[float, tuple[Array, str]]:
    """Mean square of the wave of every order at the joint, per unit [rad^2 or m^2], and its largest cause."""
    terms = [term for term in changed_terms(joint.speed_terms(), changes, joint.name) if term.life == "unit"]
    coefficients = draw_units(terms, SamplingPlan(UNITS, 1, seed))
    parts: dict[tuple[float, str], Array] = {}
    size: dict[float, dict[str, float]] = {}
    first = 0
    for term in terms:
        for act in term.acts:
            if isinstance(act.shape, Wave) and act.axis.role is Role.MOTION:
                order = abs(act.shape.order)
                sign = math.copysign(1.0, act.shape.order) if act.shape.function == "sin" else 1.0
                amplitude = parts.setdefault((order, act.shape.function), np.zeros(UNITS))
                amplitude += sign * act.shape.gain * coefficients[first + act.coefficient, :UNITS]
                causes = size.setdefault(order, {})
                weight = act.shape.gain**2 * float(term.second_moment[act.coefficient, act.coefficient])
                causes[term.cause.name] = causes.get(term.cause.name, 0.0) + weight
        first += len(term.mean)
    return {
        order: (
            np.sum([0.5 * parts[order, name] ** 2 for name in ("sin", "cos") if (order, name) in parts], axis=0),
            max(causes, key=lambda cause: causes[cause]),
        )
        for order, causes in size.items()
    }


def _reading_noise(joint: Joint, changes: Sequence[Change]) -> float:
    """Standard deviation of the position between readings, at the joint. [rad or m]"""
    all_terms = changed_terms(joint.speed_terms(), changes, joint.name)
    terms: list[Term] = [term for term in all_terms if term.cause.every_reading]
    square = 0.0
    for term in terms:
        for act in term.acts:
            assert isinstance(act.shape, Constant)
            square += act.shape.gain**2 * float(term.covariance[act.coefficient, act.coefficient])
    return math.sqrt(square)


def _gains(waves: dict[float, tuple[Array, str]], speed: float, motion: Motion) -> Array:
    orders = np.array(list(waves))
    return orders * physics.ripple_gain(orders * speed / (2.0 * np.pi), motion.sample_time, motion.pole)


def _ripple(waves: dict[float, tuple[Array, str]], speed: float, motion: Motion) -> Array:
    """Ripple of every unit, rms over the speed, shape (units,)."""
    if not waves:
        return np.zeros(UNITS)
    gains = _gains(waves, speed, motion)
    squares = [gain**2 * mean_square for gain, (mean_square, _) in zip(gains, waves.values(), strict=True)]
    return np.asarray(np.sqrt(np.sum(squares, axis=0)))


def _smoothness(waves: dict[float, tuple[Array, str]], speed: float, motion: Motion, noise: float) -> float:
    ripple = np.quantile(_ripple(waves, speed, motion), 0.95, method="inverted_cdf")
    return float(np.hypot(ripple, noise / speed))


def _largest(waves: dict[float, tuple[Array, str]], speed: float, motion: Motion) -> Ripple | None:
    """Largest wave: its amplitude is sqrt(2) times the rms over all units."""
    if not waves:
        return None
    gains = _gains(waves, speed, motion)
    sizes = [
        gain * math.sqrt(2.0 * float(mean_square.mean()))
        for gain, (mean_square, _) in zip(gains, waves.values(), strict=True)
    ]
    n = int(np.argmax(sizes))
    order = list(waves)[n]
    return Ripple(order, order * speed / (2.0 * math.pi), sizes[n] * speed, waves[order][1])


def _slowest(speeds: Array, smoothness: Array, share: float) -> float | None:
    """Slowest speed from which the ripple stays within a share up to the stated speed; None if there is none."""
    beyond = np.flatnonzero(smoothness > share)
    if not len(beyond):
        return float(speeds[-1])
    return None if beyond[0] == 0 else float(speeds[beyond[0] - 1])
