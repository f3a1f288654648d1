"""Documents from objects made in Python: the keys and units that a file would state, by the declared fields."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

from armsim.documents import units
from armsim.documents.encoder_document import ANGULAR_OFFSETS
from armsim.documents.from_spec import KINDS_BY_MEASURES, quantity_kinds
from armsim.documents.write_overrides import yaml_line
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.field_spec import DeclaredField, Measures, declared_fields, is_nested
from armsim.model.encoder import Encoder
from armsim.model.encoder_parts import Misalignment

BARE = ("number", "count", "word", "choice", "flag")
"""Kinds of fields whose value is written as it is."""
SCATTERED = ("normal", "rayleigh")
"""Distributions of which a standard deviation is written, of all others the limit."""
PREFERRED = {
    "length": ("mm", "um", "nm", "m"), "angle": ("arcsec", "deg", "urad", "rad"), "ratio": ("%", "ppm"),
    "time": ("us", "ms", "ns", "s"), "angular drift": ("arcsec/K",), "frequency": ("kHz", "Hz", "MHz"),
    "mass": ("g", "kg"), "angular speed": ("deg/s", "rad/s"), "angular stiffness": ("N*m/mrad", "N*m/rad"),
    "expansion": ("ppm/K",), "slope": ("um/m",), "stiffness": ("N/um", "N/m"),
}  # fmt: skip
"""Units by kind of quantity: that which writes a number in fewest digits, the first of several."""
DIGITS, LEAST = 10, 0.1
"""Most digits, and smallest size, of a number in a unit other than SI."""


def encoder_document(encoder: Encoder) -> dict[str, Any]:
    """Encoder document of an encoder, in plain values.

    Parameters
    ----------
    encoder : Encoder

    Returns
    -------
    dict
        As the YAML file would be read; reading it again gives an equal encoder, but for the last bit of a number.

    Raises
    ------
    ValueError
        The encoder has measured error curves, which are files.
    """
    if encoder.batch_curve is not None:
        raise ValueError(f"encoder {encoder.name!r} has measured error curves: name their files in a document by hand")
    document = {"kind": "encoder", **part_document(encoder, encoder.measures)}
    if encoder.price_steps:
        document["price"] = dict(encoder.price_steps)
    for component in (encoder.body, encoder.functions):
        document |= part_document(component, encoder.measures)
    if encoder.body.outer_diameter:
        document["outer_diameter"] = quantity_text(encoder.body.outer_diameter, ("length",))
    return document


def part_document(model: Any, measures: Measures = "rotation") -> dict[str, Any]:
    """Block of a document, of an object with declared fields; what has its default is left out.

    Parameters
    ----------
    model : object
        A `Requirement`, a `Mounting`, a `Transmission` or another part of a model.
    measures : str
        What it measures, ``rotation`` or ``translation``: whether a position is an angle or a length.
    """
    angular = isinstance(model, Misalignment) and model.offset_key in ANGULAR_OFFSETS
    document: dict[str, Any] = {}
    for field in declared_fields(type(model)):
        value = getattr(model, field.name)
        if field.key.kind == "constraints":
            continue  # its keys are among those of the task
        if value is None or (value == field.default and not field.needed):
            continue
        field_kinds = _kinds(field, measures)
        if field.key.kind == "offset":
            field_kinds = ("angle",) if angular else ("length",)
        write = _writer(field, field_kinds, measures)
        document[field.yaml] = [write(item) for item in value] if isinstance(value, tuple) else write(value)
    return document


WIDTH = 110
"""Most characters of a line whose value is a mapping or a list; wider ones are broken up."""


def yaml_text(document: dict[str, Any]) -> str:
    """YAML text of a document: a key a line, and what does not fit on it below, indented."""
    return "".join(line + "\n" for line in _yaml_lines(document, ""))


def _yaml_lines(document: dict[str, Any], indent: str) -> Iterator[str]:
    for key, value in document.items():
        line = f"{indent}{yaml_line(key)}: {yaml_line(value)}"
        if len(line) <= WIDTH or not isinstance(value, dict | list):
            yield line
            continue
        yield f"{indent}{yaml_line(key)}:"
        if isinstance(value, dict):
            yield from _yaml_lines(value, indent + "  ")
        else:
            yield from (f"{indent}  - {yaml_line(item)}" for item in value)


def _kinds(field: DeclaredField, measures: Measures) -> tuple[str, ...]:
    """Kinds of quantity of a field that are written: bits where a resolution could be stated in other words."""
    field_kinds = KINDS_BY_MEASURES.get(field.key.kind, {}).get(measures, quantity_kinds(field.key))
    return ("bits",) if "bits" in field_kinds else field_kinds


def _writer(field: DeclaredField, field_kinds: tuple[str, ...], measures: Measures) -> Callable[[Any], Any]:
    """Function that writes one value of a field."""
    if is_nested(field):
        return lambda value: part_document(value, measures)
    if field.key.kind in BARE:
        return lambda value: value
    return lambda value: (
        tolerance_document(value, field_kinds)
        if isinstance(value, Distribution | Magnitude)
        else quantity_text(value, field_kinds)
    )


def tolerance_document(value: Distribution | Magnitude, field_kinds: tuple[str, ...]) -> dict[str, str]:
    """Mapping that states a tolerance.

    Parameters
    ----------
    value : Distribution or Magnitude
    field_kinds : tuple of str
        Kinds of quantity that are accepted; the first is written.

    Returns
    -------
    dict of str
    """
    distribution = value.spread if isinstance(value, Magnitude) else value
    out = {"mean": quantity_text(distribution.centre, field_kinds)} if distribution.centre else {}
    out["std" if distribution.distribution in SCATTERED else "limit"] = quantity_text(distribution.scale, field_kinds)
    out["distribution"] = distribution.distribution
    if isinstance(value, Magnitude) and value.phase is not None:
        out["phase"] = quantity_text(value.phase, ("angle",))
    return out


def quantity_text(value: float, field_kinds: tuple[str, ...]) -> str:
    """A number of SI with a unit, in few digits, which reads as the exact_texts number but for its last bit.

    Parameters
    ----------
    value : float
        In SI, or bits.
    field_kinds : tuple of str
        Kinds of quantity that are accepted; the first is written.
    """
    kind = field_kinds[0]
    si, accepted = units.DIMENSIONS[kind]
    texts = [f"{float(value)!r} {si}"]
    for unit in PREFERRED.get(kind, accepted):
        factor = units.si_factor(unit, kind)
        if factor and abs(value / factor) >= LEAST:
            texts.append(f"{value / factor:.{DIGITS}g} {unit}")
    exact_texts = [
        text
        for text in texts
        if "e" not in text.partition(" ")[0] and abs(units.read_quantity(text, kind) - value) <= 2 * math.ulp(value)
    ]
    return min(exact_texts or texts[:1], key=len)
