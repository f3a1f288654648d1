"""Errors from mounting the scale and its heads, loss of signal contrast, and the zero of the joint."""

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

    Let t be the shaft angle, zero where the centre of the scale lies towards the head. A head at radius R from the
    shaft axis reads too much by atan2(e sin t, R - e cos t). To second order in e/R this is

        (e/R) sin t  +  (e/R)^2 / 2  sin 2t

    Averaging over M evenly spaced heads keeps only orders that are multiples of M (`heads.gain`).

    Neglected: (e/R)^3 / 3.

    Parameters
    ----------
    offset : Distribution
        e, distance between the centre of the scale and the shaft axis; its sign does not matter. [m]
    track_radius : float
        R, radius of the track. [m]
    correction : float
        Share of the error that a calibration of the encoder removes. [1]
    heads : int or tuple of float
        Number of evenly spaced read heads, or their angles [rad]; their readings are averaged.
    phase : float, optional
        Shaft angle at which the centre lies towards the head [rad]; random where not given.

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
    return _averaged_over_heads("eccentricity", causes.ECCENTRICITY, offset, phase, parts, heads)


def shaft_runout(
    reading: Distribution, track_radius: float, correction: float = 0.0, heads: Heads = 1, phase: float | None = None
) -> tuple[Term, ...]:
    """Once-per-turn error of a shaft whose seat for the scale runs out.

    A dial indicator on the seat reads the run-out T from lowest to highest. The axis of the seat then lies T/2 from the
    axis of rotation. This adds to the eccentricity e of the scale on its seat, in an independent direction:

        (T / 2R) sin t

    Neglected: second order, (T/2R)^2 / 2 and T e / 2R^2.

    Parameters
    ----------
    reading : Distribution
        T, total indicator reading; its sign does not matter. [m]
    track_radius : float
        R, radius of the track. [m]
    correction : float
        Share of the error that a calibration of the encoder removes, the same as for the eccentricity. [1]
    heads : int or tuple of float
        Number of evenly spaced read heads, or their angles [rad]; their readings are averaged.
    phase : float, optional
        Shaft angle at which the axis of the seat lies towards the head [rad]; random where not given.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad]

    References
    ----------
    .. [1] as `eccentricity`; ISO 1101:2017, run-out: half the total indicator reading is the offset of the axes.
    """
    harmonic = PolarHarmonic(0.5 * (1.0 - correction) / track_radius, power=1, turns=1, order=1.0)
    return _averaged_over_heads("shaft run-out", causes.SHAFT_RUNOUT, reading, phase, (harmonic,), heads)


def nonrepeatable_runout(motion: Distribution, track_radius: float, heads: Heads = 1) -> tuple[Term, ...]:
    """Scatter from a shaft that takes another position in its bearing at every visit.

    One head reads a displacement d of the shaft along its track as an angle

        d / R

    Heads at the angles a_m read the mean of (d_y cos a_m - d_x sin a_m) / R: zero for evenly spaced heads.

    Parameters
    ----------
    motion : Distribution
        d, displacement along one direction, uniform or normal. [m]
    track_radius : float
        R, radius of the track. [m]
    heads : int or tuple of float
        Number of evenly spaced read heads, or their angles [rad]; their readings are averaged.

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
    scatter = motion.scaled(share)
    cause = causes.NONREPEATABLE_RUNOUT
    return (independent("non-repeatable run-out", cause, (scatter,), (Constant(),), scatter.limit, "visit"),)


def disc_tilt(tilt: Distribution, heads: Heads = 1, phase: float | None = None) -> tuple[Term, ...]:
    """Twice-per-turn error of a disc that is not perpendicular to the shaft.

    A tilt g foreshortens the disc: an angle a on it, from the axis of the tilt, appears as atan2(sin a cos g, cos a).
    Let t be the shaft angle, zero where the steepest line of the disc lies towards the head. The head reads too much by

        -(g^2 / 4) sin 2t

    to second order. Neglected: g^4 / 12 and smaller.

    Parameters
    ----------
    tilt : Distribution
        g; its sign does not matter. [rad]
    heads : int or tuple of float
        Number of evenly spaced heads (three or more cancel it), or their angles [rad]; readings are averaged.
    phase : float, optional
        Shaft angle at which the steepest line lies towards the head [rad]; random where not given.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad]

    References
    ----------
    .. [1] projection, as in a Cardan joint; 1 deg gives 76.2 urad.
    """
    return _averaged_over_heads(
        "disc tilt", causes.DISC_TILT, tilt, phase, (PolarHarmonic(-0.25, power=2, turns=2, order=2.0),), heads
    )


def ellipticity(
    amplitude: Distribution, track_radius: float, heads: Heads = 1, phase: float | None = None
) -> tuple[Term, ...]:
    """Twice-per-turn error of a disc that is clamped into an ellipse.

    Let t be the shaft angle, zero where the long axis lies towards the head. A ring that is bent without stretching by
    a cos 2t in radius also moves by -(a/2) sin 2t along its track. The head sees only this motion and reads too much by

        a / (2 R)  sin 2t

    Neglected: (a/R)^2.

    Parameters
    ----------
    amplitude : Distribution
        a, largest deviation of the radius from its mean; its sign does not matter. [m]
    track_radius : float
        R, radius of the track. [m]
    heads : int or tuple of float
        Number of evenly spaced read heads, or their angles [rad]; their readings are averaged.
    phase : float, optional
        Shaft angle at which the long axis lies towards the head [rad]; random where not given.

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
    return _averaged_over_heads("ellipticity", causes.ELLIPTICITY, amplitude, phase, parts, heads)


