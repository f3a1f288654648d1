"""Errors of the scale and of its digital reading, and errors that a data sheet states as a summary."""

from __future__ import annotations

import math

from armsim import causes
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Constant
from armsim.errormodel.terms import Term, independent, unknown_curve, unknown_wave
from armsim.physics.heads import Heads, gain

GRADUATION_ORDERS = 4
"""Number of harmonics that a graduation error may have: the long waves of a scale. Common practice, no source."""

STATED_PREFIX = "stated "
"""Prefix of the name of a term whose size the data sheet states, before the key of the offset."""


def least_significant_bit(order: float, bits: float) -> float:
    """Least significant bit: the smallest step of the reading. [rad or m]

        2 pi / (order * 2^bits)

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
    """Quantisation: rounding of the reading to whole steps, uniform within half a step, drawn anew at every visit.

        half a step = pi / (order * 2^bits)

    The distribution is uniform where other scatter exceeds one step. With less scatter the bound still holds, but the
    rounding repeats.

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
    half_step = 0.5 * least_significant_bit(order, bits)
    rounding = Distribution("uniform", half_step)
    return (independent("quantisation", causes.QUANTISATION, (rounding,), (Constant(),), half_step, "visit"),)


def graduation(error: Distribution, fundamental: float, heads: Heads = 1) -> tuple[Term, ...]:
    """Graduation error: a long wave along the scale, one of the orders 1 to 4 per turn or travel, of random phase.

    Each built encoder has one wave; all four orders are equally likely. At a random position its standard deviation is
    that of the stated tolerance (`terms.unknown_curve`). Averaging over M evenly spaced heads keeps only orders that
    are multiples of M (`heads.gain`).

    Parameters
    ----------
    error : Distribution
        Deviation of a graduation line from its nominal position. [rad or m]
    fundamental : float
        Order of the longest wave: 1, or 2 pi over the travel. [rad/rad or rad/m]
    heads : int or tuple of float
        Number of evenly spaced read heads, or their angles [rad]; their readings are averaged.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad or m]

    References
    ----------
    .. [1] discrete Fourier sum, for the heads; the choice of harmonics is common practice, no source.
    """
    return unknown_shape_error("graduation", causes.GRADUATION_ERROR, error, fundamental, heads)


def summary_accuracy(error: Distribution, fundamental: float) -> tuple[Term, ...]:
    """Accuracy stated by a data sheet: an error curve of known size and unknown shape, the same at every visit.

    Each built encoder has one wave, of order 1 to 4 per turn or travel and random phase, as in `graduation`.

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
    return unknown_shape_error("accuracy", causes.STATED_ACCURACY, error, fundamental, 1)


def stated_misalignment(
    offset_key: str, offset: Distribution, error_per_offset: float, fundamental: float
) -> tuple[Term, ...]:
    """Error that a data sheet states for a misplaced head or scale, proportional to the offset.

    The data sheet states a largest error d at an offset a. A built encoder with the offset x then has a wave of
    amplitude

        |x| d / a

    of order 1 to 4 per turn or travel and random phase.

    Parameters
    ----------
    offset_key : str
        YAML key of the offset.
    offset : Distribution
        x. [m or rad]
    error_per_offset : float
        d/a. [unit of the error over unit of the offset]
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
    name, amplitude = f"{STATED_PREFIX}{offset_key}", offset.scaled(error_per_offset)
    return (unknown_wave(name, causes.STATED_MISALIGNMENT, amplitude, orders, (1.0,) * GRADUATION_ORDERS),)


def stated_noise(noise: Distribution, share: float) -> tuple[Term, ...]:
    """Noise of the reading as stated by the data sheet, drawn anew at every reading and so at every visit.

    A speed taken from the difference of two readings has the noise of both (`speed_from_positions.speed_noise`).

    Parameters
    ----------
    noise : Distribution
        Stated noise. [rad or m]
    share : float
        Factor on its standard deviation, from `noise_share`. [1]

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


def noise_share(stated_bandwidth: float, used_bandwidth: float, contrast_loss: float = 1.0) -> float:
    """Factor on a stated noise for another bandwidth and a loss of contrast, for white noise. [1]

        sqrt(used_bandwidth / stated_bandwidth) * sqrt(contrast_loss)

    Parameters
    ----------
    stated_bandwidth, used_bandwidth : float
        Bandwidth of the stated noise, and of the reading as used; no effect where either is 0. [Hz]
    contrast_loss : float
        Mean of 1/contrast^2 over the built arms (`assembly.contrast_loss`). [1]

    Returns
    -------
    float
        Factor on the standard deviation of the noise. [1]

    References
    ----------
    .. [1] Papoulis, Probability, Random Variables, and Stochastic Processes, 3rd ed. (1991), 10-2: output power of an
       ideal filter on white noise.
    """
    bandwidth_ratio = used_bandwidth / stated_bandwidth if used_bandwidth and stated_bandwidth else 1.0
    return math.sqrt(bandwidth_ratio * contrast_loss)


def summary_repeatability(error: Distribution) -> tuple[Term, ...]:
    """Repeatability stated by a data sheet: drawn anew at every visit.

    It is measured by returning to a position many times. What differs between returns (seating, bearing, slow drift) is
    taken as constant between two successive readings. So it cancels in their difference and adds no noise to a speed.
    Scatter from reading to reading is `stated_noise`.

    Parameters
    ----------
    error : Distribution
        Stated repeatability, uniform or normal. [rad or m]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth, drawn anew at every visit. [rad or m]

    References
    ----------
    .. [1] JCGM 100:2008 4.3.7.
    .. [2] JCGM 200:2012, 2.20 and 2.21, and ISO 230-2:2014: repeatability is the scatter of repeated measurements of
       one thing, of an axis that of repeated approaches to one position.
    """
    return (independent("repeatability", causes.STATED_REPEATABILITY, (error,), (Constant(),), error.limit, "visit"),)


def unknown_shape_error(
    name: str, cause: causes.Cause, error: Distribution, fundamental: float, heads: Heads
) -> tuple[Term, ...]:
    """Error curve of known size and unknown shape over a turn or the travel, read by one or several heads.

    Parameters
    ----------
    name : str
        Name of the term.
    cause : Cause
    error : Distribution
        Size of the error. [rad or m]
    fundamental : float
        Order of the longest wave. [rad/rad or rad/m]
    heads : int or tuple
        Number of evenly spread heads, or their angles. [rad]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth; empty where averaging over the heads cancels all waves. [rad or m]
    """
    harmonics = range(1, GRADUATION_ORDERS + 1)
    shares = tuple(gain(heads, h)[0] for h in harmonics)
    if not any(shares):
        return ()
    return (unknown_curve(name, cause, error, tuple(h * fundamental for h in harmonics), shares),)


def homing(error: Distribution) -> tuple[Term, ...]:
    """Error of the zero that a reference run takes from the index of a sensor that is not absolute.

    It stays until the next reference run. Every simulated arm makes one run, so that the error is part of accuracy: a
    measurement of repeatability keeps the power on.

    Parameters
    ----------
    error : Distribution
        Error of the position at which the index is found. [rad or m]

    Returns
    -------
    tuple of Term
        At the shaft of the sensor, reading minus truth. [rad or m]

    References
    ----------
    .. [1] common practice, no source.
    """
    return (independent("homing", causes.HOMING, (error,), (Constant(),), error.limit),)
