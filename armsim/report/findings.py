"""The question of a review and its answer, in a few sentences, from the result alone."""

from __future__ import annotations

from collections.abc import Sequence

from armsim.formatting import apart, percent, show, show_interval, show_speed
from armsim.report.assumed_values import assumed_sentence
from armsim.report.columns import column
from armsim.report.document import Cell, Front, Picture, Table, Tone, table
from armsim.results import Result, TaskResult
from armsim.results.poses import BIAS

ALIKE = 0.1
"""Part of a cause that is the same on every arm above which it is told."""


def front(result: Result, pictures: Sequence[Picture], advice: Sequence[str]) -> Front:
    """What is asked, what comes out, every task in one line, the pictures that show it, what to do."""
    task = deciding(result)
    tone: Tone = "plain" if result.met is None else "good" if result.met else "bad"
    reasons = [f"{own.name}: {reason}" for own in result.tasks for reason in own.summary.reasons] + too_rough(result)
    why = (f"Why it is not met: {'; '.join(reasons)}.",) if reasons else ()
    assumed = assumed_sentence(result, task)
    sentences = (*why, _population(result, task), dominance(result, task), *((assumed,) if assumed else ()))
    return Front(
        _asked(result), _verdict(result, task), tone, sentences, _tasks(result), tuple(pictures), tuple(advice),
        kept_in_mind(result.warnings, len(result.tasks)),
    )  # fmt: skip


MOST_NOTES, LONGEST_NOTE = 4, 160
"""Notes on the first page, fewer where many tasks need the room, and characters of each; all of them stand whole in
the appendix."""


def kept_in_mind(every: Sequence[str], rows: int = 0) -> tuple[str, ...]:
    """Notes of a first page whose table has so many rows; how many more there are."""
    room = max(1, MOST_NOTES - max(0, rows - MOST_NOTES + 1))
    shown = [text if len(text) <= LONGEST_NOTE else f"{text[: LONGEST_NOTE - 1]}…" for text in every[:room]]
    more = len(every) - room
    return (*shown, f"{more} more in the appendix") if more > 0 else tuple(shown)


def too_rough(result: Result) -> list[str]:
    """What of the requirement on the ripple of the speed is not kept."""
    limit = None if result.requirement is None else result.requirement.velocity_ripple
    if limit is None:
        return []
    out = []
    for name in result.rough:
        own = result.motion[name]
        found = f"the speed of {name} ripples by {percent(own.smoothness)} rms of {show_speed(own.speed, own.unit)}"
        out.append(f"{found} (95 % of built arms), required {percent(limit)}")
    return out


def deciding(result: Result) -> TaskResult:
    """The task that fails; of several, or of none, that with the largest error."""
    failing = [task for task in result.tasks if task.summary.met is False]
    return max(failing or result.tasks, key=lambda task: task.summary.at_coverage)


def number_of(result: Result, task: TaskResult) -> int:
    """Number of a task, with which the names of its figures begin."""
    return 1 + [own.name for own in result.tasks].index(task.name)


def _asked(result: Result) -> str:
    poses = sum(len(task.poses) for task in result.tasks)
    lost = sum(len(task.unreachable) for task in result.tasks)
    where = f"at {_count(poses + lost, 'point')} of {_count(len(result.tasks), 'task')}"
    if lost:
        where += f", of which it reaches {poses} and {lost} are left out"
    asked = result.requirement
    if asked is None:
        return f"The question: how far does the tool point of {result.arm} miss, {where}? No requirement is stated."
    parts = [f"keep {percent(asked.coverage)} of its tool-point errors within {show(asked.position)}"]
    if asked.repeatability is not None:
        parts.append(f"RP within {show(asked.repeatability)}")
    share = "" if asked.yield_ is None else f", with {percent(asked.yield_)} of the built arms passing"
    return f"The question: does {result.arm} with these sensors {' and '.join(parts)} {where}{share}?"


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _verdict(result: Result, task: TaskResult) -> str:
    """Met or not; where it is not, by what decides, with what the sample leaves open."""
    summary, asked = task.summary, result.requirement
    interval = task.pose(summary.worst_pose).error.at_coverage_interval
    reached = show_interval(summary.at_coverage, interval)
    where = f"at {summary.worst_pose}, the worst pose of {task.name}"
    if asked is None:
        return f"95 % of errors lie within {reached} {where}."
    within = f"{percent(asked.coverage)} of errors lie within {reached} {where}"
    gap = asked.position - summary.at_coverage
    found, limit = apart(summary.at_coverage, asked.position, show)
    side = "below" if gap >= 0 else "above"
    margin = f"{show(abs(gap))} ({percent(abs(gap) / asked.position, 2)}) {side} the {limit} required"
    if found == limit:
        margin = f"exactly the {limit} required"
    doubt = _doubt(interval, asked.position)
    lost = sum(len(own.unreachable) for own in result.tasks)
    if result.rough and all(own.summary.met for own in result.tasks):
        return f"Not met: {'; '.join(too_rough(result))}. The tool point is kept: {within}, {margin}{doubt}."
    if summary.met or gap < 0:
        met = f"Met at the {sum(len(own.poses) for own in result.tasks)} points that it reaches" if lost else "Met"
        return f"{met if result.met else 'Not met'}: {within}, {margin}{doubt}."
    judged = summary.yield_
    if judged is not None and asked.yield_ is not None and judged.value < asked.yield_:
        doubt = _doubt(judged.interval, asked.yield_)
    return f"Not met: {task.name}: {'; '.join(summary.reasons)}{doubt}. The position alone is kept: {within}, {margin}."


