"""The error budget of a joint, term by term. SI units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Literal, get_args

from pydantic import Field

from armsim.results.poses import Interval


@dataclass(frozen=True)
class TermBudget:
    """One error term at its joint.

    ``rms`` (``std`` in results.json) is the root mean square of the error at a position picked at random, its mean
    included, ``limit`` the largest error. ``orders`` are the periods per turn of the joint (per metre, times 2 pi, on a
    linear axis) of a wave. [rad or m]
    """

    name: str
    cause: str
    life: str
    shape: str
    orders: tuple[float, ...]
    rms: Annotated[float, Field(alias="std")]
    limit: float


@dataclass(frozen=True)
class ErrorMotionBudget:
    """One term on an error motion of a joint, such as ``tilt x``. ``unit`` is "rad" or "m".

    ``lever_arm`` is the largest distance by which the error motion moves the tool, per unit of it [m/rad or 1], over
    the ranges of the joints.
    """

    motion: str
    unit: str
    lever_arm: float
    term: TermBudget

    @property
    def rms_at_tool(self) -> float:
        """Root mean square at the tool, by the lever arm. [m]"""
        return self.term.rms * self.lever_arm


@dataclass(frozen=True)
class CurveDetail:
    """Some periods of the wave of an order, with columns as in `JointCurve`, close enough to show it."""

    order: float
    position: tuple[float, ...]
    unit: tuple[float, ...]


@dataclass(frozen=True)
class JointCurve:
    """Repeatable error of a joint over its range (or one turn), in SI.

    ``unit`` is one built unit; ``low`` and ``high`` hold 95 % of the units at each position; ``order`` and ``rms`` are
    the waves that make up the curve, root mean square over units and positions. Where waves are too fine for the
    positions, ``low`` and ``high`` are the envelope of the band, ``envelope_low`` and ``envelope_high`` (``swept_low``
    and ``swept_high`` in results.json) that of the unit within a period of the coarsest of them, and ``detail`` shows
    some periods of the finest.
    """

    position: tuple[float, ...]
    unit: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    order: tuple[float, ...]
    rms: tuple[float, ...]
    envelope_low: Annotated[tuple[float, ...], Field(alias="swept_low")] = ()
    envelope_high: Annotated[tuple[float, ...], Field(alias="swept_high")] = ()
    detail: CurveDetail | None = None


@dataclass(frozen=True)
class JointBudget:
    """A joint and its terms. ``unit`` is "rad" or "m".

    ``rms`` (``std`` in results.json) is the root mean square of all terms together (their means add, their scatter as
    squares), ``limit`` the sum of their limits (worst case); ``lever_arm`` is the largest distance by which a small
    motion of the joint moves the tool, per unit of motion [m/rad or 1], over its ranges; ``contrast`` is that of the
    signal relative to ideal placement of the head (as 1/sqrt of the mean of 1/contrast^2). Errors that depend on speed
    are taken at the largest speeds that the tasks state. ``error_motions`` are the terms on error motions of the joint,
    which the sums do not include; ``price`` is that of its sensors with their assembly, in cost units.
    """

    unit: str
    encoder: str
    placement: str
    resolution_bits: float
    step: float
    lever_arm: float
    contrast: float
    terms: tuple[TermBudget, ...]
    rms: Annotated[float, Field(alias="std")]
    rms_accuracy: Annotated[float, Field(alias="std_accuracy")]
    rms_repeatability: Annotated[float, Field(alias="std_repeatability")]
    limit: float
    limit_accuracy: float
    limit_repeatability: float
    curve: JointCurve
    error_motions: tuple[ErrorMotionBudget, ...] = ()
    price: float = 0.0

    @property
    def all_terms(self) -> tuple[TermBudget, ...]:
        """Terms on the motion of the joint and on its error motions."""
        return (*self.terms, *(motion.term for motion in self.error_motions))

    def rms_at_tool(self, life: str = "") -> float:
        """Root mean square at the tool, of one life or both, by the largest lever arms, with error motions. [m]"""
        rms = {"unit": self.rms_accuracy, "visit": self.rms_repeatability}.get(life, self.rms)
        error_motion_sizes = [motion.rms_at_tool for motion in self.error_motions if life in ("", motion.term.life)]
        return math.hypot(rms * self.lever_arm, *error_motion_sizes)


@dataclass(frozen=True)
class Ripple:
    """A wave of the speed: its order per turn of the joint (per metre, times 2 pi), frequency [Hz], amplitude [rad/s or
    m/s], and the cause that contributes most to it."""

    order: float
    frequency: float
    amplitude: float
    cause: str


@dataclass(frozen=True)
class SteadySpeed:
    """Ripple and noise of a joint at one steady speed; fields as in `JointMotion`."""

    unit: str
    speed: float
    noise: float
    ripple_p50: float
    ripple_p95: float
    ripple_p95_interval: Interval | None
    smoothness: float


@dataclass(frozen=True)
class JointMotion:
    """A joint at a steady speed, as measured by its sensor. ``unit`` is "rad" or "m"; speeds per second.

    ``shaft_speed`` and ``frequency`` (of the signals) with their limits where the data sheet states them; ``step`` is
    the resolution of the speed, ``step_filtered`` that after the filter, ``noise`` the standard deviation from rounding
    and noise, after the filter. Ripple is rms over the speed: of the waves, in half and in 95 % of built units;
    ``smoothness`` is that of 95 % with the noise. ``slowest`` is the lowest speed above which the ripple stays below
    the stated limit, None if it exceeds the limit at the stated speed. ``lag`` and ``jitter`` are the position errors
    by latency and by its scatter. ``smoothness_at`` is the smoothness at the speeds of ``speeds``.
    """

    unit: str
    encoder: str
    speed: float
    shaft_speed: float
    shaft_speed_limit: float | None
    frequency: float
    frequency_limit: float | None
    step: float
    step_filtered: float
    noise: float
    ripple_p50: float
    ripple_p95: float
    ripple_p95_interval: Interval | None
    smoothness: float
    largest: Ripple | None
    slowest: float | None
    lag: float
    jitter: float
    speeds: tuple[float, ...]
    smoothness_at: tuple[float, ...]


MotionState = Literal["at rest, one reading", "at rest, averaged", "moving", "above the bandwidth of the position loop"]
"""State of motion of a joint with two sensors, in which one of them determines its position."""
STATES: tuple[MotionState, ...] = get_args(MotionState)


@dataclass(frozen=True)
class PositionSource:
    """Sensor that determines the position of a joint with two sensors in one state of motion, and the error there.

    ``readings`` is the number of readings of the sensor on the joint that are averaged; ``rms`` is the root mean square
    error of the joint, mean included, ``rms_repeatability`` the part of it that differs from visit to visit [rad or m],
    ``at_tool`` the former by the lever arm [m]; ``speed`` is that of the joint.
    """

    state: MotionState
    source: str
    readings: int
    speed: float
    rms: float
    rms_repeatability: float
    at_tool: float


@dataclass(frozen=True)
class SensorDifference:
    """Difference of the two readings of a joint at rest: motor over ratio less joint, in the unit of the joint.

    Both are set to zero at the position ``zero``, in the mean of both directions, the other joints in the middle of
    their ranges, at the temperature of mastering. ``width`` is that of the loop at a reversal, the reading in direction
    +1 less that in direction -1; ``range_p95`` the range over the travel, both directions, which 95 % of fault-free
    arms keep to, ``swing_p95`` the largest difference in any posture, likewise; ``scatter`` the standard deviation of
    one reading of the difference, ``width_scatter`` that of the width by one reversal. ``least_growth`` is the growth
    of the lost motion that one reversal shows, ``least_slip`` the slip that shows against fault-free arms, beyond the
    ``alarm`` in any posture; ``motor_turn`` is a slip of one turn of the motor, ``motor_turn_shows`` whether it
    exceeds ``least_slip``; both are None if the motor does not turn.
    ``curve`` is the mean of both directions.
    """

    zero: float
    width: float
    range_p95: float
    range_p95_interval: Interval | None
    swing_p95: float
    scatter: float
    width_scatter: float
    least_growth: float
    alarm: float
    least_slip: float
    motor_turn: float | None
    motor_turn_shows: bool | None
    curve: JointCurve


@dataclass(frozen=True)
class TwoSensors:
    """A joint with a sensor on either side of its gear. ``unit`` is "rad" or "m".

    ``position_sensor`` closes the position loop, ``speed_sensor`` the speed loop.
    """

    unit: str
    position_sensor: str
    speed_sensor: str
    sources: tuple[PositionSource, ...]
    difference: SensorDifference


@dataclass(frozen=True)
class Assumption:
    """A value of a joint that the scenario does not state, its source, and the causes of error that depend on it."""

    joint: str
    key: str
    value: str
    source: str
    causes: tuple[str, ...]


@dataclass(frozen=True)
class OperationLimit:
    """A limit of operation of a sensor over the built units, in periods of the signal, or in turns of the motor.

    ``margin_p50`` is the margin that half of the units exceed, ``margin_p01`` the margin that 99 % exceed;
    ``margin_least`` is that of the worst unit sampled, ``failing`` the share of units without margin, with its
    interval.
    """

    joint: str
    limit: str
    margin_p50: float
    margin_p01: float
    margin_least: float
    failing: float
    failing_interval: Interval
