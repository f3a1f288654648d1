"""Measured arms beside the population: accuracy pose by pose, causes that moved, the error expected of the arm."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from armsim.figures import style
from armsim.formatting import significant, unit_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from armsim.hardware.records import ArmRecord, CauseRecord

MOST_POSES = 40
MOST_CAUSES = 14


def measured_poses(arm: ArmRecord) -> style.Drawing:
    """AP and RP of every measured pose, with their intervals, over what 90 % of the population has there."""
    poses = sorted(arm.poses, key=lambda own: own.chance)[:MOST_POSES]
    unit = unit_for([own.accuracy for own in poses] + [own.accuracy_population[2] for own in poses])
    places = np.arange(len(poses))
    with style.style():
        out = style.Drawing(figsize=(6.4, 5.2), layout="constrained")
        above, below = out.subplots(2, 1, sharex=True)
        for axes, name in ((above, "accuracy"), (below, "repeatability")):
            bands = np.array([getattr(own, f"{name}_population") for own in poses]) * unit.factor
            values = np.array([getattr(own, name) for own in poses]) * unit.factor
            ends = np.array([getattr(own, f"{name}_interval") for own in poses]) * unit.factor
            look = {"color": style.COLOURS[5], "alpha": 0.55, "label": "90 % of the population"}
            axes.bar(places, bands[:, 2] - bands[:, 0], 0.6, bottom=bands[:, 0], **look)
            axes.plot(places, bands[:, 1], "_", color=style.COLOURS[0], markersize=12, label="its median")
            for n, own in enumerate(poses):
                colour = style.REQUIREMENT if own.stands_out else "#222222"
                lines = [[max(values[n] - ends[n, 0], 0.0)], [max(ends[n, 1] - values[n], 0.0)]]
                axes.errorbar(n, values[n], lines, fmt="o", color=colour, markersize=4, capsize=2, linewidth=1)
            axes.set(ylabel=f"{'AP' if name == 'accuracy' else 'RP'} [{unit.name}]")
            axes.set_ylim(bottom=0)
            texts = [f"{own.name}: {significant(v)} {unit.name}" for own, v in zip(poses, values.tolist(), strict=True)]
            out.tell(axes, places.astype(float), values, texts=texts)
        below.set_xticks(places, [style.label(own.name[:18]) for own in poses], rotation=60 if len(poses) > 6 else 0)
        above.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, fontsize=8, frameon=False)
        far = [own.name for own in poses if own.stands_out]
        verdict = f"{arm.name}: compatible with the prediction" if arm.compatible else f"{arm.name}: not as predicted"
        where = f", {', '.join(far[:3])} stand out" if far else ""
        title = f"{verdict} (chance of one as far off {significant(arm.chance, 2)}){where}"
        out.suptitle(style.wrapped(title, 78), x=0.01, ha="left", fontweight="bold", fontsize=10)
        style.footnote(
            out,
            "points: the measured arm, lines: 95 % intervals; bars: arms simulated and measured the same way",
        )
    return out


def moved_causes(name: str, causes: Sequence[CauseRecord]) -> style.Drawing:
    """By how many of its standard deviations every cause moved that the measurement tells something of."""
    shown = list(causes[:MOST_CAUSES])[::-1]
    with style.style():
        out, axes = style.figure(6.4, 0.9 + 0.27 * max(len(shown), 3))
        at = np.arange(len(shown))
        sizes = np.array([own.deviations for own in shown])
        colours = [style.REQUIREMENT if own.deviations > 2.0 else style.COLOURS[0] for own in shown]
        axes.barh(at, sizes, 0.62, color=colours)
        axes.set_yticks(at, [style.label(f"{own.cause}, {own.owner}") for own in shown])
        axes.axvline(2.0, color="#777777", linestyle=":", linewidth=1)
        axes.set(xlabel="moved by so many standard deviations that the scenario gives it")
        texts = [f"{own.cause} of {own.owner}: {own.deviations:.2f}, known to {100 * own.known:.0f} %" for own in shown]
        out.tell(axes, sizes, at.astype(float), texts=texts)
        best = causes[0] if causes else None
        found = "nothing of it can be told"
        if best is not None:
            found = f"{best.cause} of {best.owner} moved most, by {best.deviations:.2g}"
        axes.set_title(style.wrapped(f"{name}: {found}", 70))
        note = "most likely coefficients given measurement and prediction; dotted: two standard deviations"
        style.footnote(out, note)
    return out
