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

from armsim.core.compile import Floats, Words, compiled

NORMAL, UNIFORM, TWO_VALUED = 0, 1, 2
"""Codes of the laws: standard normal; uniform on (-1, 1); -1 or +1 with equal chance."""

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


@compiled
def normal_quantile(p: float) -> float:
    """Quantile of the standard normal law at 0 < p < 1, to double precision [2]."""
    q = p - 0.5
    if abs(q) <= 0.425:
        r = 0.180625 - q * q
        num = (
            (
                (
                    (
                        ((2.5090809287301226727e3 * r + 3.3430575583588128105e4) * r + 6.7265770927008700853e4) * r
                        + 4.5921953931549871457e4
                    )
                    * r
                    + 1.3731693765509461125e4
                )
                * r
                + 1.9715909503065514427e3
            )
            * r
            + 1.3314166789178437745e2
        ) * r + 3.3871328727963666080e0
        den = (
            (
                (
                    (
                        ((5.2264952788528545610e3 * r + 2.8729085735721942674e4) * r + 3.9307895800092710610e4) * r
                        + 2.1213794301586595867e4
                    )
                    * r
                    + 5.3941960214247511077e3
                )
                * r
                + 6.8718700749205790830e2
            )
            * r
            + 4.2313330701600911252e1
        ) * r + 1.0
        return q * num / den
    r = math.sqrt(-math.log(min(p, 1.0 - p)))
    if r <= 5.0:
        r -= 1.6
        num = (
            (
                (
                    (
                        ((7.74545014278341407640e-4 * r + 2.27238449892691845833e-2) * r + 2.41780725177450611770e-1)
                        * r
                        + 1.27045825245236838258e0
                    )
                    * r
                    + 3.64784832476320460504e0
                )
                * r
                + 5.76949722146069140550e0
            )
            * r
            + 4.63033784615654529590e0
        ) * r + 1.42343711074968357734e0
        den = (
            (
                (
                    (
                        ((1.05075007164441684324e-9 * r + 5.47593808499534494600e-4) * r + 1.51986665636164571966e-2)
                        * r
                        + 1.48103976427480074590e-1
                    )
                    * r
                    + 6.89767334985100004550e-1
                )
                * r
                + 1.67638483018380384940e0
            )
            * r
            + 2.05319162663775882187e0
        ) * r + 1.0
    else:
        r -= 5.0
        num = (
            (
                (
                    (
                        ((2.01033439929228813265e-7 * r + 2.71155556874348757815e-5) * r + 1.24266094738807843860e-3)
                        * r
                        + 2.65321895265761230930e-2
                    )
                    * r
                    + 2.96560571828504891230e-1
                )
                * r
                + 1.78482653991729133580e0
            )
            * r
            + 5.46378491116411436990e0
        ) * r + 6.65790464350110377720e0
        den = (
            (
                (
                    (
                        ((2.04426310338993978564e-15 * r + 1.42151175831644588870e-7) * r + 1.84631831751005468180e-5)
                        * r
                        + 7.86869131145613259100e-4
                    )
                    * r
                    + 1.48753612908506148525e-2
                )
                * r
                + 1.36929880922735805310e-1
            )
            * r
            + 5.99832206555887937690e-1
        ) * r + 1.0
    return math.copysign(num / den, q)


@compiled
def standard_draws(law: int, words: Words, out: Floats) -> None:
    """Standard draws of a law from 32-bit words; u = (word + 1/2) / 2^32 never touches 0 or 1."""
    step = 2.0**-32
    if law == NORMAL:
        for u in range(words.shape[0]):
            out[u] = normal_quantile((words[u] + 0.5) * step)
    elif law == UNIFORM:
        for u in range(words.shape[0]):
            out[u] = (words[u] + 0.5) * (2.0 * step) - 1.0
    else:
        for u in range(words.shape[0]):
            out[u] = 1.0 if words[u] & np.uint32(0x80000000) else -1.0
