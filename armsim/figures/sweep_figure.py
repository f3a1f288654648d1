"""A criterion against one parameter of a design."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from armsim.figures import style
from armsim.requirement import Judgement, show_quantity

Point = tuple[float, Judgement]
"""Value of the parameter, and the judgement of the criterion with it."""


def sweep(label: str, value_unit: str, lines: Mapping[str, Sequence[Point]], note: str) -> style.Drawing:
    """Figure of a criterion for each task against the value of a parameter, with intervals and limits.

    Parameters
    ----------
    label : str
        Name of the swept parameter.
    value_unit : str
        Unit of measure of its values.
    lines : mapping of task to points
        Value of the parameter and judgement of the criterion, per point.
    note : str
    """
    judgements = [judgement for points in lines.values() for _, judgement in points]
    largest = max(judgements, key=lambda judgement: abs(judgement.value))
    display_unit, quantity = largest.display_unit, largest.quantity
    limits = {task: points[0][1].limit for task, points in lines.items() if points[0][1].limit is not None}
    shared = len(set(limits.values())) == 1 and len(limits) == len(lines)
    with style.style():
        out, axes = style.figure(6.4, 3.6)
        title = ""
        for number, (task, points) in enumerate(lines.items()):
            values = np.array([value for value, _ in points])
            size = np.array([judgement.value for _, judgement in points]) * display_unit.factor
            colour = style.COLOURS[number % len(style.COLOURS)]
            axes.plot(values, size, "o-", color=colour, markersize=3, label=style.label(task))
            ends = [judgement.interval or (judgement.value, judgement.value) for _, judgement in points]
            low, high = (np.array([end[k] for end in ends]) * display_unit.factor for k in (0, 1))
            axes.fill_between(values, low, high, color=colour, alpha=0.2, linewidth=0)
            sizes = [show_quantity(judgement.value, quantity) for _, judgement in points]
            texts = [f"{task}, {value:g} {value_unit}: {text}" for value, text in zip(values, sizes, strict=True)]
            out.annotate(axes, values, size, texts=texts)
            if task in limits and not shared:
                required = f"required at {task}, {points[0][1].limit_text}"
                axes.axhline(
                    limits[task] * display_unit.factor, color=colour, linestyle="--", label=style.label(required)
                )
            if number == _worst(lines):
                first, last = (f"{sizes[n]} at {values[n]:g} {value_unit}" for n in (0, -1))
                title = f"{task}: {first}, {last}"
        if shared:
            limit = next(iter(limits.values()))
            text = f"required {show_quantity(limit, quantity)}"
            axes.axhline(limit * display_unit.factor, color=style.REQUIREMENT, label=text)
        # statistics other than shares read "... within [unit]"
        within = "" if quantity == "share" else " within"
        axes.set(xlabel=f"{label} [{value_unit or '1'}]", ylabel=f"{largest.statistic}{within} [{display_unit.name}]")
        axes.margins(x=0.02)
        style.legend_below(axes, inches=0.42)
        axes.set_title(style.wrapped(title))
        style.footnote(out, note)
    return out


def _worst(lines: Mapping[str, Sequence[Point]]) -> int:
    """Index of the task that is worst at the last value."""
    last = [points[-1][1] for points in lines.values()]
    sign = -1.0 if last[0].at_least else 1.0
    return int(np.argmax([sign * judgement.value for judgement in last]))
