"""Which figures a run leaves behind, and in which part of the document they stand."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

from armsim import figures
from armsim.formatting import signed
from armsim.report.drawing import Draw, Planned
from armsim.report.run_review import Extras
from armsim.results import Result, TaskResult

if TYPE_CHECKING:
    from armsim.decide.tradeoff import TradeOff
    from armsim.decide.whatif import WhatIfs

MOST_BARS = 16
"""Changes drawn for a task."""


def figures_of(result: Result, extras: Extras) -> Iterator[Planned]:
    """Every figure of a run."""
    caption = "The sensors and where they sit; the tool point hangs on all of them."
    yield Planned("arm", "arm", caption, partial(figures.arm, result))
    for number, task in enumerate(result.tasks, start=1):
        name = f"{number}-{file_name(task.name)}"
        for kind, draw, caption in _of_kind(result, task):
            anchor = "contributions" if kind in ("joint-map", "group-map") else "workspace"
            yield Planned(anchor, f"{name}-{kind}", caption, draw)
        caption = "Where the error comes from: a joint's bar is its share of the mean square error of the tool point."
        yield Planned("contributions", f"{name}-budget", caption, partial(figures.error_budget, result, task))
        caption = "What differs between built arms (accuracy) and between visits of one arm (repeatability)."
        yield Planned("population", f"{name}-population", caption, partial(figures.population, result, task))
        if task.yield_curve is not None:
            caption = "Yield against requirement: the share of built arms that would pass at every pose of the task."
            yield Planned("population", f"{name}-yield", caption, partial(figures.yield_curve, result, task))
    for number, name in enumerate(result.joints, start=1):
        caption = "What the joint gets wrong at every visit, and the waves of which that is made."
        yield Planned(
            "joints", f"joint-{number}-{file_name(name)}", caption, partial(figures.joint_error, result, name)
        )
    if extras.what_ifs is not None:
        yield from what_ifs_drawn(extras.what_ifs)
    if extras.curve is not None:
        coverage = 0.95 if result.requirement is None else result.requirement.coverage
        yield curve_drawn(extras.curve, coverage)


def what_ifs_drawn(table: WhatIfs) -> Iterator[Planned]:
    """The changes that matter most, of every task."""
    for number, task in enumerate(table.result.tasks, start=1):
        ranked = sorted(table.of(task.name), key=lambda row: -abs(row.p95.value))[:MOST_BARS]
        if not ranked:
            continue
        best = ranked[0]
        rows = [(f"{row.what}, {row.kind}", row.p95.value, row.p95.interval) for row in ranked]
        title = f"{task.name}: {best.what}, {best.kind}, changes most: {signed(*best.p95)}"
        sizes = f"{table.result.units} units × {table.result.visits} visits"
        note = f"{sizes}, the same random numbers with and without the change"
        name = f"{number}-{file_name(task.name)}-what-if"
        caption = "One change at a time; lines are 95 % intervals of the change."
        yield Planned("recommendations", name, caption, partial(figures.differences, rows, title, note))


def curve_drawn(curve: TradeOff, coverage: float) -> Planned:
    """The trade-off of price against error."""
    points = curve.points
    draw = partial(
        figures.trade_off,
        curve.scenario,
        [point.price for point in points],
        [point.predicted for point in points],
        [point.sampled for point in points],
        [point.spending for point in points],
        (curve.current_price, curve.current),
        curve.position,
        coverage,
    )
    return Planned("recommendations", "trade-off", "Below: how much of the price goes into which joints.", draw)


def _of_kind(result: Result, task: TaskResult) -> Iterator[tuple[str, Draw, str]]:
    """The figures that belong to the kind of a task."""
    if task.kind in ("slice", "volume"):
        chosen = figures.error_map if task.kind == "slice" else figures.layers
        for measure in task.maps:
            caption = {
                "error": "Every cell: the error that the stated share of arms and visits does not exceed.",
                "accuracy": "Every cell: the distance of the mean attained point from the command, 95 % of arms.",
                "repeatability": "Every cell: the repeatability that 95 % of arms keep to.",
                "orientation": "Every cell: the angle that 95 % of arms and visits do not exceed.",
            }[measure]
            yield "map" if measure == "error" else f"map-{measure}", partial(chosen, result, task, measure), caption
    if task.kind == "slice":
        yield (
            "joint-map",
            partial(figures.dominant_joint, result, task),
            "Every cell: the joint with the largest share there.",
        )
        if len(result.groups) > 1:
            caption = "Every cell: how much of the mean square error the first group of joints makes."
            yield "group-map", partial(figures.group_share, result, task), caption
        caption = "Which way the error points: long ellipses err mostly along their length."
        yield "ellipses", partial(figures.error_ellipses, result, task), caption
    if task.kind in ("cloud", "volume"):
        caption = "How many of the postures stay within an error."
        yield "distribution", partial(figures.distribution, result, task), caption
    if task.kind == "path":
        yield (
            "path",
            partial(figures.path_error, result, task),
            "Band: half to 95 % of all arms and visits at each point.",
        )
    if task.kind in ("poses", "iso-poses"):
        caption = "Every pose: the left end of the bar is the median over all arms and visits."
        yield "poses", partial(figures.pose_errors, result, task), caption
    if task.kind != "slice":
        caption = "The arm at the worst pose, and which way the errors point."
        yield "view", partial(figures.view, result, task), caption


def file_name(name: str) -> str:
    """A name of letters, digits and dashes."""
    slug = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())
    return "-".join(part for part in slug.split("-") if part)[:40] or "task"
