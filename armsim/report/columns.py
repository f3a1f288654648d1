"""Columns of tables whose numbers share unit and decimals, so that they can be compared by looking down them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from armsim.formatting import ARCSECOND, Kind, Unit, decimals_of, in_unit, unit_for, without_rounding
from armsim.report.document import Cell

Interval = tuple[float, float] | None


def column(
    name: str,
    values: Sequence[float | None],
    intervals: Sequence[Interval] = (),
    kind: Kind = "m",
    unit: Unit | None = None,
    places: int | None = None,
) -> tuple[str, list[Cell]]:
    """Header with the unit, and cells; what is below the decimals of the column is 0, what is not known a dash.

    Parameters
    ----------
    name : str
    values : sequence of float [m or rad]
    intervals : sequence of (low, high), optional
        As long as the values.
    kind, unit
        As of `formatting.show`.
    places : int, optional
        Decimals; those that its numbers justify where not given.
    """
    own = unit or unit_for([v for v in values if v is not None and math.isfinite(v)], kind)
    ends = list(intervals) or [None] * len(values)
    values = without_rounding(values)
    places = decimals_of(values, ends, own.factor) if places is None else places
    cells = [
        Cell(_text(value, interval, own.factor, places), None if value is None or math.isinf(value) else value)
        for value, interval in zip(values, ends, strict=True)
    ]
    return f"{name} [{own.name}]", cells


def columns_alike(
    columns: Sequence[tuple[str, Sequence[float | None], Sequence[Interval]]], kind: Kind = "m"
) -> list[tuple[str, list[Cell]]]:
    """Columns of figures that are compared along a row: `column` of each, all with one unit and as many decimals."""
    every = [value for _, values, _ in columns for value in values]
    ends = [interval for _, _, intervals in columns for interval in intervals]
    unit = unit_for([value for value in every if value is not None and math.isfinite(value)], kind)
    places = decimals_of(every, ends, unit.factor)
    return [column(name, values, intervals, kind, unit, places) for name, values, intervals in columns]


def joint_column(name: str, values: Sequence[float], units: Sequence[str]) -> tuple[str, list[Cell]]:
    """Errors of joints, arcseconds or lengths of slides (``units`` "rad" or "m"); each with its unit where mixed."""
    rotary = [value for value, unit in zip(values, units, strict=True) if unit == "rad"]
    linear = [value for value, unit in zip(values, units, strict=True) if unit != "rad"]
    if not linear:
        return column(name, rotary, kind="rad", unit=ARCSECOND)
    if not rotary:
        return column(name, linear)
    (_, turning), (head, sliding) = column(name, rotary, kind="rad", unit=ARCSECOND), column(name, linear)
    length = head.rpartition("[")[2].rstrip("]")
    one, other = iter(turning), iter(sliding)
    cells = []
    for unit in units:
        cell, told = (next(one), ARCSECOND.name) if unit == "rad" else (next(other), length)
        cells.append(Cell(cell.text if cell.text in "∞–" else f"{cell.text} {told}", cell.value))
    return name, cells


def _text(value: float | None, interval: Interval, factor: float, places: int) -> str:
    if value is None or math.isnan(value):
        return "–"
    if math.isinf(value):
        return "∞"
    return in_unit(value, interval, factor, places)
