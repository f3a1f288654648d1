"""Residual error after calibration, against the number of poses and by cause; uncertainty of the parameters."""

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
"""Largest number of rows of a figure."""
SMALL = 1e-2
"""Causes below this share of the largest are not drawn."""
WIDE = 10.0
"""Ratio of the largest to the smallest value above which an axis is logarithmic."""
NO_GAIN = 1.0
"""Ratio of uncertainty to spread above which identifying a parameter gains nothing."""


def poses_needed(record: Calibrated) -> style.Drawing:
    """Residual error against the number of measured poses, selected and at random."""
    points = record.curve
    unit = unit_for([point.chosen for point in points[-3:]])
    counts = np.array([point.poses for point in points], dtype=float)
    with style.style():
        out, axes = style.figure(6.4, 4.0)
        rows = (
            (
                "at random",
                [point.random for point in points],
                [point.random_sets for point in points],
                1,
                "5 to 95 % of sets",
            ),
            (
                "chosen",
                [point.chosen for point in points],
                [point.chosen_arms for point in points],
                0,
                "5 to 95 % of arms",
            ),
        )
        for name, middle, band, colour, band_label in rows:
            ends = np.array(band) * unit.factor
            values = np.array(middle) * unit.factor
            axes.fill_between(counts, ends[:, 0], ends[:, 1], color=style.COLOURS[colour], alpha=0.18, label=band_label)
            axes.plot(counts, values, "o-" if colour == 0 else "s--", color=style.COLOURS[colour], label=name)
            texts = [f"{n:g} poses {name}: {significant(v)} {unit.name}" for n, v in zip(counts, values, strict=True)]
            out.annotate(axes, counts, values, texts=texts)
        before = record.steps[0].residual * unit.factor
        axes.axhline(before, color="#555555", linestyle=":", linewidth=1.2, label="not calibrated")
        short = record.steps[-1].parameters / 3.0
        if not record.prior and short > counts[0]:
            axes.axvspan(
                counts[0], min(short, counts[-1]), color="#777777", alpha=0.13, label="fewer readings than parameters"
            )
        axes.set_xscale("log")
        ordinates = [
            before,
            *(end * unit.factor for point in points for end in (*point.chosen_arms, *point.random_sets)),
        ]
        if min(ordinates) > 0.0 and max(ordinates) > WIDE * min(ordinates):
            axes.set_yscale("log")
            axes.yaxis.set_major_formatter("{x:g}")
        else:
            axes.set_ylim(bottom=0.0)
        axes.set_xticks(counts, [f"{n:g}" for n in counts])
        axes.minorticks_off()
        axes.set(xlabel="measured poses", ylabel=f"AP after calibration, rms [{unit.name}]")
        style.legend_below(axes, columns=3)
        closest = min(points, key=lambda point: abs(point.poses - len(record.poses)))
        axes.set_title(
            style.wrapped(
                (
                f"AP after calibration: {show(closest.chosen)} with {closest.poses} chosen poses, "
                f"{show(closest.random)} with {closest.poses} random ones; {show(record.steps[0].residual)} before"
                ), 64,
            )
        )  # fmt: skip
        style.footnote(out, "AP: rms over arms and over the poses of the tasks, by first order")
    return out


def chosen_poses(record: Calibrated) -> style.Drawing:
    """Positions of the target at the chosen poses from above and from the side, in their order, with the instrument."""
    positions = np.array([pose.position for pose in record.poses]) * 1e3
    instrument = record.measurement.calibration.instrument
    position = np.array(instrument.position) * 1e3
    is_placed = bool(np.any(position))
    with style.style():
        out = style.Drawing(figsize=(6.4, 3.4), layout="constrained")
        for axes, (first, second) in zip(out.subplots(1, 2), ((0, 1), (0, 2)), strict=True):
            axes.plot(positions[:, first], positions[:, second], "-", color=style.COLOURS[0], linewidth=0.7, alpha=0.6)
            axes.plot(
                positions[:, first], positions[:, second], "o", color=style.COLOURS[0], markersize=4, label="poses"
            )
            axes.plot(*positions[0, [first, second]], "D", color=style.COLOURS[1], markersize=7, label="first")
            axes.plot(0.0, 0.0, "s", color="#222222", markersize=7, label="base")
            if is_placed:
                axes.plot(*position[[first, second]], "^", color=style.REQUIREMENT, markersize=9, label="instrument")
            texts = [f"{n}: {pose.name}" for n, pose in enumerate(record.poses, start=1)]
            out.annotate(axes, positions[:, first], positions[:, second], texts=texts)
            axes.set(xlabel="xyz"[first] + " [mm]", ylabel="xyz"[second] + " [mm]", aspect="equal")
            axes.margins(0.08)
        style.legend_below(out.axes[0], columns=4)
        sight_text = f", all in sight, as are {record.candidates} of {record.offered} candidates"
        total = sum(pose.move or 0.0 for pose in record.poses)
        finding = f"{len(record.poses)} poses{sight_text if record.offered > record.candidates else ''}"
        style.titled(out, f"{finding}; {total:.0f} s of moves" if total else finding, 78)
        style.footnote(out, "place of the target from above and from the side; lines: the order of short moves")
    return out


