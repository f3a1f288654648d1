"""The folders of a comparison, of a what-if table and of a trade-off curve."""

from __future__ import annotations

import csv
import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from armsim import figures
from armsim.decide.compare import Comparison, summary_rows
from armsim.decide.tradeoff import TradeOff
from armsim.decide.whatif import WhatIfs
from armsim.present import signed
from armsim.report.bundle import file_name, move_into_place, save_figure

COMPARISON = {"comparison.json", "tables", "figures"}
"""What a comparison leaves behind."""
WHAT_IF = {"what-if.json", "tables", "figures"}
"""What a what-if table leaves behind."""
TRADE_OFF = {"trade-off.json", "tables", "figures"}
"""What a trade-off curve leaves behind."""
MOST_BARS = 16
"""Changes drawn for a task."""
UM = 1e6


def write_comparison(out: Path, comparison: Comparison) -> None:
    """Write comparison.json, tables and figures; an earlier comparison there is replaced at the very end."""
    with folder(out) as partial:
        _json(partial / "comparison.json", comparison.to_dict())
        (partial / "tables").mkdir()
        rows = summary_rows(comparison)
        _table(partial / "tables" / "designs.csv", list(rows[0]), [list(row.values()) for row in rows])
        header = ["task", "design", "pose", "difference of p95 [um]", "half of its 95 % interval [um]"]
        lines: list[list[object]] = []
        for row in comparison.differences:
            for name, value, half in zip(row.poses, row.values.tolist(), row.half_widths.tolist(), strict=True):
                lines.append([row.task, row.scenario, name, f"{value * UM:.9g}", f"{half * UM:.9g}"])
        _table(partial / "tables" / "differences.csv", header, lines)
        (partial / "figures").mkdir()
        first = comparison.results[0]
        for number, row in enumerate(comparison.differences, start=1):
            task = first.task(row.task)
            if task.kind == "slice":
                figure = figures.difference_map(task, row.values, row.half_widths, first.scenario, row.scenario)
                save_figure(partial / "figures" / f"{number}-{file_name(row.task)}-{file_name(row.scenario)}", figure)


def write_what_if(out: Path, table: WhatIfs) -> None:
    """Write what-if.json, a table and a figure a task; an earlier one there is replaced at the very end."""
    with folder(out) as partial:
        _json(partial / "what-if.json", table.to_dict())
        (partial / "tables").mkdir()
        header = ["task", "change", "of", "change of p95 [um]", "low [um]", "high [um]", "change of yield [1]"]
        lines: list[list[object]] = []
        for task in table.result.tasks:
            for row in table.of(task.name):
                ends = row.p95.interval or (float("nan"), float("nan"))
                passed = "" if row.passing is None else f"{row.passing.value:.9g}"
                changed = [f"{x * UM:.9g}" for x in (row.p95.value, *ends)]
                lines.append([row.task, row.kind, row.what, *changed, passed])
        _table(partial / "tables" / "what-if.csv", header, lines)
        (partial / "figures").mkdir()
        for number, task in enumerate(table.result.tasks, start=1):
            rows = [(f"{row.what}, {row.kind}", *row.p95) for row in table.of(task.name)[:MOST_BARS]]
            best = table.of(task.name)[0]
            title = f"{task.name}: {best.what}, {best.kind}, changes most: {signed(*best.p95)}"
            sizes = f"{table.result.units} units × {table.result.visits} visits"
            note = f"{sizes}, the same random numbers with and without the change"
            save_figure(
                partial / "figures" / f"{number}-{file_name(task.name)}-what-if", figures.differences(rows, title, note)
            )


def write_trade_off(out: Path, curve: TradeOff, coverage: float) -> None:
    """Write trade-off.json, a table and a figure; an earlier one there is replaced at the very end."""
    points = curve.points
    with folder(out) as partial:
        _json(partial / "trade-off.json", curve.to_dict())
        (partial / "tables").mkdir()
        groups = list(dict.fromkeys(group for point in points for group in point.spending))
        joints = [part.joint for part in points[0].design]
        header = [
            "price",
            "first order [um]",
            "sampled [um]",
            "pose",
            *(f"spent on {group}" for group in groups),
            *joints,
        ]
        lines: list[list[object]] = []
        for point in points:
            fitted = [f"{part.encoder}, {part.mounting}, {part.placement}" for part in point.design]
            spent = [f"{point.spending.get(group, 0.0):g}" for group in groups]
            errors = [f"{point.predicted * UM:.9g}", f"{point.sampled * UM:.9g}"]
            lines.append([f"{point.price:g}", *errors, point.pose, *spent, *fitted])
        _table(partial / "tables" / "trade-off.csv", header, lines)
        (partial / "figures").mkdir()
        figure = figures.trade_off(
            curve.scenario,
            [point.price for point in points],
            [point.predicted for point in points],
            [point.sampled for point in points],
            [point.spending for point in points],
            (curve.current_price, curve.current),
            curve.position,
            coverage,
        )
        save_figure(partial / "figures" / "trade-off", figure)


@contextmanager
def folder(out: Path) -> Iterator[Path]:
    """A folder beside ``out`` to write in, put in its place when all is written."""
    out = out.absolute()
    out.parent.mkdir(parents=True, exist_ok=True)
    partial = Path(tempfile.mkdtemp(prefix=f".{out.name}.partial-", dir=out.parent))
    try:
        partial.chmod(0o755)
        yield partial
        move_into_place(partial, out)
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def _json(path: Path, data: dict[str, Any]) -> None:
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def _table(path: Path, header: list[str], rows: list[list[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows(rows)
