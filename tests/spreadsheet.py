"""Spreadsheets computed by programs other than ours: LibreOffice, and a library that interprets formulas."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import formulas
import openpyxl
import pytest

LONGEST = 300
"""Seconds after which LibreOffice is taken to hang; nothing is measured by it."""
Cells = dict[tuple[str, str], Any]
"""Values by sheet and cell."""


def require_office() -> str:
    """The program of LibreOffice; the test is skipped where it is missing, but not by the continuous integration."""
    program = shutil.which("soffice") or shutil.which("libreoffice")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("LibreOffice is missing: apt-get install libreoffice-calc")
        pytest.skip("needs LibreOffice (apt-get install libreoffice-calc)")
    return program


def by_office(path: Path, folder: Path) -> Cells:
    """Every cell, computed anew by LibreOffice: a workbook as openpyxl writes it holds no values."""
    program = require_office()
    profile = f"-env:UserInstallation={(folder / 'profile').as_uri()}"
    out = folder / "computed"
    command = [program, profile, "--headless", "--convert-to", "xlsx", "--outdir", str(out), str(path)]
    subprocess.run(command, check=True, capture_output=True, timeout=LONGEST)
    book = openpyxl.load_workbook(out / path.with_suffix(".xlsx").name, data_only=True)
    return {(sheet.title, cell.coordinate): cell.value for sheet in book for row in sheet for cell in row}


def by_library(path: Path) -> Cells:
    """Every cell, computed by the library `formulas`; names of sheets in capitals."""
    solved = formulas.ExcelModel().loads(str(path)).finish().calculate()
    out: Cells = {}
    for key, item in solved.items():
        if hasattr(item, "value") and item.value.shape == (1, 1):
            sheet, _, cell = key.rpartition("!")
            out[sheet.partition("]")[2].rstrip("'").upper(), cell.upper()] = item.value[0, 0]
    return out
