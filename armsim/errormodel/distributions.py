"""Distributions of random quantities: moments, quantiles and draws of tolerances."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.random import Generator

from armsim.arrays import Array

DistributionName = Literal["uniform", "triangular", "arcsine", "fixed", "normal", "rayleigh", "two-valued"]
NORMAL_95 = 1.959963984540054
"""Standard deviations of a normal distribution within which 95 % lie, to either side."""
LIMIT_FACTORS = {"normal": 3.0, "rayleigh": math.sqrt(-2.0 * math.log(0.0027))}
"""Limit of an unbounded distribution as a factor of its scale: 99.73 % of values lie within it."""
MAY_HAVE_MEAN: tuple[DistributionName, ...] = ("uniform", "triangular", "arcsine", "normal")
"""Distributions that may have a mean other than zero."""
ONE_SIDED_FROM = 8.0
"""Standard deviations of the mean from zero from which a normal distribution counts as one-sided: a share of 1e-15
has the other sign."""


@dataclass(frozen=True)
class Distribution:
    """Distribution of one random quantity, symmetric about ``centre`` except ``fixed`` and ``rayleigh``.

    Parameters
    ----------
    distribution : str
        ``uniform``, ``triangular``, ``arcsine`` on +-scale; ``fixed`` at +scale; ``two-valued`` at +-scale;
        ``normal`` of standard deviation scale; ``rayleigh``: length of a plane vector with two independent normal
        components of standard deviation scale.
    scale : float
        In the unit of the quantity, not negative.
    centre : float
        Mean of a distribution of `MAY_HAVE_MEAN`; 0 for the others, whose mean follows from the scale.
    """

    distribution: DistributionName
    scale: float
    centre: float = 0.0

    def __post_init__(self) -> None:
        if self.centre and self.distribution not in MAY_HAVE_MEAN:
            raise ValueError(f"a {self.distribution} distribution has no centre")

    @property
    def nonzero(self) -> bool:
        """Whether the quantity can differ from zero."""
        return bool(self.scale or self.centre)

    def absolute_moment(self, n: int) -> float:
        """E|x|^n, for n >= 0: in closed form where the distribution is symmetric about zero, n is even, or x keeps its
        sign.

        Source: integrals of the densities; JCGM 101:2008 6.4 for the distributions; binomial theorem for a centre; NIST
        Digital Library of Mathematical Functions 13.4 for a normal distribution folded at zero. All other
        cases by midpoints of equal probability.
        """
        if not self.centre:
            return self._moment_about_zero(n)
        normal = self.distribution == "normal"
        if n % 2 and abs(self.centre) < (ONE_SIDED_FROM if normal else 1.0) * self.scale:
            if not normal:
                return self.expectation(lambda x: np.abs(x) ** n)
            from scipy.special import hyp1f1

            return self._moment_about_zero(n) * float(hyp1f1(-n / 2, 0.5, -0.5 * (self.centre / self.scale) ** 2))
        out = sum(
            math.comb(n, k) * self._moment_about_zero(k) * abs(self.centre) ** (n - k) for k in range(0, n + 1, 2)
        )
        return float(out)

    def _moment_about_zero(self, n: int) -> float:
        """E|x|^n of a distribution about zero."""
        if n == 0:
            return 1.0
        unit = {
            "uniform": 1 / (n + 1),
            "triangular": 2 / ((n + 1) * (n + 2)),
            "arcsine": math.gamma((n + 1) / 2) / (math.sqrt(math.pi) * math.gamma(n / 2 + 1)),
            "fixed": 1.0,
            "two-valued": 1.0,
            "normal": 2 ** (n / 2) * math.gamma((n + 1) / 2) / math.sqrt(math.pi),
            "rayleigh": 2 ** (n / 2) * math.gamma(n / 2 + 1),
        }
        return unit[self.distribution] * self.scale**n

    @property
    def mean(self) -> float:
        """Expected value of the signed quantity."""
        return self.absolute_moment(1) if self.distribution in ("fixed", "rayleigh") else self.centre

    @property
    def second_moment(self) -> float:
        """E x^2."""
        return self.absolute_moment(2)

    @property
    def rms(self) -> float:
        """Square root of E x^2."""
        return math.sqrt(self.absolute_moment(2))

    @property
    def limit(self) -> float:
        """Largest magnitude; for a distribution without bounds, the magnitude that 99.73 % do not exceed."""
        return abs(self.centre) + self.scale * LIMIT_FACTORS.get(self.distribution, 1.0)

    def scaled(self, factor: float) -> Distribution:
        """Distribution of a positive factor times the quantity."""
        return replace(self, scale=self.scale * factor, centre=self.centre * factor)

    @property
    def at_largest_value(self) -> Distribution:
        """The quantity fixed at its largest magnitude, on the side of its mean."""
        return Distribution("uniform", 0.0, math.copysign(self.limit, self.mean))

    def quantile(self, p: Array) -> Array:
        """Quantiles at probabilities p in (0, 1). Source: inverses of the distribution functions."""
        if self.distribution == "uniform":
            standard = 2.0 * p - 1.0
        elif self.distribution == "triangular":
            standard = np.where(p < 0.5, np.sqrt(2.0 * p) - 1.0, 1.0 - np.sqrt(2.0 * (1.0 - p)))
        elif self.distribution == "arcsine":
            standard = np.sin(np.pi * (p - 0.5))
        elif self.distribution == "fixed":
            standard = np.ones_like(p)
        elif self.distribution == "two-valued":
            standard = np.where(p < 0.5, -1.0, 1.0)
        elif self.distribution == "normal":
            from scipy.special import ndtri

            standard = ndtri(p)
        else:
            standard = np.sqrt(-2.0 * np.log1p(-p))
        return np.asarray(self.centre + self.scale * standard, dtype=float)

    def expectation(self, function: Callable[[Array], Array], steps: int = 2000) -> float:
        """Expected value of a function of the quantity, by midpoints of equal probability."""
        return float(np.mean(function(self.quantile((np.arange(steps) + 0.5) / steps))))

    def draw(self, generator: Generator, n: int) -> Array:
        """n independent values, shape (n,)."""
        return self.quantile(open_interval(generator.random(n)))


def open_interval(uniform: Array) -> Array:
    """Uniform numbers in [0, 1), multiples of 2^-53, with 0 and 1 replaced by the nearest numbers inside."""
    return np.clip(uniform, 2.0**-54, 1.0 - 2.0**-53)


NONE = Distribution("fixed", 0.0)
"""Distribution of an absent quantity."""


@dataclass(frozen=True)
class Magnitude:
    """A size with a direction: a draw's absolute value is the size, ``phase`` the direction [rad], uniform if None."""

    spread: Distribution
    phase: float | None = None


ABSENT = Magnitude(NONE)
"""Size of an absent quantity."""
