"""Review of a what-if table: the effect of single changes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from armsim.decide.what_if import WhatIf, WhatIfs
from armsim.report.decision_sentences import effect, kind_in_words
from armsim.report.document import Section, Text
from armsim.report.frame import Frame, changes, stacked, words
from armsim.report.gallery import what_if_figure, what_if_name
from armsim.report.manifest import Sample
from armsim.report.review import Review, json_file
from armsim.report.verdict import TONES, as_it_is, deciding_task
from armsim.requirement import worst_of
from armsim.results import TaskResult
from armsim.scenario import Scenario

MOST_CRITERIA = 3
"""Criteria side by side in a table."""
SHOWN, FIRST = 15, 8
"""Most changes on screen and in a section, and on the first page; the CSV has all."""
METHOD = (
    "One change at a time, sampled with the same random numbers as the design itself: with a joint without error, a "
    "cause halved everywhere or at one joint, an encoder one bit finer. Changes of every "
    "criterion are at the worst pose and over the arms of each task, with 95 % intervals; the criterion that decides "
    "stands first. Ripple of the speed and limits of operation are judged joint by joint."
)


def what_if_frame(table: WhatIfs, task: TaskResult) -> Frame:
    """Every change of a task in every criterion, the largest gain in the one that decides first."""
    rows = table.rows_of(task.name)
    return _frame(rows, range(len(rows[0].criteria)) if rows else (), task)


def what_if_frames(table: WhatIfs, task: TaskResult) -> list[Frame]:
    """Tables for display: as many criteria side by side as fit, sorted by the gain in the first of each table."""
    rows = table.rows_of(task.name)
    out = []
    for first in range(0, len(rows[0].criteria) if rows else 0, MOST_CRITERIA):
        numbers = range(first, min(first + MOST_CRITERIA, len(rows[0].criteria)))
        out.append(_frame(sorted(rows, key=lambda row: -row.criteria[first].gain), numbers, task))
    return out


def _frame(rows: Sequence[WhatIf], criteria: Sequence[int], task: TaskResult) -> Frame:
    columns = [
        words("change", [kind_in_words(row.kind) for row in rows]),
        words("joint or cause", [row.what for row in rows]),
    ]
    for n in criteria:
        criterion = rows[0].criteria[n]
        of_all = [row.criteria[n].change for row in rows]
        columns.append(changes(f"change of {criterion.noun}", of_all, criterion.quantity))
    states = [worst_of(change.states[1] for change in row.criteria) for row in rows]
    if any(state != "none stated" for state in states):
        columns.append(words("requirement", states))
    first = task.summary.judgement(rows[0].criteria[criteria[0]].criterion) if rows else None
    return Frame(tuple(columns), f"{task.name}: {first.finding if first else ''}; effect of single changes")


def joints_frame(table: WhatIfs) -> Frame | None:
    """Every change with an effect on a criterion of a joint, the largest share of its value first; None without any."""
    pairs = [(row, change) for row in table.joints for change in row.criteria]
    if not pairs:
        return None
    pairs.sort(key=lambda pair: -pair[1].gain / max(pair[1].values[0] or 1.0, 1e-12))
    return Frame(
        (
            words("change", [row.kind for row, _ in pairs]),
            words("joint or cause", [row.what for row, _ in pairs]),
            words("criterion", [change.phrase for _, change in pairs]),
            changes("relative change", [change.change for _, change in pairs], "share"),
            words("requirement", [change.states[1] for _, change in pairs]),
        ),
        "joints: effect of single changes",
    )


def what_if_answer(table: WhatIfs) -> str:
    """Sentence on the change with the largest gain at the deciding task, and on the requirement."""
    task = deciding_task(table.result)
    best = table.rows_of(task.name)[0]
    change = best.criteria[0]
    if change.gain <= 0.0 or not change.change.resolved:
        return f"{as_it_is(table.result)}. No change has a significant effect at {task.name}."
    best_change = f"{best.what}, {kind_in_words(best.kind)}"
    return f"{as_it_is(table.result)}. Largest gain at {task.name}: {best_change}; {effect(change)}."


def what_if_printout(table: WhatIfs) -> Iterator[Frame | str]:
    """Printout of what-ifs."""
    for task in table.result.tasks:
        yield from (frame.head(SHOWN) for frame in what_if_frames(table, task))
    joints = joints_frame(table)
    if joints is not None:
        yield joints.head(SHOWN)
    yield what_if_answer(table)


def what_if_review(table: WhatIfs, scenario: Scenario) -> Review:
    """Review of what-ifs."""
    result = table.result
    task = deciding_task(result)
    number = 1 + [other.name for other in result.tasks].index(task.name)
    parts = {task.name: what_if_frames(table, task) for task in result.tasks}
    joints = joints_frame(table)
    of_joints = () if joints is None else (Section("Changes at the joints", "joints", (joints.head(SHOWN).table(),)),)
    tables = {"what-if": stacked("task", [(task.name, what_if_frame(table, task)) for task in result.tasks])}
    if joints is not None:
        tables["what-if-joints"] = joints.exact
    return Review(
        f"{result.scenario}: what if",
        f"Arm {result.arm}; {Sample.of(result).sizes}, the same random numbers with and without each change",
        f"how does the tool-point error of {result.scenario} change with a joint without error, a cause halved, an "
        "encoder one bit finer?",
        what_if_answer(table),
        TONES[result.state],
        parts[task.name][0].head(FIRST).table(),
        (
            Section(
                "Changes, task by task",
                "changes",
                tuple(frame.head(SHOWN).table() for frames in parts.values() for frame in frames),
            ),
            *of_joints,
        ),
        what_if_figure(table, "changes"),
        (what_if_name(number, task),),
        notes=tuple(result.warnings),
        appendix=(Section("Method", "method", (Text(METHOD),)),),
        model=result,
        sample=Sample.of(result),
        sources=scenario.sources,
        files={"what-if.json": json_file(table.to_dict())},
        tables=tables,
    )
