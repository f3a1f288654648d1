"""Measured arms beside the population: accuracy pose by pose, causes that moved, the error expected of the arm."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from armsim.figures import style
from armsim.formatting import percent, significant, unit_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from armsim.calibration.calibration_records import ArmRecord, CauseRecord
    from armsim.results import Grid

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
            values = np.array([getattr(own, name) for own in poses], dtype=float) * unit.factor
            ends = [getattr(own, f"{name}_interval") or (np.nan, np.nan) for own in poses]
            low, high = np.where(np.isnan(ends), values[:, None], np.array(ends) * unit.factor).T
            look = {"color": style.COLOURS[5], "alpha": 0.55, "label": "90 % of the population"}
            axes.bar(places, bands[:, 2] - bands[:, 0], 0.6, bottom=bands[:, 0], **look)
            axes.plot(places, bands[:, 1], "_", color=style.COLOURS[0], markersize=12, label="its median")
            for n, own in enumerate(poses):
                colour = style.REQUIREMENT if own.stands_out else "#222222"
                lines = [[max(values[n] - low[n], 0.0)], [max(high[n] - values[n], 0.0)]]
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
        style.titled(out, title, 78)
        style.footnote(
            out,
            "points: the measured arm, lines: 95 % intervals; bars: arms simulated and measured the same way",
        )
    return out


def expected_map(arm: ArmRecord, task: str, grid: Grid, names: Sequence[str]) -> style.Drawing:
    """The error expected of a measured arm over a slice, and the standard deviation that is left of it."""
    by_name = {own.name: own for own in arm.expected}
    shape = tuple(len(centres) for centres in grid.centres[::-1])
    index = np.array(grid.pose).reshape(shape)
    centres = [np.array(own) * 1e3 for own in grid.centres]
    x, y = (np.append(own - grid.step * 500.0, own[-1] + grid.step * 500.0) for own in centres)
    sizes = [np.array([getattr(by_name[name], field) for name in names]) for field in ("size", "left", "prior")]
    unit = unit_for([float(sizes[0].max())])
    span = (np.ptp(centres[1]) + 1) / (np.ptp(centres[0]) + 1)
    with style.style():
        out = style.Drawing(figsize=(6.4, float(np.clip(1.4 + 2.6 * span, 2.8, 6.0))), layout="constrained")
        both = out.subplots(1, 2, sharey=True)
        for axes, values, label in zip(both, sizes, ("error expected", "standard deviation left"), strict=False):
            laid = np.where(index >= 0, values[np.maximum(index, 0)] * unit.factor, np.nan)
            lost = np.where(index < 0, 1.0, np.nan)
            mesh = axes.pcolormesh(x, y, laid, cmap=style.MAP, vmin=0.0, rasterized=True)
            axes.pcolormesh(x, y, lost, cmap="Greys", vmin=0, vmax=4, rasterized=True)
            across, up = np.meshgrid(*centres)
            seen = ~np.isnan(laid)
            texts = [f"{label}: {significant(v)} {unit.name}" for v in laid[seen].tolist()]
            out.tell(axes, across[seen], up[seen], texts=texts)
            axes.set(xlabel=f"{grid.axes[0]} [mm]", aspect="equal")
            axes.grid(False)
            out.colorbar(mesh, ax=axes, location="bottom", shrink=0.9, label=f"{label} [{unit.name}]")
        both[0].set_ylabel(f"{grid.axes[1]} [mm]")
        known = 1.0 - float(np.sqrt(np.mean(sizes[1] ** 2) / max(float(np.mean(sizes[2] ** 2)), 1e-300)))
        worst = names[int(np.argmax(sizes[0]))]
        finding = f"{arm.name}, {task}: up to {significant(float(sizes[0].max()) * unit.factor)} {unit.name} at {worst}"
        text = f"{finding}; the measurement takes {percent(known, 2)} off the spread of the population"
        style.titled(out, text, 78)
        style.footnote(out, "mean error of this arm by the most likely coefficients; grey: cannot be reached")
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
