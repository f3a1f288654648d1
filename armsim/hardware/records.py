"""What measured hardware told, as plain records: JSON and its schema follow from them. SI units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class LawRecord:
    """The amplitude of an order in the population: what half and 95 % of the sensors keep to, where the measured one
    lies (as share below), the causes that make it, and whether it is too large for that."""

    p50: float
    p95: float
    place: float
    causes: tuple[str, ...]
    contradicts: bool


@dataclass(frozen=True)
class OrderRecord:
    """An order of a curve: amplitude with its standard uncertainty, and its two coefficients."""

    order: int
    amplitude: float
    uncertainty: float
    cosine: float
    sine: float
    law: LawRecord | None


@dataclass(frozen=True)
class SensorRecord:
    """A sensor: ``reversal`` is what one direction reads more than the other, with its standard uncertainty."""

    sensor: str
    unit: str
    points: int
    orders: tuple[OrderRecord, ...]
    constant: float
    noise: float
    reversal: tuple[float, float] | None


@dataclass(frozen=True)
class CurveRecord:
    """Of `armsim curve`. ``leave_one_out``: for every sensor the chance of one at least as far off under the law of the
    others."""

    file: str
    encoder: str | None
    sensors: tuple[SensorRecord, ...]
    leave_one_out: tuple[float, ...] | None
    format: Literal["armsim-curve/1"] = "armsim-curve/1"


RECORDS: dict[str, type] = {"curve": CurveRecord}
