"""Formatting of numbers: engineering units by magnitude, digits by uncertainty, always with a unit."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

Kind = Literal["m", "rad"]


@dataclass(frozen=True)
class Unit:
    """Display unit: ``displayed = SI * factor``."""

    name: str
    factor: float


LENGTHS = (Unit("nm", 1e9), Unit("µm", 1e6), Unit("mm", 1e3), Unit("m", 1.0))
ANGLES = (Unit("µrad", 1e6), Unit("mrad", 1e3), Unit("rad", 1.0))
ROUNDING_LIMIT = 1e-15
"""Size below which a value is rounding error and prints as zero. [m or rad]"""
ARCSECOND = Unit("arcsec", 180 * 3600 / math.pi)
PERCENT = Unit("%", 100.0)
DIGITS = 3
"""Significant digits of the largest number in a column without intervals."""
LEAST_PERCENT = 5e-5
"""Share below which digits are not significant."""
TWO_DIGITS = 3.55
"""Leading digits of a half-width up to which it has two. Particle Data Group, Phys. Rev. D 98 (2018) 030001, 5.3."""
VISIBLE = 0.25
"""Half-width, in units of the last digit, from which an interval is printed."""
Interval = tuple[float, float]


def unit_for(values: Iterable[float | None], kind: Kind = "m", name: str = "") -> Unit:
    """Unit in which the largest value is at least 1 and below 1000, if possible; or the unit of a given name."""
    units = LENGTHS if kind == "m" else ANGLES
    if name:
        return next(unit for unit in units if unit.name == name)
    top = max((abs(v) for v in values if v is not None and math.isfinite(v)), default=0.0)
    fitting = [unit for unit in units if 0.9995 <= top * unit.factor < 999.5]  # as rounded to three digits
    return fitting[0] if fitting else (units[1 if kind == "m" else 0] if top == 0 else _nearest(units, top))


def _nearest(units: tuple[Unit, ...], top: float) -> Unit:
    return units[0] if top * units[0].factor < 1.0 else units[-1]


def significant(value: float, digits: int = 3) -> str:
    """Number with a number of significant digits, without an exponent where readable."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    decimals = digits - 1 - _exponent(value, digits)
    if decimals < 0:
        return f"{round(value, decimals):.0f}"
    return f"{value:.{decimals}f}" if decimals <= 6 else f"{value:.{digits - 1}e}"


def _exponent(value: float, digits: int) -> int:
    """Power of ten of the first digit of a rounded number."""
    return int(f"{value:.{digits - 1}e}".partition("e")[2])


def show(value: float | None, kind: Kind = "m", digits: int = 3, unit: Unit | None = None) -> str:
    """Value with its unit; a dash if undefined."""
    if value is None or math.isnan(value):
        return "–"
    value = 0.0 if abs(value) < ROUNDING_LIMIT else value
    unit = unit or unit_for([value], kind)
    return f"{significant(value * unit.factor, digits)} {unit.name}"


def decimals_of(values: Sequence[float | None], intervals: Sequence[Interval | None], factor: float) -> int:
    """Decimals of the numbers of a column, as justified by the least certain one.

    Two digits of the widest half-width while they are below 35, else one (JCGM 100:2008 7.2.6: at most two); three
    digits of the largest number if no interval is visible in those.

    Parameters
    ----------
    values : sequence of float, optional
        In SI; None or not finite where unknown.
    intervals : sequence of (low, high), optional
        As long as the values, or empty.
    factor : float
        Factor from SI to the unit.
    """
    half_widths = [(ends[1] - ends[0]) / 2 * factor for ends in intervals if ends is not None]
    widest = max((half_width for half_width in half_widths if math.isfinite(half_width)), default=0.0)
    sizes = [abs(value) * factor for value in values if value is not None and math.isfinite(value) and value]
    if not sizes:
        return max(0, _decimals_of_interval(widest)) if widest else 0
    decimals = DIGITS - 1 - _exponent(max(sizes), DIGITS)
    if widest >= VISIBLE * 10.0**-decimals:
        decimals = _decimals_of_interval(widest)
    return max(0, decimals)


def _decimals_of_interval(half_width: float) -> int:
    """Decimals justified by a half-width."""
    first = _exponent(half_width, 2)
    return (1 if half_width < TWO_DIGITS * 10.0**first else 0) - first


def format_in_unit(value: float, interval: Interval | None, factor: float, decimals: int, unit: str = "") -> str:
    """Number with decimals, unit, and its interval where that differs in print."""
    text = format_rounded(value * factor, decimals)
    name = f" {unit}" if unit else ""
    if interval is None:
        return f"{text}{name}"
    ends = [format_rounded(end * factor, decimals) for end in interval]
    return f"{text}{name}" if ends == [text, text] else f"{text}{name} ({ends[0]} to {ends[1]})"


def format_rounded(value: float, decimals: int) -> str:
    """Number with decimals; a positive one that rounds to 0 prints as below the last decimal."""
    text = f"{value:.{decimals}f}"
    if float(text):
        return text
    return f"<{10.0**-decimals:.{decimals}f}" if value > 0 else "0"


