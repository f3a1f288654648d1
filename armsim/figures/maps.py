"""Maps over a plane of the workspace."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from armsim.figures import style
from armsim.present import percent, show, unit_for
from armsim.results import Result, TaskResult
from armsim.spreads import Array

LETTERS = "xyz"


def error_map(result: Result, task: TaskResult) -> Figure:
    """The error at the coverage of the requirement over a slice, with the arm at its worst pose.

    Raises
    ------
    ValueError
        The task is no slice.
    """
    grid = task.grid
    if grid is None:
        raise ValueError(f"task {task.name!r} is no slice")
    requirement = result.requirement
    coverage = requirement.coverage if requirement is not None else 0.95
    values = on_grid(task, task.column("error.at_coverage"))
    unit = unit_for([float(np.nanmax(values))])
    first, second = (np.array(centres) * 1e3 for centres in grid.centres)
    across, up = LETTERS.index(grid.axes[0]), LETTERS.index(grid.axes[1])
    with style.style():
        span = (np.ptp(second) + 1) / (np.ptp(first) + 1)
        out, axes = style.figure(6.4, float(np.clip(5.2 * span, 3.0, 7.5)))
        edges = _edges(first, grid.step * 1e3), _edges(second, grid.step * 1e3)
        mesh = axes.pcolormesh(*edges, values * unit.factor, cmap=style.MAP, rasterized=True)
        missing = np.where(np.isnan(values), 1.0, np.nan)
        axes.pcolormesh(*edges, missing, cmap="Greys", vmin=0, vmax=4, rasterized=True)
        handles: list[Line2D | Patch] = []
        if np.isnan(values).any():
            handles.append(Patch(facecolor="#d9d9d9", label="cannot be reached"))
        if requirement is not None:
            limit = requirement.position * unit.factor
            handles.append(Line2D([], [], color=style.REQUIREMENT, label=f"required {limit:.4g} {unit.name}"))
            if min(values.shape) > 1 and np.nanmin(values) * unit.factor < limit < np.nanmax(values) * unit.factor:
                filled = np.ma.masked_invalid(values * unit.factor)
                axes.contour(first, second, filled, levels=[limit], colors=style.REQUIREMENT, linewidths=1.8)
        arm = np.array(task.skeleton) * 1e3
        axes.plot(arm[:, across], arm[:, up], color="white", linewidth=5.0, solid_capstyle="round", zorder=4)
        axes.plot(arm[:, across], arm[:, up], color="#222222", linewidth=2.2, marker="o", markersize=4, zorder=5)
        handles.append(Line2D([], [], color="#222222", marker="o", markersize=4, label="arm at the worst pose"))
        bar = out.colorbar(mesh, ax=axes, shrink=0.9)
        bar.set_label(f"tool-point error not exceeded by {percent(coverage)} [{unit.name}]")
        axes.set(xlabel=f"{grid.axes[0]} [mm]", ylabel=f"{grid.axes[1]} [mm]", aspect="equal")
        axes.grid(False)
        axes.set_title(style.wrapped(_finding(result, task, values), 64))
        axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.0, -0.13), ncols=3, borderaxespad=0)
        normal = next(letter for letter in LETTERS if letter not in grid.axes)
        style.footnote(
            out,
            f"plane {grid.axes} at {normal} = {grid.at * 1e3:g} mm, {len(task.poses)} cells, "
            f"{result.units} units × {result.visits} visits at each",
        )
    return out


def on_grid(task: TaskResult, column: Array) -> Array:
    """A column laid out over the cells, shape (second, first) or (z, y, x); nan where the arm cannot go."""
    assert task.grid is not None  # asked for by the callers
    shape = tuple(len(centres) for centres in task.grid.centres[::-1])
    index = np.array(task.grid.pose).reshape(shape)
    return np.where(index >= 0, column[np.maximum(index, 0)], np.nan)


def _edges(centres: Array, step: float) -> Array:
    return np.append(centres - step / 2, centres[-1] + step / 2)


def _finding(result: Result, task: TaskResult, values: Array) -> str:
    summary, requirement = task.summary, result.requirement
    worst = show(summary.at_coverage)
    if requirement is None:
        return f"{task.name}: errors reach {worst}"
    inside = float(np.mean(values[~np.isnan(values)] <= requirement.position))
    if inside == 1.0:
        return f"{task.name}: every cell within {show(requirement.position)}, worst {worst}"
    return f"{task.name}: {percent(inside)} of the cells within {show(requirement.position)}, worst {worst}"
