"""Values that a result assumes and its scenario does not state, with their share of the mean square error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from armsim.causes import names_in
from armsim.formatting import percent
from armsim.report.frame import Frame, shares, words
from armsim.results import Assumption, Result, TaskResult

MOST_JOINTS = 8
"""Most joints named in a sentence for one assumption."""


def assumed_share(task: TaskResult, assumptions: Sequence[Assumption]) -> float:
    """Share of a task's mean square error due to causes with assumed values, each cause counted once."""
    pairs = {(part.joint, cause) for part in assumptions for cause in part.causes}
    return sum(
        part.share
        for part in task.summary.contributions
        if any((part.owner, cause) in pairs for cause in names_in(part.cause))
    )


def assumed_sentence(result: Result, task: TaskResult) -> str:
    """Sentence on the assumed values and their share of a task's error; empty if all values are stated."""
    if not result.assumptions:
        return ""
    joints: dict[tuple[str, str, str], list[str]] = {}
    for assumption in result.assumptions:
        joints.setdefault((assumption.key, assumption.value, assumption.source), []).append(assumption.joint)
    parts = []
    for (key, value, source), names in joints.items():
        joint_names = ", ".join(names[:MOST_JOINTS]) + (" ..." if len(names) > MOST_JOINTS else "")
        parts.append(f"{key} of {joint_names}: {value} ({source})")
    share = percent(assumed_share(task, result.assumptions), 2)
    return (
        f"Assumed, not stated: {'; '.join(parts)}. These values make {share} of the mean square error over {task.name}."
    )


def assumed_frame(assumptions: Sequence[Assumption], tasks: Sequence[TaskResult] = ()) -> Frame:
    """Table of assumed values, the causes of error that they make, and their share per task."""
    columns = [
        words("joint", [assumption.joint for assumption in assumptions]),
        words("key", [assumption.key for assumption in assumptions]),
        words("value", [assumption.value for assumption in assumptions]),
        words("basis", [assumption.source for assumption in assumptions]),
        words("causes of error that it makes", [", ".join(assumption.causes) for assumption in assumptions]),
        *(
            shares(f"share of {task.name}", [assumed_share(task, [assumption]) for assumption in assumptions])
            for task in tasks
        ),
    ]
    addition = ", and their shares of the mean square error" if tasks else ""
    return Frame(tuple(columns), f"Values that are assumed, not stated{addition}")


def assumed_records(result: Result) -> list[dict[str, Any]]:
    """Assumed values for a manifest, with shares by task."""
    return [
        {**asdict(assumption), "shares": {task.name: assumed_share(task, [assumption]) for task in result.tasks}}
        for assumption in result.assumptions
    ]
