"""Encoder as a part: its size and functions, the needs of a joint, and the needs that an encoder does not meet."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from armsim.field_spec import key
from armsim.physics.speed_from_positions import signal_frequency

if TYPE_CHECKING:
    from armsim.model.encoder import Encoder

SHAFTS = ("hollow", "blind", "none")
COUNTERS = ("battery", "gear", "energy harvesting")
INCREMENTAL, INDEX, SINGLE_TURN, MULTI_TURN = (
    "incremental", "incremental with index", "absolute single-turn", "absolute multi-turn",
)  # fmt: skip
FUNCTIONS = (INCREMENTAL, INDEX, SINGLE_TURN, MULTI_TURN)
"""What a reading determines; each entry includes those before it."""
PROTECTION = re.compile(r"IP([0-6X])([0-9X])")
"""Code of a protection class; letters behind the digits are not read. Source: IEC 60529:1989, 4.1 (from memory)."""
ROUNDING = 1e-9
"""Relative tolerance of a comparison: sizes are converted between units."""
ZERO_CELSIUS = 273.15


@dataclass(frozen=True)
class Body:
    """Size of an encoder, and the surroundings in which it works. 0 and empty where not stated."""

    inner_diameter: float = key(
        0.0, "length", "diameter of its bore, of the shaft that goes through or into it", least=0.0, above=True
    )
    length: float = key(0.0, "length", "length along the shaft", least=0.0, above=True)
    shaft: str = key(
        "", "choice", "form of its bore: hollow, a shaft goes through; blind, into it; none, no shaft", choices=SHAFTS
    )
    operating_temperature: tuple[float, float] | None = key(
        None, "absolute temperature", "lowest and highest temperature at which it works"
    )
    protection: str = key("", "word", "protection class against dust and water, such as IP64")
    cable: str = key("", "word", "how its cable leaves, such as axial, radial or plug")
    outer_diameter: float = 0.0


@dataclass(frozen=True)
class Functions:
    """Functions and interface of an encoder. 0 and empty where not stated."""

    function: str = key(
        "", "choice", "whether its reading is incremental or absolute, also after a loss of power", choices=FUNCTIONS
    )
    multiturn: str = key("", "choice", "what counts the turns of an absolute multi-turn encoder", choices=COUNTERS)
    interface: str = key("", "word", "how it is read, such as serial synchronous or incremental sine")
    safety_channels: int = key(
        0, "count", "channels of functional safety that check each other", least=1, most=8, why="no encoder has more"
    )


@dataclass(frozen=True)
class SensorNeeds:
    """Needs of a joint for the sensor at one place. 0 and empty where nothing is needed."""

    bore: float = key(0.0, "length", "inner diameter that is needed, for a shaft or cables", least=0.0, above=True)
    diameter: float = key(0.0, "length", "outer diameter for which there is room", least=0.0, above=True)
    length: float = key(0.0, "length", "length along the shaft for which there is room", least=0.0, above=True)
    mass: float = key(0.0, "mass", "largest mass of the sensor", least=0.0, above=True)
    speed: float = key(
        0.0, "position speed", "largest speed of the joint at which it must read, times the gear on the motor",
        least=0.0, above=True,
    )  # fmt: skip
    temperature: tuple[float, float] | None = key(
        None, "absolute temperature", "lowest and highest temperature at which it must work"
    )
    protection: str = key("", "word", "protection class that is needed at least, such as IP54")
    shaft: tuple[str, ...] = key((), "choice", "forms of shaft, any of them", choices=SHAFTS)
    cable: tuple[str, ...] = key((), "word", "ways for the cable to leave, any of them")
    absolute: str = key("", "choice", "absolute position that is needed", choices=("single-turn", "multi-turn"))
    multiturn: tuple[str, ...] = key((), "choice", "what may count the turns, any of them", choices=COUNTERS)
    index: bool = key(False, "flag", "whether an index is needed, unless the position is absolute")
    interface: tuple[str, ...] = key((), "word", "interfaces, any of them")
    safety_channels: int = key(
        0, "count", "channels of functional safety at least", least=1, most=8, why="no encoder has more"
    )
    latency: float = key(0.0, "time", "largest age of a reading", least=0.0, above=True)


@dataclass(frozen=True)
class Needs(SensorNeeds):
    """Needs of a joint for its sensor, with additional or other ones for the sensors at its motor and output."""

    motor: SensorNeeds = key(SensorNeeds(), "part", "what a sensor on the motor needs, in place of what both need")
    output: SensorNeeds = key(SensorNeeds(), "part", "what a sensor on the output needs, in place of what both need")

    def at(self, placement: str) -> SensorNeeds:
        """Needs of the sensor that closes the position loop with a placement; both: of the one on the output."""
        special_needs = self.motor if placement == "motor" else self.output
        empty = SensorNeeds()
        names = [field.name for field in fields(SensorNeeds)]
        special = {
            name: getattr(special_needs, name) for name in names if getattr(special_needs, name) != getattr(empty, name)
        }
        return SensorNeeds(**{**{name: getattr(self, name) for name in names}, **special})


def unmet_needs(needs: SensorNeeds, encoder: Encoder, ratio: float = 1.0) -> list[str]:
    """Needs that an encoder does not meet, or of which its data sheet says nothing, a phrase each.

    Parameters
    ----------
    needs : SensorNeeds
    encoder : Encoder
    ratio : float
        Turns of its shaft per unit of the motion of the joint.

    Returns
    -------
    list of str
    """
    return [
        *_unmet_sizes(needs, encoder),
        *_unmet_surroundings(needs, encoder, ratio),
        *_unmet_functions(needs, encoder),
    ]


def _unmet_sizes(needs: SensorNeeds, encoder: Encoder) -> Iterator[str]:
    body = encoder.body
    if needs.bore and not body.inner_diameter:
        yield "inner diameter not stated"
    elif body.inner_diameter < needs.bore * (1 - ROUNDING):
        yield f"bore {_mm(needs.bore)} needed"
    for name, size, room in (
        ("outer diameter", body.outer_diameter, needs.diameter),
        ("length", body.length, needs.length),
    ):
        if room and not size:
            yield f"{name} not stated"
        elif room and size > room * (1 + ROUNDING):
            yield f"{name} of at most {_mm(room)} needed"
    if needs.mass and not encoder.mass:
        yield "mass not stated"
    elif needs.mass and encoder.mass > needs.mass * (1 + ROUNDING):
        yield f"mass of at most {1e3 * needs.mass:.4g} g needed"


def _unmet_surroundings(needs: SensorNeeds, encoder: Encoder, ratio: float) -> Iterator[str]:
    body, shaft_speed = encoder.body, abs(needs.speed * ratio)
    if needs.speed and not (encoder.max_speed or encoder.max_frequency):
        yield "largest speed not stated"
    elif encoder.max_speed and shaft_speed > encoder.max_speed * (1 + ROUNDING):
        speed = f"{shaft_speed * 60 / math.tau:.4g} rpm" if encoder.rotary else f"{shaft_speed:.4g} m/s"
        yield f"{speed} at the shaft needed"
    frequency = signal_frequency(encoder.order, shaft_speed) if shaft_speed and encoder.max_frequency else 0.0
    if frequency > encoder.max_frequency * (1 + ROUNDING):
        yield f"signals of {frequency / 1e3:.4g} kHz needed"
    if needs.temperature is not None:
        low, high = needs.temperature
        lowest, highest = body.operating_temperature or (math.nan, math.nan)
        if body.operating_temperature is None:
            yield "operating temperature not stated"
        elif lowest > low + 1e-6 or highest < high - 1e-6:
            yield f"{low - ZERO_CELSIUS:.4g} to {high - ZERO_CELSIUS:.4g} degC needed"
    if needs.protection and not body.protection:
        yield "protection class not stated"
    elif needs.protection and not _protects(body.protection, needs.protection):
        yield f"protection {needs.protection} needed"
    for name, word, choices in (("shaft", body.shaft, needs.shaft), ("cable", body.cable, needs.cable)):
        yield from _unmet_choice(name, word, choices)


def _unmet_functions(needs: SensorNeeds, encoder: Encoder) -> Iterator[str]:
    functions = encoder.functions
    function = functions.function or (SINGLE_TURN if encoder.absolute is not None else "")
    rank = FUNCTIONS.index(function) if function else -1
    needed = f"absolute {needs.absolute}" if needs.absolute else INDEX if needs.index else ""
    if needed and not function:
        yield "absolute or incremental not stated"
    elif needed and rank < FUNCTIONS.index(needed):
        yield f"{needed} needed"
    if function in ("", MULTI_TURN):
        yield from _unmet_choice("multiturn", functions.multiturn, needs.multiturn)
    yield from _unmet_choice("interface", functions.interface, needs.interface)
    if functions.safety_channels < needs.safety_channels:
        yield f"{needs.safety_channels} safety channels needed"
    if needs.latency and not encoder.timing.latency:
        yield "latency not stated"
    elif needs.latency and encoder.timing.latency > needs.latency * (1 + ROUNDING):
        yield f"latency of at most {1e6 * needs.latency:.4g} us needed"


def _unmet_choice(name: str, word: str, choices: tuple[str, ...]) -> Iterator[str]:
    if choices and not word:
        yield f"{name} not stated"
    elif choices and word not in choices:
        yield f"{name} {' or '.join(choices)} needed"


def _protects(stated_class: str, needed: str) -> bool:
    """Whether each digit of a protection class is at least that of another; X counts as 0."""
    classes = [PROTECTION.match(text) for text in (stated_class, needed)]
    digits = [[0 if digit == "X" else int(digit) for digit in match.groups()] for match in classes if match is not None]
    return len(digits) == 2 and all(digit >= least for digit, least in zip(*digits, strict=True))


def _mm(length: float) -> str:
    return f"{1e3 * length:.4g} mm"
