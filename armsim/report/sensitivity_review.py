"""Tables and folder of the sensitivities: what the architect takes to the supplier."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from armsim import figures
from armsim.decide.sensitivity import Line, Sensitivities
from armsim.formatting import percent, show, signed, with_half_width
from armsim.report.csv_tables import write_table
from armsim.report.drawing import Planned, keep
from armsim.report.gallery import file_name
from armsim.report.output_folder import folder
from armsim.report.run_folder import write_json
from armsim.sampling.paired_difference import Difference

UM = 1e6
LINES = ("line", "now", "per unit", "a tenth less", "rms over poses, a tenth less")
PARTS = ("joint", "cause", "worst pose", "over the task")
MOST_BARS = 16


def title(found: Sensitivities, task: str) -> str:
    """Of the table of a task."""
    summary, coverage = found.result.task(task).summary, percent(found.coverage)
    where = f"{coverage} of errors within {show(summary.at_coverage)} at {summary.worst_pose}"
    return f"{task}: {where}; what every number does to that"


def _short(path: str) -> str:
    """A path as a figure has room for: the joint, and the key without the part that holds it."""
    _, _, rest = path.partition("joints.")
    joint, _, key = rest.partition(".")
    for part in ("transmission.", "encoder.", "mounting."):
        key = key.removeprefix(part)
    return f"{joint} {key}" if rest else path


def _now(line: Line) -> str:
    return f"{line.value:.6g} {line.unit.name}".rstrip()  # as it is stated


def line_rows(found: Sensitivities, task: str) -> list[tuple[str, ...]]:
    """Rows of `LINES`, the largest effect first."""
    out: list[tuple[str, ...]] = []
    for line in found.of(task):
        per = f"{with_half_width(*line.per_unit)} per {line.unit.name or '1'}"
        rms = signed(line.rms_tenth_less, None)
        out.append((line.path, _now(line), per, with_half_width(*line.tenth_less), rms))
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
    header = ["task", "line", "now", "unit", "per unit [um]", "per unit, low [um]", "per unit, high [um]",
              "a tenth less [um]", "a tenth less, low [um]", "a tenth less, high [um]",
              "rms over poses, a tenth less [um]"]  # fmt: skip
    lines: list[list[object]] = []
    for line in found.lines:
        sizes = [*_ends(line.per_unit), *_ends(line.tenth_less), line.rms_tenth_less * UM]
        lines.append([line.task, line.path, line.value, line.unit.name, *sizes])
    write_table(tables / "sensitivity.csv", header, lines)
    shares: list[list[object]] = [[own.task, own.joint, own.cause, own.worst, own.over_task] for own in found.parts]
    write_table(tables / "shares.csv", ["task", "joint", "cause", "worst pose [1]", "over the task [1]"], shares)


def _ends(change: Difference) -> list[object]:
    """Value and ends of its interval, in um."""
    low, high = ("", "") if change.interval is None else (end * UM for end in change.interval)
    return [change.value * UM, low, high]


def sensitivities_drawn(found: Sensitivities) -> Iterator[Planned]:
    """The numbers that matter most, of every task."""
    for number, task in enumerate(found.result.tasks, start=1):
        ranked = found.of(task.name)[:MOST_BARS]
        if not ranked:
            continue
        rows = [(f"{_short(line.path)}: {_now(line)}", *line.tenth_less) for line in ranked]
        best = ranked[0]
        change = with_half_width(*best.tenth_less)
        heading = f"{task.name}: a tenth less of {_short(best.path)} changes most: {change}"
        note = "by a tenth less of one number; lines: 95 % intervals"
        name = f"{number}-{file_name(task.name)}-sensitivity"
        caption = "One number of a data sheet or drawing at a time."
        yield Planned(
            "recommendations", name, caption, partial(figures.differences, rows, heading, note, found.result.quantile)
        )
