"""Figures of a run, and their sections in the document."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from armsim import figures
from armsim.figures.style import Drawing
from armsim.report.decision_sentences import kind_in_words, signed_change
from armsim.report.drawing import Planned
from armsim.report.pictures import Extras
from armsim.report.verdict import deciding_task
from armsim.results import MapQuantity, Result, TaskResult
from armsim.tasks import kind_of

if TYPE_CHECKING:
    from armsim.decide.trade_off import TradeOff
    from armsim.decide.what_if import WhatIfs

GAUGES = "gauges"
"""Name of the figure of the criteria."""
WIDE = ("path",)
"""Names of figures that take the whole width of a document."""
MOST_JOINTS = 12
"""Most joints in one figure."""
OTHER_TASKS = "other-tasks"
"""Anchor of the section of the appendix with the figures of tasks that the body does not show."""
MOST_TASKS = 3
"""Most tasks whose figures stand in the body; of more, those of the deciding task alone."""
MOST_BARS = 16
"""Most changes in the what-if figure of a task."""


def figures_of(result: Result, extras: Extras) -> Iterator[Planned]:
    """All figures of a run."""
    caption = "The sensors and their places; the tool-point error depends on all of them."
    yield Planned("arm", "arm", caption, partial(figures.arm, result))
    if figures.required(result):
        caption = "Required criteria on the scale of their limits; the shaded side of the red line is permitted."
        yield Planned("front", GAUGES, caption, partial(figures.gauges, result), True)
    for number, task in enumerate(result.tasks, start=1):
        name = f"{number}-{file_name(task.name)}"
        for figure in FIGURES:
            if figure.when(result, task):
                wide = figure.name in WIDE or (figure.name.startswith("map") and not task.is_map)
                anchor = figure.anchor if is_in_body(result, task) else OTHER_TASKS
                yield Planned(anchor, f"{name}-{figure.name}", figure.caption, partial(figure.draw, result, task), wide)
    joints = figures.identical_joints(result)
    for number, start in enumerate(range(0, len(joints), MOST_JOINTS), start=1):
        caption = "Joint errors that every visit repeats; joints with equal errors share one curve."
        group = joints[start : start + MOST_JOINTS]
        name = "joints" if len(joints) <= MOST_JOINTS else f"joints-{number}"
        yield Planned("joints", name, caption, partial(figures.joint_errors, result, group), True)
    for name, rotary in (("waves", True), ("waves-linear", False)):
        if figures.has_waves(result, rotary):
            caption = "Orders (waves per turn) of the joint errors."
            yield Planned("joints", name, caption, partial(figures.joint_waves, result, rotary))
    pairs = figures.identical_pairs(result)
    for number, start in enumerate(range(0, len(pairs), MOST_JOINTS), start=1):
        caption = (
            "Difference of the two readings as the joint moves forth and back. Lost motion separates the two curves; "
            "a slip shifts both out of the band."
        )
        name, group = "two-sensors" if number == 1 else f"two-sensors-{number}", pairs[start : start + MOST_JOINTS]
        yield Planned("two-sensors", name, caption, partial(figures.sensor_differences, result, group), True)
    if result.motion:
        caption = "Ripple and noise of the speed against speed; equal joints share one curve."
        yield Planned("motion", "smoothness", caption, partial(figures.smoothness, result), True)
    if extras.what_ifs is not None:
        yield from what_if_figure(extras.what_ifs, "recommendations")
    if extras.trade_off is not None:
        yield trade_off_figure(extras.trade_off, "recommendations")


def is_in_body(result: Result, task: TaskResult) -> bool:
    """Whether the figures of a task stand in the body of the report, and not in its appendix."""
    return len(result.tasks) <= MOST_TASKS or task is deciding_task(result)


def what_if_name(number: int, task: TaskResult) -> str:
    """File name of a task's what-if figure."""
    return f"{number}-{file_name(task.name)}-what-if"


def what_if_figure(table: WhatIfs, anchor: str) -> Iterator[Planned]:
    """What-if figures of every task, with the largest changes."""
    for number, task in enumerate(table.result.tasks, start=1):
        largest = sorted(table.rows_of(task.name), key=lambda row: -abs(row.criteria[0].gain))[:MOST_BARS]
        if not largest:
            continue
        best = largest[0]
        rows = [(f"{row.what}, {kind_in_words(row.kind)}", row.criteria[0].change) for row in largest]
        change = best.criteria[0]
        title = f"{task.name}: {best.what}, {kind_in_words(best.kind)}, changes most: {signed_change(change)}"
        sizes = f"{table.result.units} arms × {table.result.visits} visits"
        note = f"{sizes}, the same random numbers with and without the change"
        caption = "One change at a time; lines are 95 % intervals of the change."
        draw = partial(figures.differences, rows, title, note, change.phrase, change.quantity, change.at_least)
        yield Planned(anchor, what_if_name(number, task), caption, draw)


