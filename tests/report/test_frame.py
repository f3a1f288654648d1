"""Frames: one unit and as many decimals down a column, the numbers themselves in files. Source of every expected text: by hand."""

from __future__ import annotations

import math
import re

import pytest
from support import ROOT

from armsim.report.frame import (
    Frame,
    comparable_lengths,
    criterion_columns,
    joint_errors,
    lengths,
    quoted,
    shares,
    stacked,
    unitless,
    words,
)
from armsim.requirement import Judgement


def texts(frame: Frame) -> list[list[str]]:
    return [[cell.text for cell in row] for row in frame.rows]


def test_shares_of_a_column_have_the_same_decimals() -> None:
    """They were rounded one by one: 35 % stood over 30.2 %."""
    frame = Frame((words("cause", ["a", "b", "c", "d"]), shares("share", [0.35, 0.302, 0.00004, 0.0])))
    assert frame.headers == ("cause", "share [%]")
    assert texts(frame) == [["a", "35.0"], ["b", "30.2"], ["c", "<0.1"], ["d", "0"]]


def test_a_file_has_the_numbers_in_full() -> None:
    frame = Frame((words("pose", ["p", "q"]), lengths("error", [123.456789e-6, 1.5e-6], [(120e-6, 127e-6), None])))
    assert texts(frame) == [["p", "123.5 (120.0 to 127.0)"], ["q", "1.5"]]  # two digits of 3.5
    header, rows = frame.exact
    assert list(header) == ["pose", "error [um]", "error, low [um]", "error, high [um]"]
    first, second = rows
    assert first == ("p", pytest.approx(123.456789), pytest.approx(120.0), pytest.approx(127.0))
    assert second == ("q", pytest.approx(1.5), "", "")


def test_changes_have_signs_and_the_decimals_of_most() -> None:
    """A quarter of the rows may be less certain than their decimals tell; without sign what reads as nothing."""
    values = [-2e-6, 1.57e-6, 0.7e-6, 0.61e-6, 1e-9]
    halves = [8e-6, 0.9e-7, 0.6e-7, 0.5e-7, 0.5e-7]
    ends = [(value - half, value + half) for value, half in zip(values, halves, strict=True)]
    column = lengths("change", values, ends, change=True, half_widths=True)
    assert column.header == "change [µm]"
    assert [cell.text for cell in column.cells] == [
        "-2.00 ± 8.00", "+1.57 ± 0.09", "+0.70 ± 0.06", "+0.61 ± 0.05", "<0.01 ± 0.05",
    ]  # fmt: skip


def test_columns_alike_share_their_unit() -> None:
    one, other = comparable_lengths([("half", [1.2e-3], None), ("most", [0.5e-6], None)])
    assert (one.header, other.header) == ("half [mm]", "most [mm]")
    assert (one.cells[0].text, other.cells[0].text) == ("1.20", "<0.01")


def test_joints_that_turn_and_slide_have_their_own_units() -> None:
    turning = joint_errors("std", [math.pi / 648_000, math.inf], ["rad", "rad"])
    assert turning.header == "std [arcsec]"
    assert [cell.text for cell in turning.cells] == ["1.00", "∞"]
    mixed = joint_errors("std", [math.pi / 648_000, 2e-6], ["rad", "m"])
    assert mixed.header == "std"
    assert [cell.text for cell in mixed.cells] == ["1.00 arcsec", "2.00 µm"]


def test_rows_that_say_the_same_are_one() -> None:
    frame = Frame((words("joint", ["j1", "j2", "j3"]), unitless("price", [5, 7, 5])))
    assert texts(frame.merged()) == [["j1, j3", "5"], ["j2", "7"]]


def test_a_part_of_a_frame_keeps_unit_and_decimals() -> None:
    frame = Frame((lengths("error", [123e-6, 1.234e-6]),), "errors")
    assert texts(frame.pick([1])) == [["1"]]
    assert frame.head(1).title == "errors; first 1 of 2 rows"
    assert frame.head(2) is frame


def test_frames_below_each_other() -> None:
    """Columns that one of them lacks are empty there."""
    one = Frame((words("a", ["x"]), unitless("n", [1])))
    other = Frame((words("a", ["y"]), quoted("m", [2e-6], ["2 µm"], "m")))
    header, rows = stacked("task", [("one", one), ("other", other)])
    assert list(header) == ["task", "a", "n", "m [um]"]
    assert list(rows) == [["one", "x", 1, ""], ["other", "y", "", pytest.approx(2.0)]]


def test_a_column_of_words_stands_left() -> None:
    table = Frame((unitless("price", [1]), words("design", ["d"]), words("file", ["f"], "file"))).table()
    assert table.headers == ("price", "design")
    assert table.words == (1,)


def test_criteria_are_columns_by_what_they_judge() -> None:
    """One criterion more needs nothing here; a row that lacks one has a dash."""

    def judgement(name: str, value: float) -> Judgement:
        return Judgement.from_interval(name, f"{name} of errors", "{}", value, (0.9 * value, 1.1 * value), None, 100)

    columns = criterion_columns([(judgement("a", 1e-4),), (judgement("a", 2e-4), judgement("b", 3e-6))])
    assert [column.header for column in columns] == ["a of errors [µm]", "b of errors [µm]"]
    assert [cell.text for cell in columns[1].cells] == ["–", "3.00 (2.70 to 3.30)"]  # two digits of 0.30


def test_every_table_is_placed_from_a_frame() -> None:
    """Blocks of documents, HTML, CSV and terminal have one function each, which takes a frame. Source: the code."""
    package = ROOT / "armsim"
    homes = {
        r"[^.\w]Table\(": {"report/frame.py", "report/document.py", "cli/printing.py"},  # the class; that of rich
        "<table>": {"notebook.py", "report/manual_pages.py"},  # pages of the manual are Markdown
        r"csv\.writer\(": {"report/csv_tables.py"},
        r"\.rjust\(": {"cli/printing.py"},
        r"ui\.(table|aggrid)\(": set(),
    }
    texts_by_name = {path.relative_to(package).as_posix(): path.read_text() for path in package.rglob("*.py")}
    for mark, names in homes.items():
        assert {name for name, text in texts_by_name.items() if re.search(mark, text)} <= names, mark
