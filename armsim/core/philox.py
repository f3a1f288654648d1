"""Counter-based random numbers: Philox 4x32-10, compiled, and the three distributions of visit coefficients.

The number drawn depends on its key and counter alone, never on what was drawn before it, so any worker can
draw any part of the population and the bits stay the same.

References
----------
.. [1] Salmon, Moraes, Dror, Shaw, "Parallel random numbers: as easy as 1, 2, 3", SC11 (2011).
.. [2] Box, Muller, "A note on the generation of random normal deviates", Ann. Math. Statist. 29 (1958) 610.
"""

from __future__ import annotations

import math

import numpy as np

from armsim.core.compile import Floats, Words, subroutine
from armsim.core.kernel_digest import LANES

NORMAL, UNIFORM, TWO_VALUED = 0, 1, 2
"""Codes of the distributions: standard normal; uniform on (-1, 1); -1 or +1 with equal probability."""

VISITS_PER_SIGN_WORDS = 128
"""Visits for which four words hold the signs, one bit each."""

# multipliers and Weyl constants of Philox 4x32 [1]
_M0 = np.uint64(0xD2511F53)
_M1 = np.uint64(0xCD9E8D57)
_W0 = np.uint32(0x9E3779B9)
_W1 = np.uint32(0xBB67AE85)
_LOW = np.uint64(0xFFFFFFFF)
_SHIFT = np.uint64(32)


@subroutine
def philox4x32(key: Words, c0: int, c1: int, c2: int, c3: int, words: Words) -> None:
    """Four 32-bit words for every lane.

    Parameters
    ----------
    key : (2,) uint32
    c0 : int
        First counter word of lane 0; lane u uses c0 + u.
    c1, c2, c3 : int
        The other counter words, the same for all lanes.
    words : (4 * LANES,) uint32, written
        First words of all lanes, second words, and so on.
    """
    first, second, third, fourth = np.uint32(c0), np.uint32(c1), np.uint32(c2), np.uint32(c3)
    key0, key1 = key[0], key[1]
    for u in range(LANES):
        k0, k1 = key0, key1
        w0, w1, w2, w3 = np.uint32(first + np.uint32(u)), second, third, fourth
        for _ in range(10):
            a, b = np.uint64(w0) * _M0, np.uint64(w2) * _M1
            w0, w1 = np.uint32(b >> _SHIFT) ^ w1 ^ k0, np.uint32(b & _LOW)
            w2, w3 = np.uint32(a >> _SHIFT) ^ w3 ^ k1, np.uint32(a & _LOW)
            k0, k1 = np.uint32(k0 + _W0), np.uint32(k1 + _W1)
        words[u], words[LANES + u], words[2 * LANES + u], words[3 * LANES + u] = w0, w1, w2, w3


_MANTISSA = np.int64(0xFFFFFFFFFFFFF)
_ONE = np.int64(0x3FF0000000000000)
_SQRT2 = math.sqrt(2.0)
_LN2 = math.log(2.0)
_STEP = 2.0**-32
_EIGHTH = 0.5 * math.pi * _STEP


@subroutine
def add_normals(words: Words, factor: float, target: Floats) -> None:
    """Add multiples of standard normal draws; two words of a lane give two draws [2].

    A distance sqrt(-2 ln p) and a direction 2 pi p', p = (word + 1/2) / 2^32: no draw lies beyond 6.8, and none is off
    by more than 3e-11.

    Parameters
    ----------
    words : (4 * LANES,) uint32
        Output of `philox4x32`: the first two of a lane give distances, the last two directions.
    factor : float
    target : (4 * LANES,), added to
    """
    for u in range(2 * LANES):
        distance = factor * math.sqrt(-2.0 * _log((words[u] + 0.5) * _STEP))
        x, y = _direction(words[2 * LANES + u])
        target[u] += distance * x
        target[2 * LANES + u] += distance * y


@subroutine
def _direction(word: np.uint32) -> tuple[float, float]:
    """Cosine and sine of 2 pi p': series of a quarter of the angle, doubled twice, so that nothing branches."""
    t = (np.float64(np.int32(word)) + 0.5) * _EIGHTH
    q = t * t
    s = t * (1.0 + q * (-1.0 / 6 + q * (1.0 / 120 + q * (-1.0 / 5040 + q * (1.0 / 362880 + q * (
        -1.0 / 39916800 + q * (1.0 / 6227020800)))))))  # fmt: skip
    c = 1.0 + q * (-0.5 + q * (1.0 / 24 + q * (-1.0 / 720 + q * (1.0 / 40320 + q * (
        -1.0 / 3628800 + q * (1.0 / 479001600))))))  # fmt: skip
    s, c = 2.0 * s * c, 1.0 - 2.0 * s * s
    return 1.0 - 2.0 * s * s, 2.0 * s * c


@subroutine
def add_uniforms(words: Words, factor: float, target: Floats) -> None:
    """Add multiples of uniform draws on (-1, 1), which never touch its ends; arguments as `add_normals`."""
    for u in range(4 * LANES):
        target[u] += factor * ((words[u] + 0.5) * (2.0 * _STEP) - 1.0)


@subroutine
def add_signs(words: Words, bit: int, factor: float, target: Floats) -> None:
    """Add or subtract a factor, with the signs of four bits of a word, from ``bit`` on.

    Parameters
    ----------
    words : (LANES,) uint32
    bit : int
    factor : float
    target : (4 * LANES,), added to
    """
    first = np.uint32(bit)
    for u in range(LANES):
        word = words[u] >> first
        target[u] += factor * (2.0 * (word & np.uint32(1)) - 1.0)
        target[LANES + u] += factor * (2.0 * ((word >> np.uint32(1)) & np.uint32(1)) - 1.0)
        target[2 * LANES + u] += factor * (2.0 * ((word >> np.uint32(2)) & np.uint32(1)) - 1.0)
        target[3 * LANES + u] += factor * (2.0 * ((word >> np.uint32(3)) & np.uint32(1)) - 1.0)


@subroutine
def _log(x: float) -> float:
    """Natural logarithm of a normal positive number, in a form that vectorises; within a unit in the last place.

    x = 2^e m with m within [1/sqrt 2, sqrt 2], log m = 2 atanh((m - 1)/(m + 1)) by its series: the first term left out
    is below 1e-17 of it.
    """
    bits = np.float64(x).view(np.int64)
    exponent = float((bits >> 52) - 1023)
    m = np.int64((bits & _MANTISSA) | _ONE).view(np.float64)
    large = m > _SQRT2
    m = 0.5 * m if large else m
    exponent = exponent + 1.0 if large else exponent
    s = (m - 1.0) / (m + 1.0)
    q = s * s
    series = 1.0 + q * (1.0 / 3 + q * (1.0 / 5 + q * (1.0 / 7 + q * (1.0 / 9 + q * (1.0 / 11 + q * (1.0 / 13 + q * (
        1.0 / 15 + q * (1.0 / 17 + q * (1.0 / 19 + q * (1.0 / 21))))))))))  # fmt: skip
    return exponent * _LN2 + 2.0 * s * series
