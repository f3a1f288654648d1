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
    amplitude: Distribution, order: float, per_turn_of_input: float = 1.0, phase: float | None = None, name: str = ""
) -> tuple[Term, ...]:
    """One harmonic of the transmission error of a gear.

    Parameters
    ----------
    amplitude : Distribution
        Amplitude at the output; its magnitude counts. [rad or m]
    order : float
        Periods per turn of the shaft the error belongs to.
    per_turn_of_input : float
        Turns of that shaft per output turn: the ratio for the input, 1 for the output.
    phase : float, optional
        Phase of the harmonic [rad]; uniform on the circle where not given.
    name : str
        Distinguishes harmonics.

    Returns
    -------
    tuple of Term
        At the joint, attained minus commanded. [rad or m]

    References
    ----------
    .. [1] derived: the input turns ratio times per output turn, so that order h per input turn is h * ratio per
       output turn.
    """
    parts = (PolarHarmonic(1.0, power=1, turns=1, order=order * per_turn_of_input),)
    return (polar(f"kinematic error {name}".rstrip(), causes.GEAR_KINEMATIC_ERROR, amplitude, phase, parts),)


def lead_error(slope: Distribution, farthest: float) -> tuple[Term, ...]:
    """Error of a screw, rack or belt in proportion to the position: its lead or pitch is not the nominal one.

    The motor turns as it is commanded, so a slide on a screw whose lead is too long by the share s goes too far:

        s * position

    Parameters
    ----------
    slope : Distribution
        Metres per metre. [1]
    farthest : float
        Largest distance from zero, for the limit. [m]

    Returns
    -------
    tuple of Term
        At the joint, attained minus commanded. [m]

    References
    ----------
    .. [1] ISO 3408-3:2006: mean travel deviation of a ball screw over its useful travel (from memory).
    """
    shape = Proportional("travel")
    return (independent("lead error", causes.LEAD_ERROR, (slope,), (shape,), slope.limit * farthest),)


def reversal(lost_motion: float = 0.0, hysteresis: float = 0.0, approach: Approach = "random") -> tuple[Term, ...]:
    """Error that depends on the direction of approach: lost motion of the gear, hysteresis of the sensor.

    Coming from below, the play leaves the joint behind the motor by half its width; a reading that lags by half the
    hysteresis lets the servo carry the joint too far by as much. One direction d = +-1 decides both:

        d (hysteresis - lost_motion) / 2

    With random approach d is drawn anew at every visit, both directions equally likely; with a program that always
    approaches from one side it is a constant. On a path (``path``) it is the direction in which the joint moved last,
    so that the error steps where the joint turns round; a joint that has not moved keeps a random one.

    Parameters
    ----------
    lost_motion, hysteresis : float
        From side to side, at the joint. [rad or m]
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
    half = 0.5 * (hysteresis - lost_motion)
    widths = ((causes.LOST_MOTION, lost_motion), (causes.HYSTERESIS, hysteresis))
    stated_causes = [cause for cause, width in widths if width]
    if not stated_causes:
        return ()
    cause = causes.together(*stated_causes)
    if approach == "path":
        certain, either_way = Distribution("fixed", 1.0), Distribution("two-valued", 1.0)
        directed = independent("reversal", cause, (certain,), (Proportional("direction", half),), abs(half))
        return directed, independent(
            "standing", cause, (either_way,), (Proportional("undirected", half),), abs(half), "visit"
        )
    if approach == "random":
        return (
            independent("reversal", cause, (Distribution("two-valued", 1.0),), (Constant(half),), abs(half), "visit"),
        )
    shape = Constant(half if approach == "positive" else -half)
    return (independent("reversal", cause, (Distribution("fixed", 1.0),), (shape,), abs(half)),)


def wind_up(stiffness: float, tolerance: Distribution = NONE, compensation: float = 0.0) -> tuple[Term, ...]:
    """Twist of the gear under the load that gravity puts on the joint: load / stiffness.

    Not random but for the tolerance d of the stiffness: a mean, which adds as a vector to the means of other joints.
    The controller compensates a share c by the nominal stiffness, so that its tolerance is left whole:

        load / stiffness  (1 - c - d)

    to first order in d. Neglected: d^2 of the twist.

    Parameters
    ----------
    stiffness : float
        Torsional, at the output. [N m/rad or N/m]
    tolerance : Distribution
        Relative departure of the stiffness. [1]
    compensation : float
        Share that the controller removes. [1]

    Returns
    -------
    tuple of Term
        At the joint, attained minus commanded. [rad or m]

    References
    ----------
    .. [1] Spong, Vidyasagar, Robot Dynamics and Control (1989), ch. 8: a joint behind a spring (from memory).
    """
    shapes = (Proportional("load", (1.0 - compensation) / stiffness), Proportional("load", -1.0 / stiffness))
    return (independent("wind-up", causes.WIND_UP, (Distribution("fixed", 1.0), tolerance), shapes, math.nan),)
