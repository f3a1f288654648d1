"""The error against one parameter of a design."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from armsim.figures import style
from armsim.formatting import show, unit_for

Point = tuple[float, float, tuple[float, float] | None]
"""Value, quantile and its interval. [m]"""


def sweep(
    path: str, value_unit: str, lines: Mapping[str, Sequence[Point]], position: float | None, statistic: str, note: str
) -> style.Drawing:
    """The deciding quantile at the worst pose of each task against the value of a parameter, with intervals.

    Parameters
    ----------
    path : str
        Path of the parameter.
    value_unit : str
    lines : mapping of task to points
    position : float, optional [m]
        Requirement.
    statistic : str
        Name of the quantile, such as "95 % of errors".
    note : str
    """
    unit = unit_for([size for points in lines.values() for _, size, _ in points])
    with style.style():
        out, axes = style.figure(6.4, 3.6)
        rise = ""
        for number, (task, points) in enumerate(lines.items()):
            at, size = np.array([p[0] for p in points]), np.array([p[1] for p in points]) * unit.factor
            colour = style.COLOURS[number % len(style.COLOURS)]
            axes.plot(at, size, "o-", color=colour, markersize=3, label=style.label(task))
            ends = [p[2] if p[2] is not None else (p[1], p[1]) for p in points]
            low, high = (np.array([end[k] for end in ends]) * unit.factor for k in (0, 1))
            axes.fill_between(at, low, high, color=colour, alpha=0.2, linewidth=0)
            texts = [f"{task}, {v:g} {value_unit}: {show(q)}" for v, q, _ in points]
            out.annotate(axes, at, size, texts=texts)
            if number == int(np.argmax([line[-1][1] for line in lines.values()])):
                rise = f"{task}: {show(points[0][1])} at {points[0][0]:g} {value_unit}, {show(points[-1][1])} at "
                rise += f"{points[-1][0]:g} {value_unit}"
        if position is not None:
            axes.axhline(position * unit.factor, color=style.REQUIREMENT, label=f"required {show(position)}")
        axes.set(xlabel=f"{path} [{value_unit or '1'}]", ylabel=f"{statistic} within [{unit.name}]")
        axes.margins(x=0.02)
        style.legend_below(axes, inches=0.42)
        axes.set_title(style.wrapped(rise))
        style.footnote(out, note)
    return out
