"""Small figures of the gallery in the manual, made of its scenarios whenever the pages are written."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from importlib.resources import as_file, files
from typing import TYPE_CHECKING

from armsim.formatting import show_joint, significant

if TYPE_CHECKING:
    from armsim.results import JointBudget

WIDTH, HEIGHT, MARGIN = 150.0, 44.0, 3.0
"""Size of a figure, and the room around its curves. [px]"""
POINTS = 120
"""Points of a line, at most."""
SMALL = 1e-10
"""Errors below it are rounding, and those of an ideal sensor. [rad or m]"""


@cache
def lesson_figure(lesson: str) -> str:
    """SVG of the joint error of a lesson over its travel, with its scale in words.

    The line is one built arm, the band holds 95 % of arms; a few periods where the waves are short. Where the arms
    repeat nothing, the band is twice the standard deviation of the visits.

    Parameters
    ----------
    lesson : str
        Name of a file in ``scenarios/lessons``, without its ending.

    Returns
    -------
    str
        HTML; empty where the joint itself has no error, as where a link grows.
    """
    from armsim.documents import load_scenario
    from armsim.inspection.machine_inspection import budgets

    with as_file(files("armsim.cli").joinpath("demo")) as demo:
        scenario = load_scenario(demo / "scenarios" / "lessons" / f"{lesson}.yaml")
    (budget,) = budgets(scenario).values()  # a lesson has one joint
    return _figure(budget)


def _figure(budget: JointBudget) -> str:
    """SVG of the error of a joint, and a line of text below it."""
    curve, position = budget.curve, budget.curve.position
    unit, low, high = curve.unit, curve.low, curve.high
    kind = "every visit repeats it"
    if max(map(abs, (*unit, *low, *high))) <= SMALL:
        scatter = 2.0 * budget.rms_repeatability
        if scatter <= SMALL:
            return ""
        unit, low, high = (), (-scatter,) * len(position), (scatter,) * len(position)
        kind = "anew at every visit"
    elif curve.detail is not None:
        position, unit, low, high = curve.detail.position, curve.detail.unit, (), ()
    half = max(map(abs, (*unit, *low, *high)))
    middle = f'y1="{HEIGHT / 2:g}" y2="{HEIGHT / 2:g}"'
    parts = [f'<line x1="0" x2="{WIDTH:g}" {middle} stroke="currentColor" opacity=".3"/>']
    if low:
        outline = [*_points(position, low, half), *reversed(_points(position, high, half))]
        parts.append(f'<polygon points="{" ".join(outline)}" fill="currentColor" opacity=".22"/>')
    if unit:
        line = " ".join(_points(position, unit, half))
        parts.append(f'<polyline points="{line}" fill="none" stroke="currentColor" stroke-width="1.4"/>')
    span = position[-1] - position[0]
    travel = f"{significant(math.degrees(span))}°" if budget.unit == "rad" else f"{significant(1e3 * span)} mm"
    text = f"±{show_joint(half, budget.unit)} over {travel}, {kind}"
    size = f'viewBox="0 0 {WIDTH:g} {HEIGHT:g}" width="{WIDTH:g}" height="{HEIGHT:g}"'
    return f'<figure class="curve"><svg role="img" aria-label="{text}" {size}>{"".join(parts)}</svg>{text}</figure>'


def _points(position: Sequence[float], values: Sequence[float], half: float) -> list[str]:
    """Points of a curve in the figure, whose height is twice ``half``."""
    stride = max(1, len(position) // POINTS)
    start, span = position[0], position[-1] - position[0]
    scale = (HEIGHT / 2 - MARGIN) / half
    return [
        f"{WIDTH * (x - start) / span:.1f},{HEIGHT / 2 - scale * y:.1f}"
        for x, y in zip(position[::stride], values[::stride], strict=True)
    ]