def _doubt(interval: tuple[float, float] | None, limit: float) -> str:
    if interval is None:
        return "; this sample gives no interval, so that nothing is certain"
    if interval[0] <= limit <= interval[1]:
        return "; the requirement lies within the 95 % interval, so that this sample cannot tell for certain"
    return ""


def _population(result: Result, task: TaskResult) -> str:
    summary, asked = task.summary, result.requirement
    rp = summary.repeatability_p95
    spread = "" if rp is None else f"RP of 95 % of the arms is up to {_loosest(task)}"
    if asked is not None and asked.repeatability is not None and rp is not None:
        spread += f", {show(asked.repeatability)} allowed"
    judged = summary.yield_
    if judged is None:
        return f"{spread}." if spread else "No repeatability is told."
    low, high = (percent(end) for end in judged.interval)
    wanted = "" if asked is None or asked.yield_ is None else f", {percent(asked.yield_)} asked for"
    every = "every pose that can be reached" if task.unreachable else "every pose"
    passed = f"{percent(judged.value)} of the built arms ({low} to {high}) pass at {every} of {task.name}{wanted}"
    return f"{passed}; {spread}.{_test(task)}" if spread else f"{passed}.{_test(task)}"


def _test(task: TaskResult) -> str:
    """What an acceptance test of few cycles would print, beside what the arms have."""
    test = task.acceptance
    if test is None or test.repeatability.p95 is None:
        return ""
    where = "these poses" if len(test.poses) == len(task.poses) else ", ".join(test.poses)
    text = (
        f" A test of {test.cycles} cycles at {where} would print RP up to {show(test.repeatability.p95)} "
        "(95 % of the arms), more than the arms have, since it estimates from few visits"
    )
    if test.passing is None or test.good_rejected is None or test.bad_passed is None:
        return f"{text}."
    return (
        f"{text}; it would pass {percent(test.passing.value)} of them, reject {percent(test.good_rejected, 2)} that "
        f"keep the requirement there, and pass {percent(test.bad_passed, 2)} that do not."
    )


def _loosest(task: TaskResult) -> str:
    """RP that 95 % of units keep to at all poses, with its interval."""
    measured = next((own for own in task.measures if own.name in ("RP", "RT")), None)
    return show_interval(task.summary.repeatability_p95, None if measured is None else measured.p95_interval)


def dominance(result: Result, task: TaskResult) -> str:
    """Which cause, which joint and which group make most of the mean square error of a task.

    What all arms have alike (wind-up, latency, a one-sided approach) counts for the cause and the joint that make it.
    """
    contributions = task.summary.contributions
    if not any(own.share for own in contributions):
        return "There is no error to share."
    causes: dict[str, float] = {}
    alike: dict[str, float] = {}
    for own in contributions:
        causes[own.cause] = causes.get(own.cause, 0.0) + own.share
        alike[own.cause] = alike.get(own.cause, 0.0) + own.bias
    top = max(causes, key=lambda name: causes[name])
    pose = task.pose(task.summary.worst_pose)
    shares: dict[str, float] = {}
    for owner, parts in [*pose.shares.items(), *pose.bias_shares.items()]:
        if owner != BIAS[0]:
            shares[owner] = shares.get(owner, 0.0) + sum(parts.values())
    joint = max(shares, key=lambda name: shares[name])
    groups = {name: share for name, share in task.summary.groups.items() if share >= 5e-4}
    ranked = sorted(groups, key=lambda name: -groups[name])
    spread = ", ".join(f"{name} {percent(groups[name], 2)}" for name in ranked)
    first = f"{top} makes {percent(causes[top], 2)} of the mean square error over {task.name}"
    if alike[top] > ALIKE * causes[top]:
        first += f", {percent(alike[top], 2)} of it the same on every arm"
    there = f"at its worst pose {joint} has the largest share, {percent(shares[joint], 2)}"
    text = f"{first} (by group: {spread}); {there}." if spread else f"{first}; {there}."
    return text[0].upper() + text[1:]


def _tasks(result: Result) -> Table:
    coverage = percent(result.requirement.coverage if result.requirement is not None else 0.95)
    summaries = [task.summary for task in result.tasks]
    ends = [task.pose(task.summary.worst_pose).error.at_coverage_interval for task in result.tasks]
    errors, reached = column(f"{coverage} of errors within", [own.at_coverage for own in summaries], ends)
    repeated, rp = column("RP, 95 % of arms", [own.repeatability_p95 for own in summaries])
    headers = ("task", "worst pose", errors, repeated, "yield", "requirement")
    rows: list[list[Cell | str]] = []
    for n, task in enumerate(result.tasks):
        summary = task.summary
        judged = summary.yield_
        passed = Cell("–")
        if judged is not None:
            low, high = (percent(end) for end in judged.interval)
            passed = Cell(f"{percent(judged.value)} ({low} to {high})", judged.value)
        verdict = "none stated" if summary.met is None else "met" if summary.met else "not met"
        rows.append([task.name, summary.worst_pose, reached[n], rp[n], passed, verdict])
    return table(headers, rows, words=2)
