"""Review of a comparison: what each design gains over the first, at which poses, and at what price."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

from armsim import figures
from armsim.criteria import required_in_words
from armsim.decide.compare import Comparison, TaskDifference
from armsim.formatting import signed
from armsim.report.decision_sentences import difference, other_requirements
from armsim.report.document import Block, Bullets, Section, Text
from armsim.report.drawing import Planned
from armsim.report.findings import dominance, number_of
from armsim.report.frame import Column, Exact, Frame, bare, differences, judged, lengths, share_changes, stacked, words
from armsim.report.gallery import file_name
from armsim.report.manifest import Sample
from armsim.report.review import Review, json_file
from armsim.report.run_review import shares_frame
from armsim.report.verdict import deciding_task
from armsim.scenario import Scenario
from armsim.sources import Source

MOST_NAMED = 12
"""Most poses named at which the order of two designs reverses."""
CHANGES = {"position": "errors", "repeatability": "RP", "yield": "yield"}
"""Criteria sampled in pairs between designs, by their names in the headers."""


def designs_frame(comparison: Comparison, task: str) -> Frame:
    """Table of the designs at a task: figures, and differences from the first design."""
    number = [other.name for other in comparison.results[0].tasks].index(task)
    rows = [result.tasks[number].summary for result in comparison.results]
    changes = {row.scenario: row for row in comparison.differences if row.task == task}
    pairs = [changes.get(result.scenario) for result in comparison.results]
    columns = [
        words("design", [result.scenario for result in comparison.results]),
        bare("price", [result.price for result in comparison.results]),
    ]
    criteria = dict.fromkeys(judgement.criterion for summary in rows for judgement in summary.judgements)
    figured = judged([summary.judgements for summary in rows], show_intervals=False)
    for criterion, column in zip(criteria, figured, strict=True):
        columns.append(column)
        if criterion in CHANGES:
            columns.append(_change(criterion, pairs))
    better = [None if row is None else int(row.better.sum()) for row in pairs]
    worse = [None if row is None else int(row.worse.sum()) for row in pairs]
    columns += [
        words("requirement", [summary.state for summary in rows]),
        bare("better poses", better),
        bare("worse", worse),
    ]
    return Frame(tuple(columns), task)


def _change(criterion: str, rows: Sequence[TaskDifference | None]) -> Column:
    name = f"difference of {CHANGES[criterion]}"
    if criterion == "yield":
        return share_changes(name, [None if row is None else row.passing for row in rows])
    if criterion == "repeatability":
        return differences(name, [None if row is None else row.repeatability for row in rows])
    return differences(name, [None if row is None else row.at_coverage for row in rows])


def design_frames(comparison: Comparison) -> list[tuple[str, Frame]]:
    """Tables of the designs, one per task."""
    return [(task.name, designs_frame(comparison, task.name)) for task in comparison.results[0].tasks]


def flips_frame(comparison: Comparison) -> Frame:
    """Table of poses at which each design is better or worse than the first."""
    rows = comparison.differences
    named = []
    for row in rows:
        more = f" and {len(row.flips) - MOST_NAMED} more" if len(row.flips) > MOST_NAMED else ""
        named.append(", ".join(row.flips[:MOST_NAMED]) + more or "nowhere")
    better, worse = [int(row.better.sum()) for row in rows], [int(row.worse.sum()) for row in rows]
    open_ = [len(row.poses) - one - other for row, one, other in zip(rows, better, worse, strict=True)]
    return Frame(
        (
            words("task", [row.task for row in rows]),
            words("design", [row.scenario for row in rows]),
            words("its order turns round at", named),
            bare("poses better", better),
            bare("worse", worse),
            bare("cannot be told", open_),
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
    """Printout of a comparison."""
    for _, frame in design_frames(comparison):
        yield replace(frame, title=f"{frame.title}; differences to the first design, with 95 % intervals")
    for row in comparison.differences:
        yield f"{difference(row, comparison.quantile)}."
        if row.flips:
            more = f" and {len(row.flips) - 4} more" if len(row.flips) > 4 else ""
            yield f"  the order flips at {', '.join(row.flips[:4])}{more}"


def comparison_review(comparison: Comparison, scenarios: Sequence[Scenario]) -> Review:
    """Review of a comparison: what each design gains over the first, at which poses, at what price."""
    first, quantile = comparison.results[0], comparison.quantile
    task = deciding_task(first)
    frames = design_frames(comparison)
    rows = sorted(
        (row for row in comparison.differences if row.task == task.name), key=lambda row: row.at_coverage.value
    )
    sentences = [f"{difference(row, quantile)}." for row in rows]
    start = f"{number_of(first, task)}-{file_name(task.name)}"
    best = 1 + [result.scenario for result in comparison.results].index(rows[0].scenario)
    sizes = f"{Sample.of(first).sizes}, the same random numbers in all"
    notes = (*other_requirements(comparison), *(text for result in comparison.results for text in result.warnings))
    about = Text("Differences are to the first design, with 95 % intervals.", "soft")
    certain = Text("Better and worse hold for all poses at once (Bonferroni).", "soft")
    tables = tuple(frame.table() for _, frame in frames)
    files: list[Source] = list({source.path: source for scenario in scenarios for source in scenario.sources}.values())
    return Review(
        " against ".join(result.scenario for result in comparison.results),
        f"Arm {first.arm}; {sizes}",
        f"what is gained over {first.scenario} by {', '.join(result.scenario for result in comparison.results[1:])}?",
        sentences[0],
        "strong",
        dict(frames)[task.name].table(),
        (
            Section("The designs", "designs", (*tables, about, *_verdicts(comparison))),
            Section("Where they differ", "differences", (flips_frame(comparison).table(), certain)),
            Section("Error contributions of each", "contributions", tuple(_contributions(comparison))),
        ),
        tuple(_figures(comparison)),
        (f"{start}-{best}-{file_name(rows[0].scenario)}", f"{start}-designs"),
        sentences=tuple(sentences[1:]),
        notes=tuple(dict.fromkeys(notes)),
        modelled=first,
        sample=Sample.of(first),
        sources=tuple(files),
        scenario_file=scenarios[0].file if scenarios else None,
        files={"comparison.json": json_file(comparison.to_dict())},
        tables={"designs": stacked("task", frames), "differences": differences_exact(comparison)},
    )


def _verdicts(comparison: Comparison) -> list[Block]:
    """Sentences on every difference, and on which designs meet the requirement."""
    blocks: list[Block] = [Bullets(tuple(f"{difference(row, comparison.quantile)}." for row in comparison.differences))]
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
    first, quantile = comparison.results[0], comparison.quantile
    for number, task in enumerate(first.tasks, start=1):
        rows = [row for row in comparison.differences if row.task == task.name]
        best = min(rows, key=lambda row: row.at_coverage.value)
        title = f"{task.name}: {best.scenario} changes the {quantile} by {signed(*best.at_coverage)}"
        note = f"less {first.scenario}, at the worst pose of each; {first.units} arms × {first.visits} visits"
        bars = [(row.scenario, *row.at_coverage) for row in rows]
        draw = partial(figures.differences, bars, title, note, quantile)
        caption = "Every design against the first; lines are 95 % intervals of the difference."
        yield Planned("differences", f"{number}-{file_name(task.name)}-designs", caption, draw)
        for other, row in enumerate(rows, start=2):
            if task.is_map:
                arguments = task, row.values, row.joint_widths, first.scenario, row.scenario, quantile
                caption = f"Every cell: how much the other design changes the {quantile} there."
                name = f"{number}-{file_name(row.task)}-{other}-{file_name(row.scenario)}"
                yield Planned("differences", name, caption, partial(figures.difference_map, *arguments))
