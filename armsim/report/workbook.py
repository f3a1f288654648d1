"""Workbook of a run: budget of every task at its worst pose, with formulas of the data-sheet numbers.

Per task, with the rows of `armsim.decide.pose_budget` (u a random quantity, S the movement of the tool per unit of u),

    mean = sum of S E u,   covariance = sum of S S^T Var u,   rms^2 = |mean|^2 + trace of the covariance

and the quantile of the length by three cumulants as `armsim.sampling.gaussian.quantile_by_moments`, times the ratio of
the sampled quantile to it. The ratio is that of the run and does not follow changed inputs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from armsim.criteria import smallest_limit
from armsim.decide.live_budget import Input, LiveBudgets, LiveRow, TaskBudget
from armsim.decide.pose_budget import moments
from armsim.decide.row_laws import Laws
from armsim.disclaimer import LINE
from armsim.formatting import ARCSECOND
from armsim.report.workbook_cells import (
    DIGITS,
    UM,
    column_decimals,
    editable,
    font,
    places_of,
    put_headers,
    put_number,
    put_text,
    set_widths,
    share_text,
    value_format,
)
from armsim.report.workbook_joints import JOINTS, PRICE_SHEET, put_joints, put_price
from armsim.report.workbook_poses import POSES, put_poses
from armsim.report.workbook_requirement import FIRST_TASK, HOW_TO_READ, REQUIREMENT, put_how_to_read, put_requirement
from armsim.report.workbook_switches import SWITCHES, put_switches, switch_cells
from armsim.requirement.requirement import coverage_of
from armsim.results import Result, TaskResult
from armsim.sampling.gaussian import quantile_by_moments

UNITS = {"rad": ("arcsec", ARCSECOND.factor), "m": ("µm", UM), "K": ("K", 1.0), "1": ("1 σ", 1.0)}
"""Name of the unit of a row, and its factor from SI."""
VARIATION = {"unit": "from arm to arm", "visit": "from visit to visit"}
INPUTS = "inputs"
INPUT_HEADERS = (
    "of", "number", "what it is", "value", "  unit", "the value is", "as run", "now / as run", "at least", "at most",
    "  in this workbook",
)  # fmt: skip
FIRST_INPUT = 5
HEADERS = (
    "of", "cause", "which", "varies", "unit", "expected value", "standard uncertainty", "x", "y", "z", "length",
    "mean, x", "mean, y", "mean, z", "scatter", "share", "expected value", "standard uncertainty",
)  # fmt: skip
GROUPS = {
    1: "cause of error",
    6: "error at this pose",
    8: "sensitivity: movement of the tool [µm per unit]",
    12: "error of the tool point [µm]",
    17: "error as run",
}
"""Headings over the columns, by their first column."""
FIRST = 16
"""Row of the first cause."""
LONGEST = 28
"""Most characters of the name of a sheet."""
POSES_WIDTH = 3
"""Sheets of paper beside each other on which the poses are printed."""
LARGE = 5000
"""Degrees of freedom from which the chi-square law is expanded, accurate to 1e-4, where spreadsheets fail."""
PURPOSES = {
    REQUIREMENT: "Error and margin of every task now and as run, and the margins of all required criteria as run.",
    INPUTS: "Numbers of data sheets and drawings: change yellow ones, all sheets follow.",
    SWITCHES: "Every cause of error can be switched off, to see what removing it would gain; a chart of the causes.",
    JOINTS: "Shares of the error by joint, links and machine, with a chart; prices of the joints.",
    PRICE_SHEET: "Prices of the joints: change yellow ones, the sum follows.",
    POSES: "Figures of the run at every pose.",
}
CAUSES_PURPOSE = "The budget at the worst pose of a task: a row per cause, with its sensitivity as a vector."
WITHOUT_FORMULA = "fixed: change the scenario and run again"


def write_workbook(path: Path, result: Result, budgets: LiveBudgets) -> None:
    """Write the workbook: requirement, inputs, what-if, a sheet per task, joints, price, poses, how to read it.

    Parameters
    ----------
    path : Path
    result : Result
    budgets : LiveBudgets
        Budgets of that result.
    """
    from openpyxl import Workbook

    book: Any = Workbook()
    book.remove(book.active)
    names = [_sheet_name(number, task.name) for number, task in enumerate(result.tasks, start=1)]
    put_requirement(book.create_sheet(REQUIREMENT), result, names)
    _inputs(book.create_sheet(INPUTS), result, budgets)
    live = [f"'{REQUIREMENT}'!{{}}{FIRST_TASK + n}" for n in range(len(names))]
    put_switches(book.create_sheet(SWITCHES), result, names, budgets, FIRST, live)
    switches = switch_cells(budgets)
    for name, task, budget in zip(names, result.tasks, budgets.tasks, strict=True):
        _budget(book.create_sheet(name), result, task, budget, switches)
    put_joints(book.create_sheet(JOINTS), result, names, budgets, FIRST)
    put_price(book.create_sheet(PRICE_SHEET), result)
    put_poses(book.create_sheet(POSES), result)
    purposes = {**PURPOSES, ", ".join(names): CAUSES_PURPOSE}
    put_how_to_read(book.create_sheet(HOW_TO_READ), result, budgets, tuple(purposes.items()))
    for sheet in book.worksheets:
        sheet.page_setup.orientation, sheet.page_setup.paperSize = "landscape", sheet.PAPERSIZE_A4
        sheet.page_setup.fitToWidth = POSES_WIDTH if sheet.title == POSES else 1
        sheet.page_setup.fitToHeight = 1 if sheet.title == JOINTS else 0
        sheet.sheet_properties.pageSetUpPr.fitToPage = True
        sheet.protection.sheet = True  # without a password: against slips, not against people
        sheet.oddFooter.left.text, sheet.oddFooter.right.text = LINE, "&A, page &P of &N"
    book.save(path)


def workbook_file(result: Result, budgets: LiveBudgets) -> Callable[[Path], None]:
    """The workbook as a file of a review."""
    return lambda path: write_workbook(path, result, budgets)


def _sheet_name(number: int, name: str) -> str:
    return f"{number} {''.join(c if c.isalnum() or c in ' -_' else ' ' for c in name)}"[:LONGEST].strip()


def _inputs(sheet: Any, result: Result, budgets: LiveBudgets) -> None:
    """Write the sheet of the inputs."""
    from openpyxl.styles import Alignment

    put_text(
        sheet["A1"], f"{result.scenario}: numbers of data sheets and drawings that the worst poses depend on", bold=True
    )
    put_text(sheet["A2"], "Change what is yellow. Numbers that do nothing at any of the worst poses are left out.")
    put_headers(sheet, FIRST_INPUT - 1, INPUT_HEADERS)
    for row, entry in enumerate(budgets.inputs, start=FIRST_INPUT):
        joint, key = _named(entry)
        for column, text in ((1, joint), (2, key), (3, entry.meaning), (5, entry.unit.name), (6, entry.distribution)):
            put_text(sheet.cell(row, column), text, grey=not entry.has_laws)
        sheet.cell(row, 5).alignment = Alignment(horizontal="left", indent=1)
        value = put_number(sheet.cell(row, 4), entry.value, value_format(entry.value))
        put_number(sheet.cell(row, 7), entry.value, value_format(entry.value))
        put_number(sheet.cell(row, 8), f"=D{row}/G{row}", "0.000")
        if entry.has_laws:
            editable(value)
            _bound(sheet, row, entry)
        else:
            note = put_text(sheet.cell(row, 11), WITHOUT_FORMULA, grey=True)
            note.alignment = Alignment(horizontal="left", indent=1)
    set_widths(sheet, (10, 38, 66, 11, 12, 26, 11, 12, 11, 11, 38))
    for column in (4, 7, 8, 9, 10):
        sheet.cell(FIRST_INPUT - 1, column).alignment = Alignment(horizontal="right", vertical="bottom")
    sheet.freeze_panes = sheet.cell(FIRST_INPUT, 1)
    sheet.print_title_rows = f"{FIRST_INPUT - 1}:{FIRST_INPUT - 1}"


def _bound(sheet: Any, row: int, entry: Input) -> None:
    """Write the bounds of an input, and have the spreadsheet refuse what is outside."""
    from openpyxl.styles import Alignment
    from openpyxl.worksheet.datavalidation import DataValidation

    texts = []
    for column, word, bound in ((9, "above" if entry.above else "at least", entry.least), (10, "at most", entry.most)):
        if bound is None:
            continue
        texts.append(f"{word} {bound:g}")
        cell = put_text(sheet.cell(row, column), f"{'> ' if word == 'above' else ''}{bound:g}", grey=True)
        cell.alignment = Alignment(horizontal="right")
    limits = [
        *([] if entry.least is None else [f"D{row}{'>' if entry.above else '>='}{entry.least!r}"]),
        *([] if entry.most is None else [f"D{row}<={entry.most!r}"]),
    ]
    formula = ",".join((f"ISNUMBER(D{row})", *limits))
    check = DataValidation(type="custom", formula1=f"AND({formula})", allow_blank=False, showErrorMessage=True)
    check.error = f"Accepted: a number{', ' if texts else ''}{', '.join(texts)}, in {entry.unit.name or 'no unit'}."
    check.errorTitle = "Not accepted"
    check.add(sheet.cell(row, 4))
    sheet.add_data_validation(check)


def _named(entry: Input) -> tuple[str, str]:
    """Owner and key of an input."""
    if entry.axis is not None:
        return "links", f"tolerance of {entry.axis}{entry.path.removeprefix(f'link {entry.axis}')}"
    return (entry.joint, entry.path.removeprefix(f"joints.{entry.joint}.")) if entry.joint else ("machine", entry.path)


def _budget(
    sheet: Any, result: Result, task: TaskResult, budget: TaskBudget, switches: Mapping[tuple[str, str], str]
) -> None:
    """Write the sheet of a task: the quantile, its formulas, and a row per cause."""
    from openpyxl.styles import Alignment

    last = FIRST + len(budget.rows) - 1
    mean, covariance = moments([line.row for line in budget.rows])
    coverage = coverage_of(result.requirement)
    normal = float(quantile_by_moments(mean[None], covariance[None], coverage)[0])
    sampled = task.summary.at_coverage
    decimals, headline = column_decimals(normal * UM, 5), column_decimals(normal * UM, 4)
    put_text(sheet["A1"], f"{result.scenario}, {task.name}: budget at its worst pose, {budget.pose}", bold=True)
    put_text(
        sheet["A2"], f"Results are {LINE}. Inputs are on the sheet '{INPUTS}', how to read this on '{HOW_TO_READ}'."
    )
    quantile = f"{share_text(coverage)} of errors within"
    limit = smallest_limit(result.required_at(task.name), task.follows_path, "error")
    cells: list[tuple[str, float | str, int | str]] = [
        (f"{quantile}, now [µm]", "=F7*F8", headline),
        (f"{quantile}, sampled by the run [µm]", sampled * UM, headline),
        (
            "the same by first order, now [µm]",
            "=IF(M12>0,SQRT(MAX(0,M11+(N12-M12)*SQRT(N11/M12))),SQRT(M11))",
            headline,
        ),
        ("ratio of sampled to first order, as run", sampled / normal if normal else 1.0, 4),
        (
            "required within [µm]",
            "" if limit is None else limit * UM,
            "General" if limit is None else value_format(limit * UM),
        ),
        ("rms error, now [µm]", "=SQRT(M11)", headline),
        ("mean error, now: x, y, z [µm]", f"=SUM(L{FIRST}:L{last})" if budget.rows else 0.0, headline),
    ]
    for row, (name, value, cell_format) in enumerate(cells, start=5):
        put_text(sheet.cell(row, 1), name, bold=row in (5, 10))
        if value != "":
            put_number(sheet.cell(row, 6), value, cell_format, bold=row in (5, 10))
    for column_number, column in ((7, "M"), (8, "N")):
        put_number(
            sheet.cell(11, column_number), f"=SUM({column}{FIRST}:{column}{last})" if budget.rows else 0.0, headline
        )
    _intermediate_sums(sheet, last if budget.rows else FIRST, coverage)
    for column_number, name in GROUPS.items():
        put_text(sheet.cell(FIRST - 2, column_number), name).font = font(italic=True)
    put_headers(sheet, FIRST - 1, HEADERS)
    rows_of_cause = Counter((line.row.owner, line.row.cause) for line in budget.rows)
    for number, line in enumerate(budget.rows, start=FIRST):
        detail = (
            _detail_of(line) if rows_of_cause[line.row.owner, line.row.cause] > 1 or line.row.owner == "links" else ""
        )
        _row(sheet, number, line, detail, decimals, switches[line.row.owner, line.row.cause])
    for column_number in range(6, len(HEADERS) + 1):
        sheet.cell(FIRST - 1, column_number).alignment = Alignment(
            wrap_text=True, vertical="bottom", horizontal="right"
        )
    set_widths(sheet, (12, 24, 22, 17, 8, 11, 12, 10, 10, 10, 10, 11, 11, 11, 11, 9, 11, 12))
    sheet.freeze_panes = sheet.cell(FIRST, 1)
    sheet.print_title_rows = f"{FIRST - 2}:{FIRST - 1}"


def _intermediate_sums(sheet: Any, last: int, coverage: float) -> None:
    """Write covariance and cumulants of the squared error, and the resulting quantile."""
    from openpyxl.styles import Alignment

    axes = {"x": "H", "y": "I", "z": "J"}

    def column(name: str) -> str:
        return f"{name}{FIRST}:{name}{last}"

    cells = {"xx": "M5", "xy": "N5", "xz": "O5", "yy": "N6", "yz": "O6", "zz": "O7"}
    for pair, cell in cells.items():
        factors = ",".join(column(axis) for axis in (axes[pair[0]], axes[pair[1]], "G", "G"))
        put_number(sheet[cell], f"=SUMPRODUCT({factors})", "0.00E+00")
    xx, xy, xz, yy, yz, zz = (cells[pair] for pair in ("xx", "xy", "xz", "yy", "yz", "zz"))
    x, y, z = "F11", "G11", "H11"
    cm = (f"{xx}*{x}+{xy}*{y}+{xz}*{z}", f"{xy}*{x}+{yy}*{y}+{yz}*{z}", f"{xz}*{x}+{yz}*{y}+{zz}*{z}")
    for cell, formula in zip(("M9", "N9", "O9"), cm, strict=True):
        put_number(sheet[cell], f"={formula}", "0.00E+00")
    squares = f"{xx}^2+{yy}^2+{zz}^2+2*({xy}^2+{xz}^2+{yz}^2)"
    cubes = (
        f"{xx}^3+{yy}^3+{zz}^3+3*{xx}*({xy}^2+{xz}^2)+3*{yy}*({xy}^2+{yz}^2)+3*{zz}*({xz}^2+{yz}^2)+6*{xy}*{xz}*{yz}"
    )
    put_number(sheet["M11"], f"={xx}+{yy}+{zz}+SUMSQ({x}:{z})", "0.00E+00")
    put_number(sheet["N11"], f"={squares}+2*({x}*M9+{y}*N9+{z}*O9)", "0.00E+00")
    put_number(sheet["O11"], f"={cubes}+3*SUMSQ(M9:O9)", "0.00E+00")
    put_number(sheet["M12"], "=IF(O11>0,N11^3/O11^2,0)", "0.00")
    expanded = "M12+NORMSINV(O12)*SQRT(2*M12)+2/3*(NORMSINV(O12)^2-1)"
    put_number(sheet["N12"], f"=IF(M12=0,0,IF(M12>{LARGE},{expanded},GAMMAINV(O12,M12/2,2)))", "0.00")
    put_number(sheet["O12"], coverage, "0.0##%")
    labels = {
        5: "covariance of the tool point [µm²]", 9: "covariance times mean [µm³]",
        11: "cumulants of the squared error [µm², µm⁴, µm⁶]",
        12: "degrees of freedom, χ² at the coverage, coverage",
    }  # fmt: skip
    for row, name in labels.items():
        put_text(sheet.cell(row, 12), name, grey=True).alignment = Alignment(horizontal="right")


def _row(sheet: Any, number: int, line: LiveRow, detail: str, decimals: int, switch: str) -> None:
    row = line.row
    unit, factor = UNITS[row.unit]
    sensitivity = np.asarray(row.sensitivity) * UM / factor
    for column, text in enumerate((row.owner, row.cause, detail, VARIATION[row.life], unit), start=1):
        put_text(sheet.cell(number, column), text)
    sizes = row.mean * factor, row.std * factor
    put_number(
        sheet.cell(number, 6), f"=Q{number}*{switch}{_gain(line.mean_laws)}", places_of(sizes[0]) if row.mean else "0"
    )
    std = f"R{number}*{switch}{_gain(line.std_laws)}"
    signed = any(law.kind == "share" for _, law in line.std_laws)
    put_number(sheet.cell(number, 7), f"=ABS({std})" if signed else f"={std}", places_of(sizes[1]) if row.std else "0")
    length = float(np.linalg.norm(sensitivity))
    digits = max(3, min(6, places_of(length)))
    for column, value in zip((8, 9, 10), sensitivity.tolist(), strict=True):
        put_number(sheet.cell(number, column), value if abs(value) > 1e-9 * length else 0.0, digits)
    put_number(sheet.cell(number, 11), f"=SQRT(SUMSQ(H{number}:J{number}))", digits)
    for column, along in ((12, "H"), (13, "I"), (14, "J")):
        put_number(sheet.cell(number, column), f"=F{number}*{along}{number}", decimals)
    put_number(sheet.cell(number, 15), f"=G{number}*K{number}", decimals)
    share = f"O{number}^2+L{number}*$F$11+M{number}*$G$11+N{number}*$H$11"
    put_number(sheet.cell(number, 16), f"=IF($M$11>0,({share})/$M$11,0)", "0.00%")
    for column, value in zip((17, 18), sizes, strict=True):
        put_number(sheet.cell(number, column), value, places_of(value) if value else "0")


def _detail_of(line: LiveRow) -> str:
    """Text that distinguishes rows of one owner and cause."""
    row = line.row
    name = row.key[0].rpartition("/")[2]
    if row.owner == "links":
        return row.axis or row.key[1]
    if row.owner == "machine":
        return f"drift, {row.axis}" if row.axis else "growth" if row.unit == "K" else row.key[1]
    if not row.axis:
        return row.key[1]
    return "" if name == row.cause else name


def _gain(laws: Laws) -> str:
    """Factor of an input in a formula."""

    def factor(number: int) -> str:
        return f"{INPUTS}!$H${FIRST_INPUT + number}"

    out, squares, shares = "", "", dict[float, str]()
    for number, law in laws:
        if law.kind == "power":
            out += f"*{factor(number)}" + (f"^{law.power:g}" if law.power != 1.0 else "")
        elif law.kind == "bits":
            out += f"*2^({law.size:.6g}*(1-{factor(number)}))"
        elif law.kind == "share":
            power = f"^{law.power:g}" if law.power != 1.0 else ""
            shares[law.power] = shares.get(law.power, "") + f"{law.size:+.{DIGITS}g}*({factor(number)}{power}-1)"
        else:
            squares += f"{law.size:+.{DIGITS}g}*({factor(number)}^{2 * law.power:g}-1)"
    out += "".join(f"*(1{terms})" for terms in shares.values())
    return out + (f"*SQRT(MAX(0,1{squares}))" if squares else "")
