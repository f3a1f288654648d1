"""Columns of a CSV file, the unit of each in its header, every fault with its line."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from armsim.arrays import Array
from armsim.documents.files import Unreadable, read_bytes
from armsim.documents.units import DIMENSIONS, in_si
from armsim.errors import InputError, Problem
from armsim.sources import Source

LARGEST = 2**24
"""Bytes of a file of measurements, at most."""
LONGEST = 100
NUMBER = re.compile(r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)
MOST_TOLD = 20


@dataclass(frozen=True, eq=False)
class Columns:
    """What stands in a file.

    Parameters
    ----------
    path : Path
    numbers : mapping of column to (rows,), in the SI unit of its kind
    kinds : mapping of column to kind
    words : mapping of column to words
    lines : (rows,)
        Of the file, from 1.
    """

    path: Path
    numbers: dict[str, Array]
    kinds: dict[str, str]
    words: dict[str, list[str]]
    lines: list[int]

    def fault(self, row: int | None, key: str, found: str, accepted: str) -> InputError:
        """A fault of a row, or of the header."""
        line = 1 if row is None else self.lines[row]
        return InputError(Problem(str(self.path), line, 1, key, found, accepted))


def source_of(path: Path, raw: bytes | None = None) -> Source:
    """A file of measurements as an input: its name and hash; ``raw`` is its content, where that is read already."""
    return Source(path, {}, {}, hashlib.sha256(read_bytes(path, LARGEST) if raw is None else raw).hexdigest())


def read_columns(
    path: Path, numbers: Mapping[str, Sequence[str]], words: Sequence[str] = (), needed: Sequence[str] = ()
) -> Columns:
    """Read a file.

    Parameters
    ----------
    path : Path
    numbers : mapping of column to the kinds of quantity that it may be
    words : sequence of str
        Columns of text, without a unit.
    needed : sequence of str
        Columns that must be there.

    Raises
    ------
    InputError
        With file and line.
    """

    def fault(line: int, key: str, found: str, accepted: str) -> InputError:
        return InputError(Problem(str(path), line, 1, key, found, accepted))

    shown = [f"{name} [{DIMENSIONS[kinds[0]][1][0]}]" for name, kinds in numbers.items()] + list(words)
    accepted = ", ".join(shown)
    try:
        text = read_bytes(path, LARGEST).decode("utf-8-sig")
        rows = list(csv.reader(io.StringIO(text, newline="")))
    except Unreadable as error:
        raise fault(0, "", error.found, error.accepted) from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise fault(1, "", f"cannot be read as CSV: {error}", "UTF-8 text with commas") from error
    if not rows or not any(cell.strip() for cell in rows[0]):
        raise fault(1, "header", "an empty file", accepted)
    names, scales, kinds = [], [], {}
    for cell in rows[0]:
        match = re.fullmatch(r"([^\[\]]+)(?:\[([^\[\]]+)\])?", cell.strip()) if len(cell) <= LONGEST else None
        name = "" if match is None else match[1].strip()
        if match is None or name in names or name not in (*numbers, *words):
            found = f"two columns named {name!r}" if name in names else f"{cell[:60]!r} is no column known"
            raise fault(1, "header", found, accepted)
        names.append(name)
        if name in words:
            scales.append(0.0)
            continue
        unit = (match[2] or "").strip()
        own = next(((kind, scale) for kind in numbers[name] if (scale := in_si(unit, kind)) is not None), None)
        if own is None:
            found = f"{unit!r} is no unit of {' or '.join(numbers[name])}" if unit else f"{name!r} has no unit"
            units = [unit for kind in numbers[name] for unit in DIMENSIONS[kind][1]]
            raise fault(1, "header", found, f"{name} [{'], ['.join(units)}]")
        kinds[name] = own[0]
        scales.append(own[1])
    missing = [name for name in needed if name not in names]
    if missing:
        raise fault(1, "header", f"no column {missing[0]!r}", accepted)
    wrong: list[Problem] = []
    out: dict[str, list[float]] = {name: [] for name in names if name in numbers}
    texts: dict[str, list[str]] = {name: [] for name in names if name in words}
    lines = []
    for line, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(names):
            accepted = f"{len(names)}: {', '.join(names)}; a name with a comma in quotes"
            wrong.append(fault(line, "", f"{len(row)} values", accepted).problems[0])
            continue
        lines.append(line)
        for name, cell, scale in zip(names, row, scales, strict=True):
            if name in texts:
                texts[name].append(" ".join(cell.split())[:LONGEST])
            elif len(cell) > LONGEST or not NUMBER.fullmatch(cell.strip()):
                found = "nothing" if not cell.strip() else f"{cell[:60]!r} is no number"
                wrong.append(fault(line, name, found, "a finite number, such as 12.5").problems[0])
            else:
                out[name].append(float(cell) * scale)
    if wrong:
        raise InputError(*wrong[:MOST_TOLD])
    return Columns(path, {name: np.array(values) for name, values in out.items()}, kinds, texts, lines)