def coupling_misalignment(misalignment: Distribution, phase: float | None = None) -> tuple[Term, ...]:
    """Twice-per-turn error of an encoder driven through a coupling whose two shafts meet at an angle b.

    Let t be the shaft angle, zero where the driving fork is perpendicular to the plane of both shafts. A single Cardan
    joint turns its output to atan2(sin t cos b, cos t). The error is

        -(b^2 / 4) sin 2t

    to second order, for any number of heads. Constant-velocity couplings have less. Neglected: b^4 / 12.

    Parameters
    ----------
    misalignment : Distribution
        b; its sign does not matter. [rad]
    phase : float, optional
        Shaft angle at which the driving fork is perpendicular to that plane [rad]; random where not given.

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


def head_tangential_offset(offset: Distribution, track_radius: float) -> tuple[Term, ...]:
    """Zero offset from a head displaced by t along the track: constant for a built arm; mastering removes it.

        t / R

    Parameters
    ----------
    offset : Distribution
        t, displacement of the head. [m]
    track_radius : float
        R, radius of the track. [m]

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
    """Contrast of the signals when the signal period differs from the period of the detector array.

    A relative mismatch m smears the phase evenly over 2 pi n m within the n periods of the sensing window:

        contrast = |sin(pi n m) / (pi n m)|

    Parameters
    ----------
    mismatch : (...)
        m, relative difference of the two periods. [1]
    periods : float
        n, signal periods in the sensing window.

    Returns
    -------
    (...)
        Contrast relative to an aligned head, 0 to 1. [1]

    References
    ----------
    .. [1] average of a rotating phasor over the window.
    """
    return np.asarray(np.abs(np.sinc(periods * np.asarray(mismatch, dtype=float))))


LEAST_CONTRAST = 0.05
"""Contrast below which the signal counts as lost. Common practice, no source."""


def _inverse_square_contrast(contrasts: Array) -> Array:
    """1/contrast^2, infinite if the signal is lost."""
    usable = np.where(contrasts > LEAST_CONTRAST, contrasts, np.nan)
    return np.nan_to_num(usable**-2.0, nan=np.inf)


def contrast_loss(radial: Distribution, tilt: Distribution, track_radius: float, periods: float) -> float:
    """Mean of 1/contrast^2 over the built arms, for a head displaced by r along the radius and tilted by g about it.

    A head at R + r sees a signal period longer by the ratio r/R. A head tilted by g sees it shortened by cos g, and its
    amplitude falls by cos g too. Both lower the contrast (`contrast`) and so raise the noise. Neither moves the
    reading.

    Parameters
    ----------
    radial : Distribution
        r, displacement of the head. [m]
    tilt : Distribution
        g, tilt of the head. [rad]
    track_radius : float
        R, radius of the track; infinite for a linear scale. [m]
    periods : float
        Signal periods in the sensing window.

    Returns
    -------
    float
        At least 1; infinite where some built arms lose the signal (`LEAST_CONTRAST`). [1]

    References
    ----------
    .. [1] average of a rotating phasor over the window (`contrast`); projection for the tilt.
    """
    by_radius = radial.expectation(lambda r: _inverse_square_contrast(contrast(r / track_radius, periods)))
    by_tilt = tilt.expectation(lambda g: _inverse_square_contrast(np.cos(g) * contrast(1.0 - np.cos(g), periods)))
    return by_radius * by_tilt


def gap_loss(gap: Distribution, light_cone: float, period: float) -> float:
    """Mean of 1/contrast^2 over the built arms, for a head whose air gap deviates by z from its nominal value.

    Each point of the detector receives light from a cone of half angle a. At a distance z from the nominal gap the cone
    covers a length w = 2 z tan a more of the scale. Averaging the signal of period p over w leaves

        contrast = |sin(pi w / p) / (pi w / p)|

    Parameters
    ----------
    gap : Distribution
        z, deviation of the air gap from its nominal value. [m]
    light_cone : float
        a, half angle of the cone in the direction of motion. [rad]
    period : float
        p, length of one signal period on the scale. [m]

    Returns
    -------
    float
        At least 1; infinite where some built arms lose the signal (`LEAST_CONTRAST`). [1]

    References
    ----------
    .. [1] Goodman, Introduction to Fourier Optics, 3rd ed. (2005), 6.4: transfer function of a uniform blur.
    """
    # a phase smeared evenly, as by a mismatch w / p over one period
    return gap.expectation(lambda z: _inverse_square_contrast(contrast(2.0 * z * np.tan(light_cone) / period, 1.0)))


def mastering(error: Distribution) -> tuple[Term, ...]:
    """Error of the joint zero that remains after mastering: constant for a built arm.

    Parameters
    ----------
    error : Distribution
        Remaining error of the zero. [rad or m]

    Returns
    -------
    tuple of Term
        At the joint, attained minus commanded. [rad or m]

    References
    ----------
    .. [1] JCGM 200:2012, 2.17: systematic measurement error.
    """
    return (independent("mastering", causes.MASTERING, (error,), (Constant(),), error.limit),)


def _averaged_over_heads(
    name: str,
    cause: causes.Cause,
    amplitude: Distribution,
    phase: float | None,
    harmonics: tuple[PolarHarmonic, ...],
    heads: Heads,
) -> tuple[Term, ...]:
    """Waves of one size after averaging over the heads; empty where all average out."""
    remaining = []
    for harmonic in harmonics:
        share, lag = gain(heads, harmonic.order)
        if share:
            remaining.append(replace(harmonic, scale=share * harmonic.scale, lag=lag))
    return (polar(name, cause, amplitude, phase, tuple(remaining)),) if remaining else ()
