"""Encoder as a part: its size and functions; the needs of a joint for it."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from typing import Any

from armsim.field_spec import key

SHAFT_FORMS = ("hollow", "blind", "none")
TURN_COUNTERS = ("battery", "gear", "energy harvesting")
INCREMENTAL, INCREMENTAL_WITH_INDEX, SINGLE_TURN, MULTI_TURN = (
    "incremental", "incremental with index", "absolute single-turn", "absolute multi-turn",
)  # fmt: skip
FUNCTIONS = (INCREMENTAL, INCREMENTAL_WITH_INDEX, SINGLE_TURN, MULTI_TURN)
"""What a reading determines; each entry includes those before it."""
PROTECTION_PATTERN = re.compile(r"IP([0-6X])([0-9X])")
"""Code of a protection class; letters behind the digits are not read. Source: IEC 60529:1989, 4.1."""


@dataclass(frozen=True)
class Body:
    """Size of an encoder, and the surroundings in which it works. 0 and empty where not stated."""

    inner_diameter: float = key(
        0.0, "length", "diameter of its bore, of the shaft that goes through or into it", least=0.0, above=True
    )
    length: float = key(0.0, "length", "length along the shaft", least=0.0, above=True)
    shaft: str = key(
        "",
        "choice",
        "form of its bore: hollow, a shaft goes through; blind, into it; none, no shaft",
        choices=SHAFT_FORMS,
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
    multiturn: str = key("", "choice", "what counts the turns of an absolute multi-turn encoder", choices=TURN_COUNTERS)
    interface: str = key("", "word", "how it is read, such as serial synchronous or incremental sine")
    family: str = key("", "word", "series to which it belongs in every size; limits may ask joints for one family")
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
    shaft: tuple[str, ...] = key((), "choice", "forms of shaft, any of them", choices=SHAFT_FORMS)
    cable: tuple[str, ...] = key((), "word", "ways for the cable to leave, any of them")
    absolute: str = key("", "choice", "absolute position that is needed", choices=("single-turn", "multi-turn"))
    multiturn: tuple[str, ...] = key((), "choice", "what may count the turns, any of them", choices=TURN_COUNTERS)
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

    def for_placement(self, placement: str) -> SensorNeeds:
        """Needs of the sensor that closes the position loop with a placement; with both sensors, that on the output."""
        special = _stated_needs(self.motor if placement == "motor" else self.output)
        return SensorNeeds(**{**_stated_needs(self), **special})

    @property
    def for_second_sensor(self) -> SensorNeeds:
        """Needs of the sensor on the motor beside one on the output: functions only where stated for the motor."""
        common = {name: value for name, value in _stated_needs(self).items() if name not in FUNCTION_NEEDS}
        return SensorNeeds(**{**common, **_stated_needs(self.motor)})


FUNCTION_NEEDS = ("absolute", "multiturn", "index", "interface", "safety_channels", "latency")
"""Needs that concern the position loop."""


def _stated_needs(needs: SensorNeeds) -> dict[str, Any]:
    """Needs that are stated, by name."""
    empty = SensorNeeds()
    values = {field.name: getattr(needs, field.name) for field in fields(SensorNeeds)}
    return {name: value for name, value in values.items() if value != getattr(empty, name)}
