"""Verdict of a run: headline, deciding criterion, table of tasks."""

from __future__ import annotations

from collections.abc import Mapping

from armsim.formatting import percent
from armsim.report.document import Tone
from armsim.report.frame import Frame, criterion_columns, quoted, words
from armsim.requirement import Judgement, Verdict, deciding_judgement
from armsim.results import Result, TaskResult

MOST_CAUSES = 3
"""Most causes named for a task."""
TONES: dict[Verdict, Tone] = {"none stated": "plain", "met": "good", "not resolved": "open", "not met": "bad"}


def decisive(result: Result) -> tuple[str, Judgement]:
    """Task (empty for a joint) and judgement that decide, as `requirement.deciding`."""
    judgement = deciding_judgement([judgement for _, judgement in result.named_judgements])
    return next(pair for pair in result.named_judgements if pair[1] is judgement)


def deciding_task(result: Result) -> TaskResult:
    """Task that decides the requirement; where none does, the task with the largest error."""
    name = decisive(result)[0] if result.requirement is not None else ""
    return result.task(name) if name else max(result.tasks, key=lambda task: task.summary.at_coverage)


def headline(result: Result) -> str:
    """The verdict in one sentence, by the criterion that decides."""
    if result.requirement is None:
        task = deciding_task(result)
        return f"{headline_judgement(result).finding}, the worst pose of {task.name}."
    name, judgement = decisive(result)
    unreachable_count = sum(len(task.unreachable) for task in result.tasks)
    pose_phrase = f", the worst pose of {name}" if judgement.where and name else ""
    text = f"{judgement.finding}{pose_phrase}"
    if not judgement.where and name:
        text = f"at {name} {text}"
    margin = f", {judgement.margin}" if judgement.margin else ""
    if judgement.state == "met":
        reached = (
            f" at the {sum(len(task.poses) for task in result.tasks)} poses that it reaches"
            if unreachable_count
            else ""
        )
        return f"Met{reached}: {text}{margin}."
    if judgement.state == "not resolved":
        return f"Not resolved: {text}{margin}; {judgement.doubt}."
    blame = f" ({judgement.cause})" if judgement.cause else ""
    return f"Not met: {text}{margin}{blame}."


def headline_judgement(result: Result) -> Judgement:
    """Judgement that the headline states."""
    return deciding_task(result).summary.judgements[0] if result.requirement is None else decisive(result)[1]


def as_it_is(result: Result) -> str:
    """Verdict of the present design, as the beginning of a sentence about changes to it."""
    if result.requirement is None:
        return "No requirement is stated"
    return f"{result.state[:1].upper()}{result.state[1:]} as it is"


def largest_causes(causes: Mapping[str, float]) -> str:
    """Largest causes of a task's mean square error with their shares, common errors included.

    Parameters
    ----------
    causes : mapping of cause to share
        Shares of a summary.
    """
    by_share = sorted(causes, key=lambda cause: -causes[cause])[:MOST_CAUSES]
    return ", ".join(f"{cause} {percent(causes[cause], 2)}" for cause in by_share if causes[cause] > 0)


def task_frame(result: Result) -> Frame:
    """Table of the tasks: worst pose, figure of every criterion with interval, verdict."""
    counts = [(len(task.poses), len(task.poses) + len(task.unreachable)) for task in result.tasks]
    poses = [str(total) if reached == total else f"{reached} of {total}" for reached, total in counts]
    return Frame(
        (
            words("task", [task.name for task in result.tasks]),
            quoted("poses", [total for _, total in counts], poses),
            words("worst pose", [task.summary.worst_pose for task in result.tasks]),
            *criterion_columns([task.summary.judgements for task in result.tasks]),
            words("requirement", [task.summary.state for task in result.tasks]),
        )
    )
