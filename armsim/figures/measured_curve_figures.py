"""A measured error curve: the curve with its fit, what is left of it, and its orders beside the law."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from armsim.figures import style
from armsim.formatting import ARCSECOND, Unit, significant, unit_for

if TYPE_CHECKING:
    from armsim.calibration.curve_analysis import Measured

POINTS = 4000
"""Points of a curve drawn, at most."""


def measured_curve(own: Measured, encoder: str | None) -> style.Drawing:
    """Curve and fit on top, residual below, amplitudes of the orders with the law at the bottom."""
    curve, fit = own.curve, own.fit
    unit = ARCSECOND if curve.rotary else unit_for([float(np.abs(curve.error).max())])
    length, where = ("deg", math.degrees(1.0)) if curve.rotary else ("mm", 1e3)
    few = slice(None, None, max(1, len(curve.angle) // POINTS))
    with style.style():
        out = style.Drawing(figsize=(6.4, 6.6), layout="constrained")
        top, middle, bottom = out.subplots(3, 1, height_ratios=(3, 1.6, 2.2))
        at, error = curve.angle[few] * where, curve.error[few] * unit.factor
        top.plot(at, error, ".", color=style.COLOURS[5], markersize=2, label="measured")
        line = np.linspace(curve.angle.min(), curve.angle.max(), 1000)
        waves = (fit.constant + fit.at(line)) * unit.factor
        top.plot(line * where, waves, color=style.COLOURS[0], linewidth=1.2, label=f"{len(own.orders)} orders")
        top.legend(loc="upper right", fontsize=8)
        top.set(ylabel=f"error [{unit.name}]")
        middle.plot(at, fit.residual[few] * unit.factor, ".", color="#666666", markersize=2)
        middle.axhline(0.0, color="#222222", linewidth=0.8)
        noun = "shaft angle" if curve.rotary else "position"
        middle.set(ylabel=f"left [{unit.name}]", xlabel=f"{noun} [{length}]")
        best = _orders(out, bottom, own, unit, encoder)
        style.titled(out, best, 76)
        noise = f"{significant(fit.noise * unit.factor)} {unit.name}"
        law = f"; bar: half to 95 % of the sensors that {encoder} and its mounting give" if encoder else ""
        note = f"{len(curve.angle)} points, noise left {noise} rms; lines: 95 % intervals of the amplitudes{law}"
        style.footnote(out, note)
    return out


def _orders(out: style.Drawing, axes, own: Measured, unit: Unit, encoder: str | None) -> str:  # type: ignore[no-untyped-def]
    fit = own.fit
    sizes, half = fit.amplitudes * unit.factor, 1.96 * fit.uncertainties * unit.factor
    numbers = [row.order for row in own.orders]
    places = np.arange(len(numbers))
    for n, law in enumerate(own.laws):
        if law is not None:
            low, high = law.p50 * unit.factor, law.p95 * unit.factor
            axes.bar(n, high - low, 0.62, bottom=low, color=style.COLOURS[5], alpha=0.55)
    colours = [style.REQUIREMENT if law is not None and law.contradicts else style.COLOURS[0] for law in own.laws]
    for n, colour in enumerate(colours):
        axes.errorbar(n, sizes[n], half[n], fmt="o", color=colour, markersize=4, capsize=2, linewidth=1)
    axes.set_xticks(places, [f"{h:g}" for h in numbers])
    axes.set(
        xlabel="order per turn" if own.curve.rotary else "order over the travel", ylabel=f"amplitude [{unit.name}]"
    )
    axes.set_ylim(bottom=0)
    texts = [f"order {h}: {significant(a)} {unit.name}" for h, a in zip(numbers, sizes.tolist(), strict=True)]
    out.tell(axes, places.astype(float), sizes, texts=texts)
    largest = int(np.argmax(sizes))
    found = f"{own.curve.sensor}: order {numbers[largest]} is largest, {significant(float(sizes[largest]))} {unit.name}"
    if own.contradicted:
        found += f"; too large for the law: order {', '.join(map(str, own.contradicted))}"
    elif encoder:
        found += "; every order lies within the law"
    return found
