"""How smoothly the joints move: ripple and noise of the speed against the speed, joint beside joint."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from armsim.figures import style
from armsim.formatting import percent, show_speed, significant
from armsim.results import JointMotion, Result

COLUMNS = 3


def smoothness(result: Result) -> style.Drawing:
    """Ripple and noise of the speed that 95 % of built units keep to, at every speed up to the stated one."""
    groups: dict[JointMotion, list[str]] = {}
    for name, own in result.motion.items():
        groups.setdefault(own, []).append(name)
    limit = None if result.requirement is None else result.requirement.velocity_ripple
    columns = min(COLUMNS, len(groups))
    rows = -(-len(groups) // columns)
    with style.style():
        out = style.Drawing(figsize=(6.4, 1.15 + 1.7 * rows), layout="constrained")
        every = np.atleast_1d(out.subplots(rows, columns, sharey=True)).ravel()
        for number, (axes, (own, names)) in enumerate(zip(every, groups.items(), strict=False)):
            factor = math.degrees(1.0) if own.unit == "rad" else 1e3
            at, ripple = np.array(own.speeds) * factor, 100 * np.array(own.smoothness_at)
            axes.plot(at, ripple, color=style.COLOURS[0], linewidth=1.2)
            axes.plot([at[-1]], [ripple[-1]], "o", color=style.COLOURS[0], markersize=4)
            if limit is not None:
                axes.axhline(100 * limit, color=style.REQUIREMENT, linewidth=1)
            if own.slowest is not None:
                axes.axvline(own.slowest * factor, color="#777777", linestyle=":", linewidth=1)
            axes.set(xscale="log", yscale="log")
            for axis in (axes.xaxis, axes.yaxis):  # in plain digits: no text is parsed as mathematics
                axis.set_major_locator(LogLocator(numticks=6))
                axis.set_minor_locator(NullLocator())
                axis.set_major_formatter(FuncFormatter(lambda value, place: f"{value:g}"))
            axes.tick_params(labelsize=8)
            unit = "deg/s" if own.unit == "rad" else "mm/s"
            axes.set_title(style.wrapped(f"{', '.join(names)} [% over {unit}]", 34), fontsize=8, pad=3)
            both = zip(own.speeds, own.smoothness_at, strict=True)
            texts = [f"{names[0]} at {show_speed(v, own.unit)}: {percent(s)}" for v, s in both]
            out.tell(axes, at, ripple, texts=texts)
            if number % columns == 0:
                axes.set_ylabel("ripple, rms [%]", fontsize=8)
        for axes in every[len(groups) :]:
            axes.set_axis_off()
        worst = max(result.motion, key=lambda name: result.motion[name].smoothness)
        own = result.motion[worst]
        finding = (
            f"The speed of {worst} ripples most: {percent(own.smoothness)} rms of {show_speed(own.speed, own.unit)}"
        )
        if own.largest is not None:
            finding += f", most of it {own.largest.cause} at {significant(own.largest.frequency)} Hz"
        style.titled(out, finding, 80)
        line = "; red: required" if limit is not None else ""
        style.footnote(
            out,
            "ripple of the sensor and noise of its readings, 95 % of built units, over the speed; dot: stated speed; "
            f"dotted: the slowest from which on it stays below the stated share{line}",
        )
    return out
