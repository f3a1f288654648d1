"""Measured arms compared with the population: accuracy per pose, causes that moved, expected error of the arm."""

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
UPRIGHT, LONGEST = 20, 22
"""Number of poses from which labels are vertical; longest label in characters."""
MOST_CAUSES = 14


def _short(name: str) -> str:
    """Name of a pose with at most `LONGEST` characters, without the word "session"."""
    text = name.replace(", session ", ", ")
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}\N{HORIZONTAL ELLIPSIS}"


def measured_poses(arm: ArmRecord) -> style.Drawing:
    """AP and RP of every measured pose with their intervals, over the band of 90 % of the population.

    If every pose was visited only once, RP is not shown.
    """
    poses = sorted(arm.poses, key=lambda pose: pose.p_value)[:MOST_POSES]
    unit = unit_for([pose.accuracy for pose in poses] + [pose.accuracy_population[2] for pose in poses])
    positions = np.arange(len(poses))
    with style.style():
        repeated = any(pose.repeatability is not None for pose in poses)
        names = ("accuracy", "repeatability") if repeated else ("accuracy",)
        out = style.Drawing(figsize=(6.4, 5.2 if repeated else 3.4), layout="constrained")
        panels = out.subplots(len(names), 1, sharex=True, squeeze=False)[:, 0]
        above, below = panels[0], panels[-1]
        for axes, name in zip(panels, names, strict=True):
            bands = np.array([getattr(pose, f"{name}_population") for pose in poses]) * unit.factor
            values = np.array([getattr(pose, name) for pose in poses], dtype=float) * unit.factor
            ends = [getattr(pose, f"{name}_interval") or (np.nan, np.nan) for pose in poses]
            low, high = np.where(np.isnan(ends), values[:, None], np.array(ends) * unit.factor).T
            look = {"color": style.COLOURS[5], "alpha": 0.55, "label": "90 % of the population"}
            axes.bar(positions, bands[:, 2] - bands[:, 0], 0.6, bottom=bands[:, 0], **look)
            axes.plot(positions, bands[:, 1], "_", color=style.COLOURS[0], markersize=12, label="its median")
            for n, pose in enumerate(poses):
                colour = style.REQUIREMENT if pose.significant else "#222222"
                lines = [[max(values[n] - low[n], 0.0)], [max(high[n] - values[n], 0.0)]]
                axes.errorbar(n, values[n], lines, fmt="o", color=colour, markersize=4, capsize=2, linewidth=1)
            axes.set(ylabel=f"{'AP' if name == 'accuracy' else 'RP'} [{unit.name}]")
            axes.set_ylim(bottom=0)
            texts = [
                f"{pose.name}: {significant(v)} {unit.name}" for pose, v in zip(poses, values.tolist(), strict=True)
            ]
            out.annotate(axes, positions.astype(float), values, texts=texts)
        turned = 90 if len(poses) > UPRIGHT else 60 if len(poses) > 6 else 0
        below.set_xticks(positions, [style.label(_short(pose.name)) for pose in poses], rotation=turned)
        above.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, fontsize=8, frameon=False)
        outliers = [pose.name for pose in poses if pose.significant]
        verdict = f"{arm.name}: compatible with the prediction" if arm.compatible else f"{arm.name}: not as predicted"
        outlier_text = f", {', '.join(outliers[:3])} stand out" if outliers else ""
        title = f"{verdict} (chance of such a deviation {significant(arm.p_value, 2)}){outlier_text}"
        style.titled(out, title, 78)
        most = f"; the {MOST_POSES} of {len(arm.poses)} poses that deviate most" if len(arm.poses) > MOST_POSES else ""
        style.footnote(
            out,
            f"points: the measured arm, lines: 95 % intervals; bars: arms simulated and measured the same way{most}",
        )
    return out