def trade_off_figure(curve: TradeOff, anchor: str) -> Planned:
    """Figure of a trade-off curve, for a section."""
    points = curve.points
    draw = partial(
        figures.trade_off,
        curve.scenario,
        [point.price for point in points],
        [point.predicted for point in points],
        [point.sampled for point in points],
        [point.spending for point in points],
        (curve.current_price, curve.current),
        curve.limits,
        curve.coverage,
    )
    return Planned(anchor, "trade-off", "Below: how much of the price goes into which joints.", draw)


class Figure(NamedTuple):
    """Kind of figure of a task: file name, section, caption, condition, and drawing function."""

    name: str
    anchor: str
    caption: str
    when: Callable[[Result, TaskResult], bool]
    draw: Callable[[Result, TaskResult], Drawing]


def _map(measure: MapQuantity, caption: str) -> Figure:
    """Figure of a map of one measure over the cells of a task."""
    name = "map" if measure == "error" else f"map-{measure}"
    draw = partial(_draw_map, measure=measure)
    return Figure(name, "workspace", caption, lambda result, task: task.grid is not None and measure in task.maps, draw)


def _draw_map(result: Result, task: TaskResult, measure: MapQuantity) -> Drawing:
    """Map of a slice, or the layers of a volume."""
    return (figures.error_map if task.is_map else figures.layers)(result, task, measure)


def _named_poses(result: Result, task: TaskResult) -> bool:
    """Whether the task evaluates its poses one by one, as named."""
    return kind_of(task.kind).has_named_poses


FIGURES: tuple[Figure, ...] = (
    _map("error", "Error per pose, not exceeded by the stated share of arms and visits."),
    _map("accuracy", "AP per pose, not exceeded by 95 % of arms."),
    _map("repeatability", "RP per pose, not exceeded by 95 % of arms."),
    _map("orientation", "Orientation error per pose, not exceeded by 95 % of arms and visits."),
    Figure(
        "cut", "workspace", "The volume cut open at its worst pose; red: where the requirement is just met.",
        lambda result, task: task.grid is not None and len(task.grid.axes) == 3, figures.volume,
    ),
    Figure(
        "joint-map", "contributions", "Joint with the largest share, per pose.",
        lambda result, task: task.is_map, figures.dominant_joint,
    ),
    Figure(
        "group-map", "contributions",
        "Share of the first group of joints in the mean square error, per pose.",
        lambda result, task: task.is_map and len(result.groups) > 1, figures.group_share,
    ),
    Figure(
        "ellipses", "workspace", "Direction of the error: it is largest along the long axis of an ellipse.",
        lambda result, task: task.is_map, figures.error_ellipses,
    ),
    Figure(
        "distribution", "workspace", "Share of the postures whose error stays within a limit.",
        lambda result, task: not (task.is_map or task.follows_path or _named_poses(result, task)), figures.distribution,
    ),
    Figure(
        "path", "workspace", "Band: median to 95 % of all arms and visits at each pose.",
        lambda result, task: task.follows_path, figures.path_error,
    ),
    Figure(
        "poses", "workspace", "Every pose: the left end of the bar is the median over all arms and visits.",
        _named_poses, figures.pose_errors,
    ),
    Figure(
        "view", "workspace", "The arm at its worst pose, with the directions of the errors.",
        lambda result, task: not task.is_map, figures.view,
    ),
    Figure(
        "budget", "contributions",
        "Sources of the error: each joint's share of the mean square tool-point error.",
        lambda result, task: True, figures.error_budget,
    ),
    Figure(
        "deflection", "contributions",
        "The arm under gravity at its worst pose, before and after what the controller compensates.",
        lambda result, task: task.deflection is not None, figures.deflection,
    ),
    Figure(
        "population", "population",
        "What differs between built arms (accuracy) and between visits of one arm (repeatability).",
        lambda result, task: True, figures.population,
    ),
    Figure(
        "arms", "population", "Built arms by their largest error over all poses of the task.",
        lambda result, task: task.yield_curve is not None, figures.arms,
    ),
    Figure(
        "yield", "population",
        "Yield against requirement: the share of built arms that would pass at every pose of the task.",
        lambda result, task: task.yield_curve is not None, figures.yield_curve,
    ),
)  # fmt: skip
"""Figures of a task; each entry decides for which tasks it is drawn."""


def file_name(name: str) -> str:
    """File name of letters, digits and dashes from any text."""
    slug = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())
    return "-".join(part for part in slug.split("-") if part)[:40] or "task"
