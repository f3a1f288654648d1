"""Nominal deflection of the arm at its worst pose, before and after compensation."""

from __future__ import annotations

import numpy as np

from armsim.figures import style
from armsim.formatting import show, significant, unit_for
from armsim.results import Result, TaskResult

LETTERS = "xyz"
SEEN = 0.12
"""Size at which the largest deflection is drawn, as a share of the size of the arm."""


def deflection(result: Result, task: TaskResult) -> style.Drawing:
    """The arm as a line with its deflection magnified, and the contribution of every joint at the tool point."""
    sag = task.deflection
    assert sag is not None  # the condition under which the figure is drawn
    points = np.array(task.skeleton) * 1e3
    before, after = np.array(sag.points_before), np.array(sag.points_after)
    size_before, size_after = (float(np.linalg.norm(shifts[-1])) for shifts in (before, after))
    largest = max(float(np.linalg.norm(shifts, axis=1).max()) for shifts in (before, after)) or 1.0
    factor = SEEN * float(np.ptp(points, axis=0).max()) / (1e3 * largest)
    across = 0 if np.ptp(points[:, 0]) >= np.ptp(points[:, 1]) else 1
    unit = unit_for([size_before, size_after])
    with style.style():
        out = style.Drawing(figsize=(7.2, 3.6), layout="constrained")
        side, bars = out.subplots(1, 2, width_ratios=(3, 2))
        for shifts, colour, label in (
            (np.zeros_like(before), "#222222", "commanded"),
            (before, style.COLOURS[1], "before compensation"),
            (after, style.COLOURS[0], "after compensation"),
        ):
            line = (points + 1e3 * factor * shifts)[:, [across, 2]]
            side.plot(*line.T, "o-", color=colour, markersize=4, linewidth=1.6, label=label)
        side.set(xlabel=f"{LETTERS[across]} [mm]", ylabel="z [mm]", aspect="equal")
        side.margins(0.15)
        side.legend(fontsize=8)
        rows = np.arange(len(sag.joints))
        for way, sizes, colour in (
            (-0.2, [joint.before for joint in sag.joints], style.COLOURS[1]),
            (0.2, [joint.after for joint in sag.joints], style.COLOURS[0]),
        ):
            lengths = np.linalg.norm(np.array(sizes), axis=1) * unit.factor
            bars.barh(rows + way, lengths, 0.38, color=colour)
            out.annotate(bars, lengths, rows + way, texts=[
                f"{joint.joint}: {length:.4g} {unit.name}" for joint, length in zip(sag.joints, lengths, strict=True)
            ])  # fmt: skip
        bars.set_yticks(rows, [style.label(joint.joint) for joint in sag.joints])
        bars.invert_yaxis()
        bars.set_xlabel(f"at the tool point [{unit.name}]")
        title = (
            f"{task.name}: gravity moves the tool point by {show(size_before)}, {show(size_after)} after compensation"
        )
        style.titled(out, title, 72)
        style.footnote(
            out, f"at {sag.pose}, the worst pose; deflections drawn {significant(factor, 2)} times too large"
        )
    return out
