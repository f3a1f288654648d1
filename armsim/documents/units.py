"""Quantities with units, read into SI floats.

The registry is small on purpose: only units that belong on a data sheet of an arm, and a radian that is a unit of its
own, so that "10 %" is not an angle.
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pint

_DEFINITIONS = """
nano- = 1e-9 = n-
micro- = 1e-6 = µ- = μ- = u-
milli- = 1e-3 = m-
centi- = 1e-2 = c-
kilo- = 1e3 = k-
mega- = 1e6 = M-
meter = [length] = m = metre
second = [time] = s = sec
kilogram_unit = [mass] = kg
gram = 1e-3 * kilogram_unit = g
pound = 0.45359237 * kilogram_unit = lb
kelvin = [temperature] = K
radian = [angle] = rad
bit = [information]
count = [count] = counts
one = []
pi = 3.141592653589793 * one
percent = 0.01 * one = pct
ppm = 1e-6 * one
minute = 60 * second = min
degree = pi / 180 * radian = deg
arcminute = degree / 60 = arcmin
arcsecond = degree / 3600 = arcsec
turn = 2 * pi * radian
newton = kilogram_unit * meter / second ** 2 = N
hertz = 1 / second = Hz
turns_a_minute = turn / minute = rpm
"""

DIMENSIONS: dict[str, tuple[str, tuple[str, ...]]] = {
    "length": ("m", ("m", "mm", "um", "nm")),
    "angle": ("rad", ("deg", "arcmin", "arcsec", "rad", "mrad", "urad", "turn")),
    "ratio": ("one", ("%", "ppm")),
    "time": ("s", ("s", "ms", "us", "ns")),
    "bits": ("bit", ("bit",)),
    "counts": ("count", ("counts",)),
    "frequency": ("Hz", ("Hz", "kHz", "MHz")),
    "temperature": ("K", ("K", "mK")),
    "absolute temperature": ("K", ("degC", "K")),
    "mass": ("kg", ("kg", "g", "lb")),
    "angular stiffness": ("N*m/rad", ("N*m/rad", "N*m/mrad", "N*m/arcmin")),
    "stiffness": ("N/m", ("N/m", "N/um")),
    "angular compliance": ("rad/N/m", ("urad/N/m", "arcsec/N/m")),
    "compliance": ("m/N", ("um/N", "nm/N")),
    "expansion": ("1/K", ("ppm/K", "um/m/K")),
    "angular drift": ("rad/K", ("arcsec/K", "urad/K")),
    "linear drift": ("m/K", ("um/K", "nm/K")),
    "relative drift": ("1/K", ("%/K", "ppm/K")),
    "slope": ("m/m", ("um/m", "mm/m")),
    "angular speed": ("rad/s", ("deg/s", "rad/s", "rpm")),
    "speed": ("m/s", ("m/s", "mm/s")),
    "length per angle": ("m/rad", ("mm/turn", "mm/rad")),
    "angle per length": ("rad/m", ("deg/mm", "rad/m", "turn/mm")),
}
"""Kind of quantity: its SI unit, and the units shown as accepted."""

SMALLEST, LARGEST = 1e-18, 1e15
"""Magnitudes, in the unit given and in SI, beyond which a number is a slip of the pen."""

MOST = {
    "length": 1e4, "angle": 1e4, "ratio": 1e3, "time": 1e3, "bits": 60, "temperature": 1e3, "mass": 1e5,
    "absolute temperature": 1e3,
}  # fmt: skip
"""Largest accepted magnitudes, in SI, by kind: beyond them nothing is a robot arm."""
ZERO_CELSIUS = 273.15
"""Kelvins. Source: BIPM, The International System of Units (2019), 2.3.1."""
SCALES_OF_TEMPERATURE = {"degC": ZERO_CELSIUS, "°C": ZERO_CELSIUS, "K": 0.0}
"""Zero of the units of an absolute temperature. [K]"""
DEGREE_SIGN = {"°": "deg", "°/s": "deg/s"}
"""Units of headers with a degree sign, as instruments write them."""
LONGEST = 100
"""Maximum length of a quantity in characters."""
_QUANTITY = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S.*)?", re.ASCII)
_UNIT = re.compile(
    r"(?:1/)?(?!(?:ppm|pct|one|pi)\*)[A-Za-zµμ]+(?:[*/](?!(?:ppm|pct|one|pi)\b)[A-Za-zµμ]+){0,3}|%(?:/[A-Za-z]+)?"
)
"""A share stands alone or per something: a share of a metre is not a unit of length."""


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[float]:
    import pint

    registry: pint.UnitRegistry[float] = pint.UnitRegistry(
        None, preprocessors=[lambda text: text.replace("%", "percent")]
    )
    registry.load_definitions(_DEFINITIONS.strip().splitlines())
    return registry


PREFIXES = ("", "n", "nano", "µ", "μ", "u", "micro", "m", "milli", "c", "centi", "k", "kilo", "M", "mega")
NAMES: dict[str, tuple[str, ...]] = {
    "length": ("m", "meter", "metre"),
    "angle": ("rad", "radian", "deg", "degree", "arcmin", "arcminute", "arcsec", "arcsecond", "turn"),
    "ratio": ("%", "percent", "pct", "ppm", "one"), "time": ("s", "sec", "second", "min", "minute"),
    "bits": ("bit",), "counts": ("count", "counts"), "temperature": ("K", "kelvin"),
    "mass": ("g", "gram", "lb", "pound"), "frequency": ("Hz", "hertz"),
}  # fmt: skip
"""Names of the units of simple kinds; compound units have a slash, or are rpm."""
CELSIUS = r"(?:degC|°C|K)"
COMPOUND = r"(?:1/)?[A-Za-zµμ%]+(?:[*/][A-Za-zµμ]+){1,3}|1/[A-Za-zµμ]+|rpm"
NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"


def pattern(*kinds: str) -> str:
    """Regular expression, for editors, of a number with a unit of these kinds; accepts everything that `read` does."""
    units = []
    for kind in kinds:
        if kind in NAMES:
            prefixed = "|".join(re.escape(prefix) for prefix in PREFIXES if prefix)
            names = "|".join(re.escape(name) for name in NAMES[kind])
            units.append(rf"(?:{prefixed})?(?:{names})s?")
            units += [r"1/\s*(?:s|ms|us|µs)"] if kind == "frequency" else []
        elif kind == "absolute temperature":
            units.append(CELSIUS)
        else:
            units.append(COMPOUND)
    return rf"{NUMBER}\s*(?:{'|'.join(units)})"


def accepted(*kinds: str) -> str:
    """Description of the accepted quantities of these kinds, for messages."""
    units = [unit for kind in kinds for unit in DIMENSIONS[kind][1]]
    return f"a number with a unit of {' or '.join(kinds)} ({', '.join(units)})"


def read(text: str, *kinds: str) -> float:
    """Value of a quantity in the SI unit of the first of ``kinds`` that it belongs to.

    Raises
    ------
    ValueError
        Not a number with a unit of these kinds; the message says what was found.
    """
    match = _QUANTITY.fullmatch(text.strip()) if len(text) <= LONGEST else None
    if match is None:
        raise ValueError(f"{text[:LONGEST]!r} is not a number with a unit")
    number, unit = match.groups()
    if unit is None:
        raise ValueError(f"{text!r} has no unit")
    value = float(number)
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is not finite")
    if "absolute temperature" in kinds and unit in SCALES_OF_TEMPERATURE:
        return value + SCALES_OF_TEMPERATURE[unit]
    if _parsed(unit) is None:
        raise ValueError(f"{unit[:40]!r} is not a unit known here")
    if value and not SMALLEST <= abs(value) <= LARGEST:
        raise ValueError(f"{text!r} is out of range")
    for kind in kinds:
        factor = _factor(unit, kind)
        if factor is not None:
            out = value * factor
            if out and not SMALLEST <= abs(out) <= LARGEST:
                raise ValueError(f"{text!r} is out of range")
            return out
    raise ValueError(f"{text!r} is not {' or '.join(_article(kind) for kind in kinds)}")


@lru_cache(maxsize=1024)
def _parsed(unit: str) -> pint.Quantity[float] | None:
    """Quantity of one unit; None if the unit is unknown."""
    import pint

    try:
        return _registry().Quantity(1.0, unit) if _UNIT.fullmatch(unit) else None
    except (pint.PintError, AttributeError, TypeError, ValueError, SyntaxError):
        return None


@lru_cache(maxsize=4096)
def _factor(unit: str, kind: str) -> float | None:
    """Factor from a unit to the SI unit of a kind; None if it is of another kind."""
    quantity, target = _parsed(unit), _registry().Unit(DIMENSIONS[kind][0])
    return (
        float(quantity.to(target).magnitude) if quantity is not None and quantity.is_compatible_with(target) else None
    )


_DECIMAL = re.compile(NUMBER, re.ASCII)


def number(text: str) -> float:
    """Read a finite decimal number without a unit; 1_0, nan and other digits, which Python accepts too, are refused.

    Raises
    ------
    ValueError
        Not such a number.
    """
    plain = text.strip() if len(text) <= LONGEST else ""
    value = float(plain) if _DECIMAL.fullmatch(plain) else math.nan
    if not math.isfinite(value):
        raise ValueError(f"{text[:60]!r} is not a finite number")
    return value


def in_si(unit: str, kind: str) -> float | None:
    """Value of a unit in SI; None if it is not a unit of that kind."""
    try:
        return read(f"1 {unit}", kind)
    except ValueError:
        return None


def scale_of(unit: str, kind: str) -> tuple[float, float] | None:
    """Factor and zero of a unit in SI, ``value * factor + zero``; None if it is not a unit of that kind.

    A ``number`` has no unit.

    Parameters
    ----------
    unit, kind : str

    Returns
    -------
    tuple of two float, or None
    """
    if kind == "number":
        return None if unit else (1.0, 0.0)
    if kind == "absolute temperature":
        return (1.0, SCALES_OF_TEMPERATURE[unit]) if unit in SCALES_OF_TEMPERATURE else None
    factor = in_si(DEGREE_SIGN.get(unit, unit), kind)
    return None if factor is None else (factor, 0.0)


def _article(kind: str) -> str:
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"
