"""Sheet of the poses in a workbook: the figures of the run at every pose, as in poses.csv."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from typing import Any

from armsim.formatting import percent
from armsim.report.csv_tables import run_tables
from armsim.report.workbook_cells import places_of, put_headers, put_number, put_text, set_widths
from armsim.requirement.requirement import coverage_of
from armsim.results import Result

POSES = "poses"
"""Name of the sheet."""
MOST_POSES = 2000
"""Most rows; of more poses, those with the largest errors."""
FIRST_POSE = 5
"""Row of the first pose."""


def put_poses(sheet: Any, result: Result) -> None:
    """Write the sheet.

    Parameters
    ----------
    sheet : openpyxl worksheet
    result : Result
    """
    table = run_tables(result)["poses"]
    header = list(table.header)
    coverage = f"{percent(coverage_of(result.requirement))} of errors"
    order = next(n for n, name in enumerate(header) if name.startswith(coverage))
    count = sum(len(task.poses) for task in result.tasks)
    rows: list[Sequence[Any]] = list(table.rows) if count <= MOST_POSES else _largest(table.rows, order)
    put_text(sheet["A1"], f"{result.scenario}: poses of all tasks, as run", bold=True)
    note = "all" if count <= MOST_POSES else f"the {MOST_POSES} with the largest errors of {count}; all: poses.csv"
    put_text(sheet["A2"], f"Poses: {note}. These figures are sampled and do not follow changed inputs.")
    put_headers(sheet, FIRST_POSE - 1, tuple(header))
    numbers = [[abs(row[n]) for row in rows if isinstance(row[n], float)] for n in range(len(header))]
    decimals = [min(6, places_of(max(column, default=0.0), 4)) for column in numbers]
    for number, row in enumerate(rows, start=FIRST_POSE):
        for column, value in enumerate(row, start=1):
            if isinstance(value, float | int):
                put_number(sheet.cell(number, column), value, decimals[column - 1])
            elif value is not None:
                put_text(sheet.cell(number, column), str(value))
    set_widths(sheet, (18, 22, *(12 for _ in header[2:])))
    sheet.freeze_panes = sheet.cell(FIRST_POSE, 3)
    sheet.print_title_rows = f"{FIRST_POSE - 1}:{FIRST_POSE - 1}"
    sheet.print_title_cols = "A:B"
    sheet.auto_filter.ref = f"A{FIRST_POSE - 1}:{sheet.cell(FIRST_POSE - 1 + len(rows), len(header)).coordinate}"


def _largest(rows: Iterable[Sequence[Any]], column: int) -> list[Sequence[Any]]:
    """Rows with the largest numbers in a column, the largest first."""
    return heapq.nlargest(MOST_POSES, rows, key=lambda row: float(row[column]))
