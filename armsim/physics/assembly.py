"""Mounting of the scale on its shaft, and the zero of the joint."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from armsim import causes
from armsim.arrays import Array
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Constant
from armsim.errormodel.terms import PolarHarmonic, Term, independent, polar
from armsim.physics.heads import Heads, gain


def eccentricity(
    offset: Distribution, track_radius: float, correction: float = 0.0, heads: Heads = 1, phase: float | None = None
) -> tuple[Term, ...]:
    """Once-per-turn error of a scale whose centre is off the shaft axis.

    A head at radius R from the shaft axis reads atan2(e sin t, R - e cos t) too much, with t the shaft angle from the
    place where the centre of the scale lies towards the head. To second order in e/R:

        (e/R) sin t  +  (e/R)^2 / 2  sin 2t

    Averaged heads keep of every order the share that `heads.gain` gives: M evenly spaced heads keep multiples of M.
    Neglected: (e/R)^3 / 3.

    Parameters
    ----------
    offset : Distribution
        Distance e between scale centre and shaft axis; its magnitude counts. [m]
    track_radius : float
        R. [m]
    correction : float
        Share of the error that calibration removes. [1]
    heads : int or tuple of float
        Read heads, averaged: how many, evenly spread, or their angles. [rad]
    phase : float, optional
        Shaft angle at which the centre lies towards the head [rad]; uniform on the circle where not given.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad]

    References
    ----------
    .. [1] law of sines in the plane of the disc, tested against the exact expression over a turn; sum of the M-th roots
       of unity for the heads.
    """
    remaining = 1.0 - correction
    parts = (
        PolarHarmonic(remaining / track_radius, power=1, turns=1, order=1.0),
        PolarHarmonic(remaining / (2 * track_radius**2), power=2, turns=2, order=2.0),
    )
    return _averaged("eccentricity", causes.ECCENTRICITY, offset, phase, parts, heads)


def shaft_runout(
    reading: Distribution, track_radius: float, correction: float = 0.0, heads: Heads = 1, phase: float | None = None
) -> tuple[Term, ...]:
    """Once-per-turn error of a shaft that runs out in its bearing where the scale sits.

    An indicator at the shaft reads the run-out T from lowest to highest; the axis of rotation lies T/2 beside that of
    the seat, which adds to the eccentricity of the scale on it, in a direction of its own:

        (T / 2R) sin t

    Neglected: second order, (T/2R)^2 / 2 and T e / 2R^2.

    Parameters
    ----------
    reading : Distribution
        T; its magnitude counts. [m]
    track_radius : float
        R. [m]
    correction : float
        Share of the error that calibration removes, as of the eccentricity. [1]
    heads : int or tuple of float
        Read heads, averaged: how many, evenly spread, or their angles. [rad]
    phase : float, optional
        Shaft angle at which the seat lies towards the head [rad]; uniform where not given.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad]

    References
    ----------
    .. [1] as `eccentricity`; ISO 1101:2017, run-out: half the total indicator reading is the offset of the axes.
    """
    part = PolarHarmonic(0.5 * (1.0 - correction) / track_radius, power=1, turns=1, order=1.0)
    return _averaged("shaft run-out", causes.SHAFT_RUNOUT, reading, phase, (part,), heads)


def nonrepeatable_runout(motion: Distribution, track_radius: float, heads: Heads = 1) -> tuple[Term, ...]:
    """Scatter from a shaft that lies elsewhere in its bearing at every visit.

    A displacement d of the shaft along the track under a head is read as an angle d/R, and by heads at the angles a_m
    as the mean of (d_y cos a_m - d_x sin a_m) / R: zero for evenly spaced heads, d/R for one.

    Parameters
    ----------
    motion : Distribution
        d, in any direction, uniform or normal. [m]
    track_radius : float
        R. [m]
    heads : int or tuple of float
        Read heads, averaged: how many, evenly spread, or their angles. [rad]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth, drawn anew at every visit. [rad]

    References
    ----------
    .. [1] ISO 230-7:2015, error motions of axes of rotation: asynchronous radial error motion.
    """
    share = gain(heads, 1)[0] / track_radius
    if not share:
        return ()
    spread = motion.scaled(share)
    cause = causes.NONREPEATABLE_RUNOUT
    return (independent("non-repeatable run-out", cause, (spread,), (Constant(),), spread.limit, "visit"),)


def disc_tilt(tilt: Distribution, heads: Heads = 1, phase: float | None = None) -> tuple[Term, ...]:
    """Twice-per-turn error of a disc whose plane is not square to the shaft.

    Seen along the shaft, the angle a from the axis of a tilt g appears as atan2(sin a cos g, cos a). With t the shaft
    angle from the place where the steepest line of the disc lies towards the head, the head reads too much by

        -(g^2 / 4) sin 2t

    to second order. Neglected: g^4 / 12 and smaller.

    Parameters
    ----------
    tilt : Distribution
        g; its magnitude counts. [rad]
    heads : int or tuple of float
        Read heads, averaged: how many, evenly spread (more than two leave nothing), or their angles. [rad]
    phase : float, optional
        Shaft angle at which the steepest line lies towards the head [rad]; uniform where not given.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad]

    References
    ----------
    .. [1] projection, as in a Cardan joint; 1 deg gives 76.2 urad.
    """
    return _averaged(
        "disc tilt", causes.DISC_TILT, tilt, phase, (PolarHarmonic(-0.25, power=2, turns=2, order=2.0),), heads
    )


def ellipticity(
    amplitude: Distribution, track_radius: float, heads: Heads = 1, phase: float | None = None
) -> tuple[Term, ...]:
    """Twice-per-turn error of a disc that its clamping has bent into an ellipse.

    A ring bent without stretching by a cos 2t in radius moves along its track by -(a/2) sin 2t: the head, which sees
    only that motion, reads too much by

        a / (2 R)  sin 2t

    with t the shaft angle from the place where the long axis lies towards the head. Neglected: (a/R)^2.

    Parameters
    ----------
    amplitude : Distribution
        a, departure of the radius from the mean; its magnitude counts. [m]
    track_radius : float
        R. [m]
    heads : int or tuple of float
        Read heads, averaged: how many, evenly spread, or their angles. [rad]
    phase : float, optional
        Shaft angle at which the long axis lies towards the head [rad]; uniform where not given.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad]

    References
    ----------
    .. [1] inextensional bending of a ring: Love, A Treatise on the Mathematical Theory of Elasticity,
       4th ed. (1927), ch. XXI.
    """
    parts = (PolarHarmonic(0.5 / track_radius, power=1, turns=2, order=2.0),)
    return _averaged("ellipticity", causes.ELLIPTICITY, amplitude, phase, parts, heads)


def coupling(misalignment: Distribution, phase: float | None = None) -> tuple[Term, ...]:
    """Twice-per-turn error of an encoder driven through a coupling whose shafts meet at an angle b.

    A single Cardan joint turns its output to atan2(sin t cos b, cos t), with t from the direction of the driving fork
    square to the plane of the bend:

        -(b^2 / 4) sin 2t

    to second order, whatever the number of heads. Constant-velocity couplings have less. Neglected: b^4 / 12.

    Parameters
    ----------
    misalignment : Distribution
        b; its magnitude counts. [rad]
    phase : float, optional
        Shaft angle at which the driving fork stands square to the plane of the bend [rad]; uniform where not given.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad]

    References
    ----------
    .. [1] Cardan joint, any textbook of machine elements; tested against the exact expression over a turn.
    """
    parts = (PolarHarmonic(-0.25, power=2, turns=2, order=2.0),)
    return (polar("coupling", causes.COUPLING_MISALIGNMENT, misalignment, phase, parts),)


def head_tangential(offset: Distribution, track_radius: float) -> tuple[Term, ...]:
    """Zero offset of a head set off along the track: a constant t/R of the unit, until mastering removes it.

    Parameters
    ----------
    offset : Distribution
        t. [m]
    track_radius : float
        R. [m]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad]

    References
    ----------
    .. [1] ISO 80000-3:2019, 3-5: an angle is the arc over the radius.
    """
    shape = Constant(1.0 / track_radius)
    return (independent("head tangential", causes.HEAD_TANGENTIAL, (offset,), (shape,), offset.limit / track_radius),)


def contrast(mismatch: ArrayLike, periods: float) -> Array:
    """Contrast left when the period under a phased array of detectors differs from its own.

    Over a window of n periods a relative mismatch m smears the phase evenly over 2 pi n m:

        contrast = |sin(pi n m) / (pi n m)|

    Parameters
    ----------
    mismatch : (...)
        m. [1]
    periods : float
        n, signal periods in the sensing window.

    Returns
    -------
    (...)
        Contrast over that of an aligned head, 0 to 1.

    References
    ----------
    .. [1] average of a rotating phasor over the window.
    """
    return np.asarray(np.abs(np.sinc(periods * np.asarray(mismatch, dtype=float))))


LEAST_CONTRAST = 0.05
"""Contrast below which a signal is lost and nothing is read. Common practice, no source."""


def _loss(contrasts: Array) -> Array:
    """1/contrast^2, infinite where the signal is lost."""
    usable = np.where(contrasts > LEAST_CONTRAST, contrasts, np.nan)
    return np.nan_to_num(usable**-2.0, nan=np.inf)


def contrast_loss(radial: Distribution, tilt: Distribution, track_radius: float, periods: float) -> float:
    """Mean of 1/contrast^2 over the units, for a head set off along the radius and tilted about it.

    A head at R + r sees the lines of a rotary scale spread by r/R; a head tilted by g sees them shortened by cos g and
    loses the amplitude by cos g too. Both lower the contrast and so raise the noise; neither moves the reading.

    Parameters
    ----------
    radial : Distribution
        r. [m]
    tilt : Distribution
        g. [rad]
    track_radius : float
        R; infinite for a linear scale. [m]
    periods : float
        Signal periods in the sensing window.

    Returns
    -------
    float
        At least 1; infinite where some units of the population lose the signal (`LEAST_CONTRAST`).

    References
    ----------
    .. [1] average of a rotating phasor over the window (`contrast`); projection for the tilt.
    """
    by_radius = radial.expectation(lambda r: _loss(contrast(r / track_radius, periods)))
    by_tilt = tilt.expectation(lambda g: _loss(np.cos(g) * contrast(1.0 - np.cos(g), periods)))
    return by_radius * by_tilt


def gap_loss(gap: Distribution, light_cone: float, period: float) -> float:
    """Mean of 1/contrast^2 over the units, for a head nearer or farther than its nominal air gap.

    Light within a cone of half angle a reaches a point of the detector from a stretch of the scale that is
    2 z tan a longer at a distance z from the nominal one. Averaged over it the lines of period p keep

        contrast = |sin(pi w / p) / (pi w / p)|,  w = 2 z tan a

    Parameters
    ----------
    gap : Distribution
        z. [m]
    light_cone : float
        a, as seen in the direction of motion. [rad]
    period : float
        p, one signal period on the scale. [m]

    Returns
    -------
    float
        At least 1; infinite where some units of the population lose the signal (`LEAST_CONTRAST`).

    References
    ----------
    .. [1] Goodman, Introduction to Fourier Optics, 3rd ed. (2005), 6.4: transfer function of a uniform blur (from
       memory).
    """
    # a phase smeared evenly, as by a mismatch w / p over one period
    return gap.expectation(lambda z: _loss(contrast(2.0 * z * np.tan(light_cone) / period, 1.0)))


def mastering(error: Distribution) -> tuple[Term, ...]:
    """Zero of the joint left over after mastering: a constant of the unit.

    Parameters
    ----------
    error : Distribution
        At the joint. [rad or m]

    References
    ----------
    .. [1] JCGM 200:2012, 2.17: systematic measurement error.
    """
    return (independent("mastering", causes.MASTERING, (error,), (Constant(),), error.limit),)


def _averaged(
    name: str,
    cause: causes.Cause,
    spread: Distribution,
    phase: float | None,
    parts: tuple[PolarHarmonic, ...],
    heads: Heads,
) -> tuple[Term, ...]:
    """Waves of one size after averaging over the heads; empty where all average out."""
    remaining = []
    for part in parts:
        share, lag = gain(heads, part.order)
        if share:
            remaining.append(replace(part, scale=share * part.scale, lag=lag))
    return (polar(name, cause, spread, phase, tuple(remaining)),) if remaining else ()
