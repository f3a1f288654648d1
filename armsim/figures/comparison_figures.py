"""Comparison of two designs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.lines import Line2D

from armsim.arrays import Array
from armsim.figures import maps, style
from armsim.figures.limit_scale import hatch_cells
from armsim.formatting import Unit, format_change, percent, show, unit_for
from armsim.requirement import Quantity, show_change
from armsim.requirement.judgement import COUNT, KINDS
from armsim.results import TaskResult
from armsim.sampling.paired_difference import Difference

WORSE = "////"
"""Hatch of what is worse, which tells the sign in grey."""


def difference_map(
    task: TaskResult, values: Array, half_widths: Array, first: str, other: str, quantile: str, reach: float
) -> style.Drawing:
    """Difference of a quantile over a slice; dots mark cells in which its sign is not resolved.

    Parameters
    ----------
    task : TaskResult
        Task result of the first design.
    values, half_widths : (poses,) [m]
        Other minus first design, and half-widths of 95 % intervals that hold at all poses at once.
    first, other : str
        Names of the designs.
    quantile : str
        Name of the quantile.
    reach : float
        Largest absolute difference of all maps that are compared, at which their common colour scale ends. [m]

    Raises
    ------
    ValueError
        The task is not a slice.
    """
    grid = task.grid
    if grid is None or len(grid.axes) != 2:
        raise ValueError(f"task {task.name!r} is not a slice")
    grid_values = maps.on_grid(task, values)
    unit = unit_for([reach])
    end = reach * unit.factor or 1.0
    unresolved = maps.on_grid(task, np.where(np.abs(values) <= half_widths, 1.0, 0.0)) == 1.0
    with style.style():
        out, axes = maps.slice_axes(task)
        x, y = maps.edges(task)
        mesh = axes.pcolormesh(x, y, grid_values * unit.factor, cmap="RdBu_r", vmin=-end, vmax=end, rasterized=True)
        hatch_cells(axes, x, y, grid_values > 0.0, WORSE)
        maps.annotate_cells(out, axes, task, grid_values, lambda value: format_change(value, None))
        handles = maps.mark(axes, task, grid_values)
        if unresolved.any():
            rows, columns = np.nonzero(unresolved)
            across, up = (np.array(centres) * 1e3 for centres in grid.centres)
            axes.plot(across[columns], up[rows], ".", color="#555555", markersize=3)
            handles.append(Line2D([], [], linestyle="", marker=".", color="#555555", label="sign not significant"))
        out.colorbar(mesh, ax=axes, shrink=0.9, label=f"difference of the {quantile} [{unit.name}]")
        style.legend_below(axes, handles)
        parts = []
        for word, side in (("better", -1.0), ("worse", 1.0)):
            certain = side * values - half_widths > 0
            if certain.any():
                most = show(float((side * values)[certain].max()))
                parts.append(f"{word} at {percent(float(np.mean(certain)))} of the poses, by up to {most}")
        finding = " and ".join(parts) or "no significant difference at any pose"
        axes.set_title(style.wrapped(f"{task.name}, {other}: {finding}", 60))
        style.footnote(
            out,
            f"{other}, difference to {first}; blue: better, red and hatched: worse; signs hold for all poses together "
            "(95 %, Bonferroni)",
        )
    return out


def differences(
    rows: Sequence[tuple[str, Difference]],
    title: str,
    note: str,
    phrase: str,
    quantity: Quantity = "length",
    at_least: bool = False,
) -> style.Drawing:
    """Changes of one criterion with their 95 % intervals, the largest gain on top.

    Parameters
    ----------
    rows : sequence of (name, Difference)
    title, note : str
    phrase : str
        Changed quantity, as a phrase.
    quantity : str
        As in `requirement.Judgement`.
    at_least : bool
        Whether more is better.
    """
    better = 1.0 if at_least else -1.0
    ordered = sorted(rows, key=lambda row: -better * row[1].value)
    kind, other = KINDS.get(quantity), Unit("percentage points", 100.0) if quantity == "share" else COUNT
    unit = other if kind is None else unit_for([max(abs(change.value) for _, change in ordered)], kind)
    with style.style():
        out, axes = style.figure(6.4, 1.2 + 0.27 * len(ordered))
        for row, (name, change) in enumerate(ordered):
            value, interval = change
            text = show_change(value, interval, quantity)
            out.annotate(axes, [value * unit.factor], [-row], texts=[f"{name}: {text}"])
            colour = style.COLOURS[0] if better * value >= 0 else style.COLOURS[3]
            hatch = "" if better * value >= 0 else WORSE
            axes.barh(-row, value * unit.factor, color=colour, hatch=hatch, edgecolor="white", linewidth=0, height=0.6)
            if interval is not None:
                low, high = (end * unit.factor for end in interval)
                axes.plot([low, high], [-row, -row], color="#222222", linewidth=1.2)
        axes.set_yticks([-n for n in range(len(ordered))], [name for name, _ in ordered])
        axes.axvline(0.0, color="#555555", linewidth=0.8)
        axes.set(xlabel=f"change of the {phrase}" + (f" [{unit.name}]" if unit.name else ""))
        axes.grid(axis="y", visible=False)
        style.titled(out, title)
        style.footnote(out, note)
    return out
