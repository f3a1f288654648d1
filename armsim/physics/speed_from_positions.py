"""Speed computed from sampled positions: resolution, noise, ripple. No controller is included."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from armsim.arrays import Array


def signal_frequency(order: float, speed: float) -> float:
    """Frequency of the signals of a sensor. [Hz]

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
        Frequency of the signal. [Hz]

    References
    ----------
    .. [1] ISO 80000-3:2019, 3-17: frequency is the angular frequency over 2 pi.
    """
    return abs(order * speed) / (2.0 * np.pi)


def filter_pole(sample_time: float, time_constant: float) -> float:
    """Pole a of the filter v_k = a v_(k-1) + (1 - a) d_k on the differences d; 0 without a filter.

        a = exp(-Ts / T)

    Parameters
    ----------
    sample_time : float
        Ts. [s]
    time_constant : float
        T. [s]

    Returns
    -------
    float
        Pole of the discrete filter, 0 (no filter) to 1.

    References
    ----------
    .. [1] Oppenheim, Schafer, Discrete-Time Signal Processing, 3rd ed. (2010), 7.2: impulse invariance.
    """
    return float(np.exp(-sample_time / time_constant)) if time_constant > 0.0 else 0.0


def speed_step(step: float, sample_time: float, pole: float) -> float:
    """Change of the speed when the position changes by one step: the resolution of the speed. [rad/s or m/s]

        (1 - a) step / Ts

    Parameters
    ----------
    step : float
        Least significant bit. [rad or m]
    sample_time : float
        Ts. [s]
    pole : float
        a.

    Returns
    -------
    float
        Step of the speed. [rad/s or m/s]

    References
    ----------
    .. [1] first sample of the response of the filter to one difference of a step.
    """
    return (1.0 - pole) * step / sample_time


def speed_noise(std: float, sample_time: float, pole: float) -> float:
    """Standard deviation of a speed from differences of positions that scatter independently. [rad/s or m/s]

        (sigma / Ts) (1 - a) sqrt(2 / (1 + a))

    Rounding and noise scatter so; the scatter from visit to visit that a repeatability states is in both positions and
    drops out of their difference. Without a filter sqrt(2) sigma / Ts, for rounding to steps (sigma = step / sqrt(12))
    step / (sqrt(6) Ts). Rounding scatters independently only where noise moves the position by a step; without it this
    is the mean over speeds, and at one speed the difference goes to and fro between two whole numbers of steps,
    step sqrt(f (1 - f)) / Ts with f the fraction of a step per sample. Much slower than a step per sample the speed is
    a row of single `speed_step`.

    Parameters
    ----------
    std : float
        sigma of a position. [rad or m]
    sample_time : float
        Ts. [s]
    pole : float
        a.

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
    """Gain from the true derivative of a periodic position error to the speed that is computed from positions.

        |sin(pi f Ts) / (pi f Ts)| (1 - a) / |1 - a exp(-2 pi i f Ts)|

    An error of amplitude A and order h makes a speed ripple of A h, as share of the speed, times this gain.

    Parameters
    ----------
    frequency : (...)
        f. [Hz]
    sample_time : float
        Ts. [s]
    pole : float
        a.

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