def residual_causes(causes: Sequence[CauseLeftRecord]) -> style.Drawing:
    """Contribution of every cause to the error, before and after the calibration."""
    largest = max(max(record.before, record.after) for record in causes)
    largest_causes = [record for record in causes if max(record.before, record.after) > SMALL * largest][:MOST]
    unit = unit_for([largest])
    rows = -np.arange(len(largest_causes), dtype=float)
    with style.style():
        out, axes = style.figure(6.4, 1.5 + 0.36 * len(largest_causes))
        for name, shift, colour, hatch in (("before", 0.19, 0, ""), ("after", -0.19, 1, "///")):
            sizes = np.array([getattr(record, name) for record in largest_causes]) * unit.factor
            axes.barh(
                rows + shift, sizes, 0.36, color=style.COLOURS[colour], hatch=hatch, edgecolor="white", label=name
            )
            texts = [
                f"{record.cause}, {name}: {significant(v)} {unit.name}"
                for record, v in zip(largest_causes, sizes, strict=True)
            ]
            out.annotate(axes, sizes, rows + shift, texts=texts)
        axes.set_yticks(rows, [style.label(record.cause) for record in largest_causes])
        axes.set(xlabel=f"part of the error, rms over arms and poses [{unit.name}]")
        axes.grid(axis="y", visible=False)
        axes.legend(loc="lower right")
        gain = max(largest_causes, key=lambda record: record.before**2 - record.after**2)
        residual = max(largest_causes, key=lambda record: record.after)
        axes.set_title(style.wrapped(f"largest gain: {gain.cause}; largest residual: {residual.cause}", 66))
        style.footnote(
            out,
            ("repeatable error of a built arm, by first order; calibration: error that the measurement itself adds"),
        )
    return out


def parameter_uncertainty(parameters: Sequence[ParameterRecord]) -> style.Drawing:
    """Ratio of the standard uncertainty of each identified parameter to its spread, by formula and sampled."""
    largest_parameters = sorted((parameter for parameter in parameters if parameter.spread > 0.0), key=_ratio)[-MOST:]
    rows = np.arange(len(largest_parameters), dtype=float)
    with style.style():
        out, axes = style.figure(6.4, 1.6 + 0.24 * max(len(largest_parameters), 2))
        ratios = np.array([_ratio(parameter) for parameter in largest_parameters])
        sampled = np.array([parameter.over_population / parameter.spread for parameter in largest_parameters])
        noise = np.array([parameter.by_measurement / parameter.spread for parameter in largest_parameters])
        axes.plot(noise, rows, "|", color=style.COLOURS[7], markersize=9, label="by instrument and visits alone")
        axes.plot(ratios, rows, "o", color=style.COLOURS[0], markersize=5, label="by formula")
        axes.plot(sampled, rows, "x", color=style.COLOURS[1], markersize=5, label="over the sampled arms")
        texts = [
            f"{parameter.name}: {significant(v)} of its spread"
            for parameter, v in zip(largest_parameters, ratios.tolist(), strict=True)
        ]
        out.annotate(axes, ratios, rows, texts=texts)
        axes.axvline(NO_GAIN, color=style.REQUIREMENT, linestyle="--", linewidth=1.2)
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter("{x:g}")
        axes.set_yticks(rows, [style.label(parameter.name) for parameter in largest_parameters], fontsize=8)
        axes.set(xlabel="standard uncertainty over the spread in the population")
        style.legend_below(axes, columns=3)
        worse = sum(ratio > NO_GAIN for ratio in ratios.tolist())
        count = len(largest_parameters)
        finding = f"{worse} of {count} parameters are identified less well than the population already determines"
        axes.set_title(style.wrapped(finding if worse else f"all {count} parameters are known better than before", 64))
        style.footnote(out, "right of the dashed line: identifying it without a prior makes this parameter worse")
    return out


def arm_values(arm: IdentifiedArmRecord) -> style.Drawing:
    """Identified parameters of a measured arm in units of their spread in the population, with 95 % intervals."""
    largest_values = sorted(
        (parameter for parameter in arm.values if parameter.spread > 0.0),
        key=lambda parameter: abs(parameter.value) / parameter.spread,
    )[-MOST:]
    rows = np.arange(len(largest_values), dtype=float)
    with style.style():
        out, axes = style.figure(6.4, 1.5 + 0.24 * max(len(largest_values), 2))
        values = np.array([parameter.value / parameter.spread for parameter in largest_values])
        reach = np.array([NORMAL_95 * parameter.uncertainty / parameter.spread for parameter in largest_values])
        outside = np.abs(values) - reach > 1.0
        for mask, colour in ((outside, style.REQUIREMENT), (~outside, style.COLOURS[0])):
            axes.errorbar(values[mask], rows[mask], xerr=reach[mask], fmt="o", color=colour, markersize=4, capsize=2)
        texts = [
            f"{parameter.name}: {significant(v)} of its spread"
            for parameter, v in zip(largest_values, values.tolist(), strict=True)
        ]
        out.annotate(axes, values, rows, texts=texts)
        axes.axvspan(-1.0, 1.0, color="#777777", alpha=0.12)
        axes.set_yticks(rows, [style.label(parameter.name) for parameter in largest_values], fontsize=8)
        axes.set(xlabel="identified value over the spread in the population")
        largest = largest_values[-1] if largest_values else None
        finding = (
            (f"largest deviation: {largest.name}, {significant(abs(values[-1]), 2)} times its spread in the population")
            if largest
            else "nothing"
        )
        axes.set_title(style.wrapped(f"{arm.name}: {finding}", 64))
        style.footnote(
            out, ("lines: 95 % intervals; grey: one standard deviation of the population; red: significantly outside")
        )
    return out


def _ratio(parameter: ParameterRecord) -> float:
    return parameter.uncertainty / parameter.spread
