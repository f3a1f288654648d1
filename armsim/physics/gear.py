"""The reduction gear between motor and joint. Errors are attained minus commanded at the joint."""

from __future__ import annotations

import math
from typing import Literal

from armsim import causes
from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.shapes import Constant, Proportional
from armsim.errormodel.terms import PolarHarmonic, Term, independent, polar

Approach = Literal["random", "positive", "negative", "path"]


def kinematic_error(
    amplitude: Distribution,
    order: float,
    shaft_turns_per_joint_turn: float = 1.0,
    phase: float | None = None,
    name: str = "",
) -> tuple[Term, ...]:
    """One harmonic of the kinematic (transmission) error of a gear.

        amplitude * sin(order * shaft angle + phase)

    Parameters
    ----------
    amplitude : Distribution
        Amplitude at the joint; its sign does not matter. [rad or m]
    order : float
        Periods per turn of the shaft that causes the error.
    shaft_turns_per_joint_turn : float
        Turns of that shaft per turn of the joint: the ratio for the input shaft, 1 for the output.
    phase : float, optional
        Phase of the harmonic [rad]; random, uniform over the circle, where not given.
    name : str
        Label that distinguishes the harmonics of one gear.

    Returns
    -------
    tuple of Term
        At the joint, attained minus commanded. [rad or m]

    References
    ----------
    .. [1] derived: the input turns ratio times per output turn, so that order h per input turn is h * ratio per
       output turn.
    """
    parts = (PolarHarmonic(1.0, power=1, turns=1, order=order * shaft_turns_per_joint_turn),)
    return (polar(f"kinematic error {name}".rstrip(), causes.GEAR_KINEMATIC_ERROR, amplitude, phase, parts),)


def lead_error(slope: Distribution, farthest: float) -> tuple[Term, ...]:
    """Error of a screw, rack or belt whose lead or pitch is not the nominal one: proportional to the position.

    The motor turns as commanded. A screw whose lead is too long by the relative amount s moves the slide too far by

        s * position

    Parameters
    ----------
    slope : Distribution
        s, error per travel, in metres per metre. [1]
    farthest : float
        Largest distance from the zero position; it sets the largest error. [m]

    Returns
    -------
    tuple of Term
        At the joint, attained minus commanded. [m]

    References
    ----------
    .. [1] ISO 3408-3:2006: mean travel deviation of a ball screw over its useful travel.
    """
    shape = Proportional("travel")
    return (independent("lead error", causes.LEAD_ERROR, (slope,), (shape,), slope.limit * farthest),)


def reversal(lost_motion: float = 0.0, hysteresis: float = 0.0, approach: Approach = "random") -> tuple[Term, ...]:
    """Error that depends on the direction of approach: lost motion of the gear, hysteresis of the sensor.

    On an approach from below, lost motion leaves the joint behind the motor by half its width. A reading that lags by
    half the hysteresis makes the servo move the joint too far by that amount. The direction of approach d = +-1 decides
    both:

        d (hysteresis - lost_motion) / 2

    With ``random`` approach, d is drawn anew at every visit, both directions equally likely. A program that always
    approaches from one side has a constant d. On a ``path``, d is the direction in which the joint moved last, so that
    the error steps where the joint reverses. A joint that has not moved yet has a random d.

    Parameters
    ----------
    lost_motion, hysteresis : float
        Full width between the two directions, at the joint. [rad or m]
    approach : str
        ``random``, ``positive``, ``negative`` or ``path``.

    Returns
    -------
    tuple of Term
        At the joint, attained minus commanded. [rad or m]

    References
    ----------
    .. [1] common practice, no source.
    """
    half_width = 0.5 * (hysteresis - lost_motion)
    widths = ((causes.LOST_MOTION, lost_motion), (causes.HYSTERESIS, hysteresis))
    stated_causes = [cause for cause, width in widths if width]
    if not stated_causes:
        return ()
    cause = causes.combine_causes(*stated_causes)
    if approach == "path":
        fixed_sign, random_sign = Distribution("fixed", 1.0), Distribution("two-valued", 1.0)
        directed = independent(
            "reversal", cause, (fixed_sign,), (Proportional("direction", half_width),), abs(half_width)
        )
        return directed, independent(
            "standing", cause, (random_sign,), (Proportional("undirected", half_width),), abs(half_width), "visit"
        )
    if approach == "random":
        return (
            independent(
                "reversal", cause, (Distribution("two-valued", 1.0),), (Constant(half_width),), abs(half_width), "visit"
            ),
        )
    shape = Constant(half_width if approach == "positive" else -half_width)
    return (independent("reversal", cause, (Distribution("fixed", 1.0),), (shape,), abs(half_width)),)


def wind_up(stiffness: float, tolerance: Distribution = NONE, compensation: float = 0.0) -> tuple[Term, ...]:
    """Wind-up: twist of the gear under the gravity load of the joint.

        load / stiffness  (1 - c - d)

    to first order in the relative error d of the stiffness. The controller compensates a share c by the nominal
    stiffness; this does not reduce the effect of d. Apart from d the twist is not random: it is a mean error, which
    adds as a vector to the mean errors of other joints. Neglected: d^2 of the twist.

    Parameters
    ----------
    stiffness : float
        Torsional stiffness at the joint. [N m/rad or N/m]
    tolerance : Distribution
        d, relative error of the stiffness. [1]
    compensation : float
        c, share of the nominal twist that the controller compensates. [1]

    Returns
    -------
    tuple of Term
        At the joint, attained minus commanded. [rad or m]

    References
    ----------
    .. [1] Spong, Vidyasagar, Robot Dynamics and Control (1989), ch. 8: a joint behind a spring.
    """
    shapes = (Proportional("load", (1.0 - compensation) / stiffness), Proportional("load", -1.0 / stiffness))
    return (independent("wind-up", causes.WIND_UP, (Distribution("fixed", 1.0), tolerance), shapes, math.nan),)
