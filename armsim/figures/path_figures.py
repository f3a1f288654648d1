"""The error along a path, and over a cloud of postures."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from armsim.criteria import smallest_limit
from armsim.figures import style
from armsim.formatting import percent, show, unit_for
from armsim.requirement.requirement import coverage_of
from armsim.results import NEAR_SINGULAR, Result, TaskResult


def path_error(result: Result, task: TaskResult) -> style.Drawing:
    """Error against path length: band of the population above, coordinates of one built unit below.

    Raises
    ------
    ValueError
        The task is not a path.
    """
    along = task.column("along") * 1e3
    if not task.follows_path:
        raise ValueError(f"task {task.name!r} is not a path")
    requirement = result.required_at(task.name)
    p50, at_coverage, accuracy = (task.column(name) for name in ("error.p50", "error.at_coverage", "accuracy.p95"))
    limit = smallest_limit(requirement, task.follows_path, "error")
    share, unit = percent(coverage_of(requirement)), unit_for([float(at_coverage.max())])
    with style.style():
        out = style.Drawing(figsize=(6.4, 5.2), layout="constrained")
        axes, below = out.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        axes.fill_between(
            along, p50 * unit.factor, at_coverage * unit.factor, color=style.COLOURS[5], label=f"error, 50 % to {share}"
        )
        axes.plot(
            along,
            accuracy * unit.factor,
            color=style.COLOURS[0],
            label="across the path, mean of visits, 95 % of arms",
        )
        if limit is not None:
            axes.axhline(limit * unit.factor, color=style.REQUIREMENT, label=f"required {show(limit)}")
        singular = task.column("conditioning") < NEAR_SINGULAR
        if singular.any():
            axes.plot(
                along[singular], np.zeros(singular.sum()), "x", color="#555555", markersize=4, label="near-singular"
            )
        texts = [f"{a:.4g} mm: {share} of errors within {show(b)}" for a, b in zip(along, at_coverage, strict=True)]
        out.annotate(axes, along, at_coverage * unit.factor, texts=texts)
        axes.set(ylabel=f"error [{unit.name}]", ylim=(0, None))
        style.legend_below(axes, inches=0.12)
        first_unit = task.column("first_unit")
        for letter, values, colour in zip("xyz", first_unit.T, style.COLOURS[:3], strict=True):
            below.plot(along, values * unit.factor, color=colour, label=letter, linewidth=1.2)
        _reversals(below, task)
        below.set(xlabel="length of the path [mm]", ylabel=f"one arm [{unit.name}]")
        below.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))
        figures = {measure.name: measure.p95 for measure in task.measures}
        rt = f", RT {show(figures['RT'])}" if "RT" in figures else ""
        axes.set_title(style.wrapped(f"{task.name}: 95 % of arms have AT up to {show(figures['AT'])}{rt}", 64))
        lost_note = f"; {len(task.unreachable)} poses cannot be reached" if task.unreachable else ""
        style.footnote(
            out,
            f"{len(along)} poses, {result.units} arms × {result.visits} visits{lost_note}; below: mean error of "
            "one built arm, dotted where a joint reverses",
        )
    return out


def _reversals(axes: Axes, task: TaskResult, most: int = 16) -> None:
    """Draw dotted lines where joints reverse, with their names."""
    joints_at: dict[float, list[str]] = {}
    for turn in task.reversals[:most]:
        joints_at.setdefault(turn.along * 1e3, []).append(turn.joint)
    for n, (distance, names) in enumerate(joints_at.items()):
        axes.axvline(distance, color="#888888", linestyle=":", linewidth=0.8)
        axes.annotate(
            ", ".join(names),
            (distance, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(1, -7 - 8 * (n % 2)),
            textcoords="offset points",
            fontsize=8,
            color="#555555",
        )


def distribution(result: Result, task: TaskResult) -> style.Drawing:
    """Empirical distribution function of the error over the poses of a cloud or a volume."""
    columns = [("error.p50", "median of arms and visits"), ("error.at_coverage", None)]
    requirement = result.required_at(task.name)
    coverage, limit = coverage_of(requirement), smallest_limit(requirement, task.follows_path, "error")
    unit = unit_for([float(task.column("error.at_coverage").max())])
    with style.style():
        out, axes = style.figure(6.4, 3.6)
        for (column, fixed_name), colour in zip(columns, (style.COLOURS[5], style.COLOURS[0]), strict=True):
            values = np.sort(task.column(column)) * unit.factor
            share = 100 * np.arange(1, len(values) + 1) / len(values)
            name = fixed_name or f"{percent(coverage)} of arms and visits"
            axes.step(values, share, where="post", color=colour, label=name)
            thinned = slice(None, None, max(1, len(values) // 200))
            texts = [
                f"{s:.3g} % of postures: {name} within {v:.3g} {unit.name}"
                for v, s in zip(values[thinned], share[thinned], strict=True)
            ]
            out.annotate(axes, values[thinned], share[thinned], texts=texts)
        title = f"{task.name}: worst of {len(task.poses)} postures {show(task.summary.at_coverage)}"
        if limit is not None and task.summary.within is not None:
            axes.axvline(limit * unit.factor, color=style.REQUIREMENT, label=f"required {show(limit)}")
            within = task.summary.within
            low, high = (percent(end) for end in within.interval)
            share_within = f"{percent(within.value)} of the postures ({low} to {high})"
            title = f"{task.name}: {share_within} within {show(limit)}"
        axes.set(xlabel=f"tool-point error [{unit.name}]", ylabel="postures that stay within [%]", ylim=(0, 102))
        axes.set_xlim(left=0)
        axes.set_title(style.wrapped(title, 62))
        style.legend_below(axes)
        style.footnote(out, f"{result.units} arms × {result.visits} visits at each posture")
    return out
