"""Needs of a joint that an encoder does not meet."""

from __future__ import annotations

import math
from collections.abc import Iterator

from armsim.model.encoder import Encoder
from armsim.model.installation import FUNCTIONS, INCREMENTAL_WITH_INDEX, MULTI_TURN, PROTECTION_PATTERN, SensorNeeds
from armsim.physics.speed_from_positions import signal_frequency

ROUNDING = 1e-9
"""Relative tolerance of a comparison: sizes are converted between units."""
ZERO_CELSIUS = 273.15


def unmet_needs(needs: SensorNeeds, encoder: Encoder, ratio: float = 1.0) -> list[str]:
    """Needs that an encoder does not meet, or on which its data sheet says nothing, one phrase for each.

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
    functions, function = encoder.functions, encoder.function
    rank = FUNCTIONS.index(function) if function else -1
    needed = f"absolute {needs.absolute}" if needs.absolute else INCREMENTAL_WITH_INDEX if needs.index else ""
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
    classes = [PROTECTION_PATTERN.match(text) for text in (stated_class, needed)]
    digits = [[0 if digit == "X" else int(digit) for digit in match.groups()] for match in classes if match is not None]
    return len(digits) == 2 and all(digit >= least for digit, least in zip(*digits, strict=True))


def _mm(length: float) -> str:
    return f"{1e3 * length:.4g} mm"
