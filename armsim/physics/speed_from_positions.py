"""Resolution, noise and ripple of a speed computed from sampled positions; no controller is included."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from armsim.arrays import Array


def signal_frequency(order: float, speed: float) -> float:
    """Frequency of the sine and cosine signals of a sensor. [Hz]

        f = order * speed / (2 pi)

    Parameters
    ----------
    order : float
        Signal phase per unit of position. [rad/rad or rad/m]
    speed : float
        Speed of the shaft. [rad/s or m/s]

    Returns
    -------
    float
        Frequency of the signals. [Hz]

    References
    ----------
    .. [1] ISO 80000-3:2019, 3-17: frequency is the angular frequency over 2 pi.
    """
    return abs(order * speed) / (2.0 * np.pi)


def filter_pole(sample_time: float, time_constant: float) -> float:
    """Pole a of the low-pass filter of the speed. [1]

        v_k = a v_(k-1) + (1 - a) d_k,    a = exp(-Ts / T)

    with d the difference of two successive positions over Ts, and v the filtered speed.

    Parameters
    ----------
    sample_time : float
        Ts, time between two positions. [s]
    time_constant : float
        T, time constant of the filter; 0 without one. [s]

    Returns
    -------
    float
        a, from 0 (no filter) to 1. [1]

    References
    ----------
    .. [1] Oppenheim, Schafer, Discrete-Time Signal Processing, 3rd ed. (2010), 7.2: impulse invariance.
    """
    return float(np.exp(-sample_time / time_constant)) if time_constant > 0.0 else 0.0


def speed_step(step: float, sample_time: float, pole: float) -> float:
    """Resolution of the speed: its change when one position changes by one step. [rad/s or m/s]

        (1 - a) step / Ts

    Parameters
    ----------
    step : float
        Least significant bit. [rad or m]
    sample_time : float
        Ts, time between two positions. [s]
    pole : float
        a, from `filter_pole`. [1]

    Returns
    -------
    float
        Resolution of the speed. [rad/s or m/s]

    References
    ----------
    .. [1] first sample of the response of the filter to one difference of a step.
    """
    return (1.0 - pole) * step / sample_time


def speed_noise(std: float, sample_time: float, pole: float) -> float:
    """Noise of the speed: its standard deviation, from positions with independent noise. [rad/s or m/s]

        (sigma / Ts) (1 - a) sqrt(2 / (1 + a))

    Without a filter (a = 0) this is sqrt(2) sigma / Ts. For rounding to steps, sigma = step / sqrt(12), it is
    step / (sqrt(6) Ts).

    Noise and rounding are included. The repeatability from visit to visit is not: it is the same in both positions and
    cancels in their difference.

    Rounding errors are independent only where noise exceeds a step. Without noise the formula is the average over
    speeds. At one speed the difference then alternates between two whole numbers of steps. With f the fraction of a
    step per sample, its standard deviation is step sqrt(f (1 - f)) / Ts. At speeds far below one step per sample the
    speed shows single pulses of `speed_step`.

    Parameters
    ----------
    std : float
        sigma, standard deviation of the noise of one position. [rad or m]
    sample_time : float
        Ts, time between two positions. [s]
    pole : float
        a, from `filter_pole`. [1]

    Returns
    -------
    float
        Standard deviation of the speed. [rad/s or m/s]

    References
    ----------
    .. [1] sum of the squares of the impulse response of (1 - a)(1 - 1/z) / (1 - a/z): Oppenheim, Schafer (2010), 2.10.
    """
    return std / sample_time * (1.0 - pole) * float(np.sqrt(2.0 / (1.0 + pole)))


def ripple_gain(frequency: ArrayLike, sample_time: float, pole: float) -> Array:
    """Gain from the derivative of a periodic position error to the ripple of the computed speed. [1]

        |sin(pi f Ts) / (pi f Ts)| (1 - a) / |1 - a exp(-2 pi i f Ts)|

    An error of amplitude A [rad] and order h makes a ripple of A h times this gain, as share of the speed.

    Parameters
    ----------
    frequency : (...)
        f, frequency of the error at the present speed. [Hz]
    sample_time : float
        Ts, time between two positions. [s]
    pole : float
        a, from `filter_pole`. [1]

    Returns
    -------
    (...)
        Gain, 0 to 1. [1]

    References
    ----------
    .. [1] frequency response of a difference quotient and of the filter: Oppenheim, Schafer (2010), 5.1. Above half the
       sampling frequency a ripple appears at another frequency, with this amplitude.
    """
    f = np.asarray(frequency, dtype=float)
    quotient = np.abs(np.sinc(f * sample_time))
    return np.asarray(quotient * (1.0 - pole) / np.abs(1.0 - pole * np.exp(-2j * np.pi * f * sample_time)))
