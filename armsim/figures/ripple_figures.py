"""Smoothness of motion: ripple and noise of the speed against the speed, one panel per joint."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from armsim.figures import style
from armsim.formatting import percent, show_speed, significant
from armsim.results import JointMotion, Result

COLUMNS = 3


def smoothness(result: Result) -> style.Drawing:
    """Ripple and noise of the speed that 95 % of built units stay within, up to the stated speed."""
    groups: dict[JointMotion, list[str]] = {}
    for name, motion in result.motion.items():
        groups.setdefault(motion, []).append(name)
    limit = None if result.requirement is None else result.requirement.velocity_ripple
    columns = min(COLUMNS, len(groups))
    rows = -(-len(groups) // columns)
    with style.style():
        out = style.Drawing(figsize=(6.4, 1.15 + 1.7 * rows), layout="constrained")
        panels = np.atleast_1d(out.subplots(rows, columns, sharey=True)).ravel()
        for number, (axes, (motion, names)) in enumerate(zip(panels, groups.items(), strict=False)):
            factor = math.degrees(1.0) if motion.unit == "rad" else 1e3
            speeds, ripple = np.array(motion.speeds) * factor, 100 * np.array(motion.smoothness_at)
            axes.plot(speeds, ripple, color=style.COLOURS[0], linewidth=1.2)
            axes.plot([speeds[-1]], [ripple[-1]], "o", color=style.COLOURS[0], markersize=4)
            if limit is not None:
                axes.axhline(100 * limit, color=style.REQUIREMENT, linewidth=1)
            if motion.slowest is not None:
                axes.axvline(motion.slowest * factor, color="#777777", linestyle=":", linewidth=1)
            axes.set(xscale="log", yscale="log")
            for axis in (axes.xaxis, axes.yaxis):  # in plain digits: no text is parsed as mathematics
                axis.set_major_locator(LogLocator(numticks=6))
                axis.set_minor_locator(NullLocator())
                axis.set_major_formatter(FuncFormatter(lambda value, position: f"{value:g}"))
            axes.tick_params(labelsize=8)
            unit = "deg/s" if motion.unit == "rad" else "mm/s"
            axes.set_title(style.wrapped(f"{', '.join(names)}: speed [{unit}]", 34), fontsize=8, pad=3)
            pairs = zip(motion.speeds, motion.smoothness_at, strict=True)
            texts = [f"{names[0]} at {show_speed(v, motion.unit)}: {percent(s)}" for v, s in pairs]
            out.annotate(axes, speeds, ripple, texts=texts)
            if number % columns == 0:
                axes.set_ylabel("ripple, rms [%]", fontsize=8)
        for axes in panels[len(groups) :]:
            axes.set_axis_off()
        worst = max(result.motion, key=lambda name: result.motion[name].smoothness)
        motion = result.motion[worst]
        finding = f"The speed of {worst} ripples most: {percent(motion.smoothness)} rms of "
        finding += show_speed(motion.speed, motion.unit)
        if motion.largest is not None:
            finding += f", most of it {motion.largest.cause} at {significant(motion.largest.frequency)} Hz"
        style.titled(out, finding, 80)
        line = "; red: required" if limit is not None else ""
        style.footnote(
            out,
            "ripple and noise of the sensor, 95 % of built arms, over the speed; dot: stated speed; dotted: "
            f"slowest smooth speed{line}",
        )
    return out
