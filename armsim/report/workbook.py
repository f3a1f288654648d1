"""A workbook of a run: the budget of every task at its worst pose, by first order, in formulas that follow its inputs.

rms^2 = mean^2 + sum over joints and causes of (sensitivity times standard uncertainty)^2
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from armsim.caution import LINE
from armsim.formatting import ARCSECOND
from armsim.results import Result, TaskResult, TermBudget
from armsim.results.poses import BIAS

UM = 1e6
HEADERS = (
    "of", "cause", "standard uncertainty", "unit", "sensitivity [µm per unit]", "at the tool [µm]", "share",
)  # fmt: skip
FIRST = 8
"""Row of the first cause."""
PLACES = "0.000"
LONGEST = 28
"""Characters of the name of a sheet."""


def write_workbook(path: Path, result: Result) -> None:
    """Write the workbook: a sheet a task, one of the price."""
    from openpyxl import Workbook

    book: Any = Workbook()
    book.remove(book.active)
    for number, task in enumerate(result.tasks, start=1):
        _budget(book.create_sheet(_sheet_name(number, task.name)), result, task)
    _price(book.create_sheet("price"), result)
    book.save(path)


def _sheet_name(number: int, name: str) -> str:
    return f"{number} {''.join(c if c.isalnum() or c in ' -_' else ' ' for c in name)}"[:LONGEST].strip()


def _budget(sheet: Any, result: Result, task: TaskResult) -> None:
    from openpyxl.styles import Font, PatternFill

    at = list(task.poses.names).index(task.summary.worst_pose)
    rms = float(task.column("first_order.rms")[at]) * UM
    shares = {key: float(task.share(*key)[at]) for key in task.poses.share_names}
    rows = [(owner, cause, share) for (owner, cause), share in shares.items() if (owner, cause) != BIAS and share > 0.0]
    rows.sort(key=lambda row: -row[2])
    last = FIRST + len(rows) - 1
    bold = Font(bold=True)
    sheet["A1"] = f"{result.scenario}, {task.name}: first order at its worst pose, {task.summary.worst_pose}"
    sheet["A1"].font = bold
    sheet["A2"] = f"Results are {LINE}. Change what is yellow; the rest follows."
    sheet["A3"], sheet["C3"] = "rms error [µm]", f"=SQRT(C4^2+SUMSQ(F{FIRST}:F{last}))" if rows else "=ABS(C4)"
    sheet["A4"], sheet["C4"] = "mean of all causes [µm]", rms * math.sqrt(shares.get(BIAS, 0.0))
    sheet["A5"], sheet["C5"] = "95 % of errors within, as sampled [µm]", task.summary.p95 * UM
    if rms > 0.0:
        sheet["A6"], sheet["C6"] = "95 % of errors within, in the ratio of the rms [µm]", f"=C5*C3/{rms!r}"
        sheet["C6"].font = bold
    sheet["C3"].font = bold
    for place, name in enumerate(HEADERS, start=1):
        cell = sheet.cell(FIRST - 1, place, name)
        cell.font = bold
    changed = PatternFill("solid", fgColor="FFF2CC")
    for number, (owner, cause, share) in enumerate(rows, start=FIRST):
        size, unit = _size(result, owner, cause)
        sheet.cell(number, 1, owner)
        sheet.cell(number, 2, cause)
        sheet.cell(number, 3, size).fill = changed
        sheet.cell(number, 4, unit)
        sheet.cell(number, 5, rms * math.sqrt(share) / size)
        sheet.cell(number, 6, f"=C{number}*E{number}")
        sheet.cell(number, 7, f"=F{number}^2/$C$3^2").number_format = "0.00%"
        for place in (3, 5, 6):
            sheet.cell(number, place).number_format = PLACES
    for row in range(3, 7):
        sheet.cell(row, 3).number_format = PLACES
    sheet.page_setup.orientation, sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = "landscape", 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    for column, width in zip("ABCDEFG", (16, 26, 20, 10, 24, 18, 10), strict=True):
        sheet.column_dimensions[column].width = width
    sheet.freeze_panes = sheet.cell(FIRST, 1)


def _size(result: Result, owner: str, cause: str) -> tuple[float, str]:
    """Standard uncertainty of a cause on its axis and its unit; one, a factor, where several axes share it."""
    terms: tuple[TermBudget, ...] = ()
    factor, unit = UM, "µm"
    if owner in result.joints:
        budget = result.joints[owner]
        terms = budget.terms
        if budget.unit == "rad":
            factor, unit = ARCSECOND.factor, "arcsec"
    elif owner == "links":
        terms = result.links
        if cause.removeprefix("link ") not in ("d", "a", "x", "y", "z"):
            factor, unit = ARCSECOND.factor, "arcsec"
    size = math.sqrt(sum(term.rms**2 for term in terms if term.cause == cause)) * factor
    return (size, unit) if size > 0.0 and math.isfinite(size) else (1.0, "times")


def _price(sheet: Any, result: Result) -> None:
    from openpyxl.styles import Font

    sheet["A1"] = "price of the sensors [cost units]"
    sheet["A1"].font = Font(bold=True)
    for number, (name, value) in enumerate(result.prices.items(), start=2):
        sheet.cell(number, 1, name)
        sheet.cell(number, 2, value)
    end = 1 + len(result.prices)
    sheet.cell(end + 1, 1, "all")
    sheet.cell(end + 1, 2, f"=SUM(B2:B{end})" if result.prices else 0.0)
    sheet.column_dimensions["A"].width = 34
