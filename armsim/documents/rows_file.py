"""A table of Denavit-Hartenberg rows as CSV, read into an arm document."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, Literal

from armsim.documents.csv_columns import Columns, read_columns
from armsim.documents.urdf import MOST_JOINTS

Convention = Literal["standard-dh", "modified-dh"]
TYPES = ("revolute", "prismatic")
RANGE_COLUMNS = {"revolute": ("lower", "upper"), "prismatic": ("from", "to")}
"""Columns of the range, by type of joint."""
ANGLES, LENGTHS = ("theta", "offset", "alpha", "lower", "upper"), ("d", "a", "from", "to")


def read_rows(path: Path, convention: Convention) -> dict[str, Any]:
    """An arm document of the rows of a file, base first.

    The header names ``d [mm]``, ``a [mm]``, ``alpha [deg]``; optionally ``joint``, ``type`` (revolute, prismatic),
    ``theta [deg]`` or ``offset [deg]`` (the zero of a revolute joint, the fixed angle of a slide), ``lower [deg]`` and
    ``upper [deg]`` (range of a revolute joint), ``from [mm]`` and ``to [mm]`` (of a slide, whose d is its zero). A cell
    that does not apply to a joint may be empty; an empty offset is zero.

    Raises
    ------
    InputError
        With file and line.
    """
    kinds = dict.fromkeys(ANGLES, ("angle",)) | dict.fromkeys(LENGTHS, ("length",))
    optional_cells = {*kinds} - {"a", "alpha"}
    table = read_columns(path, kinds, ("joint", "type"), ("d", "a", "alpha"), optional_cells=optional_cells)
    count = len(table.lines)
    if not 1 <= count <= MOST_JOINTS:
        raise table.fault(None, "", f"{count} rows", f"from 1 to {MOST_JOINTS}, one for every joint")
    if "theta" in table.numbers and "offset" in table.numbers:
        raise table.fault(None, "header", "theta beside offset", "one of them: the zero of a revolute joint")
    names = table.words.get("joint") or [str(n + 1) for n in range(count)]
    names = [f"j{name}" if name.isdigit() else name for name in names]  # numbered joints
    for n, name in enumerate(names):
        if not name or name in names[:n]:
            raise table.fault(n, "joint", f"two joints named {name!r}" if name else "no name", "each name once")
    rows = [_row(table, n, name) for n, name in enumerate(names)]
    kinematics = {"convention": convention, "joints": rows}
    return {"kind": "arm", "name": path.stem, "kinematics": kinematics}


def _row(table: Columns, n: int, name: str) -> dict[str, Any]:
    kind = table.words["type"][n] if "type" in table.words else TYPES[0]
    if kind not in TYPES:
        raise table.fault(n, "type", repr(kind), " or ".join(TYPES))
    revolute = kind == TYPES[0]

    def has(key: str) -> bool:
        return key in table.numbers and not math.isnan(table.numbers[key][n])

    def value(key: str) -> str:
        unit, factor = ("deg", 57.29577951308232) if key in ANGLES else ("mm", 1e3)
        return f"{table.numbers[key][n] * factor:.10g} {unit}"

    if revolute and not has("d"):
        raise table.fault(n, "d", "nothing", "a finite number, such as 12.5")
    angle = next((value(key) for key in ("theta", "offset") if has(key)), "0 deg")
    constants = {"a": value("a"), "alpha": value("alpha")}
    if revolute:
        row = {"name": name, "type": kind, "d": value("d"), **constants, "offset": angle}
    else:
        row = {"name": name, "type": kind, "theta": angle, **constants, "offset": value("d") if has("d") else "0 mm"}
    ends = [key for key in RANGE_COLUMNS[kind] if has(key)]
    if len(ends) == 1 or (not revolute and not ends):
        missing = next(key for key in RANGE_COLUMNS[kind] if key not in ends)
        actual = "nothing" if missing in table.numbers else f"no column {missing!r}"
        raise table.fault(n, missing, actual, f"{' and '.join(RANGE_COLUMNS[kind])}: the range of {name}")
    return {**row, "range": [value(key) for key in ends]} if ends else row
