"""The folders of a comparison, of a what-if table and of a trade-off curve."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

from armsim import figures
from armsim.decide.compare import Comparison
from armsim.decide.sweep import Sweep
from armsim.decide.trade_off import TradeOff
from armsim.decide.what_if import WhatIfs
from armsim.formatting import signed
from armsim.report.comparison_review import comparison_review
from armsim.report.csv_tables import write_table
from armsim.report.decision_review import write_curve_table
from armsim.report.decision_sentences import summary_rows
from armsim.report.drawing import Planned, keep
from armsim.report.gallery import curve_drawn, file_name, what_ifs_drawn
from armsim.report.html import write_page
from armsim.report.output_folder import folder
from armsim.report.pdf import Paper, write_pdf
from armsim.report.run_folder import manifest_of, write_json
from armsim.scenario import Scenario

UM = 1e6


def write_comparison(
    out: Path,
    comparison: Comparison,
    scenarios: Sequence[Scenario],
    command: str,
    paper: Paper = "a4",
    progress: Callable[[str, int, int], None] = lambda what, done, total: None,
    landed: Callable[[Path], None] = lambda place: None,
) -> None:
    """Write comparison.json, tables, figures and the document; an earlier comparison is replaced at the very end."""
    made_from = scenarios[0].file if scenarios else None
    with folder(out, made_from, landed) as partial:
        write_json(partial / "comparison.json", comparison.to_dict())
        (partial / "tables").mkdir()
        rows = summary_rows(comparison)
        write_table(partial / "tables" / "designs.csv", list(rows[0]), [list(row.values()) for row in rows])
        header = [
            "task",
            "design",
            "pose",
            f"difference of {comparison.quantile} [um]",
            "half of its 95 % interval [um]",
        ]
        lines: list[list[object]] = []
        for row in comparison.differences:
            for name, value, half in zip(row.poses, row.values.tolist(), row.half_widths.tolist(), strict=True):
                lines.append([row.task, row.scenario, name, value * UM, half * UM])
        write_table(partial / "tables" / "differences.csv", header, lines)
        pictures = keep(partial / "figures", _drawn(comparison), progress)
        sources = list({source.path: source for scenario in scenarios for source in scenario.sources}.values())
        manifest = manifest_of(comparison.results[0], sources, command)
        write_json(partial / "manifest.json", manifest)
        document = comparison_review(comparison, pictures, sources, manifest)
        write_page(partial / "report.html", document)
        write_pdf(partial / "report.pdf", document, paper)


def _drawn(comparison: Comparison) -> Iterator[Planned]:
    first = comparison.results[0]
    for number, task in enumerate(first.tasks, start=1):
        own = [row for row in comparison.differences if row.task == task.name]
        best = min(own, key=lambda row: row.at_coverage.value)
        title = f"{task.name}: {best.scenario} changes the {comparison.quantile} by {signed(*best.at_coverage)}"
        note = f"less {first.scenario}, at the worst pose of each; {first.units} units × {first.visits} visits"
        draw = partial(
            figures.differences, [(row.scenario, *row.at_coverage) for row in own], title, note, comparison.quantile
        )
        caption = "Every design against the first; lines are 95 % intervals of the difference."
        yield Planned("differences", f"{number}-{file_name(task.name)}-designs", caption, draw)
        for other, row in enumerate(own, start=2):
            if task.is_map:
                shown = task, row.values, row.joint_widths, first.scenario, row.scenario, comparison.quantile
                caption = f"Every cell: how much the other design changes the {comparison.quantile} there."
                name = f"{number}-{file_name(row.task)}-{other}-{file_name(row.scenario)}"
                yield Planned("differences", name, caption, partial(figures.difference_map, *shown))


def write_what_if(out: Path, table: WhatIfs, landed: Callable[[Path], None] = lambda place: None) -> None:
    """Write what-if.json, a table and a figure per task; an earlier one there is replaced at the very end."""
    with folder(out, None, landed) as partial:
        write_json(partial / "what-if.json", table.to_dict())
        (partial / "tables").mkdir()
        header = [
            "task",
            "change",
            "of",
            f"change of {table.result.quantile} [um]",
            "low [um]",
            "high [um]",
            "change of yield [1]",
        ]
        lines: list[list[object]] = []
        for task in table.result.tasks:
            for row in table.of(task.name):
                passed = "" if row.passing is None else row.passing.value
                changed = [
                    "" if x is None else x * UM
                    for x in (row.at_coverage.value, *(row.at_coverage.interval or (None, None)))
                ]
                lines.append([row.task, row.kind, row.what, *changed, passed])
        write_table(partial / "tables" / "what-if.csv", header, lines)
        keep(partial / "figures", what_ifs_drawn(table))


def write_trade_off(out: Path, curve: TradeOff, landed: Callable[[Path], None] = lambda place: None) -> None:
    """Write trade-off.json, a table and a figure; an earlier one there is replaced at the very end."""
    with folder(out, None, landed) as partial:
        write_json(partial / "trade-off.json", curve.to_dict())
        (partial / "tables").mkdir()
        write_curve_table(partial / "tables", curve)
        keep(partial / "figures", [curve_drawn(curve)])


def write_sweep(out: Path, found: Sweep, landed: Callable[[Path], None] = lambda place: None) -> None:
    """Write sweep.json, a table and a figure; an earlier one there is replaced at the very end."""
    record, requirement = found.record, found.requirement
    with folder(out, None, landed) as place:
        write_json(place / "sweep.json", found.to_dict())
        (place / "tables").mkdir()
        first = record.points[0].tasks
        header = ["value", "task", "worst pose"]
        for own in first[0].judgements:
            unit = {"length": "um", "angle": "urad"}.get(own.quantity, "1")
            header += [f"{own.statistic} [{unit}]", f"low [{unit}]", f"high [{unit}]"]
        lines: list[list[object]] = []
        for point in record.points:
            for task in point.tasks:
                cells: list[object] = []
                for own in task.judgements:
                    factor = UM if own.quantity in ("length", "angle") else 1.0
                    ends = own.interval or (None, None)
                    cells += ["" if x is None else x * factor for x in (own.value, *ends)]
                lines.append([point.value, task.name, task.worst_pose, *cells, task.state])
        write_table(place / "tables" / "sweep.csv", [*header, "requirement"], lines)
        drawn = {
            task.name: [
                (point.number, own.judgements[0].value, own.judgements[0].interval)
                for point, own in found.of(task.name)
            ]
            for task in first
        }
        note = f"worst pose of each task; band: 95 % interval; {record.units} units × {record.visits} visits"
        position = None if requirement is None else requirement.position
        draw = partial(figures.sweep, record.path, record.unit, drawn, position, first[0].judgements[0].statistic, note)
        keep(place / "figures", [Planned("sweep", "sweep", "The same poses and random numbers at every value.", draw)])
