"""Exact displacement of the tool by errors on the axes of a chain.

An error t on axis a turns (or shifts) everything beyond it about the axis as it stands at the nominal pose. So

    T(q + t) = exp(S_1 t_1) exp(S_2 t_2) ... exp(S_n t_n) T(q)

holds exactly, with S_a the screw of axis a in the base frame at q. Applied to the tool point, tool to base, with
e the displacement so far, w the axis direction and J_a the column of the geometric Jacobian:

    v = J_a + w x e,   e <- e + sin(t) v + (1 - cos t) w x v      revolute, both from sine and cosine of t/2
    e <- e + t w                                                   prismatic

The displacement itself is carried, never a difference of two positions, so a 1e-12 rad error keeps all its digits.

References
----------
.. [1] Murray, Li, Sastry, A Mathematical Introduction to Robotic Manipulation (1994), ch. 3: product of exponentials.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from armsim.core.compile import Flags, Floats, compiled

SERIES_LIMIT = 0.06
"""Largest error for the power series [rad]: the first term left out, (t/2)^8 / 8! of the cosine, is 1.6e-17 there."""


@compiled
def all_small(values: Floats) -> bool:
    """Whether the power series serves a whole block. Counted, since a count vectorises and a maximum does not."""
    large = 0
    for u in range(values.shape[0]):
        large += abs(values[u]) > SERIES_LIMIT
    return large == 0


Triple = tuple[float, float, float]
Rows = tuple[Floats, Floats, Floats]


class Half(NamedTuple):
    """Sine and cosine of half the error of one axis, each of shape (lanes,)."""

    sine: Floats
    cosine: Floats


@compiled
def displace_points(
    errors: Floats, direction: Floats, column: Floats, rotary: Flags, e: Floats, scratch: Floats
) -> None:
    """Displacement of the tool point, position only.

    Parameters
    ----------
    errors : (axes, lanes) [rad or m]
    direction : (axes, 3)
        Unit vectors of the axes in the base frame at the nominal pose.
    column : (axes, 3)
        Columns of the geometric Jacobian of the tool point at the nominal pose. [m/rad or 1]
    rotary : (axes,) bool
    e : (3, lanes) [m], written
    scratch : (2, lanes), overwritten
    """
    e[:] = 0.0
    half = Half(scratch[0], scratch[1])
    for a in range(errors.shape[0] - 1, -1, -1):
        w, j, t = direction[a], column[a], errors[a]
        if not rotary[a]:
            _shift(t, (w[0], w[1], w[2]), (e[0], e[1], e[2]))
            continue
        _halves(t, half)
        _turn(half, (w[0], w[1], w[2]), (j[0], j[1], j[2]), (e[0], e[1], e[2]))


@compiled
def displace_frames(
    errors: Floats, direction: Floats, column: Floats, rotary: Flags, e: Floats, r: Floats, scratch: Floats
) -> None:
    """Displacement of the tool frame: position and orientation.

    Parameters
    ----------
    errors, direction, column, rotary, e, scratch
        As in `displace_points`.
    r : (4, lanes), written
        Rotation error as a unit quaternion in the base frame, scalar last. The vector part carries a small rotation
        with all its digits; the scalar part is known from it.
    """
    e[:] = 0.0
    r[:3] = 0.0
    r[3] = 1.0
    half = Half(scratch[0], scratch[1])
    for a in range(errors.shape[0] - 1, -1, -1):
        w, j, t = direction[a], column[a], errors[a]
        if not rotary[a]:
            _shift(t, (w[0], w[1], w[2]), (e[0], e[1], e[2]))
            continue
        _halves(t, half)
        _turn(half, (w[0], w[1], w[2]), (j[0], j[1], j[2]), (e[0], e[1], e[2]))
        _rotate(half, (w[0], w[1], w[2]), (r[0], r[1], r[2], r[3]))


# Loops over the lanes, each a function of its own with scalars for the axis: in this form they all vectorise.
# Everything is read before anything is written.


@compiled
def _shift(t: Floats, along: Triple, e: Rows) -> None:
    wx, wy, wz = along
    ex, ey, ez = e
    for u in range(t.shape[0]):
        ex[u] += t[u] * wx
        ey[u] += t[u] * wy
        ez[u] += t[u] * wz


@compiled
def _halves(t: Floats, half: Half) -> None:
    """Sine and cosine of half the errors: by power series where it serves the whole block."""
    sine, cosine = half.sine, half.cosine
    if all_small(t):
        _halves_by_series(t, sine, cosine)
    else:
        for u in range(t.shape[0]):
            sine[u] = math.sin(0.5 * t[u])
            cosine[u] = math.cos(0.5 * t[u])


@compiled
def _halves_by_series(t: Floats, sine: Floats, cosine: Floats) -> None:
    for u in range(t.shape[0]):
        h = 0.5 * t[u]
        h2 = h * h
        sine[u] = h * (1.0 - h2 * (1.0 / 6.0 - h2 * (1.0 / 120.0 - h2 * (1.0 / 5040.0))))
        cosine[u] = 1.0 - h2 * (0.5 - h2 * (1.0 / 24.0 - h2 * (1.0 / 720.0)))


@compiled
def _turn(half: Half, about: Triple, column: Triple, e: Rows) -> None:
    sine, cosine = half.sine, half.cosine
    wx, wy, wz = about
    jx, jy, jz = column
    ex, ey, ez = e
    for u in range(sine.shape[0]):
        sh, ch = sine[u], cosine[u]
        s = 2.0 * sh * ch
        c = 2.0 * sh * sh
        x, y, z = ex[u], ey[u], ez[u]
        vx = jx + wy * z - wz * y
        vy = jy + wz * x - wx * z
        vz = jz + wx * y - wy * x
        ux = wy * vz - wz * vy
        uy = wz * vx - wx * vz
        uz = wx * vy - wy * vx
        ex[u] = x + s * vx + c * ux
        ey[u] = y + s * vy + c * uy
        ez[u] = z + s * vz + c * uz


@compiled
def _rotate(half: Half, about: Triple, r: tuple[Floats, Floats, Floats, Floats]) -> None:
    sine, cosine = half.sine, half.cosine
    wx, wy, wz = about
    rx, ry, rz, rw = r
    for u in range(sine.shape[0]):
        sh, ch = sine[u], cosine[u]
        qx, qy, qz = sh * wx, sh * wy, sh * wz
        x, y, z, w = rx[u], ry[u], rz[u], rw[u]
        px = ch * x + w * qx + qy * z - qz * y
        py = ch * y + w * qy + qz * x - qx * z
        pz = ch * z + w * qz + qx * y - qy * x
        pw = ch * w - qx * x - qy * y - qz * z
        rx[u] = px
        ry[u] = py
        rz[u] = pz
        rw[u] = pw
