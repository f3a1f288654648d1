"""Scaling laws of the rows of a budget in the numbers of data sheets and drawings, for spreadsheets.

With f the new value of a number over the old one, mean and standard deviation of a row become g times what they were:

    power    g = f^n                              an eccentricity (1), a tilt (2), a stiffness (-1)
    share    g = 1 + sum of k (f^n - 1)           what a correction leaves (1), one of several springs (-1)
    square   g = sqrt(1 + sum of k (f^2n - 1))    what of a stated whole its stated parts leave; zero where negative
    bits     g = 2^-(change of the number)        a resolution in bits

Laws of different kinds multiply, and shares of different powers. They are not declared but fitted to what the model
gives for some factors, so that they hold for every effect, and are kept only where they reproduce it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from armsim.model.parameters import Number

FACTORS = (0.8, 0.5, 2.0)
"""Factors on every number; the first gives the law, the others check it."""
NEAR_BOUND = 1.25
"""Replacement of the last factor for a number that may not be doubled."""
CLOSE = 0.02
"""Departure, as share of the gain, that a law may have at any of the factors."""
EXACT = 1e-4
"""Departure below which a simpler law is preferred to a closer one."""
SAME = 1e-7
"""Departure from 1 that is rounding."""
Kind = Literal["power", "share", "square", "bits"]


@dataclass(frozen=True)
class Law:
    """A gain as it follows one number.

    Parameters
    ----------
    kind : str
    size : float
        k; value of the number in bits.
    power : float
        n.
    """

    kind: Kind
    size: float = 1.0
    power: float = 1.0

    def alone(self, factor: float) -> float:
        """The gain where only this number changes."""
        return combined([(self, factor)])


def combined(laws: Iterable[tuple[Law, float]]) -> float:
    """The gain of several laws, each with the factor of its number."""
    product, square, shares = 1.0, 1.0, dict[float, float]()
    for law, factor in laws:
        if law.kind == "power":
            product *= factor**law.power
        elif law.kind == "bits":
            product *= 2.0 ** (-law.size * (factor - 1.0))
        elif law.kind == "share":
            shares[law.power] = shares.get(law.power, 1.0) + law.size * (factor**law.power - 1.0)
        else:
            square += law.size * (factor ** (2.0 * law.power) - 1.0)
    return product * math.prod(shares.values()) * math.sqrt(max(square, 0.0))


def fitted(number: Number, gains: Mapping[float, float], signed: bool) -> Law | None:
    """Law through the gains at some factors; None where there is none.

    Parameters
    ----------
    number : Number
    gains : mapping of factor to gain
    signed : bool
        Whether the sign of a gain is known: that of a mean is, that of a standard deviation is not.

    Returns
    -------
    Law or None
    """
    probe = next(iter(gains))
    gain = gains[probe]
    laws = [Law("power", power=n) for n in (1.0, -1.0, 2.0, -2.0, 0.5, -0.5)]
    if number.key.kind in ("resolution", "subdivision"):
        laws.append(Law("bits", number.value))
    laws += [Law("share", (gain - 1.0) / (probe**n - 1.0), n) for n in (1.0, -1.0)]
    if not signed:
        laws += [Law("square", (gain**2 - 1.0) / (probe ** (2.0 * n) - 1.0), n) for n in (1.0, 2.0)]
    best = min(laws, key=lambda law: max(_departure(law, gains, signed), EXACT))
    return best if _departure(best, gains, signed) <= CLOSE else None


def _departure(law: Law, gains: Mapping[float, float], signed: bool) -> float:
    """Largest over the factors, as share of the gain, or of a half where that is more."""
    out = 0.0
    for factor, gain in gains.items():
        expected = law.alone(factor)
        excess = expected - gain if signed else abs(expected) - gain
        out = max(out, abs(excess) / max(abs(gain), 0.5))
    return out


def factors_of(number: Number) -> tuple[float, ...]:
    """Factors at which a number is probed: within its bounds."""
    most = math.inf if number.key.most is None else number.key.most
    factors = FACTORS if abs(number.value * FACTORS[-1]) <= most else (*FACTORS[:-1], NEAR_BOUND)
    return tuple(factor for factor in factors if abs(number.value * factor) <= most)


Laws = tuple[tuple[int, Law], ...]
"""Law of a row by the position of the number in a list."""


def gain_of(laws: Laws, factors: Sequence[float]) -> float:
    """Gain at given factors of all numbers.

    Parameters
    ----------
    laws : Laws
    factors : sequence of float
        Factor of every number.

    Returns
    -------
    float
    """
    return combined((law, factors[number]) for number, law in laws)
