"""Frames: tables whose columns have one unit and number of decimals each, shared by all outputs.

The terminal, a page, slides and a notebook take the cells; a CSV takes the numbers themselves, in the unit of files.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from armsim.formatting import (
    ARCSECOND,
    PERCENT,
    Kind,
    Unit,
    decimals_of,
    format_in_unit,
    format_rounded,
    rounding_as_zero_or_none,
    unit_for,
)
from armsim.report.document import Cell, Table
from armsim.requirement import Judgement, Quantity, share_digits
from armsim.requirement.judgement import KINDS

if TYPE_CHECKING:
    from armsim.sampling.paired_difference import Difference

Interval = tuple[float, float] | None
ShownIn = Literal["everywhere", "display", "file"]
BARE = Unit("", 1.0)
POINTS = Unit("percentage points", 100.0)
FILE_UNITS = {"m": Unit("um", 1e6), "rad": Unit("urad", 1e6), "1": Unit("1", 1.0)}
"""Units of numbers in files, for all sizes."""


class Exact(NamedTuple):
    """Table for a file: header with units, and rows at full precision."""

    header: Sequence[str]
    rows: Iterable[Sequence[object]]


@dataclass(frozen=True)
class Column:
    """Column of one quantity; see `words`, `unitless`, `lengths`, `shares`, `joint_errors`.

    Parameters
    ----------
    name : str
    values : tuple
        Numbers in SI, None if unknown; or words.
    intervals : tuple of (low, high), optional
    unit : Unit
        Unit of the column; without a name where numbers are bare or each cell has its own.
    decimals : int, optional
        Decimals of all of its numbers; None for words and for numbers shown as they are.
    file_unit : Unit
    texts : tuple of str, optional
        Cells of a column whose rows have a unit each.
    change : bool
        Numbers are differences: a positive one has its sign.
    half_widths : bool
        An interval is shown as plus and minus its half.
    shown_in : str
        ``display`` alone, in the ``file`` alone, or ``everywhere``.
    show_intervals : bool
        Whether intervals are in the cells; in files they always are.
    """

    name: str
    values: tuple[Any, ...]
    intervals: tuple[Interval, ...] | None = None
    unit: Unit = BARE
    decimals: int | None = None
    file_unit: Unit = BARE
    texts: tuple[str, ...] | None = None
    change: bool = False
    half_widths: bool = False
    shown_in: ShownIn = "everywhere"
    show_intervals: bool = True

    @property
    def header(self) -> str:
        """Name with unit."""
        return f"{self.name} [{self.unit.name}]" if self.unit.name else self.name

    @property
    def is_text(self) -> bool:
        """Whether the column holds text, which is set flush left."""
        return all(value is None or isinstance(value, str) for value in self.values) and self.decimals is None

    @property
    def cells(self) -> tuple[Cell, ...]:
        """Cells of all rows: text, and number for sorting."""
        ends = (self.intervals if self.show_intervals else None) or (None,) * len(self.values)
        texts = self.texts or [self._text(*pair) for pair in zip(self.values, ends, strict=True)]
        numbers = [
            None if isinstance(value, str) or value is None or math.isinf(value) else value for value in self.values
        ]
        return tuple(Cell(text, number) for text, number in zip(texts, numbers, strict=True))

    def _text(self, value: Any, interval: Interval) -> str:
        if isinstance(value, str):
            return value
        if value is None or math.isnan(value):
            return "–"
        if math.isinf(value):
            return "∞"
        if self.decimals is None:
            return f"{value:g}"
        factor = self.unit.factor
        if self.half_widths and interval is not None:
            half = format_rounded(0.5 * (interval[1] - interval[0]) * factor, self.decimals)
            text = f"{format_rounded(value * factor, self.decimals)} ± {half}"
        else:
            text = format_in_unit(value, interval, factor, self.decimals)
        return f"+{text}" if self.change and value > 0 and not text.startswith(("<", "0 ")) and text != "0" else text

    @property
    def exact(self) -> list[tuple[str, list[object]]]:
        """Columns of a file: the numbers, and the ends of their intervals."""
        unit = self.file_unit

        def scaled(value: Any) -> object:
            number = isinstance(value, float | int) and not isinstance(value, bool)
            return "" if value is None else value * unit.factor if number and unit.name else value

        def titled(end: str) -> str:
            return f"{self.name}{end} [{unit.name}]" if unit.name else f"{self.name}{end}"

        out = [(titled(""), [scaled(value) for value in self.values])]
        for n, end in enumerate(("low", "high") if self.intervals is not None else ()):
            assert self.intervals is not None
            out.append((titled(f", {end}"), [scaled(None if ends is None else ends[n]) for ends in self.intervals]))
        return out

    @property
    def with_units(self) -> list[str]:
        """Cells of the column, each with the unit."""
        texts = (cell.text for cell in self.cells)
        return [text if text in "∞–" else f"{text} {self.unit.name}".rstrip() for text in texts]

    def pick(self, rows: Sequence[int]) -> Column:
        """Column of some rows, with the same unit and decimals."""

        def picked(items: tuple[Any, ...] | None) -> Any:
            return None if items is None else tuple(items[n] for n in rows)

        return replace(self, values=picked(self.values), intervals=picked(self.intervals), texts=picked(self.texts))


@dataclass(frozen=True)
class Frame:
    """Table of columns with a title; a terminal draws a line before the rows ``apart``, such as totals."""

    columns: tuple[Column, ...]
    title: str = ""
    apart: tuple[int, ...] = ()

    def __len__(self) -> int:
        return len(self.columns[0].values) if self.columns else 0

    @property
    def visible_columns(self) -> tuple[Column, ...]:
        """Columns that are displayed, not only written to files."""
        return tuple(column for column in self.columns if column.shown_in != "file")

    @property
    def headers(self) -> tuple[str, ...]:
        """Names of the columns with their units."""
        return tuple(column.header for column in self.visible_columns)

    @property
    def rows(self) -> tuple[tuple[Cell, ...], ...]:
        """Cells of every row."""
        return tuple(zip(*(column.cells for column in self.visible_columns), strict=True))

    def pick(self, rows: Sequence[int]) -> Frame:
        """Table of some rows, with the same units and decimals."""
        return replace(self, columns=tuple(column.pick(rows) for column in self.columns))

    def head(self, most: int) -> Frame:
        """Table of the first rows; the title says if there are more."""
        if len(self) <= most:
            return self
        return replace(self.pick(range(most)), title=f"{self.title}; first {most} of {len(self)} rows")

    def without(self, *names: str) -> Frame:
        """Table without the named columns."""
        return replace(self, columns=tuple(column for column in self.columns if column.name not in names))

    def merged(self) -> Frame:
        """Table in which rows that differ only in the first column are merged into one."""
        groups: dict[tuple[str, ...], list[int]] = {}
        for n, row in enumerate(self.rows):
            groups.setdefault(tuple(cell.text for cell in row[1:]), []).append(n)
        names = self.columns[0].values
        first = words(self.columns[0].name, [", ".join(names[n] for n in rows) for rows in groups.values()])
        other_columns = self.pick([rows[0] for rows in groups.values()]).columns[1:]
        return replace(self, columns=(first, *other_columns))

    def table(self) -> Table:
        """The frame as a block of a document."""
        text_columns = tuple(n for n, column in enumerate(self.visible_columns) if column.is_text)
        return Table(self.headers, self.rows, text_columns, self.title)

    @property
    def exact(self) -> Exact:
        """The frame as a table for a file."""
        columns = [pair for column in self.columns if column.shown_in != "display" for pair in column.exact]
        return Exact([name for name, _ in columns], list(zip(*(values for _, values in columns), strict=True)))


def stacked(name: str, frames: Sequence[tuple[str, Frame]]) -> Exact:
    """Frames stacked into one table for a file, with a first column of labels."""
    parts = [(label, frame.exact) for label, frame in frames]
    header = list(dict.fromkeys(column for _, part in parts for column in part.header))
    rows: list[list[object]] = []
    for label, part in parts:
        for row in part.rows:
            by_name = dict(zip(part.header, row, strict=True))
            rows.append([label, *(by_name.get(column, "") for column in header)])
    return Exact([name, *header], rows)


def words(name: str, texts: Iterable[str], shown_in: ShownIn = "everywhere") -> Column:
    """Column of text."""
    return Column(name, tuple(texts), shown_in=shown_in)


def unitless(name: str, values: Iterable[Any], shown_in: ShownIn = "everywhere", decimals: int | None = None) -> Column:
    """Column of counts, prices and ratios, without unit; unrounded where ``decimals`` is None."""
    return Column(name, tuple(values), shown_in=shown_in, decimals=decimals)


def price_column(name: str, values: Iterable[float], shown_in: ShownIn = "everywhere") -> Column:
    """Column of prices: whole ones as they are, else all with two decimals, as shares of one-off costs need."""
    numbers = tuple(values)
    integral = all(float(number).is_integer() for number in numbers)
    return unitless(name, numbers, shown_in, None if integral else 2)


def quoted(
    name: str,
    values: Iterable[Any],
    texts: Iterable[str],
    kind: str = "",
    intervals: Sequence[Interval] | None = None,
) -> Column:
    """Column of numbers with a unit in each cell; ``kind`` (m, rad or 1) sets the unit in files."""
    ends = None if intervals is None else tuple(intervals)
    return Column(name, tuple(values), ends, texts=tuple(texts), file_unit=FILE_UNITS.get(kind, BARE))


def lengths(
    name: str,
    values: Sequence[float | None],
    intervals: Sequence[Interval] | None = None,
    kind: Kind = "m",
    unit: Unit | None = None,
    decimals: int | None = None,
    change: bool = False,
    half_widths: bool = False,
) -> Column:
    """Column of lengths or angles; values below its decimals print as 0, unknown ones as a dash.

    Parameters
    ----------
    name : str
    values : sequence of float [m or rad]
    intervals : sequence of (low, high), optional
        As long as the values.
    kind, unit
        As in `formatting.show`.
    decimals : int, optional
        Decimals; by default those that the numbers justify.
    change, half_widths
        As in `Column`.
    """
    widths = [] if intervals is None else [0.5 * (ends[1] - ends[0]) for ends in intervals if ends is not None]
    unit = unit or unit_for([*values, *widths], kind)
    numbers = rounding_as_zero_or_none(values)
    if decimals is None:
        intervals_given = [] if intervals is None else [ends for ends in intervals if ends is not None]
        if (
            change and intervals_given
        ):  # differences in pairs are known to very different precision: the upper quartile decides
            intervals_given = [
                sorted(intervals_given, key=lambda ends: ends[1] - ends[0])[3 * len(intervals_given) // 4]
            ]
        decimals = decimals_of(numbers, intervals_given, unit.factor)
    ends = None if intervals is None else tuple(intervals)
    return Column(name, tuple(numbers), ends, unit, decimals, FILE_UNITS[kind], None, change, half_widths)


def comparable_lengths(
    columns: Sequence[tuple[str, Sequence[float | None], Sequence[Interval] | None]], kind: Kind = "m"
) -> list[Column]:
    """Columns of lengths with one unit and number of decimals, to be compared along a row."""
    values = [value for _, numbers, _ in columns for value in numbers]
    ends = [interval for _, numbers, intervals in columns for interval in intervals or [None] * len(numbers)]
    unit = unit_for(values, kind)
    decimals = decimals_of(values, ends, unit.factor)
    return [lengths(name, numbers, intervals, kind, unit, decimals) for name, numbers, intervals in columns]


SHARE_DECIMALS = 1
"""Decimals of shares in per cent that have no intervals."""


def shares(
    name: str,
    values: Sequence[float | None],
    intervals: Sequence[Interval] | None = None,
    decimals: int | None = None,
    change: bool = False,
) -> Column:
    """Column of shares in per cent, or of changes in percentage points, with equal decimals."""
    unit = POINTS if change else PERCENT
    if decimals is None:
        has_intervals = intervals is not None and any(ends is not None for ends in intervals)
        decimals = decimals_of(values, intervals or (), unit.factor) if has_intervals else SHARE_DECIMALS
    ends = None if intervals is None else tuple(intervals)
    return Column(name, tuple(values), ends, unit, decimals, FILE_UNITS["1"], None, change)


def joint_errors(
    name: str, values: Sequence[float | None], units: Sequence[str], intervals: Sequence[Interval] | None = None
) -> Column:
    """Errors of joints, arcseconds or lengths of slides (``units`` "rad" or "m"); each with its unit where mixed."""
    parts: dict[str, Column] = {}
    for kind in dict.fromkeys(units):
        rows = [n for n, unit in enumerate(units) if unit == kind]
        ends = None if intervals is None else [intervals[n] for n in rows]
        numbers, angular = [values[n] for n in rows], kind == "rad"
        parts[kind] = lengths(name, numbers, ends, "rad" if angular else "m", ARCSECOND if angular else None)
    if len(parts) == 1:
        return next(iter(parts.values()))
    cells = {kind: iter(part.with_units) for kind, part in parts.items()}
    return quoted(name, values, [next(cells[kind]) for kind in units], intervals=intervals)


def criterion_columns(rows: Sequence[Sequence[Judgement]], show_intervals: bool = True) -> list[Column]:
    """Columns of the criteria, each in one unit and number of decimals; a dash if a criterion does not apply."""
    by_name = [{judgement.criterion: judgement for judgement in row} for row in share_digits(rows)]
    out = []
    for name in dict.fromkeys(name for row in by_name for name in row):
        figures = [row.get(name) for row in by_name]
        first = next(figure for figure in figures if figure is not None)
        kind = KINDS.get(first.quantity, "1" if first.quantity == "share" else "")
        out.append(
            Column(
                first.statistic,
                tuple(None if figure is None else figure.value for figure in figures),
                tuple(None if figure is None else figure.interval for figure in figures),
                first.display_unit, first.decimals, FILE_UNITS.get(kind, BARE), show_intervals=show_intervals,
            )
        )  # fmt: skip
    return out


def figures_with_units(figures: Sequence[Judgement | None]) -> list[str]:
    """One criterion of several designs, each figure with its unit, all with as many decimals; a dash if none is."""
    common_digits = iter(share_digits([[figure for figure in figures if figure is not None]])[0])
    return ["–" if figure is None else next(common_digits).value_text for figure in figures]


def changes(name: str, differences: Sequence[Difference | None], quantity: Quantity) -> Column:
    """Changes of a length, an angle, a share or a count, with their intervals; a dash for a change that is None."""
    values = [None if change is None else change.value for change in differences]
    ends = [None if change is None else change.interval for change in differences]
    if quantity == "share":
        return shares(name, values, ends, change=True)
    if quantity == "count":
        return Column(name, tuple(values), decimals=0, change=True)
    return lengths(name, values, ends, KINDS[quantity], change=True)
