"""The review of a comparison as a document."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from armsim.criteria import required_in_words
from armsim.decide.compare import Comparison
from armsim.report import boilerplate, decision_sentences
from armsim.report.document import Block, Bullets, Cell, Front, ReviewDocument, Section, Text, in_rows, table
from armsim.report.findings import dominance, kept_in_mind, number_of
from armsim.report.gallery import file_name
from armsim.report.pictures import Pictures
from armsim.report.run_review import shares_table
from armsim.report.verdict import deciding_task
from armsim.sources import Source

MOST_NAMED = 12
"""Poses named at which the order of two designs turns round."""


def comparison_review(
    comparison: Comparison, pictures: Pictures, sources: Sequence[Source], manifest: dict[str, Any]
) -> ReviewDocument:
    """What each design gains over the first, where, and for how much."""
    first = comparison.results[0]
    sections = (
        Section("The designs", "designs", (*_designs(comparison), *_verdicts(comparison))),
        Section("Where they differ", "differences", (*in_rows(pictures.get("differences", ())), *_flips(comparison))),
        Section("Error contributions of each", "contributions", (*_contributions(comparison),)),
        boilerplate.cautions(),
    )
    appendix = (
        *boilerplate.notes(_notes(comparison)),
        boilerplate.assumptions(first),
        boilerplate.inputs(sources),
        boilerplate.references(),
        boilerplate.provenance(manifest),
    )
    names = " against ".join(result.scenario for result in comparison.results)
    sizes = f"{first.units} built units × {first.visits} visits, seed {first.seed}, the same random numbers in all"
    subtitle, date = f"Arm {first.arm}; {sizes}", str(manifest["time"])[:10]
    return ReviewDocument(names, subtitle, names, date, sections, front=_front(comparison, pictures), appendix=appendix)


def _front(comparison: Comparison, pictures: Pictures) -> Front:
    """What is asked and what the best of the others gains at the task that decides."""
    first = comparison.results[0]
    others = ", ".join(result.scenario for result in comparison.results[1:])
    task = deciding_task(first)
    start = f"{number_of(first, task)}-{file_name(task.name)}"
    rows = sorted(
        (row for row in comparison.differences if row.task == task.name), key=lambda row: row.at_coverage.value
    )
    said = [f"{decision_sentences.difference(row, comparison.quantile)}." for row in rows]
    best = 1 + [result.scenario for result in comparison.results].index(rows[0].scenario)
    shown = pictures.get("differences", ())
    maps = [own for own in shown if own.name.startswith(f"{start}-{best}-")]
    bars = [own for own in shown if own.name == f"{start}-designs"]
    listed = [row for row in decision_sentences.summary_rows(comparison) if row["task"] == task.name]
    headers = tuple(name for name in listed[0] if name not in ("task", "better / worse poses"))
    designs = table(headers, [[row[name] for name in headers] for row in listed], title=task.name)
    return Front(
        f"The question: what is gained over {first.scenario} by {others}?", said[0], "strong", tuple(said[1:]), designs,
        (*maps, *bars), (), kept_in_mind(_notes(comparison), 2 * len(listed)),
    )  # fmt: skip


def _notes(comparison: Comparison) -> tuple[str, ...]:
    every = [
        *decision_sentences.other_requirements(comparison),
        *(text for own in comparison.results for text in own.warnings),
    ]
    return tuple(dict.fromkeys(every))


def _verdicts(comparison: Comparison) -> list[Block]:
    """Every difference in words; the requirement, and which design meets it."""
    blocks: list[Block] = [
        Bullets(tuple(f"{decision_sentences.difference(row, comparison.quantile)}." for row in comparison.differences))
    ]
    wanted = comparison.results[0].requirement
    if wanted is not None:
        blocks.append(Text(f"The requirement: {required_in_words(wanted)}."))
        blocks.append(
            Bullets(tuple(f"{own.scenario}: {'; '.join((own.state, *own.reasons))}." for own in comparison.results))
        )
    return blocks


def _designs(comparison: Comparison) -> list[Block]:
    rows = decision_sentences.summary_rows(comparison)
    out: list[Block] = []
    for task in dict.fromkeys(row["task"] for row in rows):
        own = [row for row in rows if row["task"] == task]
        headers = tuple(name for name in own[0] if name != "task")
        out.append(table(headers, [[row[name] for name in headers] for row in own], title=task))
    out.append(Text("Differences are to the first design, with 95 % intervals.", "soft"))
    return out


def _flips(comparison: Comparison) -> list[Block]:
    rows: list[list[Cell | str]] = []
    for row in comparison.differences:
        better, worse = int(row.better.sum()), int(row.worse.sum())
        named = ", ".join(row.flips[:MOST_NAMED]) + (
            f" and {len(row.flips) - MOST_NAMED} more" if len(row.flips) > MOST_NAMED else ""
        )
        unsure = len(row.poses) - better - worse
        counts = [Cell(str(n), n) for n in (better, worse, unsure)]
        rows.append([row.task, row.scenario, named or "nowhere", *counts])
    headers = ("task", "design", "its order turns round at", "poses better", "worse", "cannot be told")
    note = Text("Better and worse hold for all poses together (Bonferroni).", "soft")
    return [table(headers, rows, words=3), note]


def _contributions(comparison: Comparison) -> list[Block]:
    out: list[Block] = []
    for number, task in enumerate(comparison.results[0].tasks):
        columns = {result.scenario: result.tasks[number].summary for result in comparison.results}
        out.append(shares_table(columns, task.name))
        out.append(Bullets(tuple(f"{own.scenario}: {dominance(own, own.tasks[number])}" for own in comparison.results)))
    return out
