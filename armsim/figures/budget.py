"""Who is to blame: the mean square error of a task, split by joint and cause."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from armsim.figures import style
from armsim.present import percent
from armsim.results import Result, TaskResult

SHOWN = 6
"""Causes told apart; the rest is summed."""


def error_budget(result: Result, task: TaskResult) -> Figure:
    """Stacked bars: one bar an owner (joint, links), its height the owner's share of the mean square tool error.

    Shares are averaged over the poses, each pose weighted by its mean square error.
    """
    owners = [owner for owner in task.poses[0].shares if owner != "bias"]
    weights = task.column("first_order.rms") ** 2
    weights = weights / weights.sum() if weights.sum() else np.full(len(weights), 1 / len(weights))
    ranked = sorted((cause for cause in task.summary.causes if cause != "bias"), key=lambda c: -task.summary.causes[c])
    named = [cause for cause in ranked[:SHOWN] if task.summary.causes[cause] > 0]
    table = {cause: np.array([float(weights @ task.share(owner, cause)) for owner in owners]) for cause in ranked}
    rest = sum((table[cause] for cause in ranked[SHOWN:]), np.zeros(len(owners)))
    with style.style():
        out, axes = style.figure(6.4, 3.8)
        bottom = np.zeros(len(owners))
        rows = [(cause, table[cause]) for cause in named]
        if rest.any():
            rows.append((f"{len(ranked) - SHOWN} others", rest))
        for number, (cause, heights) in enumerate(rows):
            axes.bar(
                owners,
                100 * heights,
                bottom=100 * bottom,
                label=f"{cause} ({percent(float(heights.sum()), 2)})",
                color=style.COLOURS[number % len(style.COLOURS)],
                hatch=style.HATCHES[number % len(style.HATCHES)],
                edgecolor="white",
                linewidth=0.6,
                width=0.7,
            )
            bottom = bottom + heights
        axes.set(ylabel="share of mean square tool error [%]")
        axes.grid(axis="x", visible=False)
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), title="cause", title_fontsize=8)
        top = owners[int(np.argmax(bottom))]
        axes.set_title(
            f"{task.name}: {named[0]} makes {percent(task.summary.causes[named[0]], 2)}, most of it at {top}"
            if named
            else f"{task.name}: no error to share"
        )
        groups = ", ".join(f"{name} {percent(share, 2)}" for name, share in task.summary.groups.items() if share > 5e-4)
        style.footnote(out, f"all poses of the task; by group: {groups}; first order")
    return out
