"""Difference of the two sensors of a joint over its travel in both directions, one panel per joint."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import MaxNLocator

from armsim.figures import style
from armsim.figures.joint_error_figures import ENVELOPE, INSET, detail_inset
from armsim.formatting import ARCSECOND, show_joint, unit_for
from armsim.results import Result, TwoSensors

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLUMNS = 3
POINTS = 120
"""Largest number of points of a curve with a hover text."""
LEAST_SWEPT = 0.2
"""Ratio of the height of the envelope of short waves to that of the whole curve above which an inset shows them."""
BAND, THERE, BACK = style.COLOURS[5], style.COLOURS[0], style.COLOURS[1]


def identical_pairs(result: Result) -> list[tuple[str, ...]]:
    """Names of the joints with two sensors; joints with identical figures form a group."""
    groups: dict[TwoSensors, list[str]] = {}
    for name, pair in result.two_sensors.items():
        groups.setdefault(pair, []).append(name)
    return [tuple(names) for names in groups.values()]


def sensor_differences(result: Result, joints: Sequence[tuple[str, ...]]) -> style.Drawing:
    """Difference of the readings of motor and joint: one fault-free arm in both directions, and the band of 95 %.

    A wave too short for the points of the curve is drawn as its envelope.

    Parameters
    ----------
    result : Result
    joints : sequence of tuple of str
        As returned by `identical_pairs`: one panel for each group.
    """
    pairs = {names: result.two_sensors[names[0]] for names in joints}
    columns = min(COLUMNS, len(pairs))
    rows = -(-len(pairs) // columns)
    with style.style():
        short, inset = (
            any(pair.difference.curve.envelope_low for pair in pairs.values()),
            any(map(_has_inset, pairs.values())),
        )
        out = style.Drawing(figsize=(6.4, 1.05 + (2.2 if inset else 1.6) * rows), layout="constrained")
        panels = np.atleast_1d(out.subplots(rows, columns)).ravel()
        for axes, (names, pair) in zip(panels, pairs.items(), strict=False):
            _loop(out, axes, names, pair)
        for axes in panels[len(pairs) :]:
            axes.set_axis_off()
        style.titled(out, _finding({names[0]: pair for names, pair in pairs.items()}), 80)
        envelope = f"; {ENVELOPE}" if short else ""
        close = f", {INSET}" if inset else ""
        style.footnote(
            out,
            "dark: one fault-free arm, forward; orange: backward; band: 95 % of fault-free arms; motor over ratio "
            "less joint, at rest, other joints in the middle of their ranges, set to zero in the middle of the "
            f"travel{envelope}{close}",
        )
    return out


def _finding(joints: Mapping[str, TwoSensors]) -> str:
    """Finding: a joint at which a slip of one motor turn is not detectable; else the widest step."""
    hidden = [name for name, pair in joints.items() if pair.difference.motor_turn_shows is False]
    if hidden:
        pair = joints[hidden[0]]
        turn, slip = pair.difference.motor_turn, pair.difference.least_slip
        return (
            f"A slip of one turn of the motor of {hidden[0]} ({show_joint(turn, pair.unit)}) is not detectable: "
            f"fault-free arms differ by up to {show_joint(slip, pair.unit)}"
        )
    step = {name: abs(pair.difference.width) / pair.difference.scatter for name, pair in joints.items()}
    name = max(step, key=lambda joint: step[joint])
    pair = joints[name]
    growth, offset = (show_joint(v, pair.unit) for v in (pair.difference.least_growth, pair.difference.least_slip))
    width = show_joint(abs(pair.difference.width), pair.unit)
    loop = f"lost motion {width}; " if pair.difference.width else "no lost motion; "
    return f"{name}: {loop}detectable: {growth} more lost motion from one reversal, a slip of {offset}"


def _has_inset(pair: TwoSensors) -> bool:
    """Whether short waves are large enough to hide the step between the directions."""
    curve = pair.difference.curve
    if curve.detail is None:
        return False
    swept = max(high - low for low, high in zip(curve.envelope_low, curve.envelope_high, strict=True))
    return swept > LEAST_SWEPT * (max(curve.unit) - min(curve.unit) + abs(pair.difference.width))


def _loop(out: style.Drawing, axes: Axes, names: tuple[str, ...], pair: TwoSensors) -> None:
    curve, half, rotary = pair.difference.curve, 0.5 * pair.difference.width, pair.unit == "rad"
    largest = max(map(abs, (*curve.low, *curve.high))) + abs(half)
    unit = ARCSECOND if rotary else unit_for([largest])
    position = np.array(curve.position) * (math.degrees(1.0) if rotary else 1e3)
    low, high = (np.array(curve.low) - abs(half)) * unit.factor, (np.array(curve.high) + abs(half)) * unit.factor
    axes.fill_between(position, low, high, color=BAND, alpha=0.5, linewidth=0)
    sides = ((half, THERE), (-half, BACK))
    for side, colour in sides:
        difference = (np.array(curve.unit) + side) * unit.factor
        if curve.detail is None:
            axes.plot(position, difference, color=colour, linewidth=1.0)
        else:
            bottom, top = ((np.array(end) + side) * unit.factor for end in (curve.envelope_low, curve.envelope_high))
            axes.fill_between(position, bottom, top, color=colour, alpha=0.6, linewidth=0.8)
    axes.yaxis.set_major_locator(MaxNLocator(5))
    if curve.detail is not None and _has_inset(pair):
        detail_inset(axes, curve.detail, unit, rotary, sides)
    length = "deg" if rotary else "mm"
    axes.set_xlim(position[0], position[-1])
    axes.xaxis.set_major_locator(MaxNLocator(4, steps=[1, 1.5, 2, 3, 4.5, 6, 9, 10] if rotary else None))
    axes.set_title(
        style.wrapped(f"{', '.join(names)}: difference [{unit.name}] at position [{length}]", 34), fontsize=8, pad=3
    )
    axes.tick_params(labelsize=8)
    thinned = slice(None, None, max(1, len(position) // POINTS))
    mean = np.array(curve.unit) * unit.factor
    rows = zip(position[thinned], mean[thinned], low[thinned], high[thinned], strict=True)
    step = half * unit.factor
    texts = [
        f"{names[0]} at {p:.4g} {length}: {v + step:.3g} {unit.name} forward, {v - step:.3g} {unit.name} backward, "
        f"95 % of arms {a:.3g} to {b:.3g}"
        for p, v, a, b in rows
    ]
    out.annotate(axes, position[thinned], mean[thinned], texts=texts)
