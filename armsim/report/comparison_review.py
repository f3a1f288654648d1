"""The review of a comparison as a document."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from armsim.decide.compare import Comparison
from armsim.formatting import percent, show
from armsim.report import boilerplate, wording
from armsim.report.document import Block, Bullets, Cell, ReviewDocument, Section, Text, in_rows, table
from armsim.report.findings import dominance
from armsim.report.pictures import Pictures
from armsim.report.run_review import shares_table
from armsim.sources import Source

MOST_NAMED = 12
"""Poses named at which the order of two designs turns round."""


def comparison_review(
    comparison: Comparison, pictures: Pictures, sources: Sequence[Source], manifest: dict[str, Any]
) -> ReviewDocument:
    """What each design gains over the first, where, and for how much."""
    first = comparison.results[0]
    sections = (
        _answer(comparison),
        Section("The designs", "designs", (*_designs(comparison),)),
        Section("Where they differ", "differences", (*in_rows(pictures.get("differences", ())), *_flips(comparison))),
        Section("Error contributions of each", "contributions", (*_contributions(comparison),)),
        boilerplate.assumptions(first),
        boilerplate.inputs(sources),
        boilerplate.references(),
        boilerplate.cautions(),
        boilerplate.provenance(manifest),
    )
    names = " against ".join(result.scenario for result in comparison.results)
    sizes = f"{first.units} built units × {first.visits} visits, seed {first.seed}, the same random numbers in all"
    return ReviewDocument(names, f"Arm {first.arm}; {sizes}", names, str(manifest["time"])[:10], sections)


def _answer(comparison: Comparison) -> Section:
    first = comparison.results[0]
    others = ", ".join(result.scenario for result in comparison.results[1:])
    asked = f"The question: what is gained over {first.scenario} by {others}?"
    sentences = tuple(f"{wording.difference(difference)}." for difference in comparison.differences)
    blocks: list[Block] = [Text(asked, "soft"), Bullets(sentences)]
    if first.requirement is not None:
        wanted = first.requirement
        parts = [f"{percent(wanted.coverage)} within {show(wanted.position)}"]
        parts += [] if wanted.repeatability is None else [f"RP within {show(wanted.repeatability)}"]
        parts += [] if wanted.yield_ is None else [f"yield {percent(wanted.yield_)}"]
        blocks.append(Text(f"The requirement: {', '.join(parts)}."))
        verdicts = []
        for own in comparison.results:
            reasons = [f"{task.name}: {reason}" for task in own.tasks for reason in task.summary.reasons]
            verdicts.append(f"{own.scenario}: met." if own.met else f"{own.scenario}: not met. {'; '.join(reasons)}.")
        blocks.append(Bullets(tuple(verdicts)))
    every = [*wording.other_requirements(comparison), *(text for own in comparison.results for text in own.warnings)]
    told = dict.fromkeys(every)
    if told:
        blocks += [Text("To be kept in mind:"), Bullets(tuple(told))]
    return Section("The question and the answer", "answer", tuple(blocks))


def _designs(comparison: Comparison) -> list[Block]:
    rows = wording.summary_rows(comparison)
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
