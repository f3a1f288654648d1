"""Exact displacement of the tool by errors on the axes of a chain.

An error t on axis a turns (or shifts) everything beyond it about the axis at the nominal pose. So

    T(q + t) = exp(S_1 t_1) exp(S_2 t_2) ... exp(S_n t_n) T(q)

holds exactly, with S_a the screw of axis a in the base frame at q. An arm has the constant
errors s of its built unit and the errors v that every visit adds. The constant ones are moved to the end of the
product, once for all visits of the unit:

    T(q + s + v) = exp(S'_1 v_1) ... exp(S'_n v_n) C T(q),   C = exp(S_1 s_1) ... exp(S_n s_n),
    S'_a = the screw of axis a displaced by exp(S_1 s_1) ... exp(S_a s_a),

so that a visit takes only the axes that it moves, and C is the displacement by the unit alone. Applied to the tool
point, tool to base, with e the displacement so far, w the axis direction and J_a the column of the geometric Jacobian:

    v = J_a + w x e,   e <- e + sin(t) v + (1 - cos t) w x v      revolute, both from sine and cosine of t/2
    e <- e + t w                                                   prismatic

The displacement itself is carried, never a difference of two positions, so a 1e-12 rad error keeps all its digits.
C displaces the tool point by d and turns it by R; an axis that it moves has  w' = R w,  J' = R J - w' x d.

References
----------
.. [1] Murray, Li, Sastry, A Mathematical Introduction to Robotic Manipulation (1994), ch. 3: product of exponentials.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from armsim.core.compile import Flags, Floats, Indices, subroutine
from armsim.core.kernel_digest import LANES

SERIES_LIMIT = 0.06
"""Largest error for the power series [rad]: the first term left out, (t/2)^8 / 8! of the cosine, is 1.6e-17 there."""
FRAME = 7
"""Rows of a displaced frame: x, y, z [m]; the rotation as a unit quaternion in the base frame, scalar last."""
SCREW = 6
"""Rows of a screw: direction; column of the geometric Jacobian [m/rad or 1]."""

# Rows of LANES numbers lie in one array, the row at a multiple of LANES: loops of a length known to the compiler over
# one base vectorise without a check. Rotations lose no digits: the vector part of a quaternion carries a small
# rotation, the scalar part is known from it.
X, Y, Z, A, B, C, W = (row * LANES for row in range(FRAME))

Pair = tuple[float, float]
Triple = tuple[float, float, float]
Quadruple = tuple[float, float, float, float]


class Axes(NamedTuple):
    """The axes at one pose, base first.

    direction : (axes, 3)
        Unit vectors in the base frame at the nominal pose.
    column : (axes, 3) [m/rad or 1]
        Columns of the geometric Jacobian of the tool point.
    rotary : (axes,) bool
    """

    direction: Floats
    column: Floats
    rotary: Flags


@subroutine
def apply_unit_errors(
    axis_errors: Floats, axes: Axes, visit_axes: Indices, screws: Floats, frame: Floats, half_angle: Floats
) -> None:
    """Apply the constant errors of units to the tool frame, and to the axes that visits move.

    Parameters
    ----------
    axis_errors : (axes, LANES) [rad or m]
        Constant errors of the units on the axes.
    axes : Axes
    visit_axes : (visit axes,)
        Numbers of the axes that visits move, base first.
    screws : (visit axes, SCREW * LANES), written
        Screws of those axes, displaced by the errors.
    frame : (FRAME * LANES,), written
        Displacement of the tool frame.
    half_angle : (2 * LANES,), overwritten
        Sine and cosine of half the error on an axis.
    """
    frame[:] = 0.0
    frame[W:] = 1.0
    row = 0
    for a in range(axis_errors.shape[0]):
        w, j, t = axes.direction[a], axes.column[a], axis_errors[a]
        axis, column = (w[0], w[1], w[2]), (j[0], j[1], j[2])
        if axes.rotary[a]:
            half_angles(t, half_angle)
            _append_revolute(half_angle, axis, column, frame)
            if row < visit_axes.shape[0] and visit_axes[row] == a:
                _store_revolute_screw(frame, axis, column, screws[row])
                row += 1
        else:
            _append_prismatic(t, axis, frame)
            if row < visit_axes.shape[0] and visit_axes[row] == a:
                _store_prismatic_screw(frame, axis, screws[row])
                row += 1


@subroutine
def displace(errors: Floats, visit: int, screws: Floats, rotary: Flags, frame: Floats, half_angle: Floats) -> None:
    """Apply the errors of one visit in addition to the constant errors of the units.

    Parameters
    ----------
    errors : (visit axes, visits, LANES) [rad or m]
    visit : int
        Index of the visit.
    screws : (visit axes, SCREW * LANES)
        As `apply_unit_errors` writes them.
    rotary : (visit axes,) bool
    frame : (FRAME * LANES,)
        Displacement of the tool frame by the constant errors of the units; overwritten by that of all errors.
    half_angle : (2 * LANES,), overwritten
    """
    for a in range(errors.shape[0] - 1, -1, -1):
        t = errors[a, visit]
        if not rotary[a]:
            _apply_prismatic(t, screws[a], frame)
        else:
            half_angles(t, half_angle)
            _apply_revolute(half_angle, screws[a], frame)


@subroutine
def all_small(values: Floats) -> bool:
    """Whether the power series is accurate for a whole block. A count, as a count vectorises and a maximum does not."""
    large = 0
    for u in range(LANES):
        large += abs(values[u]) > SERIES_LIMIT
    return large == 0


@subroutine
def half_angles(t: Floats, half_angle: Floats) -> None:
    """Sine and cosine of half the errors, in two rows, by the power series if it is accurate for the whole block."""
    if all_small(t):
        for u in range(LANES):
            half_angle[u], half_angle[LANES + u] = _half_angle_by_series(t[u])
    else:
        for u in range(LANES):
            half_angle[u] = math.sin(0.5 * t[u])
            half_angle[LANES + u] = math.cos(0.5 * t[u])


@subroutine
def _half_angle_by_series(t: float) -> tuple[float, float]:
    h = 0.5 * t
    q = h * h
    sine = h * (1.0 - q * (1.0 / 6.0 - q * (1.0 / 120.0 - q * (1.0 / 5040.0))))
    return sine, 1.0 - q * (0.5 - q * (1.0 / 24.0 - q * (1.0 / 720.0)))


@subroutine
def _apply_prismatic(t: Floats, screw: Floats, frame: Floats) -> None:
    for u in range(LANES):
        frame[X + u] += t[u] * screw[X + u]
        frame[Y + u] += t[u] * screw[Y + u]
        frame[Z + u] += t[u] * screw[Z + u]


@subroutine
def _apply_revolute(half_angle: Floats, screw: Floats, frame: Floats) -> None:
    for u in range(LANES):
        w = screw[u], screw[LANES + u], screw[2 * LANES + u]
        j = screw[3 * LANES + u], screw[4 * LANES + u], screw[5 * LANES + u]
        e = frame[X + u], frame[Y + u], frame[Z + u]
        r = frame[A + u], frame[B + u], frame[C + u], frame[W + u]
        sine_cosine = half_angle[u], half_angle[LANES + u]
        frame[X + u], frame[Y + u], frame[Z + u] = _displace_point(sine_cosine, w, j, e)
        frame[A + u], frame[B + u], frame[C + u], frame[W + u] = _rotate_quaternion(sine_cosine, w, r)


@subroutine
def _displace_point(sine_cosine: Pair, w: Triple, j: Triple, e: Triple) -> Triple:
    s, v = 2.0 * sine_cosine[0] * sine_cosine[1], 2.0 * sine_cosine[0] * sine_cosine[0]
    x = j[0] + w[1] * e[2] - w[2] * e[1]
    y = j[1] + w[2] * e[0] - w[0] * e[2]
    z = j[2] + w[0] * e[1] - w[1] * e[0]
    return (
        e[0] + s * x + v * (w[1] * z - w[2] * y),
        e[1] + s * y + v * (w[2] * x - w[0] * z),
        e[2] + s * z + v * (w[0] * y - w[1] * x),
    )


@subroutine
def _rotate_quaternion(sine_cosine: Pair, w: Triple, r: Quadruple) -> Quadruple:
    c, x, y, z = sine_cosine[1], sine_cosine[0] * w[0], sine_cosine[0] * w[1], sine_cosine[0] * w[2]
    return (
        c * r[0] + r[3] * x + y * r[2] - z * r[1],
        c * r[1] + r[3] * y + z * r[0] - x * r[2],
        c * r[2] + r[3] * z + x * r[1] - y * r[0],
        c * r[3] - x * r[0] - y * r[1] - z * r[2],
    )


@subroutine
def _rotate_vector(a: float, b: float, c: float, d: float, v: Triple) -> Triple:
    """A vector rotated by a unit quaternion, as a sum whose second part is small where the rotation is."""
    x, y, z = v
    tx, ty, tz = 2.0 * (b * z - c * y), 2.0 * (c * x - a * z), 2.0 * (a * y - b * x)
    return x + d * tx + b * tz - c * ty, y + d * ty + c * tx - a * tz, z + d * tz + a * ty - b * tx


@subroutine
def _append_prismatic(t: Floats, axis: Triple, frame: Floats) -> None:
    for u in range(LANES):
        rx, ry, rz = _rotate_vector(frame[A + u], frame[B + u], frame[C + u], frame[W + u], axis)
        frame[X + u] += t[u] * rx
        frame[Y + u] += t[u] * ry
        frame[Z + u] += t[u] * rz


@subroutine
def _append_revolute(half_angle: Floats, axis: Triple, column: Triple, frame: Floats) -> None:
    """Append a revolute axis at the tool end of the product."""
    wx, wy, wz = axis
    jx, jy, jz = column
    kx, ky, kz = wy * jz - wz * jy, wz * jx - wx * jz, wx * jy - wy * jx
    for u in range(LANES):
        sh, ch = half_angle[u], half_angle[LANES + u]
        s, v = 2.0 * sh * ch, 2.0 * sh * sh
        a, b, c, d = frame[A + u], frame[B + u], frame[C + u], frame[W + u]
        dx, dy, dz = _rotate_vector(a, b, c, d, (s * jx + v * kx, s * jy + v * ky, s * jz + v * kz))
        frame[X + u] += dx
        frame[Y + u] += dy
        frame[Z + u] += dz
        qx, qy, qz = sh * wx, sh * wy, sh * wz
        frame[A + u] = ch * a + d * qx + b * qz - c * qy
        frame[B + u] = ch * b + d * qy + c * qx - a * qz
        frame[C + u] = ch * c + d * qz + a * qy - b * qx
        frame[W + u] = ch * d - qx * a - qy * b - qz * c


@subroutine
def _store_revolute_screw(frame: Floats, axis: Triple, column: Triple, screw: Floats) -> None:
    for u in range(LANES):
        x, y, z = frame[X + u], frame[Y + u], frame[Z + u]
        a, b, c, d = frame[A + u], frame[B + u], frame[C + u], frame[W + u]
        wx, wy, wz = _rotate_vector(a, b, c, d, axis)
        jx, jy, jz = _rotate_vector(a, b, c, d, column)
        screw[u], screw[LANES + u], screw[2 * LANES + u] = wx, wy, wz
        screw[3 * LANES + u] = jx - (wy * z - wz * y)
        screw[4 * LANES + u] = jy - (wz * x - wx * z)
        screw[5 * LANES + u] = jz - (wx * y - wy * x)


@subroutine
def _store_prismatic_screw(frame: Floats, axis: Triple, screw: Floats) -> None:
    for u in range(LANES):
        a, b, c, d = frame[A + u], frame[B + u], frame[C + u], frame[W + u]
        screw[u], screw[LANES + u], screw[2 * LANES + u] = _rotate_vector(a, b, c, d, axis)
