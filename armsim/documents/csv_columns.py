"""Reader of CSV files: columns with their units in the header.

Instruments write tables in several ways. Values are separated by commas, semicolons or tabs, whichever the header has;
if the separator is no comma, a comma may be a decimal comma. A unit is written as ``x [mm]``, ``x (mm)``, ``x/mm`` or
``x_mm``. Names are read in upper or lower case alike, except those of uncertainties.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from armsim.arrays import Array
from armsim.documents import units
from armsim.documents.files import Unreadable, read_bytes
from armsim.documents.units import DIMENSIONS, read_number, scale_of
from armsim.errors import MOST_LISTED, InputError, Problem
from armsim.sources import Source

LARGEST_TABLE = 2**24
"""Maximum size of a file of measurements. [bytes]"""
SEPARATORS = (";", "\t", ",")
"""Separators of values; the first in the header outside of quotes is used."""
HEADER_CELL = re.compile(
    r"(?P<name>[^\[\]()/]+?)\s*(?:\[(?P<a>[^\[\]]*)\]|\((?P<b>[^()]*)\)|/(?P<c>[^/]+(?:/[^/]+)?))?"
)
"""A cell of a header."""
UNCERTAINTY_NAME = re.compile(r"(u|U95)( [a-z])?")
"""Names in which capitals count: u is a standard uncertainty, U an expanded one (JCGM 100:2008, 2.3.1 and 2.3.5)."""
DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+([eE][+-]?\d+)?")
LONGEST_TEXT = 100
"""Maximum number of characters of a header or a name."""
MOST_SHOWN_COLUMNS = 30
"""Maximum number of columns of a refused header in its message."""


@dataclass(frozen=True, eq=False)
class Columns:
    """Content of a CSV file.

    Parameters
    ----------
    path : Path
    numbers : mapping of column to (rows,), in the SI unit of its kind
    kinds : mapping of column to kind
    words : mapping of column to words
    lines : (rows,)
        Line of the file per row, from 1.
    """

    path: Path
    numbers: dict[str, Array]
    kinds: dict[str, str]
    words: dict[str, list[str]]
    lines: list[int]

    def fault(self, row: int | None, key: str, actual: str, accepted: str) -> InputError:
        """Error at a row, or at the header."""
        line = 1 if row is None else self.lines[row]
        return InputError(Problem(str(self.path), line, 1, key, actual, accepted))

    def without_lines(self, lines: Collection[int]) -> Columns:
        """Columns without the rows of some lines.

        Raises
        ------
        InputError
            A line that holds no row.
        """
        missing = sorted(set(lines) - set(self.lines))
        if missing:
            accepted = "a file with readings"
            if self.lines:
                accepted = f"lines of readings: {self.lines[0]} to {self.lines[-1]}"
            raise InputError(Problem(str(self.path), missing[0], 1, "--exclude", "a line without a reading", accepted))
        rows = [row for row, line in enumerate(self.lines) if line not in lines]
        numbers = {name: values[rows] for name, values in self.numbers.items()}
        words = {name: [texts[row] for row in rows] for name, texts in self.words.items()}
        return replace(self, numbers=numbers, words=words, lines=[self.lines[row] for row in rows])


def measurement_source(path: Path, raw: bytes | None = None) -> Source:
    """File of measurements as an input with name and hash; ``raw`` is its content, where already read."""
    return Source(path, {}, {}, hashlib.sha256(read_bytes(path, LARGEST_TABLE) if raw is None else raw).hexdigest())


def read_columns(
    path: Path,
    numbers: Mapping[str, Sequence[str]],
    words: Sequence[str] = (),
    required: Sequence[str] = (),
    max_bytes: int = LARGEST_TABLE,
    optional_cells: Collection[str] = (),
) -> Columns:
    """Read the columns of a CSV file.

    Parameters
    ----------
    path : Path
    numbers : mapping of column to the kinds of quantity that it may be
    words : sequence of str
        Columns of text, without a unit.
    required : sequence of str
        Columns that must be there.
    max_bytes : int
        Bytes, at most.
    optional_cells : collection of str
        Columns of numbers whose cells may be empty: NaN.

    Raises
    ------
    InputError
        With file and line: of a cell that is not a finite number, or is larger than anything of its kind.
    """
    column_names = [f"{name}{_header_unit(kinds[0])}" for name, kinds in numbers.items()] + list(words)
    faults = TableFaults(path)
    rows = csv_rows(path, read_csv_bytes(path, max_bytes, faults), faults)
    _, header = next(rows, (1, []))
    if not any(cell.strip() for cell in header):
        raise faults.error(1, "header", "an empty file", ", ".join(column_names))
    names, scales, kinds = _read_header(header, numbers, words, faults, ", ".join(column_names))
    missing = [name for name in required if name not in names]
    if missing:
        actual = f"no column {missing[0]!r}; read: {_header_interpretation(header, names, kinds)}"
        raise faults.error(1, "header", actual, ", ".join(column_names))
    out: dict[str, list[float]] = {name: [] for name in names if name in numbers}
    texts: dict[str, list[str]] = {name: [] for name in names if name in words}
    most = [units.LARGEST_BY_KIND.get(kinds.get(name, ""), units.LARGEST_NUMBER) for name in names]
    lines = []
    for line, row in rows:
        if not any(row) or not any(cell.strip() for cell in row):
            continue
        if len(row) != len(names):
            accepted = f"{len(names)}: {', '.join(names)}; a name with a comma in quotes"
            faults.add(line, "", f"{len(row)} values", accepted)
            continue
        lines.append(line)
        for name, cell, (factor, zero), bound in zip(names, row, scales, most, strict=True):
            if name in texts:
                texts[name].append(" ".join(cell.split())[:LONGEST_TEXT])
                continue
            if name in optional_cells and not cell.strip():
                out[name].append(math.nan)
                continue
            try:
                value = read_number(cell) * factor + zero
            except ValueError:
                actual = f"{cell[:60]!r} is not a number" if cell.strip() else "nothing"
                faults.add(line, name, actual, "a finite number, such as 12.5")
                continue
            if abs(value) > bound:
                accepted = f"{kinds[name]} of at most {bound:g} in SI units"
                faults.add(line, name, f"{cell[:60]!r} is out of range", accepted)
            out[name].append(value)
    faults.raise_problems()
    return Columns(path, {name: np.array(values) for name, values in out.items()}, kinds, texts, lines)


class TableFaults:
    """Faults of the file of a table: the first ones are listed, the others counted."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.problems: list[Problem] = []
        self.fault_count = 0

    def error(self, line: int, key: str, actual: str, accepted: str) -> InputError:
        """Error at a line of the file; of the whole file where that is 0."""
        return InputError(Problem(str(self.path), line, 1 if line else 0, key, actual, accepted))

    def add(self, line: int, key: str, actual: str, accepted: str) -> None:
        """Record a fault at a line."""
        self.fault_count += 1
        if self.fault_count < MOST_LISTED:
            self.problems += self.error(line, key, actual, accepted).problems

    def raise_problems(self) -> None:
        """Raise an error with all faults, if any."""
        further = self.fault_count - len(self.problems)
        if further:
            self.problems += self.error(0, "", f"{further} more errors of this kind", "").problems
        if self.problems:
            raise InputError(*self.problems)


