"""The scale and its counting: graduation, quantisation, and the data sheet's summary of both."""

from __future__ import annotations

import math

from armsim import causes
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Constant
from armsim.errormodel.terms import Term, independent, unknown_curve, unknown_wave
from armsim.physics.heads import Heads, gain

GRADUATION_ORDERS = 4
"""Harmonics over which a graduation error is spread: the long waves of a written or printed scale. Common practice,
no source."""

STATED = "stated "
"""Prefix, before the key of an offset, in the name of a term whose size a sheet states."""


def least_significant_bit(order: float, bits: float) -> float:
    """Smallest step of the reading, 2 pi / (order * 2^bits). [rad or m]

    Parameters
    ----------
    order : float
        Signal phase per unit of position. [rad/rad or rad/m]
    bits : float
        Bits of interpolation within a signal period.

    Returns
    -------
    float
        Step of the reading. [rad or m]

    References
    ----------
    .. [1] arithmetic; 1296000 arcsec / 2^22 = 0.309 arcsec.
    """
    return 2.0 * math.pi / (order * math.pow(2.0, bits))


def quantisation(order: float, bits: float) -> tuple[Term, ...]:
    """Rounding of the reading to whole steps: uniform on +-LSB/2, anew at every visit.

    Valid while other scatter moves the reading by more than a step; below that it is the bound, not the distribution.

    Parameters
    ----------
    order : float
        Signal phase per unit of position. [rad/rad or rad/m]
    bits : float
        Bits of interpolation within a signal period.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth, drawn anew at every visit. [rad or m]

    References
    ----------
    .. [1] JCGM 100:2008 F.2.2.1.
    """
    half = 0.5 * least_significant_bit(order, bits)
    spread = Distribution("uniform", half)
    return (independent("quantisation", causes.QUANTISATION, (spread,), (Constant(),), half, "visit"),)


def graduation(error: Distribution, fundamental: float, heads: Heads = 1) -> tuple[Term, ...]:
    """Long-wave error of the written scale: one of the first `GRADUATION_ORDERS` harmonics, phase unknown.

    The standard deviation at a position picked at random is that of the tolerance (`terms.unknown_curve`).
    Averaged heads keep of every order the share that `heads.gain` gives: M evenly spaced heads keep multiples of M.

    Parameters
    ----------
    error : Distribution
        Deviation of a graduation line from its nominal place. [rad or m]
    fundamental : float
        Order of the longest wave: 1, or 2 pi over the travel. [rad/rad or rad/m]
    heads : int or tuple of float
        Read heads, averaged: how many, evenly spread, or their angles. [rad]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad or m]

    References
    ----------
    .. [1] discrete Fourier sum, for the heads; the choice of harmonics is common practice, no source.
    """
    return of_unknown_shape("graduation", causes.GRADUATION_ERROR, error, fundamental, heads)


def summary_accuracy(error: Distribution, fundamental: float) -> tuple[Term, ...]:
    """Accuracy total of a data sheet: a curve of known size and unknown shape, the same at every visit.

    Parameters
    ----------
    error : Distribution
        Stated accuracy. [rad or m]
    fundamental : float
        Order of the longest wave. [rad/rad or rad/m]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad or m]

    References
    ----------
    .. [1] JCGM 100:2008 4.3.7 for the standard uncertainty of +-a: a / sqrt(3).
    """
    return of_unknown_shape("accuracy", causes.STATED_ACCURACY, error, fundamental, 1)


