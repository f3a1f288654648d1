"""Cost of the encoders of a series of arms: prices by quantity, and one-off costs of a type."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class PriceList:
    """Price list of an encoder type: price per piece by quantity, and one-off costs.

    Parameters
    ----------
    steps : tuple of (pieces, price)
        Price per piece from this number of pieces; the first number is 1. [cost units]
    one_off : float
        Tooling, qualification, a second supplier: paid once for the type. [cost units]
    """

    steps: tuple[tuple[int, float], ...]
    one_off: float = 0.0

    def unit_price(self, pieces: int) -> float:
        """Price per piece when this number is bought. [cost units]"""
        return next(price for from_pieces, price in reversed(self.steps) if from_pieces <= max(pieces, 1))

    @property
    def is_plain(self) -> bool:
        """Whether the price per piece is constant and there are no one-off costs."""
        return not self.one_off and all(price == self.steps[0][1] for _, price in self.steps)


@dataclass(frozen=True)
class Purchase:
    """Purchase of the encoders of a series of arms. All prices here are per arm.

    Parameters
    ----------
    arms : int
        Arms of the series, for which all pieces are bought together and which share one-off costs.
    price_lists : mapping of encoder to Tariff
        Price lists of the types that have prices by quantity or one-off costs.
    """

    arms: int = 1
    price_lists: Mapping[str, PriceList] = field(default_factory=dict)

    def unit_price(self, encoder: str, pieces: int) -> float | None:
        """Price per piece for a number of pieces per arm; None where it is that of the encoder.

        Parameters
        ----------
        encoder : str
        pieces : int
            Pieces per arm.

        Returns
        -------
        float, optional [cost units]
        """
        price_list = self.price_lists.get(encoder)
        return None if price_list is None else price_list.unit_price(pieces * self.arms)

    def price_change(self, encoder: str, pieces: int) -> float:
        """Price per piece at this quantity, less that of a single piece.

        Parameters
        ----------
        encoder : str
        pieces : int
            Pieces per arm.

        Returns
        -------
        float [cost units]
        """
        price_list = self.price_lists.get(encoder)
        return 0.0 if price_list is None else price_list.unit_price(pieces * self.arms) - price_list.unit_price(1)

    def one_off(self, encoder: str) -> float:
        """Share of an arm in the one-off costs of the type. [cost units]"""
        price_list = self.price_lists.get(encoder)
        return 0.0 if price_list is None else price_list.one_off / self.arms

    def surcharge(self, encoder: str, pieces: int) -> float:
        """Cost of the pieces of a type in an arm, less that at the price of a single piece.

        Parameters
        ----------
        encoder : str
        pieces : int
            Pieces per arm.

        Returns
        -------
        float [cost units]
        """
        return pieces * self.price_change(encoder, pieces) + self.one_off(encoder) if pieces else 0.0

    def surcharges(self, encoders: Sequence[str]) -> float:
        """Cost of the encoders of an arm, less that at the prices of single pieces. [cost units]"""
        if not self.price_lists:
            return 0.0
        return sum(self.surcharge(encoder, pieces) for encoder, pieces in Counter(encoders).items())

    def encoder_prices(self, encoders: Sequence[str]) -> list[tuple[float | None, float]]:
        """Price of each encoder of an arm, None where it is its own, and its share of the one-off costs of its type.

        Joints with the same type share its one-off costs evenly. [cost units]
        """
        pieces = Counter(encoders)
        return [(self.unit_price(name, pieces[name]), self.one_off(name) / pieces[name]) for name in encoders]
