"""Sheet of what-if in a workbook: causes of error switched off and on, their shares, and a chart of these."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from armsim.decide.live_budget import LiveBudgets, TaskBudget
from armsim.decide.pose_budget import moments
from armsim.report.workbook_cells import editable, place_columns, put_headers, put_number, put_text, set_widths
from armsim.results import Result

SWITCHES = "what-if"
"""Name of the sheet."""
ON, OFF = "on", "off"
FIRST_ROW = 5
"""Row of the first task."""
CHARTED = 12
"""Most causes in the chart."""
Owned = tuple[str, str]
"""Owner and cause."""


def switch_cells(budgets: LiveBudgets) -> dict[Owned, str]:
    """Cell of the factor, 0 or 1, of every cause of a joint, of the links or of the machine.

    The cause with the largest share at any of the worst poses, as run, comes first.

    Parameters
    ----------
    budgets : LiveBudgets

    Returns
    -------
    dict of (owner, cause) to reference in a formula
    """
    largest: dict[Owned, float] = {}
    for task in budgets.tasks:
        for key, share in _shares(task).items():
            largest[key] = max(share, largest.get(key, share))
    first = _first_cause(len(budgets.tasks))
    order = sorted(largest, key=lambda key: -largest[key])
    return {key: f"'{SWITCHES}'!$C${first + n}" for n, key in enumerate(order)}


def _shares(task: TaskBudget) -> dict[Owned, float]:
    """Share of every cause of the mean square error at a worst pose, as run."""
    mean, covariance = moments([line.row for line in task.rows])
    total = float(mean @ mean + np.trace(covariance)) or 1.0
    out: dict[Owned, float] = {}
    for row in (line.row for line in task.rows):
        square = float(row.sensitivity @ row.sensitivity) * row.std**2 + float(row.sensitivity @ mean) * row.mean
        out[row.owner, row.cause] = out.get((row.owner, row.cause), 0.0) + square / total
    return out


def _first_cause(tasks: int) -> int:
    return FIRST_ROW + tasks + 3


def put_switches(
    sheet: Any, result: Result, names: Sequence[str], budgets: LiveBudgets, first: int, results: Sequence[str]
) -> None:
    """Write the sheet.

    Parameters
    ----------
    sheet : openpyxl worksheet
    result : Result
    names : sequence of str
        Sheets of the tasks.
    budgets : LiveBudgets
    first : int
        Row of the first cause in the sheet of a task.
    results : sequence of str
        For every task, reference to the row of the live results in another sheet, with {} for the column.
    """
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    put_text(sheet["A1"], f"{result.scenario}: what if a cause of error were removed", bold=True)
    put_text(sheet["A2"], f"Set a yellow cell to {OFF}: mean and scatter of this cause become zero everywhere.")
    headers = ("task", "required within [µm]", "as run [µm]", "now [µm]", "change [µm]", "margin now [µm]")
    put_headers(sheet, FIRST_ROW - 1, headers)
    for row, (task, reference) in enumerate(zip(result.tasks, results, strict=True), start=FIRST_ROW):
        put_text(sheet.cell(row, 1), task.name)
        for column, letter in ((2, "C"), (3, "D"), (4, "E"), (5, "F"), (6, "G")):
            cell = reference.format(letter)
            value = f'=IF({cell}="","",{cell})' if letter in "CG" else f"={cell}"
            put_number(sheet.cell(row, column), value, "+0.0;-0.0;0" if letter == "F" else "0.0", letter == "E")
    cells, top = switch_cells(budgets), _first_cause(len(budgets.tasks))
    shares = [f"share at the worst pose of {task.name}, now" for task in result.tasks]
    put_headers(sheet, top - 1, ("cause of error", "in the budget", "factor", *shares))
    check = DataValidation(type="list", formula1=f'"{ON},{OFF}"', showErrorMessage=True)
    check.error, check.errorTitle = f"Accepted: {ON} or {OFF}.", "Not a switch"
    for row, (owner, cause) in enumerate(cells, start=top):
        put_text(sheet.cell(row, 1), f"{owner}: {cause}")
        switch = editable(put_text(sheet.cell(row, 2), ON))
        check.add(switch)
        put_number(sheet.cell(row, 3), f'=IF(B{row}="{OFF}",0,1)', "0")
        for column, (name, budget) in enumerate(zip(names, budgets.tasks, strict=True), start=4):
            addends = [
                f"'{name}'!P{first + n}"
                for n, line in enumerate(budget.rows)
                if (line.row.owner, line.row.cause) == (owner, cause)
            ]
            put_number(sheet.cell(row, column), f"={'+'.join(addends)}" if addends else 0.0, "0.0%")
    sheet.add_data_validation(check)
    set_widths(sheet, (36, 12, 12, *(18 for _ in range(max(3, len(names))))))
    sheet.print_title_rows = f"{top - 1}:{top - 1}"
    if cells:
        last = top + min(CHARTED, len(cells)) - 1
        title, right = "Shares of the mean square error by cause, now", get_column_letter(max(8, 5 + len(names)))
        place_columns(sheet, title, (4, 3 + len(names)), (top - 1, last), f"{right}{FIRST_ROW - 1}")
