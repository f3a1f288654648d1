"""Counter-based random numbers: Philox 4x32-10, compiled, and the three laws of visit coefficients.

The number drawn depends on its key and counter alone, never on what was drawn before it, so any worker can
draw any part of the population and the bits stay the same.

References
----------
.. [1] Salmon, Moraes, Dror, Shaw, "Parallel random numbers: as easy as 1, 2, 3", SC11 (2011).
.. [2] Wichura, "Algorithm AS 241: the percentage points of the normal distribution", Appl. Statist. 37 (1988) 477.
"""

from __future__ import annotations

import math

import numpy as np

from armsim.core.compile import Floats, Indices, Words, compiled

NORMAL, UNIFORM, TWO_VALUED = 0, 1, 2
"""Codes of the laws: standard normal; uniform on (-1, 1); -1 or +1 with equal chance."""

VISITS_OF_SIGNS = 128
"""Visits that the bits of four words serve with a sign each."""

# multipliers and Weyl constants of Philox 4x32 [1]
_M0 = np.uint64(0xD2511F53)
_M1 = np.uint64(0xCD9E8D57)
_W0 = np.uint32(0x9E3779B9)
_W1 = np.uint32(0xBB67AE85)
_LOW = np.uint64(0xFFFFFFFF)
_SHIFT = np.uint64(32)


@compiled
def philox4x32(key: Words, c0: int, c1: int, c2: int, c3: int, words: Words) -> None:
    """Four 32-bit words for every lane.

    Parameters
    ----------
    key : (2,) uint32
    c0 : int
        First counter word of lane 0; lane u uses c0 + u.
    c1, c2, c3 : int
        The other counter words, the same for all lanes.
    words : (4, lanes) uint32, written
    """
    k0 = key[0]
    k1 = key[1]
    w0 = words[0]
    w1 = words[1]
    w2 = words[2]
    w3 = words[3]
    for u in range(words.shape[1]):
        w0[u] = np.uint32(c0 + u)
        w1[u] = np.uint32(c1)
        w2[u] = np.uint32(c2)
        w3[u] = np.uint32(c3)
    for _ in range(10):
        for u in range(words.shape[1]):
            a = np.uint64(w0[u]) * _M0
            b = np.uint64(w2[u]) * _M1
            x1 = w1[u]
            x3 = w3[u]
            w0[u] = np.uint32(b >> _SHIFT) ^ x1 ^ k0
            w1[u] = np.uint32(b & _LOW)
            w2[u] = np.uint32(a >> _SHIFT) ^ x3 ^ k1
            w3[u] = np.uint32(a & _LOW)
        k0 = np.uint32(k0 + _W0)
        k1 = np.uint32(k1 + _W1)


CENTRAL = 0.425
"""Half-width about 1/2 of the probabilities that the central fraction of [2] serves."""
_TAIL = np.uint32(round((0.5 - CENTRAL) * 2**32))
_MANTISSA = np.int64(0xFFFFFFFFFFFFF)
_ONE = np.int64(0x3FF0000000000000)
_SQRT2 = math.sqrt(2.0)
_LN2 = math.log(2.0)


@compiled
def standard_draws(law: int, words: Words, out: Floats, lanes: Indices, dense: Floats) -> None:
    """Standard draws of the normal or uniform law from 32-bit words; p = (word + 1/2) / 2^32 never touches 0 or 1.

    Parameters
    ----------
    law : int
    words : (lanes,) uint32
    out : (lanes,), written
    lanes, dense : (lanes + 1,), overwritten
    """
    step = 2.0**-32
    if law == NORMAL:
        for u in range(words.shape[0]):
            out[u] = _central((words[u] + 0.5) * step - 0.5)
        # the tails, 15 % of the lanes, are gathered, computed together and put back: all three loops are cheap
        found = 0
        for u in range(words.shape[0]):
            distance = min(words[u], ~words[u])
            lanes[found] = u
            dense[found] = (distance + 0.5) * step
            found += distance < _TAIL
        _tails(dense[:found])
        for k in range(found):
            u = lanes[k]
            out[u] = dense[k] if words[u] >> np.uint32(31) else -dense[k]
    else:
        for u in range(words.shape[0]):
            out[u] = (words[u] + 0.5) * (2.0 * step) - 1.0


@compiled
def signs(words: Words, bit: int, out: Floats) -> None:
    """-1 or +1 by one bit of each word, shape (lanes,)."""
    for u in range(words.shape[0]):
        out[u] = 2.0 * ((words[u] >> np.uint32(bit)) & np.uint32(1)) - 1.0


@compiled
def _central(q: float) -> float:
    """Normal quantile at 1/2 + q, for q up to `CENTRAL` either way [2]."""
    r = 0.180625 - q * q
    num = (((((((2.5090809287301226727e3 * r + 3.3430575583588128105e4) * r + 6.7265770927008700853e4) * r
               + 4.5921953931549871457e4) * r + 1.3731693765509461125e4) * r + 1.9715909503065514427e3) * r
            + 1.3314166789178437745e2) * r + 3.3871328727963666080e0)  # fmt: skip
    den = (((((((5.2264952788528545610e3 * r + 2.8729085735721942674e4) * r + 3.9307895800092710610e4) * r
               + 2.1213794301586595867e4) * r + 5.3941960214247511077e3) * r + 6.8718700749205790830e2) * r
            + 4.2313330701600911252e1) * r + 1.0)  # fmt: skip
    return q * (num / den)


@compiled
def _tails(p: Floats) -> None:
    """Upper normal quantile at distances p from the end, for 1e-11 < p < 0.075 [2]. Overwrites p."""
    for k in range(p.shape[0]):
        r = math.sqrt(-_log(p[k])) - 1.6
        num = (((((((7.74545014278341407640e-4 * r + 2.27238449892691845833e-2) * r + 2.41780725177450611770e-1) * r
                   + 1.27045825245236838258e0) * r + 3.64784832476320460504e0) * r + 5.76949722146069140550e0) * r
                + 4.63033784615654529590e0) * r + 1.42343711074968357734e0)  # fmt: skip
        den = (((((((1.05075007164441684324e-9 * r + 5.47593808499534494600e-4) * r + 1.51986665636164571966e-2) * r
                   + 1.48103976427480074590e-1) * r + 6.89767334985100004550e-1) * r + 1.67638483018380384940e0) * r
                + 2.05319162663775882187e0) * r + 1.0)  # fmt: skip
        p[k] = num / den


@compiled
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
        1.0 / 15 + q * (1.0 / 17 + q * (1.0 / 19 + q / 21)))))))))  # fmt: skip
    return exponent * _LN2 + 2.0 * s * series
