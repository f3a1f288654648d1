"""Error budgets of the sensors, compared with the errors of the present sensors."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from armsim.figures import style
from armsim.formatting import ARCSECOND, show_joint, significant, unit_for

MARKERS = ("o", "s", "D")
"""Markers of the schemes, in their order."""


def allocation(
    budgets: Mapping[str, Mapping[str, float]], present: Mapping[str, float], joints: Sequence[str], rotary: bool
) -> style.Drawing:
    """Allowed standard deviation of every joint's sensor by scheme, with that of its present sensor.

    Parameters
    ----------
    budgets : mapping of scheme to mapping of joint to float
        Standard deviations; infinite for a joint that does not move the tool point. [rad or m]
    present : mapping of joint to float
        Repeatable errors of the present sensors, rms. [rad or m]
    joints : sequence of str
        Joints to draw, all revolute or all linear.
    rotary : bool
        Whether they are revolute.

    Returns
    -------
    Drawing
    """
    sizes = [std[joint] for std in budgets.values() for joint in joints if math.isfinite(std[joint])]
    unit = ARCSECOND if rotary else unit_for([*sizes, *(present[joint] for joint in joints)])
    kind = "rad" if rotary else "m"
    rows = -np.arange(len(joints), dtype=float)
    with style.style():
        out, axes = style.figure(6.4, 1.4 + 0.32 * len(joints))
        rms = np.array([present[joint] for joint in joints]) * unit.factor
        visible = rms > 0.0
        axes.plot(rms[visible], rows[visible], "|", color="#222222", markersize=16, markeredgewidth=2.5,
                  label="present sensor")  # fmt: skip
        texts = [f"{joint}, present sensor: {show_joint(present[joint], kind)}" for joint in joints]
        out.annotate(axes, rms[visible], rows[visible], texts=list(np.array(texts)[visible]))
        for number, (scheme, std) in enumerate(budgets.items()):
            allowed = np.array([std[joint] for joint in joints]) * unit.factor
            finite = np.isfinite(allowed)
            axes.plot(allowed[finite], rows[finite], MARKERS[number % len(MARKERS)], markersize=6,
                      color=style.COLOURS[number % len(style.COLOURS)], label=scheme)  # fmt: skip
            texts = [
                f"{joint}, {scheme}: {significant(v)} {unit.name}" for joint, v in zip(joints, allowed, strict=True)
            ]
            out.annotate(axes, allowed[finite], rows[finite], texts=list(np.array(texts)[finite]))
        axes.set_yticks(rows, [style.label(joint) for joint in joints])
        axes.set(xscale="log", xlabel=f"standard deviation of the sensor at the joint [{unit.name}]")
        axes.set_ylim(0.5 - len(joints), 0.5)
        axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, position: f"{value:g}"))
        style.legend_below(axes, inches=0.42, columns=4)
        axes.set_title(style.wrapped(_finding(budgets, present, joints, kind)))
        style.footnote(out, "a joint without markers of the schemes does not move the tool point")
    return out


def _finding(
    budgets: Mapping[str, Mapping[str, float]], present: Mapping[str, float], joints: Sequence[str], kind: str
) -> str:
    """Joint whose present sensor is largest against its budget, by the last scheme."""
    scheme, std = list(budgets.items())[-1]
    worst = max(joints, key=lambda joint: present[joint] / std[joint])
    ratio = present[worst] / std[worst]
    if ratio <= 1.0:
        return f"Every present sensor is within its budget by {scheme}; closest: {worst}"
    sizes = f"{show_joint(present[worst], kind)}, {show_joint(std[worst], kind)} allowed by {scheme}"
    return f"{worst} exceeds its budget most: present sensor {sizes}"
