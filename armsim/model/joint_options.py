"""Options for the joints of an arm, and limits on their combination."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from armsim.model.joint import FittingPrice, Joint
from armsim.model.purchase import Purchase


@dataclass(frozen=True, eq=False)
class Option:
    """One way to fit a joint with a sensor.

    Parameters
    ----------
    joint : Joint
        The joint fitted with it.
    encoder, mounting, placement : str
    price : float
        Encoders, bought as single pieces, assembly and placement. [cost units]
    mass : float
        Mass of the encoders. [kg]
    present : bool
        Whether it is what the joint has in the scenario.
    motor_encoder : str
        Encoder chosen for the motor, with placement both; empty where there is none, or where that of the scenario
        stays.
    """

    joint: Joint
    encoder: str
    mounting: str
    placement: str
    price: float
    mass: float
    present: bool = False
    motor_encoder: str = ""

    @property
    def fit(self) -> tuple[str, str, str, str]:
        """Names of encoder, mounting, placement and chosen encoder on the motor."""
        return self.encoder, self.mounting, self.placement, self.motor_encoder

    @property
    def encoders(self) -> tuple[str, ...]:
        """Chosen encoders: that of the position loop, then that on the motor."""
        return (self.encoder, self.motor_encoder) if self.motor_encoder else (self.encoder,)

    @property
    def family(self) -> str:
        """Family of the encoder; an encoder that states none is the only one of its family."""
        return self.joint.encoder.functions.family or self.encoder

    def __str__(self) -> str:
        return f"{self.encoder}, {self.mounting}, {placement_in_words(self.placement, self.motor_encoder)}"


def placement_in_words(placement: str, motor_encoder: str) -> str:
    """Placement, with the type of the encoder that is chosen for the motor beside that on the output.

    Parameters
    ----------
    placement, motor_encoder : str
        Names; an empty one where none is chosen.

    Returns
    -------
    str
    """
    return f"{placement} ({motor_encoder} on the motor)" if motor_encoder else placement


@dataclass(frozen=True)
class Exclusion:
    """A reason for which encoders of a catalogue cannot be fitted to a joint.

    Parameters
    ----------
    joint, placement : str
    reason : str
    encoders : tuple of str
        Encoders that it excludes.
    alone : int
        Number of these that nothing else excludes.
    of : int
        Number of encoders of the catalogue.
    """

    joint: str
    placement: str
    reason: str
    encoders: tuple[str, ...]
    alone: int
    of: int


EncoderAtJoint = tuple[int | None, str]
"""Encoder at a joint, by the number of the joint; None for any joint."""
MASS_ROUNDING = 1e-9
"""Rounding tolerance of a limit on mass. [kg]"""


@dataclass(frozen=True, eq=False)
class Options:
    """Options of all joints, and the limits on their combination.

    Parameters
    ----------
    joints : tuple, one entry per joint of the arm, of tuple of Option
    stock : mapping of encoder to pieces
        Pieces of those encoders whose stock is limited.
    mass : float, optional
        Largest total mass of all encoders. [kg]
    types : int, optional
        Largest number of different encoders.
    group_types : tuple of (joints, int)
        Largest number of different encoders among some joints, by their numbers.
    same_encoder_groups : tuple of tuple of int
        Joints that take the same encoder.
    forbidden_pairs : tuple of pairs of EncoderAtJoint
        Pairs that exclude each other.
    purchase : Purchase
        Prices by quantity, and what a type costs once.
    exclusions : tuple of Exclusion
        Encoders that cannot be fitted, by joint and placement, the most frequent reason first.
    changes : int, optional
        Largest number of joints whose encoder, mounting or placement may change.
    modules : tuple of tuple of int
        Joints of one module, which take the same encoder, mounting and placement.
    same_family_groups : tuple of tuple of int
        Joints that take encoders of the same family, in sizes of their own.
    """

    joints: tuple[tuple[Option, ...], ...]
    stock: dict[str, int]
    mass: float | None = None
    types: int | None = None
    group_types: tuple[tuple[tuple[int, ...], int], ...] = ()
    same_encoder_groups: tuple[tuple[int, ...], ...] = ()
    forbidden_pairs: tuple[tuple[EncoderAtJoint, EncoderAtJoint], ...] = ()
    purchase: Purchase = Purchase()
    exclusions: tuple[Exclusion, ...] = ()
    changes: int | None = None
    modules: tuple[tuple[int, ...], ...] = ()
    same_family_groups: tuple[tuple[int, ...], ...] = ()

    @property
    def type_limits(self) -> tuple[tuple[tuple[int, ...], int], ...]:
        """Joints, and the number of different encoders that they may have, of the whole arm and of groups."""
        all_joints = tuple(range(len(self.joints)))
        return (((all_joints, self.types),) if self.types is not None else ()) + self.group_types

    def price(self, chosen: Sequence[Option]) -> float:
        """Price of a choice, one option per joint, for an arm. [cost units]"""
        return float(
            sum(option.price for option in chosen)
            + self.purchase.surcharges([encoder for option in chosen for encoder in option.encoders])
        )

    def fitted_joints(self, chosen: Sequence[Option]) -> tuple[Joint, ...]:
        """Joints of a choice, with the prices that its quantities give."""
        return tuple(
            replace(option.joint, fitting=_with_quantities(option.joint.fitting, prices))
            for option, prices in zip(chosen, self.encoder_prices(chosen), strict=True)
        )

    def encoder_prices(self, chosen: Sequence[Option]) -> list[tuple[tuple[float | None, float], ...]]:
        """Price by quantity and share of the one-off costs of each encoder, by joint, as `Purchase.encoder_prices`."""
        prices = iter(self.purchase.encoder_prices([encoder for option in chosen for encoder in option.encoders]))
        return [tuple(next(prices) for _ in option.encoders) for option in chosen]

    def admits(self, chosen: Sequence[Option]) -> bool:
        """Whether a choice, one option per joint, satisfies all limits."""
        encoders = [option.encoder for option in chosen]
        if self.mass is not None and sum(option.mass for option in chosen) > self.mass + MASS_ROUNDING:
            return False
        if self.changes is not None and sum(not option.present for option in chosen) > self.changes:
            return False
        if any(
            len({encoder for j in joints for encoder in chosen[j].encoders}) > most for joints, most in self.type_limits
        ):
            return False
        if any(len({encoders[j] for j in joints}) > 1 for joints in self.same_encoder_groups):
            return False
        if any(len({chosen[j].fit for j in joints}) > 1 for joints in self.modules):
            return False
        if any(len({chosen[j].family for j in joints}) > 1 for joints in self.same_family_groups):
            return False
        sensors = [(j, encoder) for j, option in enumerate(chosen) for encoder in option.encoders]
        if any(_both_chosen(first, second, sensors) for first, second in self.forbidden_pairs):
            return False
        pieces = Counter(encoder for _, encoder in sensors)
        return all(pieces[name] <= stock for name, stock in self.stock.items())


def _both_chosen(first: EncoderAtJoint, second: EncoderAtJoint, sensors: Sequence[tuple[int, str]]) -> bool:
    """Whether two sensors that exclude each other are both chosen; sensors as pairs of joint and encoder."""
    matching = [
        [n for n, (j, name) in enumerate(sensors) if name == encoder and joint in (None, j)]
        for joint, encoder in (first, second)
    ]
    return any(n != m for n in matching[0] for m in matching[1])


def _with_quantities(fitting: FittingPrice, prices: Sequence[tuple[float | None, float]]) -> FittingPrice:
    """Price of fitting with the prices of the encoders that depend on the quantity."""
    prices_by_key = {
        name: price for name, (price, _) in zip(("encoder", "motor_encoder"), prices, strict=False) if price is not None
    }
    return (
        replace(fitting, **prices_by_key, one_off=sum(one_off for _, one_off in prices)) if prices_by_key else fitting
    )
