"""Exact displacement of the tool point of an arm with given parameters, and its derivatives by the axes."""

from __future__ import annotations

import numpy as np

from armsim.core.compile import Floats, Indices, compiled, subroutine
from armsim.core.kernel_digest import LANES
from armsim.core.screws import FRAME, SCREW, Axes, X, Y, Z, apply_unit_errors
from armsim.core.unit_figures import UnitErrors, errors_on_axes


@compiled
def displace_units(
    unit_errors: UnitErrors, axes: Axes, derivative_axes: Indices, units: int, displacement: Floats, columns: Floats
) -> None:
    """Displacement of the tool point by the constant errors of units, and its derivatives by axes.

    With S' the screws of `screws.apply_unit_errors` and d the displacement by all axes, dd/dt_a = J'_a + w'_a x d on a
    revolute axis, w'_a on a prismatic one.

    Parameters
    ----------
    unit_errors : UnitErrors
    axes : Axes
    derivative_axes : (derivative axes,)
        Axes of the derivatives, base first.
    units : int
    displacement : (units, 3) [m], written
    columns : (units, derivative axes, 3) [m/rad or 1], written
    """
    axis_errors = np.empty((axes.direction.shape[0], LANES))
    frame, half_angle = np.empty(FRAME * LANES), np.empty(2 * LANES)
    screws = np.empty((derivative_axes.shape[0], SCREW * LANES))
    for start in range(0, units, LANES):
        n = min(LANES, units - start)
        errors_on_axes(unit_errors, start, axis_errors)
        apply_unit_errors(axis_errors, axes, derivative_axes, screws, frame, half_angle)
        for u in range(n):
            for row, first in enumerate((X, Y, Z)):
                displacement[start + u, row] = frame[first + u]
        for m in range(derivative_axes.shape[0]):
            _columns(screws[m], axes.rotary[derivative_axes[m]], frame, n, columns[start : start + n, m])


@subroutine
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