def stated_misalignment(offset_key: str, offset: Distribution, gain: float, fundamental: float) -> tuple[Term, ...]:
    """Error that a data sheet states for a misplaced head or scale: a wave of unknown order, proportional to the
    offset.

    A sheet that states a largest error d at an offset a is taken to mean d/a per unit of any offset: of a unit that is
    off by x the wave has the amplitude |x| d/a, as a wave of the geometry has.

    Parameters
    ----------
    offset_key : str
        Key of the offset.
    offset : Distribution
        [m or rad]
    gain : float
        d/a. [rad/m, 1, ...]
    fundamental : float
        Order of the longest wave. [rad/rad or rad/m]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad or m]

    References
    ----------
    .. [1] JCGM 100:2008 5.1.3, the sensitivity coefficient; that the curve is a long wave is common practice, no
       source.
    """
    orders = tuple(h * fundamental for h in range(1, GRADUATION_ORDERS + 1))
    name, amplitude = f"{STATED}{offset_key}", offset.scaled(gain)
    return (unknown_wave(name, causes.STATED_MISALIGNMENT, amplitude, orders, (1.0,) * GRADUATION_ORDERS),)


def stated_noise(noise: Distribution, share: float) -> tuple[Term, ...]:
    """Noise that a data sheet states of the reading itself, anew at every reading and so at every visit.

    A speed taken from the difference of two readings has the noise of both (`speed_from_positions.speed_noise`).

    Parameters
    ----------
    noise : Distribution
        [rad or m]
    share : float
        Remaining share of its standard deviation, by `noise_share`. [1]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth, drawn anew at every visit. [rad or m]

    References
    ----------
    .. [1] JCGM 100:2008 4.2.2, the standard deviation of an observation.
    """
    remaining = noise.scaled(share)
    return (independent("stated noise", causes.STATED_NOISE, (remaining,), (Constant(),), remaining.limit, "visit"),)


def noise_share(bandwidth: float, used: float, loss: float = 1.0) -> float:
    """Share of a stated noise that remains: white noise has a variance in proportion to its bandwidth.

        sqrt(used / bandwidth) * sqrt(loss)

    Parameters
    ----------
    bandwidth, used : float
        Bandwidth of the stated noise, and of the reading as used; nothing changes where either is 0. [Hz]
    loss : float
        Mean of 1/contrast^2 (`assembly.contrast_loss`). [1]

    Returns
    -------
    float
        Factor on the standard deviation of the noise.

    References
    ----------
    .. [1] Papoulis, Probability, Random Variables, and Stochastic Processes, 3rd ed. (1991), 10-2: output power of an
       ideal filter on white noise (from memory).
    """
    remaining = used / bandwidth if used and bandwidth else 1.0
    return math.sqrt(remaining * loss)


def summary_repeatability(error: Distribution) -> tuple[Term, ...]:
    """Repeatability of a data sheet: drawn anew at every visit.

    It is found by returning to a position again and again. What differs between returns (seating, bearing, slow drift)
    is taken to hold while the joint moves, over the time between two readings: the difference of two readings does not
    have it, and a speed is not noisy by it. What scatters from reading to reading is `stated_noise`.

    Parameters
    ----------
    error : Distribution
        Stated repeatability, uniform or normal. [rad or m]

    References
    ----------
    .. [1] JCGM 100:2008 4.3.7.
    .. [2] JCGM 200:2012, 2.20 and 2.21, and ISO 230-2:2014: repeatability is the scatter of repeated measurements of
       one thing, of an axis that of repeated approaches to one position (from memory).
    """
    return (independent("repeatability", causes.STATED_REPEATABILITY, (error,), (Constant(),), error.limit, "visit"),)


def of_unknown_shape(
    name: str, cause: causes.Cause, error: Distribution, fundamental: float, heads: Heads
) -> tuple[Term, ...]:
    """Curve of known size and unknown shape over the turn or the travel, read by several heads.

    Parameters
    ----------
    name : str
        Name of the term.
    cause : Cause
    error : Distribution
        Largest error or its distribution. [rad or m]
    fundamental : float
        Order of the longest wave. [rad/rad or rad/m]
    heads : int or tuple
        Number of evenly spread heads, or their angles. [rad]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth; empty where the heads average all waves out. [rad or m]
    """
    harmonics = range(1, GRADUATION_ORDERS + 1)
    shares = tuple(gain(heads, h)[0] for h in harmonics)
    if not any(shares):
        return ()
    return (unknown_curve(name, cause, error, tuple(h * fundamental for h in harmonics), shares),)
