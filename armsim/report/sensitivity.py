"""Tables and folder of the sensitivities: what the architect takes to the supplier."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from armsim import figures
from armsim.decide.sensitivity import Line, Sensitivities
from armsim.formatting import percent, show, signed, significant
from armsim.report.drawing import Planned, keep
from armsim.report.gallery import file_name
from armsim.report.output_folder import folder
from armsim.report.run_folder import write_json
from armsim.report.tables import write_table

UM = 1e6
LINES = ("line", "now", "per unit", "a tenth less", "mean over poses", "a tenth less, sampled")
PARTS = ("joint", "cause", "worst pose", "over the task")
MOST_BARS = 16


def title(found: Sensitivities, task: str) -> str:
    """Of the table of a task."""
    summary = found.result.task(task).summary
    return f"{task}: 95 % of errors within {show(summary.p95)} at {summary.worst_pose}; what every number does to that"


def _short(path: str) -> str:
    """A path as a figure has room for: the joint, and the key without the part that holds it."""
    _, _, rest = path.partition("joints.")
    joint, _, key = rest.partition(".")
    for part in ("transmission.", "encoder.", "mounting."):
        key = key.removeprefix(part)
    return f"{joint} {key}" if rest else path


def _now(line: Line) -> str:
    return f"{significant(line.value)} {line.unit.name}".rstrip()


def line_rows(found: Sensitivities, task: str) -> list[tuple[str, ...]]:
    """Rows of `LINES`, the largest effect first."""
    out: list[tuple[str, ...]] = []
    for line in found.of(task):
        per = f"{signed(line.per_unit, None)} per {line.unit.name or '1'}"
        checked = "" if line.checked is None else signed(*line.checked)
        out.append((line.path, _now(line), per, signed(line.tenth_less, None), signed(line.over_task, None), checked))
    return out


def part_rows(found: Sensitivities, task: str) -> list[tuple[str, ...]]:
    """Rows of `PARTS`, the largest share first."""
    return [(own.joint, own.cause, percent(own.worst), percent(own.over_task)) for own in found.parts_of(task)]


def write_sensitivities(out: Path, found: Sensitivities, landed: Callable[[Path], None] = lambda place: None) -> None:
    """Write sensitivity.json, tables and a figure per task; an earlier one there is replaced at the very end."""
    with folder(out, None, landed) as place:
        write_json(place / "sensitivity.json", found.to_dict())
        (place / "tables").mkdir()
        write_sensitivity_tables(place / "tables", found)
        keep(place / "figures", sensitivities_drawn(found))


def write_sensitivity_tables(tables: Path, found: Sensitivities) -> None:
    """Every number, and every share."""
    header = ["task", "line", "now", "unit", "per unit [um]", "a tenth less [um]", "mean over poses [um]",
              "a tenth less, sampled [um]", "low [um]", "high [um]"]  # fmt: skip
    lines: list[list[object]] = []
    for own in found.lines:
        value, ends = ("", None) if own.checked is None else (own.checked.value * UM, own.checked.interval)
        low, high = ("", "") if ends is None else (ends[0] * UM, ends[1] * UM)
        sizes = [own.per_unit * UM, own.tenth_less * UM, own.over_task * UM]
        lines.append([own.task, own.path, own.value, own.unit.name, *sizes, value, low, high])
    write_table(tables / "sensitivity.csv", header, lines)
    shares: list[list[object]] = [[own.task, own.joint, own.cause, own.worst, own.over_task] for own in found.parts]
    write_table(tables / "shares.csv", ["task", "joint", "cause", "worst pose [1]", "over the task [1]"], shares)


def sensitivities_drawn(found: Sensitivities) -> Iterator[Planned]:
    """The numbers that matter most, of every task."""
    for number, task in enumerate(found.result.tasks, start=1):
        ranked = found.of(task.name)[:MOST_BARS]
        if not ranked:
            continue
        rows = [(f"{_short(line.path)}: {_now(line)}", line.tenth_less, None) for line in ranked]
        best = ranked[0]
        heading = f"{task.name}: a tenth less of {_short(best.path)} changes most: {signed(best.tenth_less, None)}"
        note = "change of the 95 % quantile at the worst pose by a tenth less of one number; first order"
        name = f"{number}-{file_name(task.name)}-sensitivity"
        caption = "One number of a data sheet or drawing at a time."
        yield Planned("recommendations", name, caption, partial(figures.differences, rows, heading, note))
