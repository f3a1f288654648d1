"""What the encoders of a series of arms cost: prices by quantity, and costs that a type has once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Tariff:
    """Price of a type of encoder that does not depend on the number of its pieces alone.

    Parameters
    ----------
    steps : tuple of (pieces, price)
        Price of every piece from a number of pieces on; the first number is 1. [cost units]
    one_off : float
        Tooling, qualification, a second supplier: paid once for the type. [cost units]
    """

    steps: tuple[tuple[int, float], ...]
    one_off: float = 0.0

    def unit_price(self, pieces: int) -> float:
        """Price of every piece where so many are bought. [cost units]"""
        return next(price for least, price in reversed(self.steps) if least <= max(pieces, 1))

    @property
    def is_plain(self) -> bool:
        """Whether every piece costs the same, and the type nothing beside its pieces."""
        return not self.one_off and all(price == self.steps[0][1] for _, price in self.steps)


@dataclass(frozen=True)
class Purchase:
    """Purchase of the encoders of a series of arms. All prices here are per arm.

    Parameters
    ----------
    arms : int
        Arms of the series, for which all pieces are bought together and which share what a type costs once.
    tariffs : mapping of encoder to Tariff
        Of those types that have prices by quantity or one-off costs.
    """

    arms: int = 1
    tariffs: Mapping[str, Tariff] = field(default_factory=dict)

    def unit_price(self, encoder: str, pieces: int) -> float | None:
        """Price of a piece with so many of them in an arm; None where it is that of the encoder.

        Parameters
        ----------
        encoder : str
        pieces : int
            In an arm.

        Returns
        -------
        float, optional [cost units]
        """
        tariff = self.tariffs.get(encoder)
        return None if tariff is None else tariff.unit_price(pieces * self.arms)

    def change(self, encoder: str, pieces: int) -> float:
        """Difference of the price of a piece from that of a single one.

        Parameters
        ----------
        encoder : str
        pieces : int
            In an arm.

        Returns
        -------
        float [cost units]
        """
        tariff = self.tariffs.get(encoder)
        return 0.0 if tariff is None else tariff.unit_price(pieces * self.arms) - tariff.unit_price(1)

    def one_off(self, encoder: str) -> float:
        """Part of an arm in what the type costs once. [cost units]"""
        tariff = self.tariffs.get(encoder)
        return 0.0 if tariff is None else tariff.one_off / self.arms

    def surcharge(self, encoder: str, pieces: int) -> float:
        """Cost of some pieces of a type in an arm beyond that of as many single ones.

        Parameters
        ----------
        encoder : str
        pieces : int
            In an arm.

        Returns
        -------
        float [cost units]
        """
        return pieces * self.change(encoder, pieces) + self.one_off(encoder) if pieces else 0.0

    def surcharges(self, encoders: Sequence[str]) -> float:
        """Cost of the encoders of an arm beyond that of single ones. [cost units]"""
        if not self.tariffs:
            return 0.0
        return sum(self.surcharge(encoder, pieces) for encoder, pieces in Counter(encoders).items())

    def shares(self, encoders: Sequence[str]) -> list[tuple[float | None, float]]:
        """Price of each encoder of an arm, None where it is its own, and its share of what its type costs once.

        Joints with the same type share its one-off costs evenly. [cost units]
        """
        pieces = Counter(encoders)
        return [(self.unit_price(name, pieces[name]), self.one_off(name) / pieces[name]) for name in encoders]
