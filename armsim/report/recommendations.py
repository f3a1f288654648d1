"""Recommendations: one ranking of causes; the first page shows its first rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

from armsim.formatting import show
from armsim.report.decision_sentences import curve_in_words, kind_in_words, signed_change
from armsim.report.document import Block, Section, Text
from armsim.report.frame import Column, Frame, lengths, shares, words
from armsim.report.pictures import Extras
from armsim.report.trade_off_review import curve_frame, spread
from armsim.report.verdict import deciding_task
from armsim.report.what_if_review import what_if_frames
from armsim.results import Result, TaskResult
from armsim.results.poses import BIAS

NEGLIGIBLE = 1e-4
"""Share of the mean square error below which nothing is recommended."""
ADVICE = 2
"""Largest number of recommendations on the first page, in addition to that on sensors."""
GAINS = 8
"""Most rows of a table of gains."""
SHOWN = 12
"""Most changes of a what-if table, and points of a trade-off curve, in the document."""
_FIRST_ORDER = (
    "Rms error at the worst pose without one cause of one joint, by first order; below, without a whole joint, or "
    "without a cause at all joints. The mean that all arms share (wind-up, latency, a one-sided approach) is "
    "removed too. Means add as vectors, so the gain differs from the share."
)
Part = tuple[str | None, str | None]
"""Joint (or ``links``) and cause; None for all of them."""
Name = TypeVar("Name")


def advice(result: Result, extras: Extras) -> list[str]:
    """Strongest recommendations with their gain: sampled what-ifs if available, else first order without a cause."""
    task = deciding_task(result)
    if extras.what_ifs is not None:
        rows = [row for row in extras.what_ifs.rows_of(task.name) if row.criteria[0].gain > 0][:ADVICE]
        return [
            f"{kind_in_words(row.kind).capitalize()}, {row.what}: {signed_change(row.criteria[0])} of the "
            f"{row.criteria[0].phrase}."
            for row in rows
        ]
    frame = one_cause_at_a_time(result)
    joints, causes = (column.values for column in frame.columns[:2])
    change = next(column for column in frame.columns if column.name == "change").with_units
    return [
        f"Without {_error_of(result, joint, cause)} the rms error at the worst pose would {change_in_words(text)}."
        for joint, cause, text in list(zip(joints, causes, change, strict=True))[:ADVICE]
    ]


def _error_of(result: Result, owner: str, cause: str) -> str:
    """A cause with its joint; a cause that belongs to no joint by its name alone."""
    return f"the {cause} of {owner}" if owner in result.joints else f"the errors by {cause}"


def change_in_words(change: str) -> str:
    """A change with its sign as a verb: "fall by 90.5 µm"."""
    verb = {"-": "fall", "+": "rise"}.get(change[:1], "change")
    return f"{verb} by {change.lstrip('+-')}"


def recommendations_section(result: Result, extras: Extras) -> Section:
    """Section on what would help most, by first order and, if available, by sampled changes and other sensors."""
    tables = (one_cause_at_a_time(result), whole_parts(result))
    blocks: list[Block] = [Text(_FIRST_ORDER, "soft"), *(frame.table() for frame in tables)]
    if extras.what_ifs is not None:
        blocks.append(Text("What if: one change at a time, sampled with the same random numbers as the design itself."))
        for task in result.tasks:
            changes = what_if_frames(extras.what_ifs, task)[0]
            title = f"{task.name}: the changes that gain most"
            blocks.append(replace(changes, title=title).head(SHOWN).table())
    if extras.trade_off is not None:
        points = spread(curve_frame(extras.trade_off).without("design"), SHOWN)
        blocks += [Text(curve_in_words(extras.trade_off)), points.table()]
    options = (("--what-if", extras.what_ifs), ("--catalogue FILE", extras.trade_off))
    missing = [text for text, extra in options if extra is None]
    if missing:
        blocks.append(Text(f"More recommendations: armsim run {' '.join(missing)}.", "soft"))
    return Section("Recommendations", "recommendations", tuple(blocks))


def one_cause_at_a_time(result: Result) -> Frame:
    """Table of the rms error left at the worst pose without one cause of one joint, the largest gain first."""
    names = [(owner, cause) for owner, cause in deciding_task(result).poses.share_names if (owner, cause) != BIAS]
    rows = _by_gain(result, {name: name for name in names})
    columns = (
        words("joint or link", [owner for (owner, _), _ in rows]),
        words("without", [cause for (_, cause), _ in rows]),
    )
    return _gains(result, rows, columns, "one cause of one joint")


def whole_parts(result: Result) -> Frame:
    """Table of the rms error left at the worst pose without a joint, or without a cause at all joints."""
    names = [name for name in deciding_task(result).poses.share_names if name != BIAS]
    parts: dict[str, Part] = {}
    for owner, cause in names:
        parts[f"joint {owner}" if owner in result.joints else owner] = owner, None
        parts[f"{cause} at all joints" if owner in result.joints else cause] = None, cause
    rows = _by_gain(result, parts)
    return _gains(result, rows, (words("without", [name for name, _ in rows]),), "a whole joint, or a cause everywhere")


def _by_gain(result: Result, parts: Mapping[Name, Part]) -> list[tuple[Name, Part]]:
    """The parts whose absence gains most at the worst pose of the deciding task, the largest gain first."""
    task, worst = _worst(result)
    rms = float(task.column("first_order.rms")[worst])
    remaining = {name: task.poses.rms_without(worst, *part) for name, part in parts.items()}
    gaining = [name for name in parts if rms - remaining[name] >= 0.5 * NEGLIGIBLE * rms]
    return [(name, parts[name]) for name in sorted(gaining, key=lambda name: remaining[name])[:GAINS]]


def _gains(result: Result, rows: Sequence[tuple[object, Part]], labels: tuple[Column, ...], what: str) -> Frame:
    task, worst = _worst(result)
    rms = float(task.column("first_order.rms")[worst])
    remaining = [task.poses.rms_without(worst, *part) for _, part in rows]
    columns = (
        *labels,
        shares("share at this pose", [float(task.contribution(*part)[worst]) for _, part in rows]),
        lengths("rms error left", remaining),
        lengths("change", [value - rms for value in remaining], change=True),
    )
    pose = f"{task.name}, {task.summary.worst_pose}"
    return Frame(columns, f"Rms error at {pose}, now {show(rms)}, without {what}")


def _worst(result: Result) -> tuple[TaskResult, int]:
    """Deciding task, and the index of its worst pose."""
    task = deciding_task(result)
    return task, task.worst
