"""The error of one joint over its range, and the waves it is made of."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.ticker import FuncFormatter, MaxNLocator, NullFormatter

from armsim.figures import style
from armsim.formatting import ARCSECOND, Unit, show, show_joint, significant, unit_for
from armsim.results import Result

OTHERS = 3
"""Causes without a period that are named above the spectrum."""
LABELLED = 6
"""Largest waves that are named in the spectrum."""
APART = 0.7
"""Decades between two names, so that they do not overlap."""


def joint_error(result: Result, joint: str) -> style.Drawing:
    """Error of a joint that every visit has: one built unit beside the band of 95 % of the units, and the spectrum."""
    budget = result.joints[joint]
    curve = budget.curve
    rotary = budget.unit == "rad"
    top = max(max(map(abs, curve.low)), max(map(abs, curve.high)), max(map(abs, curve.unit)))
    unit = ARCSECOND if rotary else unit_for([top])
    position = np.array(curve.position) * (180 / math.pi if rotary else 1e3)
    with style.style():
        out = style.Drawing(figsize=(6.4, 3.9), layout="constrained")
        axes = out.add_subplot(2, 1, 1)
        low, high, one = (np.array(v) * unit.factor for v in (curve.low, curve.high, curve.unit))
        axes.fill_between(position, low, high, color=style.COLOURS[5], alpha=0.5, label="95 % of built units")
        axes.plot(position, one, color=style.COLOURS[0], linewidth=1.2, label="one built unit")
        axes.set(xlabel=f"position of {joint} [{'deg' if rotary else 'mm'}]", ylabel=f"joint error [{unit.name}]")
        axes.set_xlim(position[0], position[-1])
        if rotary:
            axes.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 1.5, 3, 6, 9, 10]))
        every = slice(None, None, max(1, len(position) // 180))
        shown = zip(position[every], one[every], low[every], high[every], strict=True)
        texts = [
            f"{p:.4g} {'deg' if rotary else 'mm'}: {v:.3g} {unit.name}, 95 % of units {a:.3g} to {b:.3g}"
            for p, v, a, b in shown
        ]
        out.tell(axes, position[every], one[every], texts=texts)
        style.legend_below(axes, inches=0.42)
        finding = (
            f"{joint}: {budget.encoder} ({budget.placement}) errs by "
            f"{show_joint(budget.rms_accuracy, budget.unit)} rms "
            f"at every visit alike, {show_joint(budget.rms_repeatability, budget.unit)} from visit to visit, over all "
            "postures"
        )
        axes.set_title(style.wrapped(finding))
        _spectrum(out, curve.order, curve.rms, unit, rotary)
        rest = sorted((term for term in budget.terms if not term.orders), key=lambda term: -term.rms)[:OTHERS]
        told = ", ".join(f"{term.cause} {show_joint(term.rms, budget.unit)}" for term in rest if term.rms > 0)
        if told:
            below = out.axes[-1]
            below.set_title(style.wrapped(f"no waves: {told} rms", 90), fontsize=8, fontweight="normal")
        style.footnote(
            out,
            f"curve: what every visit has, at rest, other joints in the middle of their ranges, seed {result.seed}; "
            f"waves finer than its {len(curve.position)} points not shown; title: at the largest speeds of the tasks",
        )
    return out


def _spectrum(out: style.Drawing, order: tuple[float, ...], rms: tuple[float, ...], unit: Unit, rotary: bool) -> None:
    """Size of every wave: against its order on a turn, against its period on a linear axis."""
    axes = out.add_subplot(2, 1, 2)
    where = np.array(order) if rotary else 2 * math.pi / np.array(order) * 1e3
    sizes = np.array(rms) * unit.factor
    if len(sizes) and sizes.max() > 0:
        axes.vlines(where, sizes.max() * 1e-4, sizes, color=style.COLOURS[0], linewidth=2)
        axes.plot(where, sizes, "o", color=style.COLOURS[0], markersize=4)
        axes.set(xscale="log", yscale="log")
        for axis in (axes.xaxis, axes.yaxis):  # in plain digits: no text is parsed as mathematics
            axis.set_major_formatter(FuncFormatter(lambda value, place: f"{value:g}"))
            axis.set_minor_formatter(NullFormatter())
        axes.set_ylim(sizes.max() * 1e-4, sizes.max() * 6)
        axes.set_xlim(where.min() / 1.5, where.max() * 6)
        texts = [
            f"{w:g}{'' if rotary else ' mm'}: {significant(float(s))} {unit.name} rms"
            for w, s in zip(where, sizes, strict=True)
        ]
        out.tell(axes, where, np.maximum(sizes, sizes.max() * 1e-4), texts=texts)
        named: list[float] = []
        for index in np.argsort(-sizes, kind="stable"):
            if len(named) == LABELLED or any(abs(math.log10(where[index] / other)) < APART for other in named):
                continue
            named.append(float(where[index]))
            name = f"{where[index]:g}" if rotary else show(where[index] * 1e-3)
            text = f"{name}: {significant(float(sizes[index]), 2)}"
            axes.annotate(text, (where[index], sizes[index]), xytext=(3, 5), textcoords="offset points", fontsize=8)
    else:
        axes.text(0.5, 0.5, "no waves", transform=axes.transAxes, ha="center")
    label = "order [periods per turn of the joint]" if rotary else "period [mm]"
    axes.set(xlabel=label, ylabel=f"rms [{unit.name}]")
