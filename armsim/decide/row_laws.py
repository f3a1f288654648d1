"""Scaling laws of budget rows with the numbers of data sheets and drawings, for spreadsheets.

With f the ratio of the new value of a number to the old one, the mean and the standard deviation of a row are
multiplied by a gain g:

    power    g = f^n                              eccentricity (n = 1), tilt (2), stiffness (-1)
    share    g = 1 + sum of k (f^n - 1)           residual of a correction (1), one of several springs in series (-1)
    square   g = sqrt(1 + sum of k (f^2n - 1))    remainder of a stated total beside its stated parts; at least zero
    bits     g = 2^-(change of the number)        resolution in bits

The gains of laws of different kinds, and of shares with different powers, are multiplied. Laws are not declared; they
are fitted to the values of the model at some factors, so that every effect has them, and used only if they reproduce
it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from armsim.model.parameters import StatedNumber

PROBE_FACTORS = (0.8, 0.5, 2.0)
"""Factors by which every number is changed; the first determines the law, the others check it."""
SMALL_FACTOR = 1.25
"""Factor that replaces the last one if the number must not be doubled."""
MAX_ERROR = 0.02
"""Largest relative error of the gain by a law at any of the factors."""
NEGLIGIBLE_ERROR = 1e-4
"""Relative error below which a simpler law is preferred to a more accurate one."""
ROUNDING = 1e-7
"""Difference of a gain from 1 that counts as rounding."""
LawKind = Literal["power", "share", "square", "bits"]


@dataclass(frozen=True)
class Law:
    """Law by which a gain follows one number.

    Parameters
    ----------
    kind : str
    size : float
        k of a share or square; value of the number in bits for kind ``bits``.
    power : float
        n.
    """

    kind: LawKind
    size: float = 1.0
    power: float = 1.0

    def gain(self, factor: float) -> float:
        """Gain if only this number changes, by a factor."""
        return combined_gain([(self, factor)])


def combined_gain(laws: Iterable[tuple[Law, float]]) -> float:
    """Gain by several laws together, each with the factor of its number."""
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


def fit_law(number: StatedNumber, gains: Mapping[float, float], signed: bool) -> Law | None:
    """Law that reproduces the gains at some factors; None if there is none.

    Parameters
    ----------
    number : Number
    gains : mapping of factor to gain
    signed : bool
        Whether gains have a sign: those of a mean do, those of a standard deviation do not.

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
    best = min(laws, key=lambda law: max(_relative_error(law, gains, signed), NEGLIGIBLE_ERROR))
    return best if _relative_error(best, gains, signed) <= MAX_ERROR else None


def _relative_error(law: Law, gains: Mapping[float, float], signed: bool) -> float:
    """Largest error of the gain by a law over the factors, relative to the gain or to 0.5, whichever is larger."""
    out = 0.0
    for factor, gain in gains.items():
        expected = law.gain(factor)
        excess = expected - gain if signed else abs(expected) - gain
        out = max(out, abs(excess) / max(abs(gain), 0.5))
    return out


def probe_factors(number: StatedNumber) -> tuple[float, ...]:
    """Factors by which a number is changed to find its law, within the bounds of the number."""
    most = math.inf if number.key.most is None else number.key.most
    factors = PROBE_FACTORS if abs(number.value * PROBE_FACTORS[-1]) <= most else (*PROBE_FACTORS[:-1], SMALL_FACTOR)
    return tuple(factor for factor in factors if abs(number.value * factor) <= most)


Laws = tuple[tuple[int, Law], ...]
"""Laws of a row, each with the index of its number in a list."""


def gain_of(laws: Laws, factors: Sequence[float]) -> float:
    """Gain of a row at given factors of all numbers.

    Parameters
    ----------
    laws : Laws
    factors : sequence of float
        Factor of every number.

    Returns
    -------
    float
    """
    return combined_gain((law, factors[number]) for number, law in laws)
