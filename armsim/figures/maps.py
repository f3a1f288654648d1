"""Maps over the cells of a slice or a volume."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke

from armsim.arrays import Array
from armsim.criteria import smallest_limit
from armsim.figures import style
from armsim.figures.limit_scale import LimitScale
from armsim.formatting import percent, show, significant, unit_for
from armsim.requirement.requirement import coverage_of
from armsim.results import NEAR_SINGULAR, Grid, MapQuantity, Result, TaskResult

LETTERS = "xyz"
MOST_LAYERS = 9
"""Largest number of layers of a volume that are drawn: those with the largest values."""
ALONE = "#d9d9d9"


class CellMeasure(NamedTuple):
    """A measure over the cells of a slice or a volume.

    values : (second, first) or (z, y, x) [m or rad]
        nan in cells that cannot be reached.
    label : str
        Name of the measure.
    factor, unit
        Values times the factor are in the unit shown.
    limit : float, optional [m or rad]
        Required limit.
    finding : str
        One sentence: the title of the figure.
    """

    values: Array
    label: str
    factor: float
    unit: str
    limit: float | None
    finding: str


def cell_measure(result: Result, task: TaskResult, measure: MapQuantity, directions: int) -> CellMeasure:
    """A measure of a task over its cells.

    Raises
    ------
    ValueError
        The task has no grid of cells with that number of directions.
    """
    _grid(task, directions)
    column, label, limit, angular = _measure(result, task, measure)
    values = on_grid(task, task.column(column))
    return CellMeasure(values, label, *_unit(values, angular), limit, _finding(task, values, limit, measure, angular))


def error_map(
    result: Result, task: TaskResult, measure: MapQuantity = "error", axes: Axes | None = None
) -> style.Drawing:
    """Map of a measure over a slice: requirement, arm at its worst pose, unreachable and near-singular cells.

    Raises
    ------
    ValueError
        The task is not a slice.
    """
    grid = _grid(task, 2)
    values, label, factor, unit, limit, finding = cell_measure(result, task, measure, 2)
    with style.style():
        out, axes = slice_axes(task, axes)
        x, y = edges(task)
        scale = LimitScale.of(values * factor, None if limit is None else limit * factor)
        mesh = axes.pcolormesh(x, y, values * factor, cmap=scale.colours, norm=scale.norm, rasterized=True)
        scale.hatch(axes, x, y, values * factor)
        annotate_cells(out, axes, task, values, lambda value: f"{significant(value * factor)} {unit}")
        handles = mark(axes, task, values)
        if limit is not None and min(values.shape) > 1 and np.nanmin(values) < limit < np.nanmax(values):
            first, second = (np.array(centres) * 1e3 for centres in grid.centres)
            filled = np.ma.masked_invalid(values)
            axes.contour(first, second, filled, levels=[limit], colors=style.REQUIREMENT, linewidths=1.8)
        bar = out.colorbar(mesh, ax=axes, shrink=0.9)
        scale.mark(bar)
        handles += scale.handles(unit)
        bar.set_label(f"{label} [{unit}]")
        axes.set_title(style.wrapped(finding, 64))
        style.legend_below(axes, handles)
        _note(out, result, task)
    return out


def layers(result: Result, task: TaskResult, measure: MapQuantity = "error") -> style.Drawing:
    """Maps of a measure over the layers of a volume, from below, in one scale; at most `MOST_LAYERS` of them.

    Raises
    ------
    ValueError
        The task is not a volume.
    """
    grid = _grid(task, 3)
    values, label, factor, unit, limit, finding = cell_measure(result, task, measure, 3)
    filled = np.where(np.isnan(values), -np.inf, values)
    by_error = np.argsort(-filled.reshape(len(filled), -1).max(axis=1), kind="stable")
    layer_numbers = np.sort(by_error[:MOST_LAYERS])
    singular = on_grid(task, task.column("conditioning")) < NEAR_SINGULAR
    columns = min(3, len(layer_numbers))
    rows = math.ceil(len(layer_numbers) / columns)
    scale = LimitScale.of(values * factor, None if limit is None else limit * factor)
    with style.style():
        out = style.Drawing(figsize=(6.4, 1.0 + 1.9 * rows), layout="constrained")
        x, y = edges(task)
        panels = []
        for number, layer in enumerate(layer_numbers):
            axes = out.add_subplot(rows, columns, number + 1)
            panels.append(axes)
            mesh = axes.pcolormesh(x, y, values[layer] * factor, cmap=scale.colours, norm=scale.norm, rasterized=True)
            scale.hatch(axes, x, y, values[layer] * factor)
            unreachable = np.where(np.isnan(values[layer]), 1.0, np.nan)
            axes.pcolormesh(x, y, unreachable, cmap="Greys", vmin=0, vmax=4, rasterized=True)
            place_y, place_x = np.nonzero(singular[layer])
            across, up = (np.array(centres) * 1e3 for centres in grid.centres[:2])
            axes.plot(across[place_x], up[place_y], "x", color="white", markersize=3, markeredgewidth=0.9)
            reachable = ~np.isnan(values[layer])
            a, b = np.meshgrid(*(np.array(centres) * 1e3 for centres in grid.centres[:2]))
            out.annotate(
                axes,
                a[reachable],
                b[reachable],
                texts=[
                    f"x {p:g} mm, y {q:g} mm: {significant(v * factor)} {unit}"
                    for p, q, v in zip(a[reachable], b[reachable], values[layer][reachable], strict=True)
                ],
            )
            axes.set_title(f"z = {grid.centres[2][layer] * 1e3:g} mm", fontsize=8, fontweight="normal", pad=3)
            axes.set_aspect("equal")
            axes.grid(False)
            axes.tick_params(labelsize=8)
            if number % columns == 0:
                axes.set_ylabel("y [mm]")
            if number // columns == rows - 1:
                axes.set_xlabel("x [mm]")
        scale.mark(out.colorbar(mesh, ax=panels, shrink=0.8, label=f"{label} [{unit}]"))
        style.titled(out, finding)
        layer_note = (
            ""
            if len(layer_numbers) == len(values)
            else f"; the {len(layer_numbers)} of {len(values)} layers with the largest values"
        )
        marked = f"; crosses: {singular.sum()} near-singular poses" if singular.any() else ""
        sizes = f"{len(task.poses)} poses, {result.units} arms × {result.visits} visits"
        red = f"; red line: required {limit * factor:.4g} {unit}" if limit is not None else ""
        exceeding_note = ", red and hatched: above it" if scale.exceeded else ""
        style.footnote(out, f"grey: cannot be reached{marked}{red}{exceeding_note}; {sizes}{layer_note}")
    return out


def slice_axes(task: TaskResult, axes: Axes | None = None) -> tuple[style.Drawing, Axes]:
    """A figure whose axes have the shape of the slice, in millimetres, or the given axes."""
    grid = _grid(task, 2)
    first, second = (np.array(centres) * 1e3 for centres in grid.centres)
    span = (np.ptp(second) + 1) / (np.ptp(first) + 1)
    out, axes = style.figure(6.4, float(np.clip(5.2 * span, 3.0, 7.5)), axes)
    axes.set(xlabel=f"{grid.axes[0]} [mm]", ylabel=f"{grid.axes[1]} [mm]", aspect="equal")
    axes.grid(False)
    return out, axes


def on_grid(task: TaskResult, column: Array) -> Array:
    """A column laid out over the cells, shape (second, first) or (z, y, x); nan in cells out of reach."""
    assert task.grid is not None  # checked by the callers
    return task.grid.cells(column)


def annotate_cells(
    out: style.Drawing, axes: Axes, task: TaskResult, values: Array, text_of: Callable[[float], str]
) -> None:
    """Add a hover text to every reachable cell of a slice, values of shape (second, first)."""
    grid = _grid(task, 2)
    first, second = np.meshgrid(*(np.array(centres) * 1e3 for centres in grid.centres))
    reachable = ~np.isnan(values)
    first_axis, second_axis = grid.axes[0], grid.axes[1]
    texts = [
        f"{first_axis} {a:g} mm, {second_axis} {b:g} mm: {text_of(float(value))}"
        for a, b, value in zip(first[reachable], second[reachable], values[reachable], strict=True)
    ]
    out.annotate(axes, first[reachable], second[reachable], texts=texts)


def in_grid(task: TaskResult, points: Array) -> Array:
    """Points of the base frame in the frame of the grid, shape (n, 3). [m]"""
    assert task.grid is not None
    return np.asarray((points - np.array(task.grid.origin)) @ np.array(task.grid.rotation))


def mark(axes: Axes, task: TaskResult, values: Array) -> list[Line2D | Patch]:
    """Draw unreachable cells, near-singular cells and the arm; return handles for the legend."""
    grid = _grid(task, 2)
    x, y = edges(task)
    handles: list[Line2D | Patch] = []
    unreachable = np.where(np.isnan(values), 1.0, np.nan)
    axes.pcolormesh(x, y, unreachable, cmap="Greys", vmin=0, vmax=4, rasterized=True, zorder=0.8)
    if np.isnan(values).any():
        handles.append(Patch(facecolor=ALONE, label="cannot be reached"))
    singular = on_grid(task, task.column("conditioning")) < NEAR_SINGULAR
    if singular.any():
        centres = [np.array(c) * 1e3 for c in grid.centres]
        rows, columns = np.nonzero(singular)
        edge = [withStroke(linewidth=2.4, foreground="#555555")]
        place_x, place_y = centres[0][columns], centres[1][rows]
        axes.plot(place_x, place_y, "x", color="white", markersize=4, markeredgewidth=1.0, path_effects=edge)
        count = int(singular.sum())
        label = f"near-singular ({count} pose{'s' if count > 1 else ''})"
        handles.append(Line2D([], [], linestyle="", marker="x", color="#777777", label=label))
    arm = in_grid(task, np.array(task.skeleton)) * 1e3
    across, up = (LETTERS.index(letter) for letter in grid.axes)
    x_low, x_high, y_low, y_high = x[0], x[-1], y[0], y[-1]
    axes.plot(arm[:, across], arm[:, up], color="white", linewidth=5.0, solid_capstyle="round", zorder=4)
    axes.plot(arm[:, across], arm[:, up], color="#222222", linewidth=2.2, marker="o", markersize=4, zorder=5)
    margin = 0.25 * max(x_high - x_low, y_high - y_low)
    axes.set_xlim(
        max(min(x_low, arm[:, across].min()), x_low - margin), min(max(x_high, arm[:, across].max()), x_high + margin)
    )
    axes.set_ylim(
        max(min(y_low, arm[:, up].min()), y_low - margin), min(max(y_high, arm[:, up].max()), y_high + margin)
    )
    handles.append(Line2D([], [], color="#222222", marker="o", markersize=4, label="arm at the worst pose"))
    return handles


def _measure(result: Result, task: TaskResult, measure: MapQuantity) -> tuple[str, str, float | None, bool]:
    """Column, label, limit of a measure, and whether it is an angle."""
    requirement, coverage = result.required_at(task.name), coverage_of(result.requirement)
    limit = partial(smallest_limit, requirement, task.follows_path)
    rows: dict[MapQuantity, tuple[str, str, float | None, bool]] = {
        "error": (
            "error.at_coverage",
            f"tool-point error not exceeded by {percent(coverage)}",
            limit("error"),
            False,
        ),
        "accuracy": ("accuracy.p95", "AP of 95 % of arms", limit("accuracy"), False),
        "repeatability": ("repeatability.p95", "RP of 95 % of arms", limit("repeatability"), False),
        "orientation": (
            "orientation_error.at_coverage",
            f"orientation error not exceeded by {percent(coverage)}",
            limit("orientation_error"),
            True,
        ),
    }
    return rows[measure]


def _unit(values: Array, angular: bool) -> tuple[float, str]:
    if angular:
        return 1e6, "urad"
    unit = unit_for([float(np.nanmax(values))])
    return unit.factor, unit.name


def _grid(task: TaskResult, directions: int) -> Grid:
    if task.grid is None or len(task.grid.axes) != directions:
        raise ValueError(f"task {task.name!r} is not a {'slice' if directions == 2 else 'volume'}")
    return task.grid


def edges(task: TaskResult) -> tuple[Array, Array]:
    """Edges of the cells along the first two directions. [mm]"""
    assert task.grid is not None
    step = task.grid.step * 1e3
    first, second = (np.array(centres) * 1e3 for centres in task.grid.centres[:2])
    x, y = (np.append(centres - step / 2, centres[-1] + step / 2) for centres in (first, second))
    return x, y


def _note(out: Figure, result: Result, task: TaskResult) -> None:
    grid = task.grid
    assert grid is not None
    normal = next(letter for letter in LETTERS if letter not in grid.axes)
    frame_note = "" if np.allclose(grid.rotation, np.eye(3)) and not any(grid.origin) else " of a frame of its own"
    style.footnote(
        out,
        f"plane {grid.axes} at {normal} = {grid.at * 1e3:g} mm{frame_note}, {len(task.poses)} poses, "
        f"{result.units} arms × {result.visits} visits at each",
    )


def _finding(task: TaskResult, values: Array, limit: float | None, measure: MapQuantity, angular: bool) -> str:
    name = {"error": "errors", "accuracy": "AP", "repeatability": "RP", "orientation": "orientation errors"}[measure]
    largest = float(np.nanmax(values))
    worst = f"{largest * 1e6:.3g} urad" if angular else show(largest)
    if limit is None:
        return f"{task.name}: {name} up to {worst}"
    share = float(np.mean(values[~np.isnan(values)] <= limit))
    if share == 1.0:
        return f"{task.name}: {name} within {show(limit)} at every pose, worst {worst}"
    return f"{task.name}: {name} within {show(limit)} at {percent(share)} of the poses, worst {worst}"
