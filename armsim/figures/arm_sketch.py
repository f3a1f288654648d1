"""Sketch of the arm as a line, with the sensor of every joint."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from armsim.arrays import Array
from armsim.figures import style
from armsim.formatting import plural, rounding_as_zero, significant, unit_for
from armsim.results import Result

LETTERS = "xyz"
LONGEST = 36
"""Largest number of characters of a label (joint, sensor, placement)."""
FLAT = 1e-6
"""Extent, as a share of the arm, below which it is rounding error."""


def arm(result: Result) -> style.Drawing:
    """The arm at the worst pose of its first task from the side and from above, every joint with its sensor."""
    task = result.tasks[0]
    points = np.array(task.skeleton) * 1e3
    at_joints = list(task.skeleton_joints)
    names = list(result.joints)
    reach = np.ptp(points[2:] if len(points) > 3 else points, axis=0)  # a track would hide the arm on it
    across = 0 if reach[0] >= reach[1] else 1
    with style.style():
        out = style.Drawing(figsize=(6.4, max(4.6, 2.4 + 0.18 * len(names))), layout="constrained")
        (side, label_axes), (above, under) = out.subplots(2, 2, height_ratios=(3, 2), width_ratios=(3, 2))
        for empty in (label_axes, under):
            empty.set_axis_off()
        for axes, (first, second) in ((side, (across, 2)), (above, (0, 1))):
            projection = points[:, [first, second]]
            axes.plot(*projection.T, color="#222222", linewidth=2.4, solid_capstyle="round", zorder=2)
            axes.plot(*projection[at_joints].T, "o", color=style.COLOURS[0], markersize=7, zorder=3)
            axes.plot(*projection[-1], "D", color=style.COLOURS[1], markersize=6, zorder=3)
            axes.set(xlabel=f"{LETTERS[first]} [mm]", ylabel=f"{LETTERS[second]} [mm]", aspect="equal")
            axes.margins(0.15)
            if np.ptp(projection[:, 1]) < FLAT * max(float(np.ptp(points, axis=0).max()), 1e-9):
                half = 0.1 * float(np.ptp(points, axis=0).max()) or 1.0  # a line, not its rounding
                axes.set_ylim(float(projection[:, 1].mean()) - half, float(projection[:, 1].mean()) + half)
            out.annotate(axes, *projection[at_joints].T, texts=[_sensor(result, name) for name in names])
        _label_joints(side, label_axes, points[at_joints][:, [across, 2]], [_sensor(result, name) for name in names])
        finest = max(result.joints.values(), key=lambda budget: budget.resolution_bits)
        unit = unit_for(task.skeleton[-1])
        tip = ", ".join(f"{value * unit.factor:.4g}" for value in rounding_as_zero(task.skeleton[-1]))
        rotary = f", resolution up to {significant(finest.resolution_bits)} bit" if finest.unit == "rad" else ""
        style.titled(
            out, f"{result.arm}: {plural(len(names), 'joint')}, sensors for {result.price:g} cost units{rotary}", 72
        )
        style.footnote(
            out,
            f"from the side and from above, at {task.summary.worst_pose}, the worst pose of {task.name}; diamond: tool "
            f"point at ({tip}) {unit.name}",
        )
    return out


def _sensor(result: Result, name: str) -> str:
    budget = result.joints[name]
    return f"{name}: {budget.encoder}, {budget.placement}"


def shortened(text: str) -> str:
    """A text of at most `LONGEST` characters, shortened in its middle, so that the placement stays."""
    if len(text) <= LONGEST:
        return text
    tail = min(len(text) - text.rfind(","), LONGEST // 2) if "," in text else LONGEST // 2
    return f"{text[: LONGEST - tail - 1]}…{text[-tail:]}"


def _label_joints(axes: Axes, label_axes: Axes, points: Array, texts: list[str]) -> None:
    """Draw labels in a column next to the arm, each with a line to its joint, in the order of their heights."""
    order = np.argsort(-points[:, 1], kind="stable")
    for row, n in enumerate(order):
        text = shortened(texts[n])
        name = axes.annotate(
            text,
            tuple(points[n]),
            xytext=(0.0, 1.0 - (row + 0.5) / len(texts)),
            textcoords=label_axes.transAxes,
            fontsize=8,
            va="center",
            arrowprops={"arrowstyle": "-", "color": "#888888", "linewidth": 0.7, "relpos": (0.0, 0.5)},
            annotation_clip=False,
        )
        name.set_in_layout(False)
