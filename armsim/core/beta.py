"""Beta distribution and its quantiles for kernels, which cannot call scipy."""

from __future__ import annotations

import math

from armsim.core.compile import subroutine

RELATIVE_TOLERANCE = 1e-13
"""Relative step at which the continued fraction and the search end."""
MOST_STEPS = 200
SMALLEST_DIVISOR = 1e-300


@subroutine
def regularised_beta(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b), a and b positive.

    References
    ----------
    .. [1] NIST Digital Library of Mathematical Functions, 8.17.22 (continued fraction) and 8.17.4 (symmetry).
    .. [2] Lentz, Appl. Opt. 15 (1976) 668, for its evaluation by forward recurrence.
    """
    if x <= 0.0 or x >= 1.0:
        return 0.0 if x <= 0.0 else 1.0
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - _prefactor(b, a, 1.0 - x) / _fraction(b, a, 1.0 - x)
    return _prefactor(a, b, x) / _fraction(a, b, x)


@subroutine
def _prefactor(a: float, b: float, x: float) -> float:
    """Factor x^a (1 - x)^b / (a B(a, b)) of the continued fraction."""
    log = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    return math.exp(log) / a


@subroutine
def _fraction(a: float, b: float, x: float) -> float:
    value, c, d = 1.0, 1.0, 0.0
    for n in range(1, 100_000):
        m = n // 2
        if n % 2:
            coefficient = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        else:
            coefficient = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        d = 1.0 + coefficient * d
        d = 1.0 / (d if abs(d) > SMALLEST_DIVISOR else SMALLEST_DIVISOR)
        c = 1.0 + coefficient / c
        c = c if abs(c) > SMALLEST_DIVISOR else SMALLEST_DIVISOR
        value *= c * d
        if abs(c * d - 1.0) < RELATIVE_TOLERANCE:
            break
    return value


@subroutine
def beta_quantile(p: float, a: float, b: float) -> float:
    """Value x for which I_x(a, b) = p, by Newton's method with bisection between shrinking bounds."""
    low, high = 0.0, 1.0
    x = a / (a + b)
    scale = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    for _ in range(MOST_STEPS):
        excess = regularised_beta(a, b, x) - p
        if excess > 0.0:
            high = x
        else:
            low = x
        density = math.exp(scale + (a - 1.0) * math.log(x) + (b - 1.0) * math.log1p(-x))
        step = excess / density if density > SMALLEST_DIVISOR else math.inf
        candidate = x - step
        if not low < candidate < high:
            candidate = 0.5 * (low + high)
        if abs(candidate - x) <= RELATIVE_TOLERANCE * x:
            return candidate
        x = candidate
    return x
