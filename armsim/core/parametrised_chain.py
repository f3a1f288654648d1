"""Where the tool point of an arm with given parameters is, and how it moves with each of its axes, exactly."""

from __future__ import annotations

import numpy as np

from armsim.core.compile import Floats, Indices, compiled
from armsim.core.kernel_digest import LANES
from armsim.core.screws import FRAME, SCREW, Axes, X, Y, Z, settle
from armsim.core.unit_figures import Kept, stand


@compiled
def place_units(kept: Kept, axes: Axes, moving: Indices, units: int, displacement: Floats, columns: Floats) -> None:
    """Displacement of the tool point by what units keep, and its derivative by every axis.

    With S' the screws of `screws.settle` and d the displacement by all axes: dd/dt_a = J'_a + w'_a x d where the axis
    turns, w'_a where it slides.

    Parameters
    ----------
    kept : Kept
    axes : Axes
    moving : (moving axes,)
        Axes whose derivatives are asked for, base first.
    units : int
    displacement : (units, 3) [m], written
    columns : (units, moving axes, 3) [m/rad or 1], written
    """
    standing = np.empty((axes.direction.shape[0], LANES))
    frame, half = np.empty(FRAME * LANES), np.empty(2 * LANES)
    screws = np.empty((moving.shape[0], SCREW * LANES))
    for start in range(0, units, LANES):
        n = min(LANES, units - start)
        stand(kept, start, standing)
        settle(standing, axes, moving, screws, frame, half)
        for u in range(n):
            for row, first in enumerate((X, Y, Z)):
                displacement[start + u, row] = frame[first + u]
        for m in range(moving.shape[0]):
            _columns(screws[m], axes.rotary[moving[m]], frame, n, columns[start : start + n, m])


@compiled
def _columns(screw: Floats, rotary: bool, frame: Floats, n: int, out: Floats) -> None:
    for u in range(n):
        wx, wy, wz = screw[u], screw[LANES + u], screw[2 * LANES + u]
        if rotary:
            dx, dy, dz = frame[X + u], frame[Y + u], frame[Z + u]
            out[u, 0] = screw[3 * LANES + u] + wy * dz - wz * dy
            out[u, 1] = screw[4 * LANES + u] + wz * dx - wx * dz
            out[u, 2] = screw[5 * LANES + u] + wx * dy - wy * dx
        else:
            out[u, 0], out[u, 1], out[u, 2] = wx, wy, wz
