"""What a result rests on that its scenario does not state: the values, and their share of the mean square error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from armsim.causes import names_in
from armsim.formatting import percent
from armsim.report.document import Table
from armsim.report.frame import Frame, shares, words
from armsim.results import Assumption, Result, TaskResult

MOST_JOINTS = 8
"""Joints of one assumption that a sentence names."""


def resting_share(task: TaskResult, assumptions: Sequence[Assumption]) -> float:
    """Share of the mean square error of a task that causes make which rest on assumed values, each counted once."""
    pairs = {(own.joint, cause) for own in assumptions for cause in own.causes}
    return sum(
        own.share
        for own in task.summary.contributions
        if any((own.owner, cause) in pairs for cause in names_in(own.cause))
    )


def assumed_sentence(result: Result, task: TaskResult) -> str:
    """Which values are assumed, and how much of the error of a task rests on them; empty where all is stated."""
    if not result.assumptions:
        return ""
    joints: dict[tuple[str, str, str], list[str]] = {}
    for own in result.assumptions:
        joints.setdefault((own.key, own.value, own.source), []).append(own.joint)
    parts = []
    for (key, value, source), names in joints.items():
        of = ", ".join(names[:MOST_JOINTS]) + (" ..." if len(names) > MOST_JOINTS else "")
        parts.append(f"{key} of {of}: {value} ({source})")
    share = percent(resting_share(task, result.assumptions), 2)
    return f"Assumed, not stated: {'; '.join(parts)}. {share} of the mean square error over {task.name} rests on that."


def assumed_table(assumptions: Sequence[Assumption], tasks: Sequence[TaskResult] = ()) -> Table | None:
    """Every assumed value, with the share of each task that rests on it; none where all is stated."""
    if not assumptions:
        return None
    columns = [
        words("joint", [own.joint for own in assumptions]),
        words("assumed", [own.key for own in assumptions]),
        words("value", [own.value for own in assumptions]),
        words("from", [own.source for own in assumptions]),
        *(shares(f"share of {task.name}", [resting_share(task, [own]) for own in assumptions]) for task in tasks),
    ]
    about = ", and the mean square error on them" if tasks else ""
    return Frame(tuple(columns), f"Values that are assumed, not stated{about}").table()


def assumed_records(result: Result) -> list[dict[str, Any]]:
    """The same for a manifest; shares by task."""
    return [
        {**asdict(own), "shares": {task.name: resting_share(task, [own]) for task in result.tasks}}
        for own in result.assumptions
    ]