def show_interval(value: float | None, interval: Interval | None, kind: Kind = "m", unit: Unit | None = None) -> str:
    """Value with its 95 % interval, digits by `decimals_of`; an interval that prints like the value is omitted."""
    if value is None or interval is None or interval[1] <= interval[0]:
        return show(value, kind, unit=unit)
    unit = unit or unit_for([value, (interval[1] - interval[0]) / 2], kind)
    return format_in_unit(value, interval, unit.factor, decimals_of([value], [interval], unit.factor), unit.name)


def show_joint(value: float | None, unit: str, digits: int = 3) -> str:
    """Joint error in arcseconds, or as a length on a linear axis (``unit`` "rad" or "m")."""
    return show(value, "rad", digits, ARCSECOND) if unit == "rad" else show(value, "m", digits)


def show_speed(speed: float, unit: str, digits: int = 3) -> str:
    """Joint speed in deg/s, or mm/s on a linear axis (``unit`` "rad" or "m")."""
    if unit == "rad":
        return f"{significant(math.degrees(speed), digits)} deg/s"
    return f"{significant(1e3 * speed, digits)} mm/s"


PLAIN_SHAPES = {"constant": "constant", **dict.fromkeys(("direction", "undirected"), "by direction of approach")}
"""Shapes, as results name them, that are not proportional to a quantity."""


def describe_shape(shape: str, waves: tuple[float, ...], unit: str) -> str:
    """Shape of a term in words: what it is proportional to, periods per turn, or the period on a linear axis."""
    if not waves:
        return ", ".join(dict.fromkeys(PLAIN_SHAPES.get(part, f"proportional to {part}") for part in shape.split(", ")))
    if unit == "rad":
        return f"{', '.join(f'{order:g}' for order in waves)} per turn"
    return f"period {', '.join(show(2 * math.pi / order) for order in waves)}"


def distinguishable(value: float, limit: float, formatter: Callable[..., str]) -> tuple[str, str]:
    """Two different numbers with as many digits as needed to differ, by `show` or `percent`."""
    for digits in range(3, 9):
        pair = formatter(value, digits=digits), formatter(limit, digits=digits)
        if pair[0] != pair[1]:
            break
    return pair


def percent(share: float, digits: int = 3) -> str:
    """Share in per cent; a very small one as less than 0.01 %."""
    if 0.0 < abs(share) < LEAST_PERCENT:
        return "<0.01 %"
    text = significant(100 * share, digits)
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} %"


def span(low: float, high: float) -> str:
    """Range of two lengths in one unit."""
    unit = unit_for([low, high])
    decimals = decimals_of([low, high], [], unit.factor)
    return (
        f"{format_rounded(low * unit.factor, decimals)} to {format_rounded(high * unit.factor, decimals)} {unit.name}"
    )


def format_change(value: float, interval: Interval | None, kind: Kind = "m", unit: Unit | None = None) -> str:
    """Change of a length or an angle with its interval, in one unit and number of decimals."""
    text = show_interval(value, interval, kind, unit)
    return f"+{text}" if value > 0 and text[:1] not in ("0", "<") else text


def format_with_half_width(value: float, interval: tuple[float, float] | None, unit: Unit | None = None) -> str:
    """Change of a length with the half-width of its 95 % interval, to two digits of it (JCGM 100:2008 7.2.6)."""
    if interval is None or interval[1] - interval[0] <= ROUNDING_LIMIT:
        return format_change(value, None, unit=unit)
    half_width = 0.5 * (interval[1] - interval[0])
    unit = unit or unit_for([max(abs(value), half_width)])
    decimals = 1 - math.floor(math.log10(half_width * unit.factor))
    middle, deviation = (round(number * unit.factor, decimals) for number in (value, half_width))
    return f"{middle:+.{max(decimals, 0)}f} ± {deviation:.{max(decimals, 0)}f} {unit.name}"


def percentage_points(value: float, interval: Interval | None) -> str:
    """Change of a share in percentage points, with its interval."""
    decimals = decimals_of([value], [interval], PERCENT.factor)
    text = format_in_unit(value, interval, PERCENT.factor, decimals)
    return f"{'+' if value > 0 else ''}{text} percentage points"


def plural(number: int, noun: str) -> str:
    """A number with its noun, in the plural where it is not 1: "1 pose", "4 poses"."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


MOST_NAMES = 8
"""Most names that a message lists."""


def unknown_name(what: str, name: str, names: Sequence[str]) -> str:
    """Message for an unknown name, with the most similar known one."""
    like = get_close_matches(name, names, 1)
    offered = f"; did you mean {like[0]!r}?" if like else "."
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    return f"no {what} named {name!r}{offered} There are: {', '.join(map(repr, names[:MOST_NAMES]))}{more}"


BELOW_RESOLUTION = 1e-6
"""Share of the largest of several numbers below which another is rounding error."""


def rounding_as_zero_or_none(values: Sequence[float | None]) -> list[float | None]:
    """Numbers of one kind, with rounding errors replaced by 0; None and nan stay."""
    finite = (abs(value) for value in values if value is not None and math.isfinite(value))
    least = max(BELOW_RESOLUTION * max(finite, default=0.0), ROUNDING_LIMIT)
    return [0.0 if value is not None and abs(value) <= least else value for value in values]


def rounding_as_zero(values: Sequence[float]) -> list[float]:
    """`rounding_as_zero_or_none` for numbers without None."""
    return [0.0 if value is None else value for value in rounding_as_zero_or_none(values)]
