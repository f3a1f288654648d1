"""Which figures a run leaves behind, in which part of the document they stand, and how they are kept."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.transforms import Bbox

from armsim import figures
from armsim.decide.tradeoff import TradeOff
from armsim.decide.whatif import WhatIfs
from armsim.figures.style import Drawing, style
from armsim.present import signed
from armsim.report.content import Extras, Pictures
from armsim.report.document import Picture, Spot
from armsim.results import Result, TaskResult

MARGIN = 0.06
"""White around a picture. [inch]"""
MOST_BARS = 16
"""Changes drawn for a task."""


@dataclass(frozen=True, eq=False)
class Drawn:
    """A figure, the anchor of the section in which it stands, its file name and one sentence on how to read it."""

    anchor: str
    name: str
    figure: Drawing
    caption: str


def keep(
    folder: Path, drawn: Iterable[Drawn], progress: Callable[[str, int, int], None] = lambda what, done, total: None
) -> Pictures:
    """Save figures as SVG and PNG in a new folder; pictures by section."""
    folder.mkdir()
    every = list(drawn)
    pictures: dict[str, list[Picture]] = {}
    with warnings.catch_warnings(), style():
        warnings.filterwarnings("ignore", message="Glyph")  # a script without a font: the names stand in the tables
        for number, one in enumerate(every):
            progress("figures", number, len(every))
            spots = save_figure(folder / one.name, one.figure)
            file = f"{folder.name}/{one.name}.svg"
            picture = Picture(one.name, one.figure.finding, one.caption, file, spots)
            pictures.setdefault(one.anchor, []).append(picture)
    progress("figures", len(every), len(every))
    return pictures


def save_figure(path: Path, figure: Drawing) -> tuple[Spot, ...]:
    """Save as SVG and PNG, cut to what is drawn, so that no long title is lost; where its values stand."""
    canvas = FigureCanvasAgg(figure)
    figure.draw_without_rendering()
    figure.set_layout_engine("none")  # laid out once: both pictures are the same
    box = figure.get_tightbbox(canvas.get_renderer()).padded(MARGIN)  # type: ignore[no-untyped-call]
    figure.savefig(path.with_name(f"{path.name}.svg"), metadata={"Date": None}, bbox_inches=box)
    figure.savefig(path.with_name(f"{path.name}.png"), bbox_inches=box)
    return tuple(_spots(figure, box))


def _spots(figure: Drawing, box: Bbox) -> Iterator[Spot]:
    for axes, place, text in figure.spots:
        flat = place
        if len(place) == 3:
            from mpl_toolkits.mplot3d import proj3d

            flat = proj3d.proj_transform(*place, axes.get_proj())[:2]  # type: ignore[attr-defined]
        inches = axes.transData.transform(np.asarray(flat, dtype=float)) / figure.dpi
        x, y = (inches[0] - box.x0) / box.width, 1.0 - (inches[1] - box.y0) / box.height
        if 0 <= x <= 1 and 0 <= y <= 1:
            yield Spot(float(x), float(y), text)


def figures_of(result: Result, extras: Extras) -> Iterator[Drawn]:
    """Every figure of a run."""
    caption = "The sensors and where they sit; the tool point hangs on all of them."
    yield Drawn("arm", "arm", figures.arm(result), caption)
    for number, task in enumerate(result.tasks, start=1):
        name = f"{number}-{file_name(task.name)}"
        for kind, figure, caption in _of_kind(result, task):
            anchor = "blame" if kind in ("joint-map", "group-map") else "workspace"
            yield Drawn(anchor, f"{name}-{kind}", figure, caption)
        caption = "Where the error comes from: a joint's bar is its share of the mean square error of the tool point."
        yield Drawn("blame", f"{name}-budget", figures.error_budget(result, task), caption)
        caption = "What differs between built arms (accuracy) and between visits of one arm (repeatability)."
        yield Drawn("population", f"{name}-population", figures.population(result, task), caption)
        if task.yield_curve is not None:
            caption = "Yield against requirement: the share of built arms that would pass at every pose of the task."
            yield Drawn("population", f"{name}-yield", figures.yield_curve(result, task), caption)
    for number, name in enumerate(result.joints, start=1):
        caption = "What the joint gets wrong at every visit, and the waves of which that is made."
        yield Drawn("joints", f"joint-{number}-{file_name(name)}", figures.joint_error(result, name), caption)
    if extras.what_ifs is not None:
        yield from what_ifs_drawn(extras.what_ifs)
    if extras.curve is not None:
        coverage = 0.95 if result.requirement is None else result.requirement.coverage
        yield curve_drawn(extras.curve, coverage)


def what_ifs_drawn(table: WhatIfs) -> Iterator[Drawn]:
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
        yield Drawn("actions", name, figures.differences(rows, title, note), caption)


def curve_drawn(curve: TradeOff, coverage: float) -> Drawn:
    """The trade-off of price against error."""
    points = curve.points
    figure = figures.trade_off(
        curve.scenario,
        [point.price for point in points],
        [point.predicted for point in points],
        [point.sampled for point in points],
        [point.spending for point in points],
        (curve.current_price, curve.current),
        curve.position,
        coverage,
    )
    return Drawn("actions", "trade-off", figure, "Below: how much of the price goes into which joints.")


def _of_kind(result: Result, task: TaskResult) -> Iterator[tuple[str, Drawing, str]]:
    """The figures that belong to the kind of a task."""
    if task.kind in ("slice", "volume"):
        draw = figures.error_map if task.kind == "slice" else figures.layers
        for measure in task.maps:
            caption = {
                "error": "Every cell: the error that the stated share of arms and visits does not exceed.",
                "accuracy": "Every cell: the distance of the mean attained point from the command, 95 % of arms.",
                "repeatability": "Every cell: the repeatability that 95 % of arms keep to.",
                "orientation": "Every cell: the angle that 95 % of arms and visits do not exceed.",
            }[measure]
            yield "map" if measure == "error" else f"map-{measure}", draw(result, task, measure), caption
    if task.kind == "slice":
        yield "joint-map", figures.dominant_joint(result, task), "Every cell: the joint with the largest share there."
        if len(result.groups) > 1:
            caption = "Every cell: how much of the mean square error the first group of joints makes."
            yield "group-map", figures.group_share(result, task), caption
        caption = "Which way the error points: long ellipses err mostly along their length."
        yield "ellipses", figures.error_ellipses(result, task), caption
    if task.kind in ("cloud", "volume"):
        caption = "How many of the postures stay within an error."
        yield "distribution", figures.distribution(result, task), caption
    if task.kind == "path":
        yield "path", figures.path_error(result, task), "Band: half to 95 % of all arms and visits at each point."
    if task.kind in ("poses", "iso-poses"):
        caption = "Every pose: half of all arms and visits stay below the left end of the bar."
        yield "poses", figures.pose_errors(result, task), caption
    if task.kind != "slice":
        caption = "The arm at the worst pose, and which way the errors point."
        yield "view", figures.view(result, task), caption


def file_name(name: str) -> str:
    """A name of letters, digits and dashes."""
    slug = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())
    return "-".join(part for part in slug.split("-") if part)[:40] or "task"
