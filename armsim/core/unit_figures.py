"""Accuracy and repeatability of built units in the limit of infinitely many visits, without drawing any visit.

A unit is one simulated arm with its own drawn error coefficients.

At a pose a unit has constant errors s; a visit adds errors v, of mean zero. With the symmetric distributions of visits

    mean over visits of F(s + v)  =  F(s) + 1/2 E[v^T F''(0) v]  +  terms of third order in s and v

so that the barycentre takes one exact evaluation and a constant of the pose (`sampling.visit_distribution`).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from armsim.core.compile import Floats, Indices, compiled, subroutine
from armsim.core.kernel_digest import LANES
from armsim.core.rows import copy_row
from armsim.core.screws import FRAME, SCREW, A, Axes, B, C, W, X, Y, Z, apply_unit_errors

UNIT_STATISTICS = 4
"""Statistics of a unit: AP and RP of position, AP and RP of orientation."""
SMALL_SINE = 0.03
"""Sine of half an angle up to which a series gives the angle: the first term omitted, 63 s^10 / 2816, is below
3e-17."""


class UnitErrors(NamedTuple):
    """Constant errors of units, at one pose: the same at every visit.

    coefficients : (unit coefficients, at least units rounded up to `LANES`)
        Drawn already; those past the last unit fill up the lanes and are not counted.
    coefficient, axis, value : (entries,)
        Entry i moves axis ``axis[i]`` by coefficient ``coefficient[i]`` times ``value[i]``, its shape at this pose.
    """

    coefficients: Floats
    coefficient: Indices
    axis: Indices
    value: Floats


class VisitEffect(NamedTuple):
    """Effect of the visits of a unit on its statistics at one pose.

    shift, rotation_shift : (3,) [m], [rad]
        Second-order shift of the mean over visits.
    tangent : (3,)
        Tangent of a path: AP is taken in the plane across it. Zero without a path.
    repeatability : (2,) [m], [rad]
        RP of position and orientation of a unit without constant errors.
    slope : (2, axes)
        Their derivatives by the constant errors of a unit.
    """

    shift: Floats
    rotation_shift: Floats
    tangent: Floats
    repeatability: Floats
    slope: Floats


@subroutine
def add_scaled(source: Floats, factor: float, target: Floats) -> None:
    """Add a multiple of a row of `LANES` to another."""
    for u in range(LANES):
        target[u] += source[u] * factor


@subroutine
def errors_on_axes(unit_errors: UnitErrors, start: int, axis_errors: Floats) -> None:
    """Constant errors on every axis of the `LANES` units from ``start`` on, shape (axes, LANES), written."""
    axis_errors[:] = 0.0
    for i in range(unit_errors.coefficient.shape[0]):
        add_scaled(
            unit_errors.coefficients[unit_errors.coefficient[i]][start : start + LANES],
            unit_errors.value[i],
            axis_errors[unit_errors.axis[i]],
        )


@subroutine
def rotation_angles(frame: Floats, angle: Floats, ratio: Floats) -> None:
    """Rotation angle of each frame, and its ratio to the quaternion's vector part: 2 asin, by series where small."""
    large = 0
    for u in range(LANES):
        a, b, c = frame[A + u], frame[B + u], frame[C + u]
        q = a * a + b * b + c * c
        k = 2.0 * (1.0 + q * (1.0 / 6.0 + q * (3.0 / 40.0 + q * (15.0 / 336.0 + q * (105.0 / 3456.0)))))
        ratio[u] = k
        angle[u] = k * math.sqrt(q)
        large += q > SMALL_SINE**2
    if large:
        for u in range(LANES):
            a, b, c, d = frame[A + u], frame[B + u], frame[C + u], frame[W + u]
            s = math.sqrt(a * a + b * b + c * c)
            angle[u] = 2.0 * math.atan2(s, abs(d))
            k = angle[u] / s if s > 0.0 else 2.0
            ratio[u] = k if d >= 0.0 else -k


