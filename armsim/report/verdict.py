"""The verdict of a run: its headline, the criterion that decides, and the table of tasks; the one home of all three."""

from __future__ import annotations

from collections.abc import Sequence

from armsim.formatting import percent
from armsim.report.document import Cell, Table, Tone, table
from armsim.requirement import ORDER, Judgement, Verdict, share_digits
from armsim.results import Contribution, Result, TaskResult

MOST_CAUSES = 3
"""Causes that are named where a task is told in a few words."""
TONES: dict[Verdict, Tone] = {"none stated": "plain", "met": "good", "not resolved": "open", "not met": "bad"}


def decisive(result: Result) -> tuple[str, Judgement]:
    """Task (empty for a joint) and judgement that decide: the worst state, of several the one closest to its limit.

    Where everything is met, the criterion that comes first, which is the error of the tool point.
    """
    first = result.judged[0][1].criterion

    def rank(pair: tuple[str, Judgement]) -> tuple[int, bool, float, float]:
        judgement = pair[1]
        leads = result.state == "met" and judgement.criterion == first
        return ORDER.index(judgement.state), leads, judgement.load, judgement.value

    return max(result.judged, key=rank)


def deciding_task(result: Result) -> TaskResult:
    """The task at which the requirement is decided; where a joint decides or nothing is required, the largest error."""
    name = decisive(result)[0] if result.requirement is not None else ""
    return result.task(name) if name else max(result.tasks, key=lambda task: task.summary.at_coverage)


def headline(result: Result) -> str:
    """The verdict in one sentence, by the criterion that decides."""
    if result.requirement is None:
        task = deciding_task(result)
        return f"{_position(task).finding}, the worst pose of {task.name}."
    name, judgement = decisive(result)
    lost = sum(len(task.unreachable) for task in result.tasks)
    where = f", the worst pose of {name}" if judgement.where and name else ""
    text = f"{judgement.finding}{where}"
    if not judgement.where and name:
        text = f"at {name} {text}"
    margin = f", {judgement.margin}" if judgement.margin else ""
    if judgement.state == "met":
        reached = f" at the {sum(len(task.poses) for task in result.tasks)} points that it reaches" if lost else ""
        return f"Met{reached}: {text}{margin}."
    if judgement.state == "not resolved":
        return f"Not resolved: {text}{margin}; {judgement.doubt}."
    blame = f" ({judgement.cause})" if judgement.cause else ""
    return f"Not met: {text}{margin}{blame}."


def _position(task: TaskResult) -> Judgement:
    return next(own for own in task.summary.judgements if own.criterion == "position")


def cause_shares(contributions: Sequence[Contribution]) -> dict[str, float]:
    """Share of every cause in the mean square error of a task, what all arms share counted, the largest first."""
    shares: dict[str, float] = {}
    for part in contributions:
        shares[part.cause] = shares.get(part.cause, 0.0) + part.share
    return dict(sorted(shares.items(), key=lambda item: -item[1]))


def largest_causes(contributions: Sequence[Contribution]) -> str:
    """The causes that make most of the mean square error of a task, with their shares, what all arms share counted.

    Parameters
    ----------
    contributions : sequence of Contribution
        Of a summary.
    """
    shares = cause_shares(contributions)
    ranked = list(shares)[:MOST_CAUSES]
    return ", ".join(f"{cause} {percent(shares[cause], 2)}" for cause in ranked if shares[cause] > 0)


def task_table(result: Result) -> Table:
    """Every task in one line: its worst pose, the figure of every criterion with its interval, the verdict."""
    rows = share_digits([task.summary.judgements for task in result.tasks])
    columns: dict[str, str] = {}
    for row in rows:
        for judgement in row:
            columns.setdefault(judgement.criterion, judgement.header)
    cells: list[list[Cell | str]] = []
    for task, row in zip(result.tasks, rows, strict=True):
        by_name = {judgement.criterion: judgement for judgement in row}
        figures = [by_name.get(name) for name in columns]
        shown = [Cell("–") if own is None else Cell(own.cell, own.value) for own in figures]
        points = len(task.poses) + len(task.unreachable)
        reached = f"{len(task.poses)} of {points}" if task.unreachable else str(points)
        cells.append([task.name, reached, task.summary.worst_pose, *shown, task.summary.state])
    return table(("task", "points", "worst pose", *columns.values(), "requirement"), cells, words=1)