def read_csv_bytes(path: Path, largest: int, faults: TableFaults) -> bytes:
    """Content of a file of a table.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    try:
        return read_bytes(path, largest)
    except Unreadable as error:
        raise faults.error(0, "", error.actual, error.accepted) from error


def csv_rows(path: Path, raw: bytes, faults: TableFaults) -> Iterator[tuple[int, list[str]]]:
    """Rows of a CSV file with their line numbers, from 1; decimal commas are read as points if they are no separators.

    Raises
    ------
    InputError
        Not UTF-8, or no table.
    """
    try:
        text = raw.decode("utf-8-sig")
        head = re.sub(r'"[^"]*"', "", text.partition("\n")[0])
        separator = next((mark for mark in SEPARATORS if mark in head), ",")
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        for line, row in enumerate(reader, start=1):
            if reader.line_num != line:
                raise faults.error(line, "", "a value over several lines", "one line per row")
            yield line, row if separator == "," or line == 1 else [_with_point(cell) for cell in row]
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise faults.error(
            line, "", f"the byte 0x{error.object[error.start]:02x}, not UTF-8", "text in UTF-8"
        ) from error
    except csv.Error as error:
        raise faults.error(
            reader.line_num, "", f"no row of values: {error}", "values separated by commas, semicolons or tabs"
        ) from error


def _with_point(cell: str) -> str:
    """Number with its decimal comma replaced by a point; other cells unchanged."""
    return cell.replace(",", ".") if DECIMAL_COMMA.fullmatch(cell.strip()) else cell


def name_and_unit(cell: str, names: Sequence[str]) -> tuple[str, str]:
    """Name and unit of a header cell; the name is empty where the cell is invalid."""
    if len(cell) > LONGEST_TEXT:
        return "", ""
    match = HEADER_CELL.fullmatch(cell.strip())
    if match is None:
        return "", ""
    name, unit = match["name"].strip(), next((group for group in match.group("a", "b", "c") if group), "").strip()
    names_by_lower = {column.lower(): column for column in names if not UNCERTAINTY_NAME.fullmatch(column)}
    exact = {column for column in names if UNCERTAINTY_NAME.fullmatch(column)}
    first, _, last = name.rpartition("_")
    if name.lower() not in names_by_lower and not unit and first.lower() in names_by_lower:
        name, unit = first, last  # x_mm
    return name if name in exact else names_by_lower.get(name.lower(), name), unit


def _header_unit(kind: str) -> str:
    """Unit of a kind of quantity as written in a header; empty if it has none."""
    return f" [{DIMENSIONS[kind][1][0]}]" if kind in DIMENSIONS else ""


def _read_header(
    header: list[str], numbers: Mapping[str, Sequence[str]], words: Sequence[str], faults: TableFaults, accepted: str
) -> tuple[list[str], list[tuple[float, float]], dict[str, str]]:
    """Names of the columns, factor and zero of the unit of each, and the kinds of those that are numbers.

    The first refusal says how the whole header was read.
    """
    names: list[str] = []
    scales: list[tuple[float, float]] = []
    kinds: dict[str, str] = {}
    wrong: list[tuple[str, str]] = []
    for cell in header:
        name, unit = name_and_unit(cell, (*numbers, *words))
        scale = (0.0, 0.0)
        if name and name in names:
            wrong.append((f"two columns named {name!r}", accepted))
            name = ""
        elif name in numbers:
            readings = [(kind, affine) for kind in numbers[name] if (affine := scale_of(unit, kind)) is not None]
            if readings:
                kinds[name], scale = readings[0]
            else:
                actual = f"{unit!r} is not a unit of {' or '.join(numbers[name])}" if unit else f"{name!r} has no unit"
                units_of_kind = [unit for kind in numbers[name] for unit in DIMENSIONS.get(kind, ("", ()))[1]]
                choice = f"{name} [{'], ['.join(units_of_kind)}]" if units_of_kind else f"{name}, without a unit"
                wrong.append((actual, choice))
                name = ""
        elif name not in words:
            wrong.append((f"{cell[:60]!r} is not a known column", accepted))
        names.append(name if name in numbers or name in words else "")
        scales.append(scale)
    if wrong:
        actual, columns = wrong[0]
        raise faults.error(1, "header", f"{actual}; read: {_header_interpretation(header, names, kinds)}", columns)
    return names, scales, kinds


def _header_interpretation(header: Sequence[str], names: Sequence[str], kinds: Mapping[str, str]) -> str:
    """Interpretation of a header: per column its name and kind."""
    out = []
    for cell, name in zip(header[:MOST_SHOWN_COLUMNS], names, strict=False):
        text = " ".join(cell.split())[:LONGEST_TEXT]
        if not name:
            out.append(f"{text!r} not read")
        else:
            out.append(f"{text} as {kinds.get(name, 'words')}")
    further = [f"{len(header) - MOST_SHOWN_COLUMNS} more"] if len(header) > MOST_SHOWN_COLUMNS else []
    return ", ".join([*out, *further])
