"""Numbers as people read them: engineering units by magnitude, digits by uncertainty, never without a unit."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

Kind = Literal["m", "rad"]


@dataclass(frozen=True)
class Unit:
    """A unit to show in: ``shown = SI * factor``."""

    name: str
    factor: float


LENGTHS = (Unit("nm", 1e9), Unit("µm", 1e6), Unit("mm", 1e3), Unit("m", 1.0))
ANGLES = (Unit("µrad", 1e6), Unit("mrad", 1e3), Unit("rad", 1.0))
NOTHING = 1e-15
"""Metres or radians below which a value is rounding, and shown as zero."""
ARCSECOND = Unit("arcsec", 180 * 3600 / math.pi)


def unit_for(values: Iterable[float | None], kind: Kind = "m") -> Unit:
    """The unit in which the largest of the values is at least one and below a thousand, as far as units go."""
    top = max((abs(v) for v in values if v is not None and math.isfinite(v)), default=0.0)
    units = LENGTHS if kind == "m" else ANGLES
    fitting = [unit for unit in units if 1.0 <= top * unit.factor < 1000.0]
    return fitting[0] if fitting else (units[1 if kind == "m" else 0] if top == 0 else _nearest(units, top))


def _nearest(units: tuple[Unit, ...], top: float) -> Unit:
    return units[0] if top * units[0].factor < 1.0 else units[-1]


def significant(value: float, digits: int = 3) -> str:
    """A number to so many significant digits, without an exponent where it can be read without."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    if places < 0:
        return f"{round(value, places):.0f}"
    return f"{value:.{places}f}" if places <= 6 else f"{value:.{digits - 1}e}"


def show(value: float | None, kind: Kind = "m", digits: int = 3, unit: Unit | None = None) -> str:
    """A value with its unit; a dash where it is undefined."""
    if value is None or math.isnan(value):
        return "–"
    value = 0.0 if abs(value) < NOTHING else value
    unit = unit or unit_for([value], kind)
    return f"{significant(value * unit.factor, digits)} {unit.name}"


def show_interval(
    value: float | None, interval: tuple[float, float] | None, kind: Kind = "m", unit: Unit | None = None
) -> str:
    """A value and its 95 % interval, to two digits of the half-width (JCGM 100:2008 7.2.6), or five of the value.

    Where the ends then read like the value they are left out.
    """
    if value is None or interval is None:
        return show(value, kind, unit=unit)
    unit = unit or unit_for([value], kind)
    half = (interval[1] - interval[0]) / 2 * unit.factor
    if half <= 0:
        return show(value, kind, unit=unit)
    low, middle, high = (x * unit.factor for x in (interval[0], value, interval[1]))
    finest = 4 - math.floor(math.log10(abs(middle))) if middle else 4
    places = max(0, min(1 - math.floor(math.log10(half)), finest))
    ends, text = [f"{x:.{places}f}" for x in (low, high)], f"{middle:.{places}f}"
    if ends == [text, text]:
        return f"{text} {unit.name}"
    return f"{text} {unit.name} ({ends[0]} to {ends[1]})"


def show_joint(value: float | None, unit: str, digits: int = 3) -> str:
    """A joint error: in arcseconds, or as a length on a linear axis (``unit`` "rad" or "m")."""
    return show(value, "rad", digits, ARCSECOND) if unit == "rad" else show(value, "m", digits)


def show_speed(speed: float, unit: str, digits: int = 3) -> str:
    """A speed of a joint in deg/s, or in mm/s on a linear axis (``unit`` "rad" or "m")."""
    if unit == "rad":
        return f"{significant(math.degrees(speed), digits)} deg/s"
    return f"{significant(1e3 * speed, digits)} mm/s"


def orders(shape: str, waves: tuple[float, ...], unit: str) -> str:
    """The shape of a term in words: periods per turn of the joint, or the period on a linear axis."""
    if not waves:
        return shape
    if unit == "rad":
        return f"{', '.join(f'{order:g}' for order in waves)} per turn"
    return f"period {', '.join(show(2 * math.pi / order) for order in waves)}"


def apart(value: float, limit: float, how: Callable[..., str]) -> tuple[str, str]:
    """Two different numbers with as many digits as it takes to tell them apart, by `show` or `percent`."""
    for digits in range(3, 9):
        pair = how(value, digits=digits), how(limit, digits=digits)
        if pair[0] != pair[1]:
            break
    return pair


def percent(share: float, digits: int = 3) -> str:
    """A share as per cent."""
    text = significant(100 * share, digits)
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} %"


def span(low: float, high: float) -> str:
    """From one length to another."""
    return f"{show(low)} to {show(high)}"


def signed(value: float, interval: tuple[float, float] | None) -> str:
    """A change of a length with its interval."""
    text = f"{'+' if value > 0 else ''}{show(value)}"
    return text if interval is None else f"{text} ({span(*interval)})"


def with_half_width(value: float, interval: tuple[float, float] | None) -> str:
    """A change of a length, plus and minus half of its 95 % interval: to two digits of that (JCGM 100:2008 7.2.6)."""
    if interval is None or interval[1] - interval[0] <= NOTHING:
        return signed(value, None)
    half = 0.5 * (interval[1] - interval[0])
    unit = unit_for([max(abs(value), half)])
    places = 1 - math.floor(math.log10(half * unit.factor))
    middle, reach = (round(own * unit.factor, places) for own in (value, half))
    return f"{middle:+.{max(places, 0)}f} ± {reach:.{max(places, 0)}f} {unit.name}"


def points(value: float, interval: tuple[float, float] | None) -> str:
    """A change of a share, in points of a hundred, with its interval."""
    text = f"{100 * value:+.3g}"
    return (
        f"{text} points" if interval is None else f"{text} ({100 * interval[0]:.3g} to {100 * interval[1]:.3g}) points"
    )


BELOW_RESOLUTION = 1e-9
"""Share of the largest of some numbers of one kind below which another is rounding."""


def beside_each_other(values: Sequence[float]) -> list[float]:
    """Numbers of one kind, those that are rounding beside the largest as 0."""
    least = BELOW_RESOLUTION * max((abs(value) for value in values), default=0.0)
    return [value if abs(value) > least else 0.0 for value in values]
