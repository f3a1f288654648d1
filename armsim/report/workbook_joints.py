"""Sheets of the joints and of the price in a workbook: sensors, prices, live shares of the error, with a chart."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from armsim.decide.live_budget import LiveBudgets
from armsim.report.workbook_cells import input_fill, put_headers, put_number, put_text, set_widths, value_format
from armsim.results import Result

JOINTS = "joints"
"""Name of the sheet."""
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
    put_text(sheet["A2"], "Shares follow the sheet 'inputs'; yellow prices may be changed, their sum follows.")
    shares = [f"share at the worst pose of {task.name}, now" for task in result.tasks]
    put_headers(sheet, FIRST_JOINT - 1, ("joint", "sensor", "placement", "price [cost units]", *shares))
    for row, owner in enumerate(owners, start=FIRST_JOINT):
        budget = result.joints.get(owner)
        put_text(sheet.cell(row, 1), owner)
        if budget is not None:
            put_text(sheet.cell(row, 2), budget.encoder)
            put_text(sheet.cell(row, 3), budget.placement)
            editable(put_number(sheet.cell(row, PRICE), budget.price, value_format(budget.price)))
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
    _chart(sheet, len(names), last)


def editable(cell: Any) -> Any:
    """Mark a cell as an input: yellow, and not locked."""
    from openpyxl.styles import Protection

    cell.fill, cell.protection = input_fill(), Protection(locked=False)
    return cell


def _chart(sheet: Any, tasks: int, last: int) -> None:
    """Bars of the shares: a group per joint, a bar per task."""
    from openpyxl.chart import BarChart, Reference

    chart = BarChart()
    chart.title, chart.type = "Shares of the mean square error, now", "col"
    columns = Reference(sheet, min_col=PRICE + 1, max_col=PRICE + tasks, min_row=FIRST_JOINT - 1, max_row=last)
    chart.add_data(columns, titles_from_data=True)
    chart.set_categories(Reference(sheet, min_col=1, min_row=FIRST_JOINT, max_row=last))
    chart.y_axis.number_format, chart.y_axis.majorGridlines = "0%", None
    chart.x_axis.delete = chart.y_axis.delete = False  # else some programs hide them
    chart.legend.position, chart.height, chart.width = "b", 9, 20
    sheet.add_chart(chart, f"A{last + 4}")


def put_price(sheet: Any, result: Result) -> None:
    """Write the sheet of the price of the run, by what it is paid for."""
    put_text(sheet["A1"], "price of the sensors [cost units]", bold=True)
    for number, (name, value) in enumerate(result.prices.items(), start=2):
        put_text(sheet.cell(number, 1), name)
        put_number(sheet.cell(number, 2), value, "0.##")
    end = 1 + len(result.prices)
    put_text(sheet.cell(end + 1, 1), "all", bold=True)
    put_number(sheet.cell(end + 1, 2), f"=SUM(B2:B{end})" if result.prices else 0.0, "0.##", bold=True)
    set_widths(sheet, (34, 12))
