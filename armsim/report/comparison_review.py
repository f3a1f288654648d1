"""Review of a comparison: what each design gains over the first, at which poses, and at what price."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from armsim import figures
from armsim.criteria import CriterionChange, required_in_words
from armsim.decide.compare import Comparison
from armsim.report.compared_designs import common_name, compared_frame, lettered, recommendation
from armsim.report.decision_sentences import difference, other_requirements, signed_change
from armsim.report.document import Block, Bullets, Section, Text
from armsim.report.drawing import Planned
from armsim.report.findings import dominance, number_of
from armsim.report.frame import (
    Column,
    Exact,
    Frame,
    changes,
    figures_with_units,
    lengths,
    quoted,
    stacked,
    unitless,
    words,
)
from armsim.report.gallery import GAUGES, file_name
from armsim.report.manifest import Sample
from armsim.report.review import Review, json_file
from armsim.report.run_review import shares_frame
from armsim.report.verdict import deciding_task, decisive
from armsim.requirement import Judgement
from armsim.scenario import Scenario
from armsim.sources import Source

MOST_NAMED = 12
"""Largest number of poses named at which the ranking of two designs reverses."""
UNITS_IN_FILES = {"length": "m", "angle": "rad", "share": "1", "count": "1"}


def _frame(
    comparison: Comparison,
    by_criterion: Sequence[Sequence[Judgement | None]],
    pairs: Sequence[Sequence[CriterionChange | None]],
    title: str,
) -> Frame:
    """Table with a row per criterion and design: value, difference to the first design, state.

    Parameters
    ----------
    comparison : Comparison
    by_criterion, pairs : sequence of a sequence for every criterion
        Judgement of every design, and its change from the first.
    title : str
    """
    results = comparison.results
    labels: list[str] = []
    required: list[str] = []
    values: list[str] = []
    differences: list[str] = []
    units: list[str] = []
    for row, changed in zip(by_criterion, pairs, strict=True):
        first = next(judgement for judgement in row if judgement is not None)
        joint = next((change.joint for change in changed if change is not None), "")
        labels += [f"{first.statistic} at {joint}" if joint else first.statistic] * len(row)
        required += [first.limit_text] * len(row)
        values += figures_with_units(row)
        column = changes("", [None if change is None else change.change for change in changed], first.quantity)
        differences += column.with_units
        units += [UNITS_IN_FILES[first.quantity]] * len(row)
    # only where a criterion begins
    once = tuple(label if n == 0 or label != labels[n - 1] else "" for n, label in enumerate(labels))
    limits = [limit if label else "" for limit, label in zip(required, once, strict=True)]
    judgements = [judgement for row in by_criterion for judgement in row]
    differences_to_first = [None if change is None else change.change for row in pairs for change in row]
    return Frame(
        (
            Column("criterion", tuple(labels), texts=once),
            Column("required", tuple(required), texts=tuple(limits)),
            words("design", [result.scenario for result in results] * len(by_criterion)),
            unitless("price", [result.price for result in results] * len(by_criterion)),
            words("unit", units, shown_in="file"),
            quoted(
                "value", [None if judgement is None else judgement.value for judgement in judgements], values,
                intervals=[None if judgement is None else judgement.interval for judgement in judgements],
            ),
            quoted(
                "difference", [None if change is None else change.value for change in differences_to_first],
                differences,
                intervals=[None if change is None else change.interval for change in differences_to_first],
            ),
            words("requirement", ["none stated" if judgement is None else judgement.state for judgement in judgements]),
        ),
        title,
    )  # fmt: skip


def designs_frame(comparison: Comparison, task: str) -> Frame:
    """Table with a row per criterion and design at a task; the deciding criterion comes first."""
    number = [other.name for other in comparison.results[0].tasks].index(task)
    summaries = [result.tasks[number].summary for result in comparison.results]
    rows = [row.criteria for row in comparison.differences if row.task == task]
    names = dict.fromkeys(change.criterion for row in rows for change in row)
    pairs = [[None, *(_change_of(row, name, "") for row in rows)] for name in names]
    return _frame(comparison, [[summary.judgement(name) for summary in summaries] for name in names], pairs, task)


def _change_of(changes: Sequence[CriterionChange], criterion: str, joint: str) -> CriterionChange | None:
    return next((change for change in changes if (change.criterion, change.joint) == (criterion, joint)), None)


def joints_frame(comparison: Comparison) -> Frame | None:
    """Table with a row per criterion of a joint and design; None if no joint is judged."""
    rows = {row.scenario: row.criteria for row in comparison.joints}
    keys = dict.fromkeys((change.criterion, change.joint) for row in rows.values() for change in row)
    if not keys:
        return None
    by_criterion = [
        [next((j for j in result.judgements if (j.criterion, j.where) == key), None) for result in comparison.results]
        for key in keys
    ]
    pairs = [[None, *(_change_of(rows.get(r.scenario, ()), *key) for r in comparison.results[1:])] for key in keys]
    return _frame(comparison, by_criterion, pairs, "joints")


def design_frames(comparison: Comparison) -> list[tuple[str, Frame]]:
    """Tables of all tasks, and that of the joints where they are judged."""
    frames = [(task.name, designs_frame(comparison, task.name)) for task in comparison.results[0].tasks]
    joints = joints_frame(comparison)
    return frames if joints is None else [*frames, ("joints", joints)]


def ranking_reversals_frame(comparison: Comparison) -> Frame:
    """Table of the poses at which each design is better or worse than the first, and of its ranking reversals."""
    rows = comparison.differences
    named = []
    for row in rows:
        further = (
            f" and {len(row.ranking_reversals) - MOST_NAMED} more" if len(row.ranking_reversals) > MOST_NAMED else ""
        )
        named.append(", ".join(row.ranking_reversals[:MOST_NAMED]) + further or "nowhere")
    better, worse = [int(row.better.sum()) for row in rows], [int(row.worse.sum()) for row in rows]
    undecided = [
        len(row.poses) - better_count - worse_count
        for row, better_count, worse_count in zip(rows, better, worse, strict=True)
    ]
    return Frame(
        (
            words("task", [row.task for row in rows]),
            words("design", [row.scenario for row in rows]),
            words("ranking reverses at", named),
            unitless("poses better", better),
            unitless("worse", worse),
            unitless("not significant", undecided),
        )
    )


def differences_exact(comparison: Comparison) -> Exact:
    """Difference at every pose, for a file."""
    frames = []
    for row in comparison.differences:
        columns = (
            words("design", [row.scenario] * len(row.poses)),
            words("pose", row.poses),
            lengths(f"difference of {comparison.quantile}", row.values.tolist()),
            lengths("half of its 95 % interval", row.half_widths.tolist()),
        )
        frames.append((row.task, Frame(columns)))
    return stacked("task", frames)


def comparison_printout(comparison: Comparison) -> Iterator[Frame | str]:
    """Printout of a comparison: which design to take, the designs with their letters, then criterion by criterion."""
    short = lettered(comparison)
    yield recommendation(short)[0]
    yield compared_frame(comparison)
    for _, frame in design_frames(short):
        yield replace(frame, title=f"{frame.title}; differences to A, with 95 % intervals")
    for row in short.differences:
        yield f"{difference(row)}."
        if row.ranking_reversals:
            further = f" and {len(row.ranking_reversals) - 4} more" if len(row.ranking_reversals) > 4 else ""
            yield f"  the ranking reverses at {', '.join(row.ranking_reversals[:4])}{further}"


def comparison_review(comparison: Comparison, scenarios: Sequence[Scenario]) -> Review:
    """Review of a comparison: which design to take; what each gains over the first, at which poses, at what price.

    Parameters
    ----------
    comparison : Comparison
    scenarios : sequence of Scenario
        In the order of the designs.
    """
    short, names = lettered(comparison), [result.scenario for result in comparison.results]
    first = short.results[0]
    task = deciding_task(first)
    rows = sorted((row for row in short.differences if row.task == task.name), key=lambda row: -row.criteria[0].gain)
    compared = compared_frame(comparison)
    answer, tone = recommendation(short)
    start = f"{number_of(first, task)}-{file_name(task.name)}"
    sizes = f"{Sample.of(first).sizes}, the same random numbers in all"
    notes = (*other_requirements(short), *(text for result in comparison.results for text in result.warnings))
    note = Text("Differences are to design A, with 95 % intervals.", "soft")
    certain = Text("By the error of the tool point; for all poses at once (Bonferroni).", "soft")
    tables = tuple(frame.table() for _, frame in design_frames(short))
    files: list[Source] = list({source.path: source for scenario in scenarios for source in scenario.sources}.values())
    return Review(
        f"{common_name(names) or first.arm}: {len(names)} designs compared",
        f"Arm {first.arm}; {sizes}",
        "which of these designs meets the requirement at the least cost, and what does each gain over A?",
        answer,
        tone,
        compared.table(),
        (
            Section("The designs", "designs", (*tables, note, *_verdicts(short))),
            Section("Where they differ", "differences", (ranking_reversals_frame(short).table(), certain)),
            Section("Error contributions of each", "contributions", tuple(_contributions(short))),
        ),
        tuple(_figures(short)),
        (f"{start}-{rows[0].scenario}", f"{start}-designs", *(f"{start}-{row.scenario}" for row in rows[1:2])),
        sentences=tuple(f"{difference(row)}." for row in rows),
        notes=tuple(dict.fromkeys(notes)),
        model=comparison.results[0],
        sample=Sample.of(first),
        sources=tuple(files),
        scenario_file=scenarios[0].file if scenarios else None,
        files={"comparison.json": json_file(comparison.to_dict())},
        tables={
            "compared": stacked("task", [(task.name, compared)]),
            "designs": stacked("task", design_frames(comparison)),
            "differences": differences_exact(comparison),
        },
    )


def _verdicts(comparison: Comparison) -> list[Block]:
    """Sentences on every difference, and on which designs meet the requirement."""
    blocks: list[Block] = [Bullets(tuple(f"{difference(row)}." for row in comparison.differences))]
    requirement = comparison.results[0].requirement
    if requirement is not None:
        blocks.append(Text(f"The requirement: {required_in_words(requirement)}."))
        states = (f"{result.scenario}: {'; '.join((result.state, *result.reasons))}." for result in comparison.results)
        blocks.append(Bullets(tuple(states)))
    return blocks


def _contributions(comparison: Comparison) -> Iterator[Block]:
    for number, task in enumerate(comparison.results[0].tasks):
        summaries = {result.scenario: result.tasks[number].summary for result in comparison.results}
        yield shares_frame(summaries, task.name).table()
        yield Bullets(
            tuple(f"{result.scenario}: {dominance(result, result.tasks[number])}" for result in comparison.results)
        )


def _figures(comparison: Comparison) -> Iterator[Planned]:
    """Figures of designs that are named by letters."""
    first, quantile = comparison.results[0], comparison.quantile
    decided = [(result.scenario, decisive(result)[1]) for result in comparison.results if result.requirement]
    if decided and all(judgement.limit and judgement.quantity != "count" for _, judgement in decided):
        gauges = [(f"{name}: {judgement.statistic}", judgement) for name, judgement in decided]
        title = "the criterion that decides for each design"
        caption = "The deciding criterion of each design on the scale of its limit."
        yield Planned("front", GAUGES, caption, partial(figures.judgement_gauges, gauges, title), True)
    maps = [row.values for row in comparison.differences if first.task(row.task).is_map]
    reach = max((float(np.nanmax(np.abs(values))) for values in maps), default=0.0)
    for number, task in enumerate(first.tasks, start=1):
        rows = [row for row in comparison.differences if row.task == task.name]
        best = max(rows, key=lambda row: row.criteria[0].gain)
        criterion = best.criteria[0]
        title = f"{task.name}: {best.scenario} changes the {criterion.phrase} by {signed_change(criterion)}"
        note = f"difference to {first.scenario}; {first.units} arms × {first.visits} visits"
        bars = [(row.scenario, row.criteria[0].change) for row in rows]
        phrase, quantity, at_least = criterion.phrase, criterion.quantity, criterion.at_least
        draw = partial(figures.differences, bars, title, note, phrase, quantity, at_least)
        caption = "Every design against A; lines are 95 % intervals of the difference."
        yield Planned("differences", f"{number}-{file_name(task.name)}-designs", caption, draw)
        for row in rows:
            if task.is_map:
                arguments = (
                    task,
                    row.values,
                    row.simultaneous_half_widths,
                    first.scenario,
                    row.scenario,
                    quantile,
                    reach,
                )
                caption = (
                    f"Per pose: how much design {row.scenario} changes the {quantile}; one colour scale for all maps."
                )
                name = f"{number}-{file_name(row.task)}-{row.scenario}"
                yield Planned("differences", name, caption, partial(figures.difference_map, *arguments))