@subroutine
def statistics_of_block(
    axis_errors: Floats,
    frame: Floats,
    effect: VisitEffect,
    angle: Floats,
    ratio: Floats,
    unit_statistics: Floats,
    centre: Floats,
) -> None:
    """Statistics of `LANES` units in the limit of infinitely many visits.

    Parameters
    ----------
    axis_errors : (axes, LANES)
        As `errors_on_axes` writes them.
    frame : (FRAME * LANES,)
        As `screws.apply_unit_errors` writes it.
    effect : VisitEffect
    angle, ratio : (LANES,), overwritten
    unit_statistics : (UNIT_STATISTICS, LANES), written
        AP: distance of the barycentre from the command [m], RP [m], and both of the rotation vector [rad].
    centre : (3, LANES) [m], written
        Mean attained minus commanded position.
    """
    rotation_angles(frame, angle, ratio)
    sx, sy, sz = effect.shift[0], effect.shift[1], effect.shift[2]
    _barycentres(frame, (sx, sy, sz), centre[0], centre[1], centre[2])
    tx, ty, tz = effect.tangent[0], effect.tangent[1], effect.tangent[2]
    _distances_across(centre[0], centre[1], centre[2], (tx, ty, tz), unit_statistics[0])
    ax, ay, az = effect.rotation_shift[0], effect.rotation_shift[1], effect.rotation_shift[2]
    _rotation_sizes(frame, ratio, (ax, ay, az), unit_statistics[2])
    for quantity in range(2):
        row = unit_statistics[1 + 2 * quantity]
        row[:] = effect.repeatability[quantity]
        for a in range(axis_errors.shape[0]):
            add_scaled(axis_errors[a], effect.slope[quantity, a], row)
        _clip_at_zero(row)


@subroutine
def _barycentres(frame: Floats, shift: tuple[float, float, float], x: Floats, y: Floats, z: Floats) -> None:
    for u in range(LANES):
        x[u] = frame[X + u] + shift[0]
        y[u] = frame[Y + u] + shift[1]
        z[u] = frame[Z + u] + shift[2]


@subroutine
def _distances_across(x: Floats, y: Floats, z: Floats, tangent: tuple[float, float, float], distance: Floats) -> None:
    for u in range(LANES):
        along = x[u] * tangent[0] + y[u] * tangent[1] + z[u] * tangent[2]
        distance[u] = math.sqrt(max(0.0, x[u] * x[u] + y[u] * y[u] + z[u] * z[u] - along * along))


@subroutine
def _rotation_sizes(frame: Floats, ratio: Floats, shift: tuple[float, float, float], out: Floats) -> None:
    for u in range(LANES):
        a = frame[A + u] * ratio[u] + shift[0]
        b = frame[B + u] * ratio[u] + shift[1]
        c = frame[C + u] * ratio[u] + shift[2]
        out[u] = math.sqrt(a * a + b * b + c * c)


@subroutine
def _clip_at_zero(row: Floats) -> None:
    for u in range(LANES):
        row[u] = max(row[u], 0.0)


@compiled
def evaluate_units(
    unit_errors: UnitErrors, axes: Axes, effect: VisitEffect, units: int, unit_statistics: Floats, barycentre: Floats
) -> None:
    """Statistics of units in the limit of infinitely many visits.

    Parameters
    ----------
    unit_errors : UnitErrors
    axes : Axes
    effect : VisitEffect
    units : int
    unit_statistics : (UNIT_STATISTICS, units), written
        As in `statistics_of_block`.
    barycentre : (3, units) [m], written
        Mean attained minus commanded position.
    """
    axis_errors, no_axes = np.empty((axes.direction.shape[0], LANES)), np.empty(0, dtype=np.int64)
    frame, half_angle, screws = np.empty(FRAME * LANES), np.empty(2 * LANES), np.empty((0, SCREW * LANES))
    angle, ratio, block_statistics, centre = (
        np.empty(LANES),
        np.empty(LANES),
        np.empty((UNIT_STATISTICS, LANES)),
        np.empty((3, LANES)),
    )
    for start in range(0, units, LANES):
        n = min(LANES, units - start)
        errors_on_axes(unit_errors, start, axis_errors)
        apply_unit_errors(axis_errors, axes, no_axes, screws, frame, half_angle)
        statistics_of_block(axis_errors, frame, effect, angle, ratio, block_statistics, centre)
        for i in range(UNIT_STATISTICS):
            copy_row(block_statistics[i], n, unit_statistics[i][start:])
        for i in range(3):
            copy_row(centre[i], n, barycentre[i][start:])
