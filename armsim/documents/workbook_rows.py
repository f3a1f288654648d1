"""Rows of the first sheet of a workbook, as text."""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from armsim.documents.csv_columns import LARGEST_TABLE, TableFaults

UNREADABLE = (
    zipfile.BadZipFile, zlib.error, KeyError, ValueError, TypeError, IndexError, AttributeError, OSError, EOFError,
    SyntaxError, NotImplementedError, RuntimeError,
)  # fmt: skip
"""Exceptions of the readers of archive, XML (a SyntaxError) and workbook on other files."""
MOST_CELLS = 500_000
"""Largest number of cells that are read."""


def workbook_rows(path: Path, raw: bytes, faults: TableFaults) -> Iterator[tuple[int, list[str]]]:
    """Rows of the first sheet with their numbers, from 1; a formula by the value that was stored with it.

    Raises
    ------
    InputError
        No workbook, one that unpacks to too much, or the library that reads it is not installed.
    """
    try:
        import openpyxl
    except ImportError as error:
        raise faults.error(0, "", "a workbook, and its library is missing", "pip install 'armsim[workbook]'") from error
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            size = sum(entry.file_size for entry in archive.infolist())
        if size > LARGEST_TABLE:
            raise faults.error(
                0, "", f"{size} bytes when unpacked", f"a workbook of at most {LARGEST_TABLE} bytes unpacked"
            )
        sheet = openpyxl.load_workbook(io.BytesIO(raw), read_only=True, data_only=True).worksheets[0]
        rows = list(_texts(sheet, faults))
    except UNREADABLE as error:
        raise faults.error(0, "", f"no workbook that can be read: {error}", "a file as spreadsheets save it") from error
    yield from rows


def _texts(sheet: Any, faults: TableFaults) -> Iterator[tuple[int, list[str]]]:
    cells = 0
    for line, row in enumerate(sheet.iter_rows(values_only=True), start=1):
        cells += len(row)
        if cells > MOST_CELLS:
            raise faults.error(line, "", f"more than {MOST_CELLS} cells", "a table of encoders alone on the sheet")
        texts = [_text(value) for value in row]
        while texts and not texts[-1]:
            texts.pop()
        yield line, texts


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.15g}"
    return str(value)
