"""What every built unit has by itself, without a visit being drawn: where it stands on the average of its visits.

A unit at a pose carries the errors that it keeps, s; a visit adds v, of mean zero. With the symmetric laws of visits

    mean over visits of F(s + v)  =  F(s) + 1/2 E[v^T F''(0) v]  +  terms of third order in s and v

so that the barycentre takes one exact evaluation and a constant of the pose (`engine.visitlaw`).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from armsim.core.compile import Flags, Floats, Indices, compiled
from armsim.core.screws import displace_frames
from armsim.core.sources import LANES

ATTAINED = 4
"""Figures of a unit: AP and RP of position, AP and RP of orientation."""


class Kept(NamedTuple):
    """Errors that units keep, at one pose.

    coefficients : (unit coefficients, at least units rounded up to `LANES`)
        Already drawn; those past the last unit are carried along and not counted.
    number, axis, value : (entries,)
        Entry i moves axis ``axis[i]`` by coefficient ``number[i]`` times ``value[i]``, its shape at this pose.
    """

    coefficients: Floats
    number: Indices
    axis: Indices
    value: Floats


class Axes(NamedTuple):
    """The axes at one pose, base first.

    direction : (axes, 3)
    column : (axes, 3) [m/rad or 1]
        Of the geometric Jacobian of the tool point.
    rotary : (axes,) bool
    """

    direction: Floats
    column: Floats
    rotary: Flags


class VisitEffect(NamedTuple):
    """What the visits of a unit do to its figures at one pose.

    shift, turn_shift : (3,) [m], [rad]
        Of the mean over visits, of second order.
    tangent : (3,)
        Of a path: AP is taken in the plane across it. Zero without a path.
    repeatability : (2,) [m], [rad]
        RP of position and orientation of a unit without errors of its own.
    slope : (2, axes)
        How they change with the errors that a unit keeps, to first order.
    """

    shift: Floats
    turn_shift: Floats
    tangent: Floats
    repeatability: Floats
    slope: Floats


@compiled
def add_scaled(source: Floats, factor: float, target: Floats) -> None:
    """Add a multiple of a row to another."""
    for u in range(source.shape[0]):
        target[u] += source[u] * factor


@compiled
def stand(kept: Kept, start: int, standing: Floats) -> None:
    """Errors on every axis of the `LANES` units from ``start`` on, shape (axes, LANES), written."""
    standing[:] = 0.0
    for i in range(kept.number.shape[0]):
        add_scaled(kept.coefficients[kept.number[i]][start : start + LANES], kept.value[i], standing[kept.axis[i]])


@compiled
def rotation_angles(r: Floats, out: Floats, ratio: Floats) -> None:
    """Angle of a rotation from its quaternion, and rotation vector over vector part: 2 asin, by series where small."""
    x, y, z, w = r[0], r[1], r[2], r[3]
    large = 0
    for u in range(out.shape[0]):
        s2 = x[u] * x[u] + y[u] * y[u] + z[u] * z[u]
        # asin: what is left out, 63 s^10 / 2816, is below 3e-17 where s < 0.03
        k = 2.0 * (1.0 + s2 * (1.0 / 6.0 + s2 * (3.0 / 40.0 + s2 * (15.0 / 336.0 + s2 * (105.0 / 3456.0)))))
        ratio[u] = k
        out[u] = k * math.sqrt(s2)
        large += s2 > 0.0009
    if large:
        for u in range(out.shape[0]):
            s = math.sqrt(x[u] * x[u] + y[u] * y[u] + z[u] * z[u])
            out[u] = 2.0 * math.atan2(s, abs(w[u]))
            k = out[u] / s if s > 0.0 else 2.0
            ratio[u] = k if w[u] >= 0.0 else -k


@compiled
def attain_units(kept: Kept, axes: Axes, effect: VisitEffect, units: int, figures: Floats, barycentre: Floats) -> None:
    """Figures of units over visits without number.

    Parameters
    ----------
    kept : Kept
    axes : Axes
    effect : VisitEffect
    units : int
    figures : (ATTAINED, units), written
        AP: distance of the barycentre from the command [m], RP [m], and both of the rotation vector [rad].
    barycentre : (3, units) [m], written
        Mean attained less commanded position.
    """
    standing = np.empty((axes.direction.shape[0], LANES))
    e, r, scratch = np.empty((3, LANES)), np.empty((4, LANES)), np.empty((2, LANES))
    angle, ratio = np.empty(LANES), np.empty(LANES)
    tx, ty, tz = effect.tangent[0], effect.tangent[1], effect.tangent[2]
    for start in range(0, units, LANES):
        n = min(LANES, units - start)
        stand(kept, start, standing)
        displace_frames(standing, axes.direction, axes.column, axes.rotary, e, r, scratch)
        rotation_angles(r, angle, ratio)
        for u in range(n):
            x, y, z = e[0, u] + effect.shift[0], e[1, u] + effect.shift[1], e[2, u] + effect.shift[2]
            barycentre[0, start + u] = x
            barycentre[1, start + u] = y
            barycentre[2, start + u] = z
            along = x * tx + y * ty + z * tz
            figures[0, start + u] = math.sqrt(max(0.0, x * x + y * y + z * z - along * along))
            a = r[0, u] * ratio[u] + effect.turn_shift[0]
            b = r[1, u] * ratio[u] + effect.turn_shift[1]
            c = r[2, u] * ratio[u] + effect.turn_shift[2]
            figures[2, start + u] = math.sqrt(a * a + b * b + c * c)
        for which in range(2):
            row = figures[1 + 2 * which]
            for u in range(n):
                row[start + u] = effect.repeatability[which]
            for a in range(standing.shape[0]):
                add_scaled(standing[a][:n], effect.slope[which, a], row[start : start + n])
            for u in range(n):
                row[start + u] = max(row[start + u], 0.0)
