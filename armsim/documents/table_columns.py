"""Columns of a table of encoders: one for every key of an encoder with a single value, named as in YAML."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import get_args

from armsim.documents.from_spec import quantity_kinds
from armsim.documents.units import DIMENSIONS
from armsim.field_spec import DeclaredField, Measures, declared_fields, walk
from armsim.model.datasheet import DataSheet
from armsim.model.encoder import Encoder
from armsim.model.installation import Body, Functions
from armsim.sources import KeyPath

ALIASES = {
    "accuracy": "summary accuracy", "repeatability": "summary repeatability", "diameter": "outer diameter",
    "bore": "inner diameter", "protection class": "protection", "latency": "timing latency", "jitter": "timing jitter",
    "min temperature": "operating temperature min", "max temperature": "operating temperature max",
    "one-off cost": "one off", "one-off costs": "one off", "turns by": "multiturn",
}  # fmt: skip
"""Names of columns as data sheets word them, and the columns that they mean."""
PRICE_FROM = re.compile(r"price from (\d{1,10})( pieces)?")
"""Header of a column with the price from a minimum quantity."""
CUSTOMARY_UNITS: dict[str, dict[Measures, str]] = {
    "position": {"rotation": "arcsec", "translation": "um"},
    "resolution": {"rotation": "bit", "translation": "um"},
    "position drift": {"rotation": "arcsec/K", "translation": "um/K"},
    "position speed": {"rotation": "rpm", "translation": "m/s"},
    **{
        kind: {"rotation": unit, "translation": unit}
        for kind, unit in {
            "length": "mm", "angle": "deg", "ratio": "%", "time": "us", "frequency": "kHz", "mass": "g",
            "subdivision": "bit", "absolute temperature": "degC", "expansion": "ppm/K", "relative drift": "%/K",
        }.items()
    },
}  # fmt: skip
"""Unit of data sheets by kind of quantity and by what the sensor measures, assumed where neither header nor cell states
one. Common practice, no source."""


@dataclass(frozen=True)
class TableColumn:
    """A column of a table of encoders.

    Parameters
    ----------
    path : key path
        Of its value within the entry of a catalogue.
    kind : str
        Declared kind of quantity.
    quantity_kinds : tuple of str
        Kinds of quantity that it accepts; empty for words and bare numbers.
    part : int, optional
        Index of the value within a pair (min, max); None if the key holds one value.
    """

    path: KeyPath
    kind: str
    quantity_kinds: tuple[str, ...] = ()
    part: int | None = None

    def customary_unit(self, measures: str) -> str | None:
        """Unit that data sheets state it in; None if there is no customary unit."""
        return CUSTOMARY_UNITS.get(self.kind, {}).get("translation" if measures == "translation" else "rotation")


@cache
def table_columns() -> Mapping[str, TableColumn]:
    """All columns by their names, lower case with spaces; aliases of data sheets among them."""
    out: dict[str, TableColumn] = {}
    for owner in (Encoder, DataSheet, Body, Functions):
        lists = {field.yaml for field in declared_fields(owner) if field.many}
        for path, field in walk(owner):
            in_list = path.partition(".")[0] in lists
            if not in_list and not field.key.silent and field.key.kind not in ("part", "list"):
                out.update(_columns(path, field))
    out["stock"] = TableColumn(("stock",), "count")  # of the entry, beside its encoder
    for alias, name in ALIASES.items():
        if name in out:
            out.setdefault(alias, out[name])
    return out


def _columns(path: str, field: DeclaredField) -> dict[str, TableColumn]:
    key, name = field.key, re.sub(r"[._]", " ", path)
    steps = ("encoder", *path.split("."))
    without_unit = key.kind in ("number", "count", "word", "choice", "flag")
    accepted = () if without_unit else quantity_kinds(key)
    if set(get_args(field.type)) == {float}:
        return {
            f"{name} {end}": TableColumn((*steps, n), key.kind, accepted, n) for n, end in enumerate(("min", "max"))
        }
    return {name: TableColumn(steps, key.kind, accepted)}


def column_units(column: TableColumn) -> list[str]:
    """Units in which a column may be stated."""
    return [unit for kind in column.quantity_kinds for unit in DIMENSIONS[kind][1]]
