"""Mounting of the scale on its shaft, and the zero of the joint."""

from __future__ import annotations

from armsim.terms import Constant, Part, Spread, Term, independent, polar


def eccentricity(
    offset: Spread, track_radius: float, correction: float = 0.0, heads: int = 1, phase: float | None = None
) -> tuple[Term, ...]:
    """Once-per-turn error of a scale whose centre is off the shaft axis.

    A head at radius R from the shaft axis reads atan2(e sin t, R - e cos t) too much, with t the shaft angle from the
    place where the centre of the scale lies towards the head. To second order in e/R:

        (e/R) sin t  +  (e/R)^2 / 2  sin 2t

    M equally spaced heads, averaged, keep the orders that are multiples of M. Neglected: (e/R)^3 / 3.

    Parameters
    ----------
    offset : Spread
        Distance e between scale centre and shaft axis; its magnitude counts. [m]
    track_radius : float
        R. [m]
    correction : float
        Share of the error that calibration removes. [1]
    heads : int
        Read heads, averaged.
    phase : float, optional
        Shaft angle at which the centre lies towards the head [rad]; uniform on the circle where not given.

    References
    ----------
    .. [1] plane geometry; discrete Fourier sum for the heads.
    """
    left = 1.0 - correction
    parts = (
        Part(left / track_radius, power=1, turns=1, order=1.0),
        Part(left / (2 * track_radius**2), power=2, turns=2, order=2.0),
    )
    return _kept("eccentricity", "eccentricity", offset, phase, parts, heads)


def disc_tilt(tilt: Spread, heads: int = 1, phase: float | None = None) -> tuple[Term, ...]:
    """Twice-per-turn error of a disc whose plane is not square to the shaft.

    Seen along the shaft, the angle a from the axis of a tilt g appears as atan2(sin a cos g, cos a). With t the shaft
    angle from the place where the steepest line of the disc lies towards the head, the head reads too much by

        -(g^2 / 4) sin 2t

    to second order. Neglected: g^4 / 12 and smaller.

    Parameters
    ----------
    tilt : Spread
        g; its magnitude counts. [rad]
    heads : int
        Read heads, averaged: more than two leave nothing.
    phase : float, optional
        Shaft angle at which the steepest line lies towards the head [rad]; uniform where not given.

    References
    ----------
    .. [1] projection, as in a Cardan joint; 1 deg gives 76.2 urad.
    """
    return _kept("disc tilt", "disc tilt", tilt, phase, (Part(-0.25, power=2, turns=2, order=2.0),), heads)


def mastering(error: Spread) -> tuple[Term, ...]:
    """Zero of the joint left over after mastering: a constant of the unit.

    Parameters
    ----------
    error : Spread
        At the joint. [rad or m]

    References
    ----------
    .. [1] definition.
    """
    return (independent("mastering", "mastering", (error,), (Constant(),), error.limit),)


def _kept(
    name: str, cause: str, spread: Spread, phase: float | None, parts: tuple[Part, ...], heads: int
) -> tuple[Term, ...]:
    parts = tuple(part for part in parts if part.order % heads == 0)
    return (polar(name, cause, spread, phase, parts),) if parts else ()
