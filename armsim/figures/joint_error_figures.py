"""The errors of the joints over their ranges, joint beside joint, and the waves they are made of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, MaxNLocator, NullLocator

from armsim.figures import style
from armsim.formatting import ARCSECOND, Unit, show_joint, significant, unit_for
from armsim.results import CurveDetail, JointBudget, Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLUMNS = 3
POINTS = 180
"""Points of a curve, at most, whose values are told to who points at them."""
FLOOR = 1e-4
"""Waves below this share of the largest are not drawn."""
LONGEST_TITLE = 48
"""Characters of the names of joints that err alike."""
FINE = (
    "waves too fine to be drawn are the area that they sweep, above it some periods of the finest that counts, "
    "their length and height; "
)
ROOM = 0.75
"""Height that a detail is given above a curve, as a share of that of the curve."""
MARKERS = "os^DvP*X<>hd"


def alike(result: Result) -> list[tuple[str, ...]]:
    """Names of the joints, those together whose errors over their ranges are the same."""
    groups: dict[JointBudget, list[str]] = {}
    for name, budget in result.joints.items():
        groups.setdefault(budget, []).append(name)
    return [tuple(names) for names in groups.values()]


def joint_errors(result: Result, joints: Sequence[tuple[str, ...]]) -> style.Drawing:
    """Error of joints that every visit has: one built unit beside the band of 95 % of the units.

    Parameters
    ----------
    result : Result
    joints : sequence of tuple of str
        Of `alike`: one curve for each.
    """
    columns = min(COLUMNS, len(joints))
    rows = -(-len(joints) // columns)
    with style.style():
        fine = any(result.joints[names[0]].curve.detail is not None for names in joints)
        out = style.Drawing(figsize=(6.4, 0.95 + (2.1 if fine else 1.5) * rows), layout="constrained")
        every = np.atleast_1d(out.subplots(rows, columns)).ravel()
        for axes, names in zip(every, joints, strict=False):
            _curve(out, axes, names, result.joints[names[0]])
        for axes in every[len(joints) :]:
            axes.set_axis_off()
        sizes = {names: _at_tool(result.joints[names[0]]) for names in joints}
        worst = max(sizes, key=lambda names: sizes[names])
        budget = result.joints[worst[0]]
        finding = (
            f"{_named(worst)} can move the tool most: {show_joint(budget.rms_accuracy, budget.unit)} rms at every "
            f"visit alike, {show_joint(budget.rms_repeatability, budget.unit)} from visit to visit"
        )
        style.titled(out, finding, 80)
        style.footnote(
            out,
            "line: one built unit, band: 95 % of built units; what every visit has, at rest, other joints in the "
            f"middle of their ranges, seed {result.seed}; {FINE if fine else ''}title: over all postures, at the "
            "largest speeds of the tasks",
        )
    return out


def _named(names: tuple[str, ...]) -> str:
    """Joints by their names, or how many they are where these are long."""
    told = ", ".join(names)
    if len(told) <= LONGEST_TITLE:
        return told
    first = names[0] if len(names[0]) <= LONGEST_TITLE else f"{names[0][: LONGEST_TITLE - 1]}…"
    return first if len(names) == 1 else f"{first} and {len(names) - 1} more"


def _at_tool(budget: JointBudget) -> float:
    return budget.rms * (budget.lever_arm if budget.unit == "rad" else 1.0)


def _curve(out: style.Drawing, axes: Axes, names: tuple[str, ...], budget: JointBudget) -> None:
    curve, rotary = budget.curve, budget.unit == "rad"
    largest = max(max(map(abs, curve.low)), max(map(abs, curve.high)), max(map(abs, curve.unit)))
    unit, length = ARCSECOND if rotary else unit_for([largest]), "deg" if rotary else "mm"
    position = np.array(curve.position) * (180 / math.pi if rotary else 1e3)
    low, high, one = (np.array(v) * unit.factor for v in (curve.low, curve.high, curve.unit))
    axes.fill_between(position, low, high, color=style.COLOURS[5], alpha=0.5, linewidth=0)
    if curve.detail is None:
        axes.plot(position, one, color=style.COLOURS[0], linewidth=0.8)
    else:
        bottom, top = np.array(curve.swept_low) * unit.factor, np.array(curve.swept_high) * unit.factor
        axes.fill_between(position, bottom, top, color=style.COLOURS[0], linewidth=0.5)
    axes.set_xlim(position[0], position[-1])
    axes.xaxis.set_major_locator(MaxNLocator(4, steps=[1, 1.5, 2, 3, 4.5, 6, 9, 10] if rotary else None))
    axes.yaxis.set_major_locator(MaxNLocator(5))
    if curve.detail is not None:
        _detail(axes, curve.detail, unit, rotary)
    title = f"{_named(names)} [{unit.name} over {length}]"
    axes.set_title(style.wrapped(title, 34), fontsize=8, pad=3)
    axes.tick_params(labelsize=8)
    few = slice(None, None, max(1, len(position) // POINTS))
    shown = zip(position[few], one[few], low[few], high[few], strict=True)
    texts = [
        f"{names[0]} at {p:.4g} {length}: {v:.3g} {unit.name}, 95 % of units {a:.3g} to {b:.3g}" for p, v, a, b in shown
    ]
    out.tell(axes, position[few], one[few], texts=texts)


def _detail(axes: Axes, detail: CurveDetail, unit: Unit, rotary: bool) -> None:
    """Some periods of the finest wave, to a scale of their own, in room made above the curve."""
    low, high = axes.get_ylim()
    axes.yaxis.set_major_locator(FixedLocator([tick for tick in axes.get_yticks() if tick <= high]))
    axes.set_ylim(low, high + ROOM * (high - low))
    share = ROOM / (1.0 + ROOM)
    inset = axes.inset_axes((0.03, 1.0 - 0.92 * share, 0.94, 0.6 * share))
    position = np.array(detail.position) * (180 / math.pi if rotary else 1e3)
    error = np.array(detail.unit) * unit.factor
    inset.plot(position, error, color=style.COLOURS[0], linewidth=0.8)
    inset.set_xlim(position[0], position[-1])
    inset.set(xticks=[], yticks=[])
    size = f"{position[-1] - position[0]:.3g} {'deg' if rotary else 'mm'}, {np.ptp(error):.3g} {unit.name} high"
    inset.set_title(size, fontsize=8, fontweight="normal", pad=1.5, loc="right")


def joint_waves(result: Result, rotary: bool) -> style.Drawing:
    """Size of every wave of the joints that turn, against its order on a turn; or of those that slide, against its
    period."""
    kind = "rad" if rotary else "m"
    own = _same_waves(result, kind)
    sizes = [rms for names in own for rms in result.joints[names[0]].curve.rms]
    unit = ARCSECOND if rotary else unit_for([max(sizes, default=0.0)])
    largest = max(sizes, default=0.0) * unit.factor
    with style.style():
        out, axes = style.figure(6.4, 3.2)
        best = ""
        for number, names in enumerate(own):
            curve = result.joints[names[0]].curve
            rms = np.array(curve.rms) * unit.factor
            where = np.array(curve.order) if rotary else 2 * math.pi / np.array(curve.order) * 1e3
            seen = rms > FLOOR * largest
            if not seen.any():
                continue
            colour = style.COLOURS[number % len(style.COLOURS)]
            mark = MARKERS[number % len(MARKERS)]
            label = style.label(_named(names))
            axes.plot(where[seen], rms[seen], mark, color=colour, markersize=5, alpha=0.85, label=label)
            told = [f"{w:g}{'' if rotary else ' mm'}" for w in where.tolist()]
            every = zip(told, rms.tolist(), strict=True)
            texts = [f"{', '.join(names)}, {w}: {significant(x)} {unit.name} rms" for w, x in every]
            out.tell(axes, where, np.maximum(rms, FLOOR * largest), texts=texts)
            index = int(np.argmax(rms))
            if rms[index] == largest:
                best = f"{_named(names)} at {told[index]}, {significant(float(rms[index]))} {unit.name} rms"
        axes.set(xscale="log", yscale="log")
        for axis in (axes.xaxis, axes.yaxis):  # in plain digits: no text is parsed as mathematics
            axis.set_major_locator(LogLocator(numticks=8))
            axis.set_minor_locator(NullLocator())
            axis.set_major_formatter(FuncFormatter(lambda value, place: f"{value:g}"))
        where_label = "order [periods per turn of the joint]" if rotary else "period [mm]"
        axes.set(xlabel=where_label, ylabel=f"rms [{unit.name}]")
        style.legend_below(axes, inches=0.42, columns=4)
        turned = "turn" if rotary else "slide"
        axes.set_title(style.wrapped(f"The largest wave of the joints that {turned}: {best}"))
    return out


def _same_waves(result: Result, unit: str) -> list[tuple[str, ...]]:
    """Names of the joints that measure in a unit, those together whose waves are the same to three digits."""
    groups: dict[object, list[str]] = {}
    for name, budget in result.joints.items():
        if budget.unit == unit:
            sizes = tuple(f"{rms:.3g}" for rms in budget.curve.rms)
            groups.setdefault((budget.curve.order, sizes), []).append(name)
    return [tuple(names) for names in groups.values()]


def has_waves(result: Result, rotary: bool) -> bool:
    """Whether any joint that turns, or slides, has waves."""
    return any(any(b.curve.rms) for b in result.joints.values() if (b.unit == "rad") == rotary)
