"""Sheets of a workbook on the requirement: live error and margin of every task, criteria as run, and how to read it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from armsim.criteria import smallest_limit
from armsim.decide.live_budget import MAX_CHANGE, LiveBudgets
from armsim.disclaimer import LINE
from armsim.formatting import ARCSECOND
from armsim.report.verdict import headline, largest_causes, task_frame
from armsim.report.workbook_cells import (
    UM,
    column_decimals,
    number_format,
    places_of,
    put_headers,
    put_number,
    put_text,
    set_widths,
    share_text,
    value_format,
)
from armsim.requirement import Judgement
from armsim.requirement.requirement import coverage_of
from armsim.results import Result

REQUIREMENT, HOW_TO_READ = "requirement", "how to read"
"""Names of the sheets."""
FIRST_TASK = 5
"""Row of the first task."""
LEAST_DEPARTURE = 1e-5
"""Smallest departure that is reported; below it the rounding of the written numbers decides."""
UNITS = {"length": ("µm", UM), "angle": ("arcsec", ARCSECOND.factor), "share": ("%", 100.0), "count": ("", 1.0)}
"""Unit of the figures of a criterion by its quantity, and its factor from SI."""


def put_requirement(sheet: Any, result: Result, names: Sequence[str]) -> None:
    """Write error and margin of every task, as run and by the present inputs, and all criteria as run.

    Parameters
    ----------
    sheet : openpyxl worksheet
    result : Result
    names : sequence of str
        Sheets of the tasks.
    """
    coverage = share_text(coverage_of(result.requirement))
    put_text(sheet["A1"], f"{result.scenario}: error of the tool point at the worst pose of every task", bold=True)
    put_text(sheet["A2"], f"Results are {LINE}.")
    headers = (
        "task",
        "worst pose of the run",
        "required within [µm]",
        f"{coverage} of errors within, sampled by the run [µm]",
        f"{coverage} of errors within, by the present inputs [µm]",
        "change [µm]",
        "margin now: required less present [µm]",
        "rms error now [µm]",
    )
    put_headers(sheet, FIRST_TASK - 1, headers)
    decimals = column_decimals(max(task.summary.at_coverage for task in result.tasks) * UM, 4)
    signed = f"+{number_format(decimals)};-{number_format(decimals)};0"
    for row, (name, task) in enumerate(zip(names, result.tasks, strict=True), start=FIRST_TASK):
        put_text(sheet.cell(row, 1), task.name)
        put_text(sheet.cell(row, 2), task.summary.worst_pose)
        limit = smallest_limit(result.required_at(task.name), task.follows_path, "error")
        if limit is not None:
            put_number(sheet.cell(row, 3), limit * UM, value_format(limit * UM))
            put_number(sheet.cell(row, 7), f"=C{row}-E{row}", signed)
        for column, cell in ((4, "F6"), (5, "F5"), (8, "F10")):
            put_number(sheet.cell(row, column), f"='{name}'!{cell}", decimals, bold=column == 5)
        put_number(sheet.cell(row, 6), f"=ROUND(E{row}-D{row},{decimals})", signed)
    row = _as_run(sheet, result, FIRST_TASK + len(names) + 1)
    _margins(sheet, result, row + 1)
    set_widths(sheet, (22, 24, 24, 22, 26, 22, 22, 60))


def _as_run(sheet: Any, result: Result, row: int) -> int:
    """Write the verdict and the table of tasks of the run; return the next free row."""
    put_text(sheet.cell(row, 1), f"As run: {headline(result)}", bold=True)
    tasks = task_frame(result)
    put_headers(sheet, row + 1, (*tasks.headers, "largest parts of the mean square error"))
    for n, (task, cells) in enumerate(zip(result.tasks, tasks.rows, strict=True), start=row + 2):
        texts = [*(cell.text for cell in cells), largest_causes(task.summary.causes)]
        for column, text in enumerate(texts, start=1):
            put_text(sheet.cell(n, column), text)
    return row + 2 + len(tasks.rows)


def _margins(sheet: Any, result: Result, row: int) -> None:
    """Write the margin of every required criterion as numbers."""
    required = [(task, judgement) for task, judgement in result.named_judgements if judgement.limit is not None]
    if not required:
        return
    put_text(sheet.cell(row, 1), "Margins as run, all criteria that are required", bold=True)
    headers = ("task", "criterion", "value", "interval of 95 %, from", "to", "required", "margin", "unit and verdict")
    put_headers(sheet, row + 1, headers)
    for number, (task, judgement) in enumerate(required, start=row + 2):
        assert judgement.limit is not None
        unit, factor = UNITS[judgement.quantity]
        low, high = judgement.interval or (None, None)
        margin = _margin(judgement, judgement.limit)
        put_text(sheet.cell(number, 1), task or judgement.where)
        put_text(sheet.cell(number, 2), judgement.statistic)
        decimals = min(6, places_of(max(abs(judgement.value), judgement.limit) * factor, 4))
        for column, value in ((3, judgement.value), (4, low), (5, high), (6, judgement.limit), (7, margin)):
            if value is not None:
                put_number(sheet.cell(number, column), value * factor, decimals, bold=column == 7)
        put_text(sheet.cell(number, 8), f"{unit}, {judgement.state}".removeprefix(", "))


def _margin(judgement: Judgement, limit: float) -> float:
    """Distance of the value from its limit, positive where it is within. [SI]"""
    return judgement.value - limit if judgement.at_least else limit - judgement.value


def put_how_to_read(sheet: Any, result: Result, budgets: LiveBudgets, sheets: Sequence[tuple[str, str]]) -> None:
    """Write the sheet that explains the others.

    Parameters
    ----------
    sheet : openpyxl worksheet
    result : Result
    budgets : LiveBudgets
    sheets : sequence of (name, purpose)
    """
    from openpyxl.styles import Alignment

    put_text(sheet["A1"], "How to read this workbook", bold=True)
    row = 3
    for name, purpose in sheets:
        put_text(sheet.cell(row, 1), name, bold=True).alignment = Alignment(vertical="top")
        row = _paragraph(sheet, row, purpose)
    row += 1
    for title, text in _explanation(share_text(coverage_of(result.requirement)), budgets):
        put_text(sheet.cell(row, 1), title, bold=True).alignment = Alignment(vertical="top", wrap_text=True)
        row = _paragraph(sheet, row, text)
    set_widths(sheet, (28, 110))


def _paragraph(sheet: Any, row: int, text: str) -> int:
    put_text(sheet.cell(row, 2), text, wrap=True)
    sheet.row_dimensions[row].height = 15 * math.ceil(len(text) / 105)
    return row + 1


def _explanation(coverage: str, budgets: LiveBudgets) -> tuple[tuple[str, str], ...]:
    """Paragraphs on how to read the workbook, and on its accuracy, each with its title."""
    departure = share_text(max((LEAST_DEPARTURE, *(task.largest_error for task in budgets.tasks))))
    return (
        (
            "yellow cells",
            "Change yellow cells alone; all else follows, and is locked (without a password). An input is what the "
            "scenario states, under the same key, in the unit of its row and within the bounds beside it. Numbers "
            "that are not yellow have no simple formula: change the scenario and run again.",
        ),
        (
            "the worst pose",
            "Every task is computed at the pose that was the worst of the run. Where a change moves the worst pose "
            "elsewhere, only a new run shows it.",
        ),
        (
            "expected value, standard uncertainty, sensitivity",
            "Expected value and standard uncertainty are of the error of the joint or link at this pose, over all "
            "built arms and visits. The sensitivity is the movement of the tool point by one unit of it, in the base "
            "frame. Expected values add as vectors; standard uncertainties, which are independent of each other, as "
            "covariances.",
        ),
        (
            f"{coverage} of errors within",
            "First order, from three cumulants of the squared error (Imhof, Biometrika 48, 1961). It is within 2 % at "
            "95 % for normal errors. It is multiplied by the ratio of sampled to first order of the run, which stays. "
            "With inputs as run it is the sampled figure itself.",
        ),
        (
            "accuracy of the formulas",
            f"The rms is within {departure} of first order when all yellow inputs change at once by up to a factor of "
            f"{MAX_CHANGE:g} (computed for this workbook). In 180 trials on three arms, five or ten of the strongest "
            "inputs changed by up to a factor of two. The quantile was then within 3 % of a new run at 95 % and 8 % "
            "at 99 % (typically 1 % and 2 %).",
        ),
        (
            "when to run again",
            "The ratio of sampled to first order changes where one bounded cause comes to dominate, or ceases to: a "
            "single wave of known amplitude has 0.72 at 95 %. Take the figure as first order then, and run again; "
            "the same holds where switches leave few causes.",
        ),
        (
            "criteria that stay",
            "Repeatability, yield, orientation and joints are stated as run: they need the samples.",
        ),
    )
