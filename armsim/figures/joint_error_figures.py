"""Errors of the joints over their ranges, one panel per joint, and the waves of which they consist."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, MaxNLocator, NullLocator

from armsim.figures import style
from armsim.formatting import ARCSECOND, Unit, show, show_joint, significant, unit_for
from armsim.results import CurveDetail, JointBudget, Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLUMNS = 3
POINTS = 180
"""Largest number of points of a curve with a hover text."""
FLOOR = 1e-4
"""Waves below this share of the largest are not drawn."""
LONGEST_TITLE = 48
"""Largest number of characters of the names of joints that share a curve."""
ENVELOPE = "short waves are drawn as their envelope"
INSET = "the inset shows a few periods of the shortest wave that matters"
INSET_ROOM = 0.75
"""Height added above the curve for the inset, as a fraction of the curve's axis range."""
MARKERS = "os^DvP*X<>hd"
ONE_ARM = style.COLOURS[0]
"""Colour of the curve of one arm."""


def identical_joints(result: Result) -> list[tuple[str, ...]]:
    """Names of the joints; joints with identical error budgets form a group."""
    groups: dict[JointBudget, list[str]] = {}
    for name, budget in result.joints.items():
        groups.setdefault(budget, []).append(name)
    return [tuple(names) for names in groups.values()]