def expected_map(arm: ArmRecord, task: str, grid: Grid, names: Sequence[str]) -> style.Drawing:
    """Expected error of a measured arm over a slice, and its remaining standard deviation."""
    by_name = {record.name: record for record in arm.expected}
    centres = [np.array(axis) * 1e3 for axis in grid.centres]
    x, y = (np.append(axis - grid.step * 500.0, axis[-1] + grid.step * 500.0) for axis in centres)
    sizes = [
        np.array([getattr(by_name[name], field) for name in names]) for field in ("size", "uncertainty", "prior_std")
    ]
    unit = unit_for([float(sizes[0].max())])
    span = (np.ptp(centres[1]) + 1) / (np.ptp(centres[0]) + 1)
    with style.style():
        out = style.Drawing(figsize=(6.4, float(np.clip(1.4 + 2.6 * span, 2.8, 6.0))), layout="constrained")
        panels = out.subplots(1, 2, sharey=True)
        for axes, values, label in zip(panels, sizes, ("error expected", "standard deviation left"), strict=False):
            grid_values = grid.cells(values) * unit.factor
            unreachable = np.where(grid.pose_index < 0, 1.0, np.nan)
            mesh = axes.pcolormesh(x, y, grid_values, cmap=style.MAP, vmin=0.0, rasterized=True)
            axes.pcolormesh(x, y, unreachable, cmap="Greys", vmin=0, vmax=4, rasterized=True)
            across, up = np.meshgrid(*centres)
            reachable = ~np.isnan(grid_values)
            texts = [f"{label}: {significant(v)} {unit.name}" for v in grid_values[reachable].tolist()]
            out.annotate(axes, across[reachable], up[reachable], texts=texts)
            axes.set(xlabel=f"{grid.axes[0]} [mm]", aspect="equal")
            axes.grid(False)
            out.colorbar(mesh, ax=axes, location="bottom", shrink=0.9, label=f"{label} [{unit.name}]")
        panels[0].set_ylabel(f"{grid.axes[1]} [mm]")
        reduction = 1.0 - float(np.sqrt(np.mean(sizes[1] ** 2) / max(float(np.mean(sizes[2] ** 2)), 1e-300)))
        worst = names[int(np.argmax(sizes[0]))]
        finding = f"{arm.name}, {task}: up to {significant(float(sizes[0].max()) * unit.factor)} {unit.name} at {worst}"
        text = f"{finding}; the measurement reduces the spread of the population by {percent(reduction, 2)}"
        style.titled(out, text, 78)
        style.footnote(out, "mean error of this arm by the most likely coefficients; grey: cannot be reached")
    return out


def cause_changes(name: str, causes: Sequence[CauseRecord]) -> style.Drawing:
    """Causes whose coefficients deviate from their mean in this arm, in standard deviations of the prediction."""
    largest_causes = list(causes[:MOST_CAUSES])[::-1]
    with style.style():
        out, axes = style.figure(6.4, 0.9 + 0.27 * max(len(largest_causes), 3))
        positions = np.arange(len(largest_causes))
        sizes = np.array([record.deviations for record in largest_causes])
        colours = [style.REQUIREMENT if record.deviations > 2.0 else style.COLOURS[0] for record in largest_causes]
        axes.barh(positions, sizes, 0.62, color=colours)
        axes.set_yticks(positions, [style.label(f"{record.cause}, {record.owner}") for record in largest_causes])
        axes.axvline(2.0, color="#777777", linestyle=":", linewidth=1)
        axes.set(xlabel="moved by, in its standard deviations")
        texts = [
            f"{record.cause} of {record.owner}: {record.deviations:.2f} standard deviations, determined to "
            f"{100 * record.resolved_share:.0f} %"
            for record in largest_causes
        ]
        out.annotate(axes, sizes, positions.astype(float), texts=texts)
        best = causes[0] if causes else None
        finding = "no cause can be determined"
        if best is not None:
            finding = f"{best.cause} of {best.owner} moved most, by {best.deviations:.2g} standard deviations"
        axes.set_title(style.wrapped(f"{name}: {finding}", 70))
        note = "most likely coefficients given measurement and prediction; dotted: two standard deviations"
        style.footnote(out, note)
    return out
