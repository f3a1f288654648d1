"""Sheets of the joints and of the price in a workbook: live shares of the error with a chart, live prices."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from armsim.decide.live_budget import LiveBudgets
from armsim.report.workbook_cells import (
    editable,
    place_columns,
    put_headers,
    put_number,
    put_text,
    set_widths,
    value_format,
)
from armsim.results import Result

JOINTS, PRICE_SHEET = "joints", "price"
"""Names of the sheets."""
FIRST_JOINT = 5
"""Row of the first joint."""
PRICE = 4
"""Column of the prices."""


def put_joints(sheet: Any, result: Result, names: Sequence[str], budgets: LiveBudgets, first: int) -> None:
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
    """
    from openpyxl.utils import get_column_letter

    owners = dict.fromkeys([*result.joints, *(line.row.owner for task in budgets.tasks for line in task.rows)])
    last = FIRST_JOINT + len(owners) - 1
    put_text(sheet["A1"], f"{result.scenario}: joints, their sensors and shares of the mean square error", bold=True)
    put_text(sheet["A2"], f"Shares follow the inputs and switches, prices the sheet '{PRICE_SHEET}'.")
    shares = [f"share at the worst pose of {task.name}, now" for task in result.tasks]
    put_headers(sheet, FIRST_JOINT - 1, ("joint", "sensor", "placement", "price [cost units]", *shares))
    for row, owner in enumerate(owners, start=FIRST_JOINT):
        budget = result.joints.get(owner)
        put_text(sheet.cell(row, 1), owner)
        if budget is not None:
            put_text(sheet.cell(row, 2), budget.encoder)
            put_text(sheet.cell(row, 3), budget.placement)
            put_number(sheet.cell(row, PRICE), f"='{PRICE_SHEET}'!D{row}", "0.##")
        for column, (name, task) in enumerate(zip(names, budgets.tasks, strict=True), start=PRICE + 1):
            end = first + len(task.rows) - 1
            causes, parts = (f"'{name}'!${letter}${first}:${letter}${end}" for letter in "AP")
            put_number(sheet.cell(row, column), f"=SUMIF({causes},A{row},{parts})", "0.0%")
    put_text(sheet.cell(last + 1, 1), "all", bold=True)
    for column in range(PRICE, PRICE + 1 + len(names)):
        letter, cell_format = get_column_letter(column), "0.##" if column == PRICE else "0.0%"
        total = f"=SUM({letter}{FIRST_JOINT}:{letter}{last})"
        put_number(sheet.cell(last + 1, column), total, cell_format, bold=True)
    set_widths(sheet, (14, 26, 12, 12, *(24 for _ in names)))
    sheet.freeze_panes = sheet.cell(FIRST_JOINT, 1)
    title = "Shares of the mean square error, now"
    place_columns(sheet, title, (PRICE + 1, PRICE + len(names)), (FIRST_JOINT - 1, last), f"A{last + 4}")


def put_price(sheet: Any, result: Result) -> None:
    """Write the prices of the joints, as run and as changed, and the price of the run by what it is paid for."""
    from openpyxl.worksheet.datavalidation import DataValidation

    put_text(sheet["A1"], "Price of the sensors with their assembly [cost units]", bold=True)
    put_text(sheet["A2"], "Change yellow prices; their sum follows.")
    put_headers(sheet, FIRST_JOINT - 1, ("joint", "sensor", "placement", "price now", "as run", "change"))
    check = DataValidation(type="decimal", operator="greaterThanOrEqual", formula1="0", showErrorMessage=True)
    check.error, check.errorTitle = "A price, not negative.", "Not a price"
    for row, (name, budget) in enumerate(result.joints.items(), start=FIRST_JOINT):
        for column, text in enumerate((name, budget.encoder, budget.placement), start=1):
            put_text(sheet.cell(row, column), text)
        check.add(editable(put_number(sheet.cell(row, PRICE), budget.price, value_format(budget.price))))
        put_number(sheet.cell(row, PRICE + 1), budget.price, value_format(budget.price))
        put_number(sheet.cell(row, PRICE + 2), f"=D{row}-E{row}", "+0.##;-0.##;0")
    sheet.add_data_validation(check)
    last = FIRST_JOINT + len(result.joints) - 1
    put_text(sheet.cell(last + 1, 1), "all", bold=True)
    for column, letter in ((4, "D"), (5, "E"), (6, "F")):
        total = f"=SUM({letter}{FIRST_JOINT}:{letter}{last})"
        put_number(sheet.cell(last + 1, column), total, "+0.##;-0.##;0" if letter == "F" else "0.##", bold=True)
    put_headers(sheet, last + 3, ("paid for, as run", "cost units"))
    for number, (name, value) in enumerate(result.prices.items(), start=last + 4):
        put_text(sheet.cell(number, 1), name)
        put_number(sheet.cell(number, 2), value, "0.##")
    set_widths(sheet, (24, 26, 12, 12, 12, 12))
    sheet.freeze_panes = sheet.cell(FIRST_JOINT, 1)
