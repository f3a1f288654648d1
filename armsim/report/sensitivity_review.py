"""Review of sensitivities to the numbers of data sheets and drawings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

from armsim import figures
from armsim.decide.sensitivity import NumberSensitivity, Sensitivities
from armsim.formatting import format_with_half_width, percent, show, unit_for
from armsim.report.document import Block, Folded, Section, Text
from armsim.report.drawing import Planned
from armsim.report.frame import Exact, Frame, lengths, quoted, shares, stacked, words
from armsim.report.gallery import file_name
from armsim.report.manifest import Sample
from armsim.report.parameter_labels import parameter_label
from armsim.report.review import Review, json_file
from armsim.report.verdict import TONES, as_it_is, deciding_task
from armsim.scenario import Scenario

SHOWN, FIRST = 15, 8
"""Most rows on screen and in a section, and on the first page; the tables have all."""
MOST_BARS = 16


def columns_sentence(sensitivities: Sensitivities) -> str:
    """Sentence on the columns of the table."""
    return (
        f"Change of the {percent(sensitivities.coverage)} quantile of the error at the worst pose by each number "
        "of a data sheet, drawing or gear: for 1 more of it, in its own unit, and for 10 % less. Both are "
        "sampled; ± is half of the 95 % interval. The change of the rms error over all poses is by first order."
    )


def limits_of_the_table(sensitivities: Sensitivities) -> str:
    """Sentence on required criteria that the table does not cover; empty if there are none."""
    names = ", ".join(sensitivities.not_covered)
    about_all = "the tables cover the tool-point error alone; armsim what-if covers every criterion"
    return f"not covered: {names}; {about_all}" if names else ""


def label(sensitivities: Sensitivities, line: NumberSensitivity) -> str:
    """Number of a line in words."""
    return parameter_label(line.path, sensitivities.result.joints)


def _present_value(line: NumberSensitivity) -> str:
    unit = line.unit.name.replace("um", "µm").replace("urad", "µrad")
    return f"{line.value:.6g} {unit}".rstrip()  # as it is stated


def line_frame(sensitivities: Sensitivities, task: str) -> Frame:
    """Table of every number with an effect on a task, the largest first."""
    rows, summary = sensitivities.lines_of(task), sensitivities.result.task(task).summary
    unit = unit_for(row.per_unit.value for row in rows)
    per_unit = [
        format_with_half_width(row.per_unit.value, row.per_unit.interval, unit).removesuffix(f" {unit.name}")
        for row in rows
    ]
    slopes = [row.per_unit.value for row in rows], per_unit, "m", [row.per_unit.interval for row in rows]
    tenths = [row.tenth_less.value for row in rows], [row.tenth_less.interval for row in rows]
    error_text = (
        f"{percent(sensitivities.coverage)} of errors within {show(summary.at_coverage)} at {summary.worst_pose}"
    )
    return Frame(
        (
            words("number", [label(sensitivities, row) for row in rows]),
            words("path", [row.path for row in rows], "file"),
            quoted("now", [row.value for row in rows], [_present_value(row) for row in rows]),
            words("unit", [row.unit.name for row in rows], "file"),
            replace(quoted("change for 1 more", *slopes), unit=unit),
            lengths("change for 10 % less", *tenths, change=True, half_widths=True),
            lengths("change of the rms for 10 % less", [row.rms_tenth_less for row in rows], change=True),
        ),
        f"{task}: {error_text}; effect of each number on it",
    )  # fmt: skip


def part_frame(sensitivities: Sensitivities, task: str) -> Frame:
    """Table of the shares of every cause at every joint, the largest first."""
    rows = sensitivities.cause_shares_of(task)
    return Frame(
        (
            words("joint", [row.joint for row in rows]),
            words("cause", [row.cause for row in rows]),
            shares("worst pose", [row.worst for row in rows]),
            shares("over the task", [row.over_task for row in rows]),
        ),
        f"{task}: shares of the mean square error",
    )


def sensitivity_tables(sensitivities: Sensitivities) -> dict[str, Exact]:
    """Tables of all numbers and shares, for files."""
    tasks = [task.name for task in sensitivities.result.tasks]
    return {
        "sensitivity": stacked("task", [(task, line_frame(sensitivities, task)) for task in tasks]),
        "shares": stacked("task", [(task, part_frame(sensitivities, task)) for task in tasks]),
    }


def sensitivity_section(sensitivities: Sensitivities) -> Section:
    """Section on sensitivities."""
    blocks: list[Block] = [Text(columns_sentence(sensitivities))]
    for task in sensitivities.result.tasks:
        blocks.append(line_frame(sensitivities, task.name).head(SHOWN).table())
        frame = part_frame(sensitivities, task.name).head(SHOWN)
        blocks.append(Folded(f"{task.name}: shares by joint and cause", (frame.table(),)))
    return Section("Sensitivity to each number", "sensitivity", tuple(blocks))


def _figure_name(number: int, task: str) -> str:
    return f"{number}-{file_name(task)}-sensitivity"


def sensitivity_figures(sensitivities: Sensitivities) -> Iterator[Planned]:
    """Figures of the most important numbers, one per task."""
    for number, task in enumerate(sensitivities.result.tasks, start=1):
        largest = sensitivities.lines_of(task.name)[:MOST_BARS]
        if not largest:
            continue
        rows = [(f"{label(sensitivities, line)}: {_present_value(line)}", line.tenth_less) for line in largest]
        best = _largest_resolved(largest) or largest[0]
        change = format_with_half_width(*best.tenth_less)
        heading = f"{task.name}: 10 % less {label(sensitivities, best)} changes most: {change}"
        note = "10 % less of one number at a time; lines: 95 % intervals"
        draw = partial(figures.differences, rows, heading, note, f"{sensitivities.result.quantile} at the worst pose")
        caption = "One number of a data sheet or drawing at a time."
        yield Planned("sensitivity", _figure_name(number, task.name), caption, draw)


def _largest_resolved(lines: Sequence[NumberSensitivity]) -> NumberSensitivity | None:
    """Line with the largest resolved effect."""
    return next((line for line in lines if line.tenth_less.resolved), None)


def sensitivity_answer(sensitivities: Sensitivities) -> str:
    """Sentence on the number with the largest effect at the deciding task, and on the requirement."""
    task = deciding_task(sensitivities.result)
    line = _largest_resolved(sensitivities.lines_of(task.name))
    if line is None:
        return f"{as_it_is(sensitivities.result)}. No number has a significant effect at {task.name}."
    value, (low, high) = line.tenth_less
    verb, change = (
        ("raises", format_with_half_width(value, (low, high)))
        if value > 0
        else ("lowers", format_with_half_width(-value, (-high, -low)))
    )
    return (
        f"{as_it_is(sensitivities.result)}; {label(sensitivities, line)} matters most at {task.name}: 10 % less of "
        f"it (now {_present_value(line)}) {verb} the {sensitivities.result.quantile} at the worst pose by {change}."
    )


def sensitivity_printout(sensitivities: Sensitivities) -> Iterator[Frame | str]:
    """Printout of sensitivities."""
    for task in sensitivities.result.tasks:
        yield line_frame(sensitivities, task.name).head(SHOWN)
        yield part_frame(sensitivities, task.name).head(SHOWN)
    yield sensitivity_answer(sensitivities)


def sensitivity_review(sensitivities: Sensitivities, scenario: Scenario) -> Review:
    """Review of sensitivities."""
    result = sensitivities.result
    task = deciding_task(result)
    number = 1 + [other.name for other in result.tasks].index(task.name)
    largest = part_frame(sensitivities, task.name)
    parts = [f"{row[1].text} of {row[0].text} {row[2].text} %" for row in largest.rows[:3]]
    return Review(
        f"{result.scenario}: sensitivity to the numbers of its data sheets",
        f"Arm {result.arm}; {Sample.of(result).sizes}",
        f"which numbers of data sheets and drawings move the tool-point error of {result.scenario} most?",
        sensitivity_answer(sensitivities),
        TONES[result.state],
        line_frame(sensitivities, task.name).head(FIRST).table(),
        (sensitivity_section(sensitivities),),
        tuple(sensitivity_figures(sensitivities)),
        (_figure_name(number, task.name),),
        sentences=(f"Largest shares of the mean square error at the worst pose: {', '.join(parts)}.",) if parts else (),
        notes=tuple(filter(None, (limits_of_the_table(sensitivities), *result.warnings))),
        model=result,
        sample=Sample.of(result),
        sources=scenario.sources,
        files={"sensitivity.json": json_file(sensitivities.to_dict())},
        tables=sensitivity_tables(sensitivities),
    )
