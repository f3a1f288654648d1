"""Error contributions: the mean square error of a task, split by joint and cause."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from armsim.figures import style
from armsim.figures.cause_palette import SUM, look_of
from armsim.formatting import percent
from armsim.results import Result, TaskResult
from armsim.results.poses import BIAS

SHOWN = 6
"""Causes drawn one by one; the rest is summed."""


def error_budget(result: Result, task: TaskResult, axes: Axes | None = None) -> style.Drawing:
    """Stacked bars: one bar per owner (joint, links), its height the owner's share of the mean square tool error.

    Shares are averaged over the poses, each pose weighted by its mean square error. Contributions that
    reduce the mean error lie below zero.
    """
    owners = [owner for owner in dict.fromkeys(owner for owner, _ in task.poses.share_names) if owner != BIAS[0]]
    by_share = sorted(task.summary.causes, key=lambda c: -task.summary.causes[c])
    main_causes = [cause for cause in by_share[:SHOWN] if task.summary.causes[cause] > 0]
    shares = {
        (contribution.owner, contribution.cause): contribution.share for contribution in task.summary.contributions
    }
    table = {cause: np.array([shares.get((owner, cause), 0.0) for owner in owners]) for cause in by_share}
    others = sum((table[cause] for cause in by_share[SHOWN:]), np.zeros(len(owners)))
    with style.style():
        out, axes = style.figure(6.4, 3.8, axes)
        top, below = np.zeros(len(owners)), np.zeros(len(owners))
        rows = [(cause, table[cause]) for cause in main_causes]
        if others.any():
            rows.append((f"{len(by_share) - SHOWN} others", others))
        for cause, heights in rows:
            bottom = np.where(heights < 0.0, below, top)
            look = look_of(cause) if cause in table else SUM
            axes.bar(
                owners,
                100 * heights,
                bottom=100 * bottom,
                label=f"{cause} ({percent(float(heights.sum()), 2)})",
                color=look.colour,
                hatch=look.hatch,
                edgecolor="white",
                linewidth=0.6,
                width=0.7,
            )
            middle = 100 * (bottom + heights / 2)
            texts = [f"{owner}, {cause}: {percent(float(h))}" for owner, h in zip(owners, heights, strict=True)]
            out.annotate(axes, np.arange(len(owners)), middle, texts=texts)
            top, below = top + np.maximum(heights, 0.0), below + np.minimum(heights, 0.0)
        axes.set(ylabel="share of the mean square tool-point error [%]")
        axes.grid(axis="x", visible=False)
        axes.tick_params(axis="x", rotation=0 if len(owners) < 9 else 60)
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), title="cause", title_fontsize=8)
        axes.set_title(style.wrapped(_finding(task, main_causes, owners[int(np.argmax(top + below))]), 60))
        groups = ", ".join(f"{name} {percent(share, 2)}" for name, share in task.summary.groups.items() if share > 5e-4)
        style.footnote(out, f"all poses of the task; by group: {groups}; first order")
    return out


def _finding(task: TaskResult, main_causes: list[str], top: str) -> str:
    if not main_causes:
        return f"{task.name}: no error"
    share = task.summary.causes[main_causes[0]]
    return f"{task.name}, all poses: {main_causes[0]} makes {percent(share, 2)}; largest share: {top}"
