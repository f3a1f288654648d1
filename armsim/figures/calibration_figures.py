"""What a calibration leaves: against the number of poses, cause by cause, and how well parameters are known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from armsim.errormodel.distributions import NORMAL_95
from armsim.figures import style
from armsim.formatting import show, significant, unit_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from armsim.calibration.calibration_records import CauseLeftRecord, IdentifiedArmRecord, ParameterRecord
    from armsim.decide.calibration_study import Calibrated

MOST = 36
"""Rows of a figure."""
SMALL = 1e-2
"""Share of the largest cause below which a cause is not drawn."""
NO_GAIN = 1.0
"""Uncertainty over spread from which on nothing is gained by identifying a parameter."""


def poses_needed(record: Calibrated) -> style.Drawing:
    """Error left against the number of measured poses, chosen and at random."""
    points = record.curve
    unit = unit_for([own.chosen for own in points[-3:]])
    counts = np.array([own.poses for own in points], dtype=float)
    with style.style():
        out, axes = style.figure(6.4, 4.0)
        rows = (
            ("at random", [own.random for own in points], [own.random_sets for own in points], 1, "5 to 95 % of sets"),
            ("chosen", [own.chosen for own in points], [own.chosen_arms for own in points], 0, "5 to 95 % of arms"),
        )
        for name, middle, band, colour, what in rows:
            ends = np.array(band) * unit.factor
            values = np.array(middle) * unit.factor
            axes.fill_between(counts, ends[:, 0], ends[:, 1], color=style.COLOURS[colour], alpha=0.18, label=what)
            axes.plot(counts, values, "o-" if colour == 0 else "s--", color=style.COLOURS[colour], label=name)
            texts = [f"{n:g} poses {name}: {significant(v)} {unit.name}" for n, v in zip(counts, values, strict=True)]
            out.tell(axes, counts, values, texts=texts)
        before = record.steps[0].left * unit.factor
        axes.axhline(before, color="#555555", linestyle=":", linewidth=1.2, label="not calibrated")
        short = record.steps[-1].parameters / 3.0
        if not record.prior and short > counts[0]:
            axes.axvspan(
                counts[0], min(short, counts[-1]), color="#777777", alpha=0.13, label="fewer readings than parameters"
            )
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.set_xticks(counts, [f"{n:g}" for n in counts])
        axes.minorticks_off()
        axes.yaxis.set_major_formatter("{x:g}")
        axes.set(xlabel="measured poses", ylabel=f"error left, rms over arms and poses [{unit.name}]")
        style.legend_below(axes, columns=3)
        own = min(points, key=lambda point: abs(point.poses - len(record.poses)))
        axes.set_title(
            style.wrapped(
                f"{own.poses} chosen poses leave {show(own.chosen)}, {own.poses} at random {show(own.random)} of "
                f"{show(record.steps[0].left)}", 64,
            )
        )  # fmt: skip
        style.footnote(out, "what a built arm keeps, over the poses of the tasks, by first order")
    return out


def causes_left(causes: Sequence[CauseLeftRecord]) -> style.Drawing:
    """Every cause before and after the calibration."""
    most = max(max(own.before, own.after) for own in causes)
    shown = [own for own in causes if max(own.before, own.after) > SMALL * most][:MOST]
    unit = unit_for([most])
    places = -np.arange(len(shown), dtype=float)
    with style.style():
        out, axes = style.figure(6.4, 1.5 + 0.36 * len(shown))
        for name, shift, colour, hatch in (("before", 0.19, 0, ""), ("after", -0.19, 1, "///")):
            sizes = np.array([getattr(own, name) for own in shown]) * unit.factor
            axes.barh(
                places + shift, sizes, 0.36, color=style.COLOURS[colour], hatch=hatch, edgecolor="white", label=name
            )
            texts = [f"{own.cause}, {name}: {significant(v)} {unit.name}" for own, v in zip(shown, sizes, strict=True)]
            out.tell(axes, sizes, places + shift, texts=texts)
        axes.set_yticks(places, [style.label(own.cause) for own in shown])
        axes.set(xlabel=f"part of the error, rms over arms and poses [{unit.name}]")
        axes.grid(axis="y", visible=False)
        axes.legend(loc="lower right")
        gone = max(shown, key=lambda own: own.before**2 - own.after**2)
        left = max(shown, key=lambda own: own.after)
        axes.set_title(
            style.wrapped(f"most is gained at {gone.cause}; {left.cause} is the largest of what is left", 66)
        )
        style.footnote(out, "what a built arm keeps, by first order; calibration: what the measurement itself adds")
    return out


def parameters_known(parameters: Sequence[ParameterRecord]) -> style.Drawing:
    """Standard uncertainty of every identified parameter over its spread in the population, by formula and sampled."""
    shown = sorted((own for own in parameters if own.spread > 0.0), key=_ratio)[-MOST:]
    places = np.arange(len(shown), dtype=float)
    with style.style():
        out, axes = style.figure(6.4, 1.6 + 0.24 * max(len(shown), 2))
        whole = np.array([_ratio(own) for own in shown])
        sampled = np.array([own.over_population / own.spread for own in shown])
        noise = np.array([own.by_measurement / own.spread for own in shown])
        axes.plot(noise, places, "|", color=style.COLOURS[7], markersize=9, label="by instrument and visits alone")
        axes.plot(whole, places, "o", color=style.COLOURS[0], markersize=5, label="by formula")
        axes.plot(sampled, places, "x", color=style.COLOURS[1], markersize=5, label="over the sampled arms")
        texts = [f"{own.name}: {significant(v)} of its spread" for own, v in zip(shown, whole.tolist(), strict=True)]
        out.tell(axes, whole, places, texts=texts)
        axes.axvline(NO_GAIN, color=style.REQUIREMENT, linestyle="--", linewidth=1.2)
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter("{x:g}")
        axes.set_yticks(places, [style.label(own.name) for own in shown], fontsize=8)
        axes.set(xlabel="standard uncertainty over the spread in the population")
        style.legend_below(axes, columns=3)
        worse = sum(own > NO_GAIN for own in whole.tolist())
        finding = f"{worse} of {len(shown)} are known worse than the population itself tells"
        axes.set_title(style.wrapped(finding if worse else f"all {len(shown)} are known better than before", 64))
        style.footnote(out, "right of the dashed line: identifying it without a prior makes this parameter worse")
    return out


def arm_values(arm: IdentifiedArmRecord) -> style.Drawing:
    """Identified parameters of a measured arm in units of their spread in the population, with 95 % intervals."""
    shown = sorted((own for own in arm.values if own.spread > 0.0), key=lambda own: abs(own.value) / own.spread)[-MOST:]
    places = np.arange(len(shown), dtype=float)
    with style.style():
        out, axes = style.figure(6.4, 1.5 + 0.24 * max(len(shown), 2))
        values = np.array([own.value / own.spread for own in shown])
        reach = np.array([NORMAL_95 * own.uncertainty / own.spread for own in shown])
        far = np.abs(values) - reach > 1.0
        for where, colour in ((far, style.REQUIREMENT), (~far, style.COLOURS[0])):
            axes.errorbar(
                values[where], places[where], xerr=reach[where], fmt="o", color=colour, markersize=4, capsize=2
            )
        texts = [f"{own.name}: {significant(v)} of its spread" for own, v in zip(shown, values.tolist(), strict=True)]
        out.tell(axes, values, places, texts=texts)
        axes.axvspan(-1.0, 1.0, color="#777777", alpha=0.12)
        axes.set_yticks(places, [style.label(own.name) for own in shown], fontsize=8)
        axes.set(xlabel="identified value over the spread in the population")
        most = shown[-1] if shown else None
        finding = f"{most.name} is off most, {significant(abs(values[-1]), 2)} times its spread" if most else "nothing"
        axes.set_title(style.wrapped(f"{arm.name}: {finding}", 64))
        style.footnote(
            out, "lines: 95 % intervals; grey: one standard deviation of the population; red: outside for certain"
        )
    return out


def _ratio(own: ParameterRecord) -> float:
    return own.uncertainty / own.spread
