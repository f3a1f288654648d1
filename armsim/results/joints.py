"""The error budget of a joint, term by term. SI units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field


@dataclass(frozen=True)
class TermBudget:
    """One error term at its joint.

    ``rms`` (``std`` in results.json) is the root mean square of the error at a position picked at random, its mean
    included, ``limit`` the largest error. ``orders`` are the periods per turn of the joint (per metre, times 2 pi, on a
    linear axis) of a wave. [rad or m]
    """

    name: str
    cause: str
    life: str
    shape: str
    orders: tuple[float, ...]
    rms: Annotated[float, Field(alias="std")]
    limit: float


@dataclass(frozen=True)
class JointCurve:
    """Error of a joint over its range (or one turn) that every visit has, in SI.

    ``unit`` is one built unit; ``low`` and ``high`` hold 95 % of the units at each position; ``order`` and ``rms`` are
    the waves of which the curve is made, root mean square over units and positions.
    """

    position: tuple[float, ...]
    unit: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    order: tuple[float, ...]
    rms: tuple[float, ...]


@dataclass(frozen=True)
class JointBudget:
    """A joint and its terms. ``unit`` is "rad" or "m".

    ``rms`` (``std`` in results.json) is the root mean square of all terms together (their means add, their scatter as
    squares), ``limit`` the sum of their limits (worst case); ``lever_arm`` is the largest distance by
    which a small motion of the joint moves the tool, per unit of motion [m/rad or 1], over its ranges; ``contrast`` is
    what the placement of the head leaves of the signal (as 1/sqrt of the mean of 1/contrast^2). What time does is taken
    at the largest speeds that the tasks state.
    """

    unit: str
    encoder: str
    placement: str
    resolution_bits: float
    step: float
    lever_arm: float
    contrast: float
    terms: tuple[TermBudget, ...]
    rms: Annotated[float, Field(alias="std")]
    rms_accuracy: Annotated[float, Field(alias="std_accuracy")]
    rms_repeatability: Annotated[float, Field(alias="std_repeatability")]
    limit: float
    limit_accuracy: float
    limit_repeatability: float
    curve: JointCurve
