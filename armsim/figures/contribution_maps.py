"""Error contributions over a slice: maps of shares."""

from __future__ import annotations

import numpy as np
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from armsim.arrays import Array
from armsim.figures import maps, style
from armsim.figures.cause_palette import joint_look
from armsim.figures.limit_scale import hatch_cells
from armsim.formatting import percent
from armsim.results import Result, TaskResult
from armsim.results.poses import BIAS

BELOW_HALF = "////"
"""Hatch of a share below one half, which tells it from one above in grey."""


def share_by_owner(task: TaskResult) -> dict[str, Array]:
    """Share of every joint (or the links) in the mean square error at every pose, arrays of shape (poses,)."""
    names = dict.fromkeys(owner for owner, _ in task.poses.share_names if owner != BIAS[0])
    return {name: task.contribution(name) for name in names}


def dominant_joint(result: Result, task: TaskResult) -> style.Drawing:
    """Map of the joint with the largest share, over the cells of a slice."""
    shares = share_by_owner(task)
    names = list(shares)
    largest = np.argmax(np.stack([shares[name] for name in names]), axis=0)
    dominant = [n for n in range(len(names)) if np.any(largest == n)]
    values = maps.on_grid(task, np.array([float(dominant.index(n)) for n in largest]))
    with style.style():
        out, axes = maps.slice_axes(task)
        x, y = maps.edges(task)
        looks = [joint_look(n) for n in dominant]
        steps = BoundaryNorm(np.arange(len(dominant) + 1) - 0.5, max(len(dominant), 1))
        axes.pcolormesh(x, y, values, cmap=ListedColormap([look.colour for look in looks]), norm=steps, rasterized=True)
        maps.annotate_cells(out, axes, task, values, lambda n: names[dominant[int(n)]])
        counts = [int(np.sum(largest == n)) for n in dominant]
        handles: list[Line2D | Patch] = [
            Patch(
                facecolor=look.colour,
                hatch=look.hatch,
                edgecolor="white",
                label=f"{style.label(names[n])} ({percent(count / len(largest), 2)} of the poses)",
            )
            for n, look, count in zip(dominant, looks, counts, strict=True)
        ]
        for number, look in enumerate(looks):
            hatch_cells(axes, x, y, values == number, look.hatch)
        handles += maps.mark(axes, task, values)
        axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.01, 1.0), borderaxespad=0)
        top = dominant[int(np.argmax(counts))]
        axes.set_title(
            style.wrapped(
                f"{task.name}: {names[top]} has the largest share in {percent(max(counts) / len(largest), 2)}", 60
            )
        )
        style.footnote(out, "joint with the largest share of the mean square tool-point error; first order")
    return out


def group_share(result: Result, task: TaskResult) -> style.Drawing:
    """Share of the first group of joints (base) against the others, over a slice.

    Raises
    ------
    ValueError
        The arm has no groups.
    """
    if not result.groups:
        raise ValueError("the arm has no groups")
    group, members = next(iter(result.groups.items()))
    shares = share_by_owner(task)
    group_shares = sum((shares[name] for name in members if name in shares), np.zeros(len(task.poses)))
    others = " and ".join(name for name in result.groups if name != group) or "the rest"
    values = maps.on_grid(task, group_shares)
    with style.style():
        out, axes = maps.slice_axes(task)
        x, y = maps.edges(task)
        mesh = axes.pcolormesh(x, y, 100 * values, cmap="PuOr", vmin=0, vmax=100, rasterized=True)
        hatch_cells(axes, x, y, values < 0.5, BELOW_HALF)
        maps.annotate_cells(out, axes, task, values, lambda share: f"{group} {percent(share)}")
        handles = maps.mark(axes, task, values)
        if min(values.shape) > 1 and np.nanmin(values) < 0.5 < np.nanmax(values):
            first, second = (np.array(c) * 1e3 for c in task.grid.centres)  # type: ignore[union-attr]
            axes.contour(first, second, np.ma.masked_invalid(values), levels=[0.5], colors="#222222", linewidths=1.2)
            handles.append(Line2D([], [], color="#222222", linewidth=1.2, label="50 % contour"))
        out.colorbar(mesh, ax=axes, shrink=0.9, label=f"share of {group} [%]")
        style.legend_below(axes, handles)
        low, high = percent(float(np.nanmin(values)), 2), percent(float(np.nanmax(values)), 2)
        span = low if low == high else f"{low} to {high}"
        axes.set_title(style.wrapped(f"{task.name}: {group} makes {span} of the mean square error", 60))
        rest_note = f"the rest: {others} and links, hatched where it has more than half"
        style.footnote(out, f"{group}: {', '.join(members)}; {rest_note}; first order")
    return out
