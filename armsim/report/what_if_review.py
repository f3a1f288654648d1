"""Review of a what-if table: the effect of single changes."""

from __future__ import annotations

from collections.abc import Iterator

from armsim.decide.what_if import WhatIfs
from armsim.formatting import show_interval
from armsim.report.document import Section, Text
from armsim.report.frame import Frame, differences, share_changes, stacked, words
from armsim.report.gallery import what_if_figure, what_if_name
from armsim.report.manifest import Sample
from armsim.report.review import Review, json_file
from armsim.report.verdict import TONES, as_it_is, deciding_task
from armsim.results import TaskResult
from armsim.sampling.paired_difference import Difference
from armsim.scenario import Scenario

SHOWN, FIRST = 15, 8
"""Most changes on screen and in a section, and on the first page; the CSV has all."""
METHOD = (
    "One change at a time, sampled with the same random numbers as the design itself: with a joint without error, a "
    "cause halved everywhere or at one joint, an encoder one bit finer. Changes of the quantile and of the yield are "
    "at the worst pose and over the arms of each task, with 95 % intervals."
)


def what_if_frame(table: WhatIfs, task: TaskResult) -> Frame:
    """Table of the changes at a task, the largest gain first."""
    rows = table.of(task.name)
    decides = task.summary.judgements[0]
    columns = [
        words("change", [row.kind for row in rows]),
        words("of", [row.what for row in rows]),
        differences(f"change of the {table.result.quantile}", [row.at_coverage for row in rows]),
    ]
    if any(row.passing is not None for row in rows):
        columns.append(share_changes("change of the yield", [row.passing for row in rows]))
    as_now = f"{decides.statistic} within {decides.figure} at the worst pose"
    return Frame(tuple(columns), f"{task.name}: {as_now}; what if")


def resolvable(change: Difference) -> bool:
    """Whether a difference is resolved: 0 lies outside of its interval."""
    return change.interval is not None and not change.interval[0] <= 0.0 <= change.interval[1]


def what_if_answer(table: WhatIfs) -> str:
    """Sentence on the change with the largest gain at the deciding task, and on the requirement."""
    task = deciding_task(table.result)
    best, quantile = table.of(task.name)[0], table.result.quantile
    if best.at_coverage.value >= 0.0 or not resolvable(best.at_coverage):
        return f"{as_it_is(table.result)}; no change has a significant effect at {task.name}."
    low, high = best.at_coverage.interval or (0.0, 0.0)
    gain = show_interval(-best.at_coverage.value, (-high, -low))
    return (
        f"{as_it_is(table.result)}; {best.what}, {best.kind}, gains most: it takes {gain} off the {quantile} at the "
        f"worst pose of {task.name}."
    )


def what_if_printout(table: WhatIfs) -> Iterator[Frame | str]:
    """Printout of what-ifs."""
    for task in table.result.tasks:
        yield what_if_frame(table, task).head(SHOWN)
    yield what_if_answer(table)


def what_if_review(table: WhatIfs, scenario: Scenario) -> Review:
    """Review of what-ifs."""
    result = table.result
    task = deciding_task(result)
    number = 1 + [other.name for other in result.tasks].index(task.name)
    frames = [(other.name, what_if_frame(table, other)) for other in result.tasks]
    return Review(
        f"{result.scenario}: what if",
        f"Arm {result.arm}; {Sample.of(result).sizes}, the same random numbers with and without each change",
        f"what changes at the tool point of {result.scenario} by a joint without error, a cause halved, an encoder "
        "one bit finer?",
        what_if_answer(table),
        TONES[result.state],
        dict(frames)[task.name].head(FIRST).table(),
        (Section("Changes, task by task", "changes", tuple(frame.head(SHOWN).table() for _, frame in frames)),),
        what_if_figure(table, "changes"),
        (what_if_name(number, task),),
        notes=tuple(result.warnings),
        appendix=(Section("Method", "method", (Text(METHOD),)),),
        modelled=result,
        sample=Sample.of(result),
        sources=scenario.sources,
        files={"what-if.json": json_file(table.to_dict())},
        tables={"what-if": stacked("task", frames)},
    )
