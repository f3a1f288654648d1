"""The error of one joint over a turn, and the waves it is made of."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.figure import Figure

from armsim.figures import style
from armsim.present import ARCSECOND, Unit, show_joint, significant, unit_for
from armsim.results import Result

LABELLED = 6
"""Largest waves that are named in the spectrum."""


def joint_error(result: Result, joint: str) -> Figure:
    """Error of a joint that every visit has: one built unit beside the band of 95 % of the units, and the spectrum."""
    sheet = result.joints[joint]
    curve = sheet.curve
    rotary = sheet.unit == "rad"
    top = max(max(map(abs, curve.low)), max(map(abs, curve.high)), max(map(abs, curve.unit)))
    unit = ARCSECOND if rotary else unit_for([top])
    position = np.array(curve.position) * (180 / math.pi if rotary else 1e3)
    with style.style():
        out = Figure(figsize=(6.4, 5.0), layout="constrained")
        axes = out.add_subplot(2, 1, 1)
        low, high, one = (np.array(v) * unit.factor for v in (curve.low, curve.high, curve.unit))
        axes.fill_between(position, low, high, color=style.COLOURS[5], alpha=0.5, label="95 % of built units")
        axes.plot(position, one, color=style.COLOURS[0], linewidth=1.2, label="one built unit")
        axes.set(xlabel=f"position of {joint} [{'deg' if rotary else 'mm'}]", ylabel=f"joint error [{unit.name}]")
        axes.set_xlim(position[0], position[-1])
        if rotary:
            axes.set_xticks(range(0, 361, 60))
        axes.legend(loc="upper left", bbox_to_anchor=(0.0, -0.22), ncols=2, borderaxespad=0)
        axes.set_title(
            f"{joint}: {sheet.encoder} ({sheet.placement}) errs by {show_joint(sheet.std_accuracy, sheet.unit)} rms, "
            f"{show_joint(sheet.std_repeatability, sheet.unit)} from visit to visit"
        )
        _spectrum(out, curve.order, curve.rms, unit, rotary)
        style.footnote(out, f"at rest; seed {result.seed}; above, waves finer than half a degree are not resolved")
    return out


def _spectrum(out: Figure, order: tuple[float, ...], rms: tuple[float, ...], unit: Unit, rotary: bool) -> None:
    axes = out.add_subplot(2, 1, 2)
    sizes = np.array(rms) * unit.factor
    if len(sizes) and sizes.max() > 0:
        axes.vlines(order, sizes.max() * 1e-4, sizes, color=style.COLOURS[0], linewidth=2)
        axes.plot(order, sizes, "o", color=style.COLOURS[0], markersize=4)
        axes.set(xscale="log", yscale="log")
        axes.set_ylim(sizes.max() * 1e-4, sizes.max() * 4)
        for index in np.argsort(-sizes)[:LABELLED]:
            name = f"{order[index]:g}" if rotary else f"{2 * math.pi / order[index] * 1e3:.3g} mm"
            text = f"{name}: {significant(float(sizes[index]), 2)}"
            axes.annotate(text, (order[index], sizes[index]), xytext=(4, 4), textcoords="offset points", fontsize=8)
    else:
        axes.text(0.5, 0.5, "no waves", transform=axes.transAxes, ha="center")
    axes.set(xlabel="order [periods per turn of the joint]" if rotary else "order [rad/m]", ylabel=f"rms [{unit.name}]")
