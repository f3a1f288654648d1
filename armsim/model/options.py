"""What may be chosen for the joints of an arm."""

from __future__ import annotations

from dataclasses import dataclass

from armsim.model.joint import Joint


@dataclass(frozen=True, eq=False)
class Option:
    """One way to fit a joint with a sensor.

    Parameters
    ----------
    joint : Joint
        With it.
    encoder, mounting, placement : str
    price : float
        Encoder, assembly and placement. [cost units]
    mass : float
        Of the encoder. [kg]
    """

    joint: Joint
    encoder: str
    mounting: str
    placement: str
    price: float
    mass: float

    def __str__(self) -> str:
        return f"{self.encoder}, {self.mounting}, {self.placement}"


@dataclass(frozen=True, eq=False)
class Options:
    """All of them.

    Parameters
    ----------
    joints : tuple, one entry per joint of the arm, of tuple of Option
    stock : mapping of encoder to pieces
        Of those whose stock is limited.
    mass : float, optional
        Largest mass of all encoders together. [kg]
    types : int, optional
        Largest number of different encoders.
    """

    joints: tuple[tuple[Option, ...], ...]
    stock: dict[str, int]
    mass: float | None = None
    types: int | None = None
