"""Quantities with units, read into SI floats.

The registry is small on purpose: only units that belong on a data sheet of an arm, and a radian that is a unit of its
own, so that "10 %" is not an angle.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from functools import lru_cache

Exponents = dict[str, int]
"""Exponents of base units."""
PREFIXES = {
    "": 1.0, "n": 1e-9, "nano": 1e-9, "µ": 1e-6, "μ": 1e-6, "u": 1e-6, "micro": 1e-6, "m": 1e-3, "milli": 1e-3,
    "c": 1e-2, "centi": 1e-2, "k": 1e3, "kilo": 1e3, "M": 1e6, "mega": 1e6,
}  # fmt: skip
"""Factors of the prefixes; both signs of micro that Unicode has."""
DEGREE = math.pi / 180
HUNDREDTH = 1e-2
_SIMPLE: tuple[tuple[str, float, Exponents], ...] = (
    ("m meter metre", 1.0, {"m": 1}),
    ("s sec second", 1.0, {"s": 1}),
    ("min minute", 60.0, {"s": 1}),
    ("Hz hertz", 1.0, {"s": -1}),
    ("kg", 1.0, {"kg": 1}),
    ("g gram", 1e-3, {"kg": 1}),
    ("lb pound", 0.45359237, {"kg": 1}),
    ("N newton", 1.0, {"kg": 1, "m": 1, "s": -2}),
    ("K kelvin", 1.0, {"K": 1}),
    ("rad radian", 1.0, {"rad": 1}),
    ("deg degree", DEGREE, {"rad": 1}),
    ("arcmin arcminute", DEGREE / 60, {"rad": 1}),
    ("arcsec arcsecond", DEGREE / 3600, {"rad": 1}),
    ("turn", 2 * math.pi, {"rad": 1}),
    ("rpm", 2 * math.pi / 60, {"rad": 1, "s": -1}),
    ("bit", 1.0, {"bit": 1}),
    ("count counts", 1.0, {"count": 1}),
    ("one", 1.0, {}),
    ("% percent pct", HUNDREDTH, {}),
    ("ppm", 1e-6, {}),
)
"""Names of a unit, its value in SI, and its dimension. Source: BIPM, The International System of Units (2019), tables 2
to 8; the pound: International Yard and Pound Agreement (1959)."""
UNITS = {name: (factor, exponents) for names, factor, exponents in _SIMPLE for name in names.split()}

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

SMALLEST_NUMBER, LARGEST_NUMBER = 1e-18, 1e15
"""Magnitudes, in the unit given and in SI, beyond which a number is a typing error."""

LARGEST_BY_KIND = {
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
    r"(?:1/)?(?!(?:ppm|pct|one)\*)[A-Za-zµμ]+(?:[*/](?!(?:ppm|pct|one)\b)[A-Za-zµμ]+){0,3}|%(?:/[A-Za-z]+)?"
)
"""A ratio is a unit alone or per something: a ratio of a metre is not a unit of length."""


UNIT_NAMES: dict[str, tuple[str, ...]] = {
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
        if kind in UNIT_NAMES:
            prefixed = "|".join(re.escape(prefix) for prefix in PREFIXES if prefix)
            names = "|".join(re.escape(name) for name in UNIT_NAMES[kind])
            units.append(rf"(?:{prefixed})?(?:{names})s?")
            units += [r"1/\s*(?:s|ms|us|µs)"] if kind == "frequency" else []
        elif kind == "absolute temperature":
            units.append(CELSIUS)
        else:
            units.append(COMPOUND)
    return rf"{NUMBER}\s*(?:{'|'.join(units)})"


def accepted_units(*kinds: str) -> str:
    """Description of the accepted quantities of these kinds, for messages."""
    units = [unit for kind in kinds for unit in DIMENSIONS[kind][1]]
    return f"a number with a unit of {' or '.join(kinds)} ({', '.join(units)})"


def read_quantity(text: str, *kinds: str) -> float:
    """Value of a quantity in the SI unit of the first of ``kinds`` that it belongs to.

    Raises
    ------
    ValueError
        Not a number with a unit of these kinds; the message says what was found.
    """
    match = _QUANTITY.fullmatch(text.strip()) if len(text) <= LONGEST else None
    if match is None:
        raise ValueError(f"{text[:LONGEST]!r} is not a number with a unit")
    number_text, unit = match.groups()
    if unit is None:
        raise ValueError(f"{text!r} has no unit")
    value = float(number_text)
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is not finite")
    if "absolute temperature" in kinds and unit in SCALES_OF_TEMPERATURE:
        return value + SCALES_OF_TEMPERATURE[unit]
    if _parse_unit(unit) is None:
        raise ValueError(f"{unit[:40]!r} is not a unit known here")
    if value and not SMALLEST_NUMBER <= abs(value) <= LARGEST_NUMBER:
        raise ValueError(f"{text!r} is out of range")
    for kind in kinds:
        factor = _factor(unit, kind)
        if factor is not None:
            # 95 * 0.01 is above 0.95
            out = float(Decimal(number_text).scaleb(-2)) if factor == HUNDREDTH else value * factor
            if out and not SMALLEST_NUMBER <= abs(out) <= LARGEST_NUMBER:
                raise ValueError(f"{text!r} is out of range")
            return out
    raise ValueError(f"{text!r} is not {' or '.join(_article(kind) for kind in kinds)}")


@lru_cache(maxsize=1024)
def _parse_unit(unit: str) -> tuple[float, Exponents] | None:
    """Value of a unit in SI, and the exponents of its base units; None if the unit is unknown."""
    if not _UNIT.fullmatch(unit):
        return None
    product, total = 1.0, Exponents()
    for sign, name in re.findall(r"([*/]?)([^*/]+)", unit):
        scale = (1.0, Exponents()) if name == "1" else _parse_simple_unit(name)
        if scale is None:
            return None
        factor, exponents = scale
        product = product / factor if sign == "/" else product * factor
        for base, exponent in exponents.items():
            total[base] = total.get(base, 0) + (-exponent if sign == "/" else exponent)
    return product, {base: exponent for base, exponent in total.items() if exponent}


def _parse_simple_unit(name: str) -> tuple[float, Exponents] | None:
    """Value and dimension of a unit that is no product, with a prefix or in the plural; None if it is unknown."""
    for plural in ("", "s"):
        for prefix, scale in PREFIXES.items():
            singular = name[len(prefix) :].removesuffix(plural)
            unit = UNITS.get(singular) if name.startswith(prefix) and name.endswith(plural) else None
            if unit is not None and not (plural and len(singular) == 1):  # symbols have no plural
                return scale * unit[0], unit[1]
    return None


@lru_cache(maxsize=4096)
def _factor(unit: str, kind: str) -> float | None:
    """Factor from a unit to the SI unit of a kind; None if it is of another kind."""
    parsed, target = _parse_unit(unit), _parse_unit(DIMENSIONS[kind][0])
    return None if parsed is None or target is None or parsed[1] != target[1] else parsed[0]


_DECIMAL = re.compile(NUMBER, re.ASCII)


def read_number(text: str) -> float:
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


def si_factor(unit: str, kind: str) -> float | None:
    """Value of a unit in SI; None if it is not a unit of that kind."""
    try:
        return read_quantity(f"1 {unit}", kind)
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
    factor = si_factor(DEGREE_SIGN.get(unit, unit), kind)
    return None if factor is None else (factor, 0.0)


def _article(kind: str) -> str:
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"
