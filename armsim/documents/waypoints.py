"""Waypoints from a CSV file: Cartesian or joint positions, the unit of each column in its header."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

from armsim.documents.files import Unreadable, read_bytes
from armsim.documents.units import in_si
from armsim.errors import InputError, Problem
from armsim.model.arm import Arm
from armsim.sources import KeyPath, Source
from armsim.tasks import Waypoint

POINT, TURNS = ("x", "y", "z"), ("roll", "pitch", "yaw")
Fault = Callable[[int, str, str, str], InputError]
_NUMBER = re.compile(r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)
LONGEST = 100
"""Characters of a number, at most."""


def read_waypoints(
    path: Path, arm: Arm, source: Source, at: KeyPath
) -> tuple[tuple[Waypoint, ...], tuple[tuple[float, ...], ...]]:
    """Waypoints of a file.

    The header names ``x [mm]``, ``y [mm]``, ``z [mm]``, optionally ``roll [deg]``, ``pitch [deg]``, ``yaw [deg]``; or
    every joint of the arm, such as ``j1 [deg]``. Any unit of the right kind will do.

    Returns
    -------
    waypoints, joints
        One of them empty.

    Raises
    ------
    InputError
        With file and line.
    """
    accepted = f"{', '.join(f'{name} [mm]' for name in POINT)}, or {', '.join(f'{name} [deg]' for name in arm.names)}"
    try:
        raw = read_bytes(path)
    except Unreadable as error:
        raise source.error(at, f"{path}: {error.found}", error.accepted) from error

    def fault(line: int, key: str, found: str, wanted: str) -> InputError:
        return InputError(Problem(str(path), line, 1, key, found, wanted))

    try:
        reader = csv.reader(io.StringIO(raw.decode("utf-8-sig"), newline=""))
        rows: list[list[str]] = []
        for row in reader:
            if reader.line_num != len(rows) + 1:
                raise fault(len(rows) + 1, "", "a value over several lines", "one line per waypoint")
            rows.append(row)
    except (UnicodeDecodeError, csv.Error) as error:
        raise fault(1, "", f"cannot be read as CSV: {error}", "UTF-8 text with commas") from error
    if not rows:
        raise fault(1, "header", "an empty file", accepted)
    names, scales = _header(rows[0], arm, fault, accepted)
    body = [(number, row) for number, row in enumerate(rows[1:], start=2) if any(cell.strip() for cell in row)]
    if len(body) < 2:
        raise fault(len(rows), "", f"{len(body)} waypoints", "two at least")
    wrong: list[Problem] = []
    values: list[list[float]] = []
    for number, row in body:
        try:
            values.append(_row(row, number, names, scales, fault))
        except InputError as error:
            wrong += error.problems
    if wrong:
        raise InputError(*wrong)
    if set(names) == set(arm.names):
        joints = [tuple(row[names.index(name)] for name in arm.names) for row in values]
        for (number, _), position in zip(body, joints, strict=True):
            for joint, value in zip(arm.joints, position, strict=True):
                if not joint.holds(value):
                    raise fault(number, joint.name, "outside the range of the joint", "a position in its range")
        for (number, _), (a, b) in zip(body[1:], pairwise(joints), strict=True):
            if a == b:
                raise fault(number, "", "a waypoint twice in a row", "waypoints apart from each other")
        return (), tuple(joints)
    points = []
    for (number, _), numbers in zip(body, values, strict=True):
        one = dict(zip(names, numbers, strict=True))
        rpy = (one["roll"], one["pitch"], one["yaw"]) if "roll" in one else None
        points.append(Waypoint((one["x"], one["y"], one["z"]), None, rpy))
        if len(points) > 1 and points[-1].xyz == points[-2].xyz:
            raise fault(number, "", "a waypoint twice in a row", "waypoints apart from each other")
    return tuple(points), ()


def _header(row: list[str], arm: Arm, fault: Fault, accepted: str) -> tuple[list[str], list[float]]:
    names, scales = [], []
    revolute = {joint.name: joint.revolute for joint in arm.joints}
    for cell in row:
        if ";" in cell:
            raise fault(1, "header", f"{cell[:40]!r} with semicolons", "values apart by commas")
        match = re.fullmatch(r"([^\[\]]+)\[([^\[\]]+)\]", cell.strip()) if len(cell) <= LONGEST + len("[]") else None
        if match is None:
            raise fault(1, "header", f"{cell[:60]!r} has no unit", accepted)
        name, unit = match[1].strip(), match[2].strip()
        if name in names:
            raise fault(1, "header", f"two columns named {name!r}", "each once")
        kind = "length" if name in POINT else "angle"
        if name in revolute:
            kind = "angle" if revolute[name] else "length"
        elif name not in POINT and name not in TURNS:
            raise fault(1, "header", f"{name!r} is no column known", accepted)
        scale = in_si(unit, kind)
        if scale is None:
            raise fault(1, name, f"{unit!r} is no unit of {kind}", "deg, rad" if kind == "angle" else "mm, m, um")
        names.append(name)
        scales.append(scale)
    found = set(names)
    if found not in (set(POINT), {*POINT, *TURNS}, set(arm.names)):
        raise fault(1, "header", f"columns {', '.join(names)}", accepted)
    return names, scales


def _row(row: list[str], number: int, names: list[str], scales: list[float], fault: Fault) -> list[float]:
    if len(row) != len(names):
        raise fault(number, "", f"{len(row)} values", f"{len(names)}: {', '.join(names)}")
    out = []
    for name, cell, scale in zip(names, row, scales, strict=True):
        if len(cell) > LONGEST or not _NUMBER.fullmatch(cell.strip()):
            raise fault(number, name, f"{cell[:60]!r} is no number", "a finite number, such as 12.5")
        value = float(cell)
        if not abs(value) < 1e9:
            raise fault(number, name, f"{cell[:60]!r} is out of all proportion", "less than 1e9")
        out.append(value * scale)
    return out
