"""Printout of a run."""

from __future__ import annotations

from collections.abc import Iterator

from armsim.formatting import percent
from armsim.report.frame import Frame, words
from armsim.report.operation_tables import operation_frame
from armsim.report.ripple_tables import motion_frame
from armsim.report.verdict import largest_causes, task_frame
from armsim.results import Result, TaskResult


def run_printout(result: Result) -> Iterator[Frame | str]:
    """Printout of a run: tasks, largest causes, motion and operating limits, unmet criteria."""
    *columns, requirement = task_frame(result).columns
    groups = words("group with the largest share", [_largest_group(task) for task in result.tasks])
    yield Frame((*columns, groups, requirement), f"{result.scenario}; sensors {result.price:g} cost units")
    for task in result.tasks:
        yield f"{task.name}: largest parts of the mean square error: {largest_causes(task.summary.causes)}"
    if result.motion:
        yield motion_frame(result.motion)
    if result.operation:
        yield operation_frame(result.operation)
    yield from result.reasons


def _largest_group(task: TaskResult) -> str:
    groups = task.summary.groups
    name = max(groups, key=lambda group: groups[group])
    return f"{name} {percent(groups[name], 2)}"
