"""Options for the joints of an arm, and limits on their combination."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from armsim.model.joint import Joint
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
        Encoder, bought as a single piece, assembly and placement. [cost units]
    mass : float
        Mass of the encoder. [kg]
    present : bool
        Whether it is what the joint has in the scenario.
    """

    joint: Joint
    encoder: str
    mounting: str
    placement: str
    price: float
    mass: float
    present: bool = False

    @property
    def fit(self) -> tuple[str, str, str]:
        """Names of encoder, mounting and placement."""
        return self.encoder, self.mounting, self.placement

    @property
    def family(self) -> str:
        """Family of the encoder; an encoder that states none is the only one of its family."""
        return self.joint.encoder.functions.family or self.encoder

    def __str__(self) -> str:
        return f"{self.encoder}, {self.mounting}, {self.placement}"


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
            sum(option.price for option in chosen) + self.purchase.surcharges([option.encoder for option in chosen])
        )

    def fitted_joints(self, chosen: Sequence[Option]) -> tuple[Joint, ...]:
        """Joints of a choice, with the prices that its quantities give."""
        joints = []
        shares = self.purchase.encoder_prices([option.encoder for option in chosen])
        for option, (unit_price, one_off) in zip(chosen, shares, strict=True):
            joint = option.joint
            if unit_price is not None:
                joint = replace(joint, fitting=replace(joint.fitting, encoder=unit_price, one_off=one_off))
            joints.append(joint)
        return tuple(joints)

    def admits(self, chosen: Sequence[Option]) -> bool:
        """Whether a choice, one option per joint, satisfies all limits."""
        encoders = [option.encoder for option in chosen]
        if self.mass is not None and sum(option.mass for option in chosen) > self.mass + MASS_ROUNDING:
            return False
        if self.changes is not None and sum(not option.present for option in chosen) > self.changes:
            return False
        if any(len({encoders[j] for j in joints}) > most for joints, most in self.type_limits):
            return False
        if any(len({encoders[j] for j in joints}) > 1 for joints in self.same_encoder_groups):
            return False
        if any(len({chosen[j].fit for j in joints}) > 1 for joints in self.modules):
            return False
        if any(len({chosen[j].family for j in joints}) > 1 for joints in self.same_family_groups):
            return False
        if any(self._both_chosen(first, second, encoders) for first, second in self.forbidden_pairs):
            return False
        return all(encoders.count(name) <= pieces for name, pieces in self.stock.items())

    @staticmethod
    def _both_chosen(first: EncoderAtJoint, second: EncoderAtJoint, encoders: Sequence[str]) -> bool:
        """Whether two fits that exclude each other are both chosen."""
        joints_with = [
            [j for j, name in enumerate(encoders) if name == encoder and joint in (None, j)]
            for joint, encoder in (first, second)
        ]
        return any(j != k for j in joints_with[0] for k in joints_with[1])
