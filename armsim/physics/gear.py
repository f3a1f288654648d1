"""The reduction gear between motor and joint. Errors are attained minus commanded at the joint."""

from __future__ import annotations

from armsim.terms import Constant, Part, Spread, Term, independent, polar


def kinematic_error(
    amplitude: Spread, order: float, per_turn_of_input: float = 1.0, phase: float | None = None, name: str = ""
) -> tuple[Term, ...]:
    """One harmonic of the transmission error of a gear.

    Parameters
    ----------
    amplitude : Spread
        Amplitude at the output; its magnitude counts. [rad or m]
    order : float
        Periods per turn of the shaft the error belongs to.
    per_turn_of_input : float
        Turns of that shaft per output turn: the ratio for the input, 1 for the output.
    phase : float, optional
        Phase of the harmonic [rad]; uniform on the circle where not given.
    name : str
        Tells harmonics apart.

    References
    ----------
    .. [1] kinematics of gears: an error of order h per input turn has order h * ratio per output turn.
    """
    parts = (Part(1.0, power=1, turns=1, order=order * per_turn_of_input),)
    return (polar(f"kinematic error {name}".rstrip(), "gear kinematic error", amplitude, phase, parts),)


def lost_motion(width: float) -> tuple[Term, ...]:
    """Play between motor and joint: the joint rests on one side or the other, by the direction it was approached from.

    The error is +-width/2, both sides equally likely, anew at every visit.

    Parameters
    ----------
    width : float
        From side to side. [rad or m]

    References
    ----------
    .. [1] common practice, no source.
    """
    spread = Spread("two-valued", 0.5 * width)
    return (independent("lost motion", "lost motion", (spread,), (Constant(),), spread.limit, "visit"),)
