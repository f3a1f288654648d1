"""Catalogue as a table: one encoder a row, one key of the data sheet a column, units in the headers.

The table is read into the plain values of a document of kind catalogue, with row and column of each: all that follows
is the same as for YAML. What the table leaves open (a column that is no key, an empty cell, a unit that is not stated)
is remarked.
"""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from armsim.documents import units
from armsim.documents.csv_columns import TableFaults, csv_rows, name_and_unit
from armsim.documents.files import unprintable_character
from armsim.documents.table_columns import PRICE_FROM, TableColumn, column_units, table_columns
from armsim.documents.workbook_rows import workbook_rows
from armsim.errors import InputError, Problem
from armsim.model.datasheet import TRACK_SHARE
from armsim.model.installation import MULTI_TURN
from armsim.sources import KeyPath, Source

SUFFIXES = (".csv", ".tsv", ".xlsx")
"""Endings of the names of files that are tables."""
MOST_COLUMNS = 200
"""Largest number of columns; there are fewer keys."""
MOST_ENCODERS, WHY_MOST = 1000, "each is tried at every joint"
"""Largest number of encoders of a catalogue, and why."""
MOST_SHOWN = 6
"""Largest number of rows named in a remark."""
EMPTY_CELLS = ("", "-", "–", "—", "n/a", "n.a.")
"""Cells that state nothing."""
SIGN = re.compile(r"(?:\+-|\+/-|±) ?")
FLAGS = {"yes": True, "true": True, "no": False, "false": False}
Location = tuple[int, int]


class Header(NamedTuple):
    """Header of a column: its text and number, what it states, its unit, and from how many pieces on it is a price."""

    text: str
    number: int
    column: TableColumn
    unit: str
    pieces: int | None = None


def is_table(path: Path) -> bool:
    """Whether the name of a file is that of a table."""
    return path.suffix.lower() in SUFFIXES


def read_table(path: Path, raw: bytes) -> Source:
    """Read a table of encoders as a document of kind catalogue.

    Raises
    ------
    InputError
        No table, no encoder in it, a unit that does not fit its column, or two statements of one value.
    """
    faults = TableFaults(path)
    rows = workbook_rows(path, raw, faults) if path.suffix.lower() == ".xlsx" else csv_rows(path, raw, faults)
    _, cells = next(rows, (1, []))
    if not any(cell.strip() for cell in cells):
        raise faults.error(1, "header", "an empty table", f"a header with columns such as {_examples()}")
    table = _Table(path)
    headers = table.headers(cells)
    for line, row in rows:
        if len(table.entries) == MOST_ENCODERS and any(cell.strip() for cell in row):
            raise faults.error(line, "", f"more than {MOST_ENCODERS} encoders", f"at most {MOST_ENCODERS}: {WHY_MOST}")
        if any(cell.strip() for cell in row):
            table.add_row(line, row, headers, len(cells))
    if table.problems:
        raise InputError(*table.problems)
    if not table.entries:
        raise faults.error(1, "", "no encoder", "one encoder a row, below the header")
    data = {"kind": "catalogue", "name": path.stem, "encoders": table.entries}
    text = "" if path.suffix.lower() == ".xlsx" else raw.decode("utf-8-sig")
    digest = hashlib.sha256(raw).hexdigest()
    remarks = tuple(f"{path.name}: {remark}" for remark in table.remarks(headers))
    return Source(path, data, table.locations, digest, text, columns=table.columns, remarks=remarks)


