"""A measured error curve with its fit, its residual, and its orders compared with their expected amplitudes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from armsim.figures import style
from armsim.formatting import ARCSECOND, Unit, significant, unit_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from armsim.calibration.calibration_records import OrderRecord
    from armsim.calibration.curve_analysis import MeasuredSensor

POINTS = 4000
"""Largest number of points of a curve that are drawn."""
FINEST = 60
"""Largest number of periods of a wave over the width of a figure; more of them would blur into a band."""
APART = 30.0
"""Ratio of the largest to the smallest amplitude from which their axis is logarithmic."""


def measured_curve(sensor: MeasuredSensor, encoder: str | None) -> style.Drawing:
    """Curve and fit on top, residual below, amplitudes of the orders with the expected ones at the bottom."""
    curve, fit = sensor.curve, sensor.fit
    unit = ARCSECOND if curve.rotary else unit_for([float(np.abs(curve.error).max())])
    length, length_factor = ("deg", math.degrees(1.0)) if curve.rotary else ("mm", 1e3)
    thinned = slice(None, None, max(1, len(curve.angle) // POINTS))
    with style.style():
        out = style.Drawing(figsize=(6.4, 6.6), layout="constrained")
        top, middle, bottom = out.subplots(3, 1, height_ratios=(3, 1.6, 2.2))
        angles, error = curve.angle[thinned] * length_factor, curve.error[thinned] * unit.factor
        top.plot(angles, error, ".", color=style.COLOURS[5], markersize=2, label="measured")
        line = np.linspace(curve.angle.min(), curve.angle.max(), 1000)
        waves = (fit.constant + fit.evaluate(line, 2 * math.pi * FINEST / np.ptp(line))) * unit.factor
        top.plot(line * length_factor, waves, color=style.COLOURS[0], linewidth=1.2, label=_legend(sensor))
        top.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, borderaxespad=0.0, fontsize=8)
        top.set(ylabel=f"error [{unit.name}]")
        middle.plot(angles, fit.residual[thinned] * unit.factor, ".", color="#666666", markersize=2)
        middle.axhline(0.0, color="#222222", linewidth=0.8)
        noun = "shaft angle" if curve.rotary else "position"
        middle.set(ylabel=f"left [{unit.name}]", xlabel=f"{noun} [{length}]")
        finding = _orders(out, bottom, sensor, unit, encoder)
        style.titled(out, finding, 76)
        noise = f"{significant(fit.noise * unit.factor)} {unit.name}"
        law = f"; bar: 50 % to 95 % of simulated sensors with {encoder} and its mounting" if encoder else ""
        note = f"{len(curve.angle)} readings, residual noise {noise} rms; lines: 95 % intervals of the amplitudes{law}"
        style.footnote(out, note)
    return out


def _scale(axes: Axes, sensor: MeasuredSensor, unit: Unit) -> None:
    """Set the axis of amplitudes: from 0, or logarithmic if they differ too much to be read on a linear axis."""
    laws = [order.law for order in sensor.orders if order.law is not None]
    sizes = [order.amplitude for order in sensor.orders] + [law.p95 for law in laws]
    positive = [size * unit.factor for size in sizes if size > 0.0]
    if positive and max(positive) > APART * min(positive):
        axes.set_yscale("log")
        axes.yaxis.set_major_formatter("{x:g}")
        axes.yaxis.set_minor_formatter("")
        axes.set_ylim(0.3 * min(positive), 3.0 * max(positive))
    else:
        axes.set_ylim(bottom=0)


def _orders(out: style.Drawing, axes: Axes, sensor: MeasuredSensor, unit: Unit, encoder: str | None) -> str:
    """Amplitudes with intervals and laws; hollow marks for orders found in the residual. Returns the finding."""
    sizes = [order.amplitude * unit.factor for order in sensor.orders]
    positions = np.arange(len(sensor.orders))
    for position, size, order in zip(positions, sizes, sensor.orders, strict=True):
        law = order.law
        if law is not None:
            low, high = law.p50 * unit.factor, law.p95 * unit.factor
            axes.bar(position, high - low, 0.62, bottom=low, color=style.COLOURS[5], alpha=0.55)
        colour = style.REQUIREMENT if law is not None and law.contradicts else style.COLOURS[0]
        low, high = (end * unit.factor for end in order.interval)
        axes.plot([position, position], [low, high], "_-", color=colour, markersize=5, linewidth=1)
        fill = "white" if order.false_alarm is not None else colour
        axes.plot(position, size, "o", color=colour, markerfacecolor=fill, markersize=4)
    axes.set_xticks(positions, [_tick(order) for order in sensor.orders])
    noun = "order per turn" if sensor.curve.rotary else "order over the travel"
    marks = [", hollow: found in the residual"] if sensor.in_residual else []
    marks += (
        ["; below it: orders of the data sheet that alias onto it"] if any(o.aliases for o in sensor.orders) else []
    )
    axes.set(xlabel=noun + "".join(marks), ylabel=f"amplitude [{unit.name}]")
    _scale(axes, sensor, unit)
    texts = [
        f"order {order.order}: {significant(size)} {unit.name}"
        for order, size in zip(sensor.orders, sizes, strict=True)
    ]
    out.annotate(axes, positions.astype(float), sizes, texts=texts)
    largest = int(np.argmax(sizes))
    amplitude = f"{significant(sizes[largest])} {unit.name}"
    finding = f"{sensor.curve.sensor}: order {sensor.orders[largest].order} is largest, {amplitude}"
    if sensor.contradicted:
        finding += f"; larger than expected: order {', '.join(map(str, sensor.contradicted))}"
    elif encoder:
        finding += "; every order as expected"
    return finding


def _legend(sensor: MeasuredSensor) -> str:
    """Number of orders that the line shows; waves too fine to draw are left out."""
    count = int(np.count_nonzero(sensor.fit.orders * np.ptp(sensor.curve.angle) <= 2 * math.pi * FINEST))
    hidden = len(sensor.orders) - count
    return f"{count} orders" + (f", without {hidden} too fine to draw" if hidden else "")


def _tick(order: OrderRecord) -> str:
    """Tick label of an order, with its aliases at these angles below it."""
    return "\n".join([f"{order.order:g}", *(f"={alias:g}" for alias in order.aliases)])
