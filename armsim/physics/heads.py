"""Several read heads around the shaft, averaged: how much of an error of each order remains."""

from __future__ import annotations

import cmath
import math

Heads = int | tuple[float, ...]
"""Number of evenly spaced heads, or the angles of the heads around the shaft. [rad]"""
NEGLIGIBLE = 1e-9
"""Gain below which an order counts as averaged out. [1]"""


def head_count(heads: Heads) -> int:
    """Number of heads.

    Parameters
    ----------
    heads : int or tuple of float
        Number of evenly spaced heads, or their angles. [rad]

    Returns
    -------
    int
    """
    return heads if isinstance(heads, int) else len(heads)


def gain(heads: Heads, order: float) -> tuple[float, float]:
    """Gain and phase lag of an error of one order after averaging over the heads. [1], [rad]

    A head at the angle a reads the error of order h with a phase shift of h a. The mean of M heads multiplies it by

        g = 1/M sum of exp(-i h a_m)

    Evenly spaced heads keep the orders that are multiples of M and cancel all others. Two heads at an angle a keep
    |cos(h a / 2)| of order h.

    Parameters
    ----------
    heads : int or tuple of float
        Number of evenly spaced heads, or their angles. [rad]
    order : float
        h, periods per turn; a whole number where there are several heads.

    Returns
    -------
    (float, float)
        |g| [1], and the phase lag of the averaged error [rad].

    References
    ----------
    .. [1] discrete Fourier sum; for two opposite heads any textbook of length and angle metrology.
    """
    if isinstance(heads, int):
        return (1.0, 0.0) if order % heads == 0 else (0.0, 0.0)
    mean = sum(cmath.exp(-1j * order * angle) for angle in heads) / len(heads)
    size = abs(mean)
    return (0.0, 0.0) if size < NEGLIGIBLE else (size, -cmath.phase(mean) % (2.0 * math.pi))
