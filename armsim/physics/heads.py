"""Read heads round the shaft, averaged: the share of every order that remains."""

from __future__ import annotations

import cmath
import math

Heads = int | tuple[float, ...]
"""Number of heads, evenly spread; or their angles. [rad]"""
NOTHING = 1e-9
"""Share below which an order counts as averaged away."""


def number_of(heads: Heads) -> int:
    """Number of heads."""
    return heads if isinstance(heads, int) else len(heads)


def gain(heads: Heads, order: float) -> tuple[float, float]:
    """Share of an order that remains after averaging, and the angle by which it lags. [1], [rad]

    A head at the angle a sees the wave of order h of the scale turned by h a, so that the mean of M heads is

        g = 1/M sum of exp(-i h a_m)

    times it: multiples of M alone where they are evenly spread, |cos(h a / 2)| for two at a distance of a.

    Parameters
    ----------
    heads : int or tuple of float
    order : float
        h; a whole number where there is more than one head.

    Returns
    -------
    (float, float)
        |g|, and the angle by which the wave lags. [1], [rad]

    References
    ----------
    .. [1] discrete Fourier sum; for two opposite heads any textbook of length and angle metrology.
    """
    if isinstance(heads, int):
        return (1.0, 0.0) if order % heads == 0 else (0.0, 0.0)
    mean = sum(cmath.exp(-1j * order * angle) for angle in heads) / len(heads)
    size = abs(mean)
    return (0.0, 0.0) if size < NOTHING else (size, -cmath.phase(mean) % (2.0 * math.pi))
