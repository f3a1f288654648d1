"""Error contributions: the mean square error of a task, split by joint and cause."""

from __future__ import annotations

import numpy as np

from armsim.figures import style
from armsim.formatting import percent
from armsim.results import Result, TaskResult

SHOWN = 6
"""Causes told apart; the rest is summed."""
BIAS_SHOWN = 0.005
"""Share of the mean from which it has a bar of its own."""


def error_budget(result: Result, task: TaskResult) -> style.Drawing:
    """Stacked bars: one bar an owner (joint, links), its height the owner's share of the mean square tool error.

    Shares are averaged over the poses, each pose weighted by its mean square error.
    """
    owners = [owner for owner in dict.fromkeys(owner for owner, _ in task.poses.share_names) if owner != "bias"]
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
        known = list(dict.fromkeys(c for own in result.tasks for c in own.summary.causes if c != "bias"))
        for cause, heights in rows:
            number = known.index(cause) if cause in known else len(style.COLOURS) - 1  # the same in every task
            axes.bar(
                owners,
                100 * heights,
                bottom=100 * bottom,
                label=f"{cause} ({percent(float(heights.sum()), 2)})",
                color=style.COLOURS[number % len(style.COLOURS)],
                hatch=style.HATCHES[(number + number // len(style.HATCHES)) % len(style.HATCHES)],
                edgecolor="white",
                linewidth=0.6,
                width=0.7,
            )
            middle = 100 * (bottom + heights / 2)
            texts = [f"{owner}, {cause}: {percent(float(h))}" for owner, h in zip(owners, heights, strict=True)]
            out.tell(axes, np.arange(len(owners)), middle, texts=texts)
            bottom = bottom + heights
        bias = task.summary.causes.get("bias", 0.0)
        if bias > BIAS_SHOWN:
            label = f"mean of all units ({percent(bias, 2)})"
            axes.bar(["bias"], [100 * bias], color="#bbbbbb", edgecolor="white", width=0.7, label=label)
        axes.set(ylabel="share of mean square tool error [%]")
        axes.grid(axis="x", visible=False)
        axes.tick_params(axis="x", rotation=0 if len(owners) < 9 else 60)
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), title="cause", title_fontsize=8)
        axes.set_title(style.wrapped(_finding(task, named, owners[int(np.argmax(bottom))], bias), 60))
        groups = ", ".join(f"{name} {percent(share, 2)}" for name, share in task.summary.groups.items() if share > 5e-4)
        style.footnote(out, f"all poses of the task; by group: {groups}; first order")
    return out


def _finding(task: TaskResult, named: list[str], top: str, bias: float) -> str:
    if not named:
        return f"{task.name}: no error to share"
    share = task.summary.causes[named[0]]
    if bias > share:
        return f"{task.name}: the mean of all units makes {percent(bias, 2)}, {named[0]} {percent(share, 2)}"
    return f"{task.name}: {named[0]} makes {percent(share, 2)}; {top} has the largest share"