def joint_errors(result: Result, joints: Sequence[tuple[str, ...]]) -> style.Drawing:
    """Repeatable error of the joints: one built unit and the band of 95 % of the units.

    Parameters
    ----------
    result : Result
    joints : sequence of tuple of str
        As returned by `identical_joints`: one curve for each group.
    """
    columns = min(COLUMNS, len(joints))
    rows = -(-len(joints) // columns)
    with style.style():
        has_short_waves = any(result.joints[names[0]].curve.detail is not None for names in joints)
        out = style.Drawing(figsize=(6.4, 0.95 + (2.1 if has_short_waves else 1.5) * rows), layout="constrained")
        panels = np.atleast_1d(out.subplots(rows, columns)).ravel()
        for axes, names in zip(panels, joints, strict=False):
            _curve(out, axes, names, result.joints[names[0]])
        for axes in panels[len(joints) :]:
            axes.set_axis_off()
        sizes = {names: _at_tool(result.joints[names[0]]) for names in joints}
        worst = max(sizes, key=lambda names: sizes[names])
        budget = result.joints[worst[0]]
        finding = (
            f"{_joint_names(worst)} has the largest effect at the tool, {show(sizes[worst])} rms: accuracy "
            f"{show_joint(budget.rms_accuracy, budget.unit)} rms, repeatability "
            f"{show_joint(budget.rms_repeatability, budget.unit)} rms"
        )
        style.titled(out, finding, 80)
        short_waves = f"{ENVELOPE}, {INSET}; " if has_short_waves else ""
        style.footnote(
            out,
            "line: one arm; band: 95 % of arms; at rest, other joints in the middle of their ranges; "
            f"{short_waves}rms in the title: over the whole travel, at the largest "
            "speeds of the tasks",
        )
    return out


def joint_error(result: Result, name: str, axes: Axes) -> None:
    """Repeatable error of one joint, as `joint_errors`, on given axes."""
    with style.style():
        _curve(style.Guest(axes), axes, (name,), result.joints[name])


def _joint_names(names: tuple[str, ...]) -> str:
    """Names of joints; only the first and a count if the list is long."""
    text = ", ".join(names)
    if len(text) <= LONGEST_TITLE:
        return text
    first = names[0] if len(names[0]) <= LONGEST_TITLE else f"{names[0][: LONGEST_TITLE - 1]}…"
    return first if len(names) == 1 else f"{first} and {len(names) - 1} more"


def _at_tool(budget: JointBudget) -> float:
    return budget.rms * (budget.lever_arm if budget.unit == "rad" else 1.0)


def _curve(out: style.Drawing, axes: Axes, names: tuple[str, ...], budget: JointBudget) -> None:
    curve, rotary = budget.curve, budget.unit == "rad"
    largest = max(max(map(abs, curve.low)), max(map(abs, curve.high)), max(map(abs, curve.unit)))
    unit, position_unit = ARCSECOND if rotary else unit_for([largest]), "deg" if rotary else "mm"
    position = np.array(curve.position) * (180 / math.pi if rotary else 1e3)
    low, high, unit_error = (np.array(v) * unit.factor for v in (curve.low, curve.high, curve.unit))
    axes.fill_between(position, low, high, color=style.COLOURS[5], alpha=0.5, linewidth=0)
    if curve.detail is None:
        axes.plot(position, unit_error, color=style.COLOURS[0], linewidth=0.8)
    else:
        envelope_low, envelope_high = (np.array(v) * unit.factor for v in (curve.envelope_low, curve.envelope_high))
        axes.fill_between(position, envelope_low, envelope_high, color=style.COLOURS[0], linewidth=0.5)
    axes.set_xlim(position[0], position[-1])
    axes.xaxis.set_major_locator(MaxNLocator(4, steps=[1, 1.5, 2, 3, 4.5, 6, 9, 10] if rotary else None))
    axes.yaxis.set_major_locator(MaxNLocator(5))
    if curve.detail is not None:
        detail_inset(axes, curve.detail, unit, rotary)
    title = f"{_joint_names(names)}: error [{unit.name}] at position [{position_unit}]"
    axes.set_title(style.wrapped(title, 34), fontsize=8, pad=3)
    axes.tick_params(labelsize=8)
    thinned = slice(None, None, max(1, len(position) // POINTS))
    rows = zip(position[thinned], unit_error[thinned], low[thinned], high[thinned], strict=True)
    texts = [
        f"{names[0]} at {p:.4g} {position_unit}: {v:.3g} {unit.name}, 95 % of arms {a:.3g} to {b:.3g}"
        for p, v, a, b in rows
    ]
    out.annotate(axes, position[thinned], unit_error[thinned], texts=texts)


def detail_inset(
    axes: Axes, detail: CurveDetail, unit: Unit, rotary: bool, lines: Sequence[tuple[float, str]] = ((0.0, ONE_ARM),)
) -> None:
    """Inset above the curve with some periods of the shortest wave that matters, drawn to its own scale.

    Parameters
    ----------
    axes : Axes
    detail : CurveDetail
    unit : Unit
        Unit of measure in which the error is shown.
    rotary : bool
    lines : sequence of (float, str)
        For each line: offset from the curve of the sampled arm [rad or m], and colour.
    """
    low, high = axes.get_ylim()
    axes.yaxis.set_major_locator(FixedLocator([tick for tick in axes.get_yticks() if tick <= high]))
    axes.set_ylim(low, high + INSET_ROOM * (high - low))
    share = INSET_ROOM / (1.0 + INSET_ROOM)
    inset = axes.inset_axes((0.03, 1.0 - 0.92 * share, 0.94, 0.6 * share))
    position = np.array(detail.position) * (180 / math.pi if rotary else 1e3)
    errors = [(np.array(detail.unit) + offset) * unit.factor for offset, _ in lines]
    for error, (_, colour) in zip(errors, lines, strict=True):
        inset.plot(position, error, color=colour, linewidth=0.8)
    inset.set_xlim(position[0], position[-1])
    inset.set(xticks=[], yticks=[])
    height = f"{np.ptp(np.concatenate(errors)):.3g} {unit.name} high"
    size = f"{position[-1] - position[0]:.3g} {'deg' if rotary else 'mm'}, {height}"
    inset.set_title(size, fontsize=8, fontweight="normal", pad=1.5, loc="right")


def joint_waves(result: Result, rotary: bool) -> style.Drawing:
    """Size of every wave: of rotary joints against its order per turn, of linear joints against its period."""
    si_unit = "rad" if rotary else "m"
    groups = _same_waves(result, si_unit)
    sizes = [rms for names in groups for rms in result.joints[names[0]].curve.rms]
    unit = ARCSECOND if rotary else unit_for([max(sizes, default=0.0)])
    largest = max(sizes, default=0.0) * unit.factor
    with style.style():
        out, axes = style.figure(6.4, 3.2)
        largest_wave = ""
        for number, names in enumerate(groups):
            curve = result.joints[names[0]].curve
            rms = np.array(curve.rms) * unit.factor
            abscissa = np.array(curve.order) if rotary else 2 * math.pi / np.array(curve.order) * 1e3
            visible = rms > FLOOR * largest
            if not visible.any():
                continue
            colour = style.COLOURS[number % len(style.COLOURS)]
            mark = MARKERS[number % len(MARKERS)]
            label = style.label(_joint_names(names))
            axes.plot(abscissa[visible], rms[visible], mark, color=colour, markersize=5, alpha=0.85, label=label)
            texts_of_waves = [f"{w:g}{'' if rotary else ' mm'}" for w in abscissa.tolist()]
            pairs = zip(texts_of_waves, rms.tolist(), strict=True)
            texts = [f"{', '.join(names)}, {w}: {significant(x)} {unit.name} rms" for w, x in pairs]
            out.annotate(axes, abscissa, np.maximum(rms, FLOOR * largest), texts=texts)
            index = int(np.argmax(rms))
            if rms[index] == largest:
                wave = f"{'order' if rotary else 'period'} {texts_of_waves[index]}"
                largest_wave = f"{wave} at {_joint_names(names)}, {significant(float(rms[index]))} {unit.name} rms"
        axes.set(xscale="log", yscale="log")
        for axis in (axes.xaxis, axes.yaxis):  # plain digits, so matplotlib does not render tick labels as math text
            axis.set_major_locator(LogLocator(numticks=8))
            axis.set_minor_locator(NullLocator())
            axis.set_major_formatter(FuncFormatter(lambda value, position: f"{value:g}"))
        where_label = "order [periods per turn of the joint]" if rotary else "period [mm]"
        axes.set(xlabel=where_label, ylabel=f"rms [{unit.name}]")
        style.legend_below(axes, inches=0.42, columns=4)
        motion = "rotary" if rotary else "linear"
        axes.set_title(style.wrapped(f"Largest wave of the {motion} joints: {largest_wave}"))
    return out


def _same_waves(result: Result, si_unit: str) -> list[tuple[str, ...]]:
    """Names of the joints whose errors have this SI unit; joints whose waves agree to three digits form a group."""
    groups: dict[object, list[str]] = {}
    for name, budget in result.joints.items():
        if budget.unit == si_unit:
            sizes = tuple(f"{rms:.3g}" for rms in budget.curve.rms)
            groups.setdefault((budget.curve.order, sizes), []).append(name)
    return [tuple(names) for names in groups.values()]


def has_waves(result: Result, rotary: bool) -> bool:
    """Whether any rotary joint (any linear joint if ``rotary`` is false) has waves."""
    return any(any(b.curve.rms) for b in result.joints.values() if (b.unit == "rad") == rotary)