@dataclass(eq=False)
class _Table:
    """A table while it is read: entries so far, locations of their values, problems, and what is remarked."""

    path: Path
    entries: list[dict[str, Any]] = field(default_factory=list)
    locations: dict[KeyPath, Location] = field(default_factory=lambda: {("encoders",): (1, 1)})
    columns: dict[KeyPath, str] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    empty_lines: dict[str, list[int]] = field(default_factory=dict)
    assumed_units: dict[str, str] = field(default_factory=dict)

    def fault(self, line: int, column: int, key: str, actual: str, accepted: str) -> None:
        self.problems.append(Problem(str(self.path), line, column, key, actual, accepted))

    def headers(self, cells: Sequence[str]) -> list[Header]:
        """Headers of the columns that are read.

        Raises
        ------
        InputError
            A header that cannot be read, with all others that cannot.
        """
        if len(cells) > MOST_COLUMNS:
            self.fault(1, MOST_COLUMNS + 1, "header", f"{len(cells)} columns", f"at most {MOST_COLUMNS}")
        out: list[Header] = []
        for number, cell in enumerate(cells[:MOST_COLUMNS], start=1):
            text = " ".join(cell.split())
            header = self._header(text, number)
            if header is None:
                continue
            if header[2:] in [row[2:] for row in out]:
                self.fault(1, number, "header", f"two columns {text!r}", "one of them")
            out.append(header)
        if not any(header.column.path == ("encoder", "name") for header in out) and not self.problems:
            self.fault(1, 1, "header", "no column 'name'", f"columns such as {_examples()}")
        if self.problems:
            raise InputError(*self.problems)
        return out

    def _header(self, text: str, number: int) -> Header | None:
        """Header of a column; None where it is empty or no key."""
        all_columns = table_columns()
        price = PRICE_FROM.fullmatch(text.lower())
        if price is not None:
            return Header(text, number, all_columns["price"], "", int(price[1]))
        name, unit = name_and_unit(text, (*all_columns, *(word.replace(" ", "_") for word in all_columns)))
        name = re.sub(r"[_ ]+", " ", name).lower()
        column = all_columns.get(name)
        if column is None:
            if text:
                close = difflib.get_close_matches(name, all_columns, n=1, cutoff=0.7)
                hint = f"; did you mean {close[0]!r}?" if close else ""
                self.unknown.append(f"column {text[:60]!r} is not read: it is no key of an encoder{hint}")
            return None
        if unit and not any(units.scale_of(unit, kind) is not None for kind in column.quantity_kinds):
            finding = f"{unit[:40]!r} is not a unit of {' or '.join(column.quantity_kinds) or 'a column without one'}"
            accepted = (
                f"{name} [{'], ['.join(column_units(column))}]" if column.quantity_kinds else f"{name}, without a unit"
            )
            self.fault(1, number, text, finding, accepted)
        return Header(text, number, column, unit)

    def add_row(self, line: int, row: Sequence[str], headers: Sequence[Header], width: int) -> None:
        """Read a row as an entry of the catalogue."""
        if len(row) > width and any(cell.strip() for cell in row[width:]):
            accepted = f"{width}; text with the separator in quotes, decimal commas where the separator is another"
            self.fault(line, width + 1, "", f"{len(row)} values", accepted)
            return
        number, faults = len(self.entries), len(self.problems)
        entry: dict[str, Any] = {"encoder": {"kind": "encoder"}}
        self.entries.append(entry)
        self.locations |= {("encoders", number): (line, 1), ("encoders", number, "encoder"): (line, 1)}
        texts = {header: " ".join(row[header.number - 1].split()) for header in headers if header.number <= len(row)}
        words = {
            header.column.path[-1]: text.lower() for header, text in texts.items() if header.column.kind == "choice"
        }
        counts_turns = words.get("function", "") in ("", MULTI_TURN)
        for header in headers:
            text = texts.get(header, "")
            location = line, header.number
            if unprintable_character(text) is not None:
                self.fault(
                    *location, header.text, f"the character {unprintable_character(text)}", "characters that show"
                )
            elif text.lower() in EMPTY_CELLS:
                if header.column.path[-1] == "multiturn" and not counts_turns:
                    continue
                self.empty_lines.setdefault(header.text, []).append(line)
            else:
                self._store_value(entry, number, header, text, location, words.get("measures", ""))
        encoder = entry["encoder"]
        encoder.setdefault("measures", "rotation")
        if "name" not in encoder and len(self.problems) == faults:
            self.fault(line, 1, "name", "nothing", "a name for every encoder")
        for key_path in (("encoders", number), ("encoders", number, "encoder")):
            self.columns[key_path] = str(encoder.get("name"))

    def _store_value(
        self, entry: dict[str, Any], number: int, header: Header, text: str, location: Location, measures: str
    ) -> None:
        """Store a value of an entry, with its location."""
        path, node = header.column.path, entry
        for step in path[:-1] if header.column.part is None else path[:-2]:
            node = node.setdefault(str(step), {})
        value = self._value(header, text, measures)
        if header.column.path[-1] == "price":
            key: str | int = "price"
            steps, pieces = node.setdefault("price", {}), header.pieces or 1
            if pieces in steps:
                self.fault(*location, header.text, f"two prices from {pieces} pieces on", "one of them")
            steps[pieces] = value
        elif header.column.part is not None:
            key = str(path[-2])
            pair = node.setdefault(key, [])
            pair.insert(header.column.part, value)
        else:
            key = str(path[-1])
            if key in node:
                former = self.columns.get(("encoders", number, *path), key)
                self.fault(
                    *location, header.text, f"{text[:40]!r} beside {former}", "one statement of a value in a row"
                )
                return
            node[key] = value
        key_path: KeyPath = ("encoders", number, *(path if header.column.part is None else path[:-1]))
        for size in range(3, len(key_path) + 1):
            self.locations.setdefault(key_path[:size], location)
            self.columns.setdefault(key_path[:size], header.text)

    def _value(self, header: Header, text: str, measures: str) -> Any:
        """Plain value of a cell, in the words of the YAML keys."""
        column = header.column
        if column.kind == "flag":
            return FLAGS.get(text.lower(), text)
        if not column.quantity_kinds:
            number = None if column.kind == "word" else _number(text)
            if number is not None:
                return int(number) if number.is_integer() and abs(number) < 1e15 else number
            return text.lower() if column.kind == "choice" else text
        sign = SIGN.match(text)
        if _number(text[sign.end() :] if sign else text) is None:
            return text  # with a unit of its own
        unit = header.unit
        if not unit:
            unit = column.customary_unit(measures) or ""
            if unit:
                self.assumed_units.setdefault(header.text, unit)
        return f"{text} {unit}".rstrip()

    def remarks(self, headers: Sequence[Header]) -> Iterator[str]:
        """Sentences on what the table leaves open."""
        yield from self.unknown
        for header, unit in self.assumed_units.items():
            yield f"column {header!r} states no unit: {unit} is assumed"
        if not any(header.column.path[-1] == "measures" for header in headers):
            yield "no column 'measures': all are taken to measure rotation"
        size_header = next((header.text for header in headers if header.column.path[-1] == "outer_diameter"), "")
        lines = [
            self.locations["encoders", number][0]
            for number, entry in enumerate(self.entries)
            if "outer_diameter" in entry["encoder"] and not {"track_radius", "track_diameter"} & set(entry["encoder"])
        ]
        if lines:
            radius = f"is assumed to be {TRACK_SHARE} of that size, outside the bore, in {_rows(lines)}"
            yield f"column {size_header!r} is the size of the part: where no radius of the track is stated, it {radius}"
        for header, lines in self.empty_lines.items():
            yield f"column {header!r} states nothing in {_rows(lines)}"


def _number(text: str) -> float | None:
    try:
        return units.read_number(text)
    except ValueError:
        return None


def _rows(lines: Sequence[int]) -> str:
    more = " and more" if len(lines) > MOST_SHOWN else ""
    return f"row{'s' if len(lines) > 1 else ''} {', '.join(map(str, lines[:MOST_SHOWN]))}{more}"


def _examples() -> str:
    return "name, resolution [bit], accuracy [arcsec], outer diameter [mm], price"
