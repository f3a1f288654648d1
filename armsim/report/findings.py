"""Question and answer of a review in a few sentences, from the result alone."""

from __future__ import annotations

import re
from collections.abc import Sequence

from armsim.criteria import required_in_words
from armsim.formatting import percent, plural, show
from armsim.report.verdict import deciding_task, headline_judgement, largest_causes
from armsim.results import Result, TaskResult
from armsim.results.poses import BIAS

NOTABLE_BIAS = 0.1
"""Share of a cause that is equal on every arm, above which a sentence mentions it."""


MOST_NOTES, LONGEST_NOTE = 4, 160
"""Most notes on the first page, and characters of each; the appendix has them in full."""
_CLAUSE_END = re.compile(r"[;:,] ")


def front_notes(all_notes: Sequence[str], rows: int = 0) -> tuple[str, ...]:
    """Notes of a first page whose table has ``rows`` rows, and how many more there are."""
    room = max(1, MOST_NOTES - max(0, rows - MOST_NOTES + 1))
    texts = [_shortened(text) for text in all_notes[:room]]
    omitted = len(all_notes) - room
    return (*texts, f"{plural(omitted, 'note')} more in the appendix of the report") if omitted > 0 else tuple(texts)


def _shortened(note: str) -> str:
    """A note of at most `LONGEST_NOTE` characters, a longer one up to the end of a clause, marked as shortened."""
    if len(note) <= LONGEST_NOTE:
        return note
    ends = [match.start() for match in _CLAUSE_END.finditer(note[:LONGEST_NOTE]) if match.start() > LONGEST_NOTE // 3]
    return f"{note[: ends[-1] if ends else LONGEST_NOTE - 1]}…"


def number_of(result: Result, task: TaskResult) -> int:
    """Number of a task, which begins the names of its figures."""
    return 1 + [other.name for other in result.tasks].index(task.name)


def question(result: Result) -> str:
    """Question that a run answers."""
    poses = sum(len(task.poses) for task in result.tasks)
    unreachable_count = sum(len(task.unreachable) for task in result.tasks)
    scope = f"at {plural(poses + unreachable_count, 'pose')} of {plural(len(result.tasks), 'task')}"
    reached = f" It reaches {poses} of them; {unreachable_count} are left out." if unreachable_count else ""
    requirement = result.requirement
    if requirement is None:
        return f"how far does the tool point of {result.arm} miss, {scope}?{reached} No requirement is stated."
    return f"does {result.arm} with these sensors keep {required_in_words(requirement)}, {scope}?{reached}"


def other_criteria_sentence(result: Result) -> tuple[str, ...]:
    """Sentence on the other criteria of the deciding task."""
    task, headlined = deciding_task(result), headline_judgement(result)
    others = [judgement for judgement in task.summary.judgements if judgement.criterion != headlined.criterion]
    findings = [
        judgement.finding if judgement.limit is None else f"{judgement.finding}, {judgement.limit_phrase}"
        for judgement in others
    ]
    return (f"{task.name}: {'; '.join(findings)}.",) if findings else ()


def acceptance_sentence(task: TaskResult) -> str:
    """Sentence on what an acceptance test of few visits would report; empty if none is sampled."""
    test = task.acceptance
    if test is None or test.repeatability.p95 is None:
        return ""
    pose_names = "these poses" if len(test.poses) == len(task.poses) else "; ".join(test.poses)
    text = (
        f"{task.name}: a test of {test.cycles} visits per pose at {pose_names} would report an RP of "
        f"{show(test.repeatability.p95)} or less for 95 % of the arms. This is more than their true RP: few visits "
        "overestimate it"
    )
    if test.passing is None or test.good_rejected is None or test.bad_passed is None:
        return f"{text}."
    return (
        f"{text}. A test of RP alone would pass {percent(test.passing.value)} of all arms. It would wrongly reject "
        f"{percent(test.good_rejected)} that meet the requirement there, and wrongly pass "
        f"{percent(test.bad_passed)}."
    )


def dominance(result: Result, task: TaskResult) -> str:
    """Sentence on the cause, joint and group with the largest shares in a task's mean square error.

    Errors common to all arms (wind-up, latency, a one-sided approach) count for the cause and joint that make them.
    """
    causes = task.summary.causes
    if not any(causes.values()):
        return "No cause contributes any error."
    top = max(causes, key=lambda cause: causes[cause])
    bias_share = sum(part.bias for part in task.summary.contributions if part.cause == top)
    worst = task.worst
    owners = dict.fromkeys(owner for owner, _ in task.poses.share_names if owner != BIAS[0])
    shares = {owner: float(task.contribution(owner)[worst]) for owner in owners}
    joint = max(shares, key=lambda name: shares[name])
    groups = {name: share for name, share in task.summary.groups.items() if share >= 5e-4}
    by_share = sorted(groups, key=lambda name: -groups[name])
    spread = ", ".join(f"{name} {percent(groups[name], 2)}" for name in by_share)
    first = f"largest parts of the mean square error over {task.name}: {largest_causes(causes)}"
    if bias_share > NOTABLE_BIAS * causes[top]:
        differs = percent(causes[top] - bias_share, 2)
        first += f" ({top}: {percent(bias_share, 2)} the same on every arm, {differs} different from arm to arm)"
    at_worst_pose = f"at its worst pose {joint} has the largest share, {percent(shares[joint], 2)}"
    text = f"{first}; by group: {spread}; {at_worst_pose}." if spread else f"{first}; {at_worst_pose}."
    return text[0].upper() + text[1:]
