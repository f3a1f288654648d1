"""The population of built arms, and the poses of a list."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.criteria import limits_of_arms, smallest_limit
from armsim.figures import style
from armsim.formatting import distinguishable, percent, show, show_interval, significant, unit_for
from armsim.requirement import show_quantity
from armsim.requirement.requirement import coverage_of
from armsim.results import Result, TaskResult, YieldCurve

BINS = 30
"""Number of bins of a histogram of arms."""


def population(result: Result, task: TaskResult) -> style.Drawing:
    """Distribution functions of AP and RP over the built units, at the worst pose, on one axis.

    Their quantiles stand in the legend, clear of curves and limits.
    """
    distribution, requirement, path = task.distribution, result.required_at(task.name), task.follows_path
    curves = [("accuracy AP", distribution.accuracy, smallest_limit(requirement, path, "accuracy"), "o", "-")]
    if distribution.repeatability is not None:
        limit = smallest_limit(requirement, path, "repeatability")
        curves.append(("repeatability RP", distribution.repeatability, limit, "s", "--"))
    probability = 100 * np.array(distribution.probability)
    largest = max(max(max(values), limit or 0.0) for _, values, limit, _, _ in curves)
    unit = unit_for([largest])
    with style.style():
        out, axes = style.figure(6.4, 3.4)
        for (name, values, limit, marker, line), colour in zip(curves, style.COLOURS, strict=False):
            in_units = np.array(values) * unit.factor
            middle, most = (float(np.interp(p, probability, in_units)) for p in (50, 95))
            label = f"{name}: median {significant(middle)}, 95 % of arms within {significant(most)} {unit.name}"
            axes.step(in_units, probability, where="post", color=colour, linestyle=line)
            axes.plot([middle, most], [50, 95], marker, color=colour, markersize=4)
            axes.plot([], [], marker=marker, color=colour, linestyle=line, markersize=4, label=label)
            texts = [f"{p:.3g} % of arms: {name} within {show(v)}" for p, v in zip(probability, values, strict=True)]
            out.annotate(axes, in_units, probability, texts=texts)
            if limit is not None:
                required = f"{name}: required {show(limit)}"
                axes.axvline(limit * unit.factor, color=style.REQUIREMENT, linestyle=line, label=required)
        axes.set(xlabel=f"{' and '.join(name for name, *_ in curves)} [{unit.name}]", ylim=(0, 102))
        axes.set_xlim(0, 1.06 * largest * unit.factor or 1.0)
        axes.set_ylabel("built arms within [%]")
        style.legend_below(axes, columns=1)
        ap = float(np.interp(0.95, distribution.probability, distribution.accuracy))
        finding = f"{task.name}, {distribution.pose}: 95 % of arms have an AP of at most {show(ap)}"
        if distribution.repeatability is not None:
            rp = float(np.interp(0.95, distribution.probability, distribution.repeatability))
            finding += f" and repeat within {show(rp)} (RP)"
        axes.set_title(style.wrapped(finding, 64))
        estimate = task.summary.yield_
        yield_text = (
            ""
            if estimate is None
            else (
                f"; yield over the task {percent(estimate.value)} "
                f"(95 % interval {percent(estimate.interval[0])} to {percent(estimate.interval[1])})"
            )
        )
        style.footnote(out, f"{result.units} arms, {result.visits} visits each, worst pose of {task.name}{yield_text}")
    return out


def pose_errors(result: Result, task: TaskResult, most: int = 24, axes: Axes | None = None) -> style.Drawing:
    """Tool-point error of named poses: median, quantile at the coverage with its interval, largest seen."""
    poses = [task.poses[int(n)] for n in np.argsort(-task.column("error.at_coverage"), kind="stable")[:most]]
    unit = unit_for([poses[0].error.max])
    limit = smallest_limit(result.required_at(task.name), task.follows_path, "error")
    share = percent(coverage_of(result.requirement))
    with style.style():
        out, axes = style.figure(6.4, 2.0 + 0.32 * max(len(poses), 2), axes)
        for row, pose in enumerate(reversed(poses)):
            e = pose.error
            quantile, ends = e.at_coverage, e.at_coverage_interval
            offset, width = e.p50 * unit.factor, (quantile - e.p50) * unit.factor
            axes.barh(row, width, left=offset, height=0.5, color=style.COLOURS[5])
            axes.plot([e.p50 * unit.factor], [row], "|", color=style.COLOURS[0], markersize=12)
            if ends is not None:
                low, high = (x * unit.factor for x in ends)
                axes.plot([low, high], [row, row], color=style.COLOURS[0], linewidth=3, solid_capstyle="butt")
            axes.plot([e.max * unit.factor], [row], "x", color="#555555", markersize=5)
            text = f"median {show(e.p50)}, {share} within {show_interval(quantile, ends)}, max {show(e.max)}"
            out.annotate(axes, [quantile * unit.factor], [row], texts=[f"{pose.name}: {text}"])
        axes.set_yticks(range(len(poses)), [pose.name for pose in reversed(poses)])
        axes.plot([], [], color=style.COLOURS[5], linewidth=6, label=f"median to {share}")
        if any(pose.error.at_coverage_interval is not None for pose in poses):
            axes.plot([], [], color=style.COLOURS[0], linewidth=3, label=f"95 % interval of the {result.quantile}")
        axes.plot([], [], "|", color=style.COLOURS[0], markersize=12, label="median")
        axes.plot([], [], "x", color="#555555", label="largest seen")
        if limit is not None:
            axes.axvline(limit * unit.factor, color=style.REQUIREMENT, label=f"required {show(limit)}")
        axes.set(xlabel=f"tool-point error [{unit.name}]")
        axes.set_xlim(left=0)
        axes.grid(axis="y", visible=False)
        title = f"{task.name}: worst at {poses[0].name}, {share} within {show(poses[0].error.at_coverage)}"
        axes.set_title(style.wrapped(title, 60))
        style.legend_below(axes, columns=2)
        style.footnote(out, f"{result.units} arms × {result.visits} visits at each pose")
    return out


def yield_curve(result: Result, task: TaskResult, axes: Axes | None = None) -> style.Drawing:
    """Yield against the required position, with its 95 % interval.

    Raises
    ------
    ValueError
        The result is of a version that did not store the curve.
    """
    curve, requirement = task.yield_curve, result.required_at(task.name)
    if curve is None:
        raise ValueError(f"task {task.name!r} has no yield curve")
    position = np.array(curve.position)
    unit = unit_for([float(position.max())])
    share, low, high = (100 * np.array(column) for column in (curve.share, curve.low, curve.high))
    with style.style():
        out, axes = style.figure(6.4, 3.6, axes)
        axes.fill_between(
            position * unit.factor, low, high, step="post", color=style.COLOURS[5], alpha=0.5, label="95 % interval"
        )
        axes.step(position * unit.factor, share, where="post", color=style.COLOURS[0], label="arms that pass")
        texts = [f"{show(p)} required: yield {s:.4g} %" for p, s in zip(position, share, strict=True)]
        out.annotate(axes, position * unit.factor, share, texts=texts)
        limit = smallest_limit(requirement, task.follows_path, "error")
        if requirement is not None and limit is not None:
            axes.axvline(limit * unit.factor, color=style.REQUIREMENT, label=f"required {show(limit)}")
            if requirement.yield_ is not None:
                line_label = f"required yield, {percent(requirement.yield_)}"
                axes.axhline(100 * requirement.yield_, color=style.REQUIREMENT, linestyle="--", label=line_label)
        axes.set(xlabel=f"position required [{unit.name}]", ylabel="yield [%]", ylim=(0, 102))
        axes.set_xlim(left=0)
        axes.set_title(style.wrapped(_passing(result, task, curve), 64))
        style.legend_below(axes, columns=2)
        conditions = "".join(
            f", {criterion.figure_name} within {show_quantity(limit, criterion.quantity)}"
            for criterion, _, limit in limits_of_arms(requirement, task.follows_path)
            if criterion.error_column != "error"
        )
        style.footnote(
            out,
            (f"an arm passes if its AP is within the position limit{conditions} at every pose; {result.units} arms"),
        )
    return out


@dataclass(frozen=True, eq=False)
class ArmHistogram:
    """Built arms by the smallest position requirement that each passes at all poses of a task.

    Parameters
    ----------
    limit : float, optional
        No bin lies on both sides of it. [m]
    edges : (bins + 1,) [m]
    portions : (bins,) [% of the arms]
    heights : (bins,) [% of the arms]
        Portions in a bin of the common width, so that areas are shares of arms.
    beyond_limit : (bins,)
        Whether the arms of a bin exceed the limit.
    label : str
        What the axis shows, without its unit.
    """

    limit: float | None
    edges: Array
    portions: Array
    heights: Array
    beyond_limit: NDArray[np.bool_]
    label: str

    @staticmethod
    def from_curve(curve: YieldCurve, limit: float | None) -> ArmHistogram:
        """Histogram of a yield curve.

        Parameters
        ----------
        curve : YieldCurve
        limit : float, optional
            Of the position error. [m]

        Returns
        -------
        ArmHistogram
        """
        position = np.array([0.0, *curve.position])
        edges = np.linspace(0.0, 1.02 * max(float(position.max()), limit or 0.0), BINS + 1)
        if limit is not None:
            edges = np.unique([*edges[np.abs(edges - limit) > 0.4 * edges[1]], limit])
        portions = 100 * np.diff(np.interp(edges, position, [0.0, *curve.share]))
        heights = portions * (edges[-1] / BINS) / np.diff(edges)
        beyond = edges[:-1] >= (np.inf if limit is None else limit)
        label = "largest AP of an arm over all poses" if curve.largest >= 1.0 else "position that an arm passes"
        return ArmHistogram(limit, edges, portions, heights, beyond, label)


def arms(result: Result, task: TaskResult, axes: Axes | None = None) -> style.Drawing:
    """Histogram of the built arms by the smallest position requirement that each passes, at all poses of a task.

    Raises
    ------
    ValueError
        The result is of a version that did not store the yield curve.
    """
    curve = task.yield_curve
    if curve is None:
        raise ValueError(f"task {task.name!r} has no yield curve")
    limit = smallest_limit(result.required_at(task.name), task.follows_path, "error")
    histogram = ArmHistogram.from_curve(curve, limit)
    edges, heights = histogram.edges, histogram.heights
    unit = unit_for([float(max(curve.position))])
    with style.style():
        out, axes = style.figure(6.4, 3.0, axes)
        for chosen, colour, hatch, label in (
            (~histogram.beyond_limit, style.COLOURS[0], "", "arms that pass" if limit is not None else "built arms"),
            (histogram.beyond_limit, style.COLOURS[3], "///", "arms that fail"),
        ):
            if chosen.any():
                start, width = edges[:-1][chosen] * unit.factor, np.diff(edges)[chosen] * unit.factor
                axes.bar(
                    start, heights[chosen], width, align="edge", label=label, color=colour, hatch=hatch,
                    edgecolor="white", linewidth=0.5,
                )  # fmt: skip
        middle = 0.5 * (edges[:-1] + edges[1:]) * unit.factor
        ends = zip(edges[:-1], edges[1:], histogram.portions, strict=True)
        texts = [f"{portion:.3g} % of arms need {show(low)} to {show(high)}" for low, high, portion in ends]
        out.annotate(axes, middle, heights, texts=texts)
        if limit is not None:
            axes.axvline(limit * unit.factor, color=style.REQUIREMENT, label=f"required {show(limit)}")
        axes.set(xlabel=f"{histogram.label} [{unit.name}]", ylabel="built arms [%]")
        axes.set_xlim(0, edges[-1] * unit.factor)
        axes.set_title(style.wrapped(exceeding(task, curve, limit), 64))
        style.legend_below(axes, columns=2)
        style.footnote(out, f"the error of an arm at a pose is its AP there; {result.units} arms")
    return out


def exceeding(task: TaskResult, curve: YieldCurve, limit: float | None) -> str:
    """Finding: share of the arms that exceed a limit at some pose, and position that half of them stay within."""
    middle = curve.position_reaching(0.5)
    half = "" if middle is None else f"half of the built arms stay within {show(middle)}"
    estimate = task.summary.yield_
    if limit is None or estimate is None:
        return f"{task.name}: {half or 'fewer than half of the built arms ever pass'}"
    return f"{task.name}: {percent(1.0 - estimate.value)} of built arms fail {show(limit)}{'; ' if half else ''}{half}"


def _passing(result: Result, task: TaskResult, curve: YieldCurve) -> str:
    """Finding: share of the arms that pass, and position limit that the required share would pass."""
    requirement = result.required_at(task.name)
    limit = smallest_limit(requirement, task.follows_path, "error")
    if requirement is None or limit is None:
        return f"{task.name}: half of the built arms would pass a limit of {show(curve.position_reaching(0.5))}"
    estimate = task.summary.yield_
    assert estimate is not None  # there with every requirement
    target = requirement.yield_ or 0.95
    target_position = curve.position_reaching(target)
    position_text, target_text = show(limit), show(target_position)
    if target_position is not None and target_position != limit:
        target_text, position_text = distinguishable(target_position, limit, show)
    reach = f"{percent(target)} is never reached"
    if target_position is not None:
        reach = f"{percent(target)} would pass a limit of {target_text}"
    return f"{task.name}: {percent(estimate.value)} of built arms pass {position_text}; {reach}"
