"""Cells of a workbook: texts that are never formulas, numbers with significant digits."""

from __future__ import annotations

import math
from typing import Any

UM = 1e6
"""Micrometres per metre."""
LINES = 3
"""Lines of the headers of a table."""
DIGITS = 7
"""Significant digits of written numbers."""


def put_text(cell: Any, value: str, bold: bool = False, wrap: bool = False, grey: bool = False) -> Any:
    """Write a text, which stays text whatever it begins with, also after editing."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
    from openpyxl.styles import Alignment

    cell.value = ILLEGAL_CHARACTERS_RE.sub(" ", value)
    cell.data_type = "s"
    cell.quotePrefix = True
    cell.font = font(bold, "808080" if grey else None)
    if wrap:
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    return cell


def put_number(cell: Any, value: float | str, decimals: int | str = 3, bold: bool = False) -> Any:
    """Write a number or a formula of numbers; ``decimals`` behind the point, or a format."""
    cell.value = value if isinstance(value, str) else float(f"{value:.{DIGITS}g}")
    cell.number_format = decimals if isinstance(decimals, str) else number_format(decimals)
    cell.font = font(bold)
    return cell


def font(bold: bool = False, colour: str | None = None, italic: bool = False) -> Any:
    """The font of all cells."""
    from openpyxl.styles import Font

    return Font(name="Calibri", size=10, bold=bold, italic=italic, color=colour)


def number_format(decimals: int) -> str:
    """Number format with a number of decimals."""
    return "0.00E+00" if decimals > 6 else f"0.{'0' * decimals}" if decimals > 0 else "0"


def places_of(value: float, digits: int = 3) -> int:
    """Decimals that show a number of significant digits."""
    return max(0, digits - 1 - math.floor(math.log10(abs(value)))) if value else digits


def value_format(value: float) -> str:
    """Number format of a stated number: unchanged where it is short."""
    short = float(f"{value:.4g}") == float(f"{value:.{DIGITS}g}") and 1e-3 <= abs(value) < 1e7
    return "General" if short else number_format(places_of(value, 4))


def set_widths(sheet: Any, widths: tuple[float, ...]) -> None:
    """Set the widths of the columns, in characters."""
    from openpyxl.utils import get_column_letter

    for number, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(number)].width = width


def put_headers(sheet: Any, row: int, names: tuple[str, ...]) -> None:
    """Write the headers of a table."""
    from openpyxl.styles import Alignment, Border, Side

    sheet.row_dimensions[row].height = 14 * LINES
    for column, name in enumerate(names, start=1):
        cell = put_text(sheet.cell(row, column), name, bold=True)
        cell.alignment = Alignment(wrap_text=True, vertical="bottom")
        cell.border = Border(bottom=Side(style="thin"))


def input_fill() -> Any:
    """Yellow fill of editable cells."""
    from openpyxl.styles import PatternFill

    return PatternFill("solid", fgColor="FFF2CC")


def editable(cell: Any) -> Any:
    """Mark a cell as an input: yellow, and not locked."""
    from openpyxl.styles import Protection

    cell.fill, cell.protection = input_fill(), Protection(locked=False)
    return cell


def share_text(value: float) -> str:
    """Share in per cent."""
    return f"{100 * value:.4g} %"


def place_columns(sheet: Any, title: str, columns: tuple[int, int], rows: tuple[int, int], anchor: str) -> None:
    """Place a chart of shares: a group of columns for each row, named by its first cell, one per task.

    Parameters
    ----------
    sheet : openpyxl worksheet
    title : str
    columns, rows : (first, last)
        The first row holds the names of the tasks.
    anchor : str
        Cell of its upper left corner.
    """
    from openpyxl.chart import BarChart, Reference

    chart = BarChart()
    chart.title, chart.type = title, "col"
    values = Reference(sheet, min_col=columns[0], max_col=columns[1], min_row=rows[0], max_row=rows[1])
    chart.add_data(values, titles_from_data=True)
    chart.set_categories(Reference(sheet, min_col=1, min_row=rows[0] + 1, max_row=rows[1]))
    chart.y_axis.number_format, chart.y_axis.majorGridlines = "0%", None
    chart.x_axis.delete = chart.y_axis.delete = False  # else some programs hide them
    chart.legend.position, chart.height, chart.width = "b", 11, 24
    sheet.add_chart(chart, anchor)


def column_decimals(size: float, digits: int) -> int:
    """Decimals of a column, by the size of its values."""
    return min(6, places_of(size, digits))
