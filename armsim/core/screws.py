"""Exact displacement of the tool by errors on the axes of a chain.

An error t on axis a turns (or shifts) everything beyond it about the axis as it stands at the nominal pose. So

    T(q + t) = exp(S_1 t_1) exp(S_2 t_2) ... exp(S_n t_n) T(q)

holds exactly, with S_a the screw of axis a in the base frame at q. Applied to the tool point, tool to base, with
e the displacement so far, w the axis direction and J_a the column of the geometric Jacobian:

    v = J_a + w x e,   e <- e + sin(t) v + (1 - cos t) w x v      revolute
    e <- e + t w                                                   prismatic

The displacement itself is carried, never a difference of two positions, so a 1e-12 rad error keeps all its digits.

References
----------
.. [1] Murray, Li, Sastry, A Mathematical Introduction to Robotic Manipulation (1994), ch. 3: product of exponentials.
"""

from __future__ import annotations

import math

from armsim.core.compile import Flags, Floats, compiled

SERIES_LIMIT = 0.05
"""Largest error for the power series [rad]: the first term left out, t^8 / 9! of the sine, is 1.1e-16 of it there."""


@compiled
def largest(values: Floats) -> float:
    """Largest absolute value of a block."""
    top = 0.0
    for u in range(values.shape[0]):
        top = max(top, abs(values[u]))
    return top


@compiled
def displace_points(errors: Floats, direction: Floats, column: Floats, rotary: Flags, e: Floats) -> None:
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
    """
    lanes = errors.shape[1]
    ex = e[0]
    ey = e[1]
    ez = e[2]
    for u in range(lanes):
        ex[u] = 0.0
        ey[u] = 0.0
        ez[u] = 0.0
    for a in range(errors.shape[0] - 1, -1, -1):
        wx, wy, wz = direction[a, 0], direction[a, 1], direction[a, 2]
        jx, jy, jz = column[a, 0], column[a, 1], column[a, 2]
        t = errors[a]
        if not rotary[a]:
            for u in range(lanes):
                ex[u] += t[u] * wx
                ey[u] += t[u] * wy
                ez[u] += t[u] * wz
        elif largest(t) < SERIES_LIMIT:
            for u in range(lanes):
                t2 = t[u] * t[u]
                s = t[u] * (1.0 - t2 * (1.0 / 6.0 - t2 * (1.0 / 120.0 - t2 * (1.0 / 5040.0))))
                c = t2 * (0.5 - t2 * (1.0 / 24.0 - t2 * (1.0 / 720.0 - t2 * (1.0 / 40320.0))))
                vx = jx + wy * ez[u] - wz * ey[u]
                vy = jy + wz * ex[u] - wx * ez[u]
                vz = jz + wx * ey[u] - wy * ex[u]
                ex[u] += s * vx + c * (wy * vz - wz * vy)
                ey[u] += s * vy + c * (wz * vx - wx * vz)
                ez[u] += s * vz + c * (wx * vy - wy * vx)
        else:
            for u in range(lanes):
                h = math.sin(0.5 * t[u])
                s = math.sin(t[u])
                c = 2.0 * h * h
                vx = jx + wy * ez[u] - wz * ey[u]
                vy = jy + wz * ex[u] - wx * ez[u]
                vz = jz + wx * ey[u] - wy * ex[u]
                ex[u] += s * vx + c * (wy * vz - wz * vy)
                ey[u] += s * vy + c * (wz * vx - wx * vz)
                ez[u] += s * vz + c * (wx * vy - wy * vx)


@compiled
def displace_frames(
    errors: Floats, direction: Floats, column: Floats, rotary: Flags, e: Floats, r: Floats, scratch: Floats
) -> None:
    """Displacement of the tool frame: position and orientation.

    Parameters
    ----------
    errors, direction, column, rotary, e
        As in `displace_points`.
    r : (4, lanes), written
        Rotation error as a unit quaternion in the base frame, scalar last. The vector part carries a small rotation
        with all its digits; the scalar part is known from it.
    scratch : (2, lanes), overwritten
    """
    lanes = errors.shape[1]
    ex, ey, ez = e[0], e[1], e[2]
    rx, ry, rz, rw = r[0], r[1], r[2], r[3]
    sine, cosine = scratch[0], scratch[1]
    for u in range(lanes):
        ex[u] = 0.0
        ey[u] = 0.0
        ez[u] = 0.0
        rx[u] = 0.0
        ry[u] = 0.0
        rz[u] = 0.0
        rw[u] = 1.0
    for a in range(errors.shape[0] - 1, -1, -1):
        wx, wy, wz = direction[a, 0], direction[a, 1], direction[a, 2]
        jx, jy, jz = column[a, 0], column[a, 1], column[a, 2]
        t = errors[a]
        if not rotary[a]:
            for u in range(lanes):
                ex[u] += t[u] * wx
                ey[u] += t[u] * wy
                ez[u] += t[u] * wz
            continue
        if largest(t) < SERIES_LIMIT:
            for u in range(lanes):
                h = 0.5 * t[u]
                h2 = h * h
                sine[u] = h * (1.0 - h2 * (1.0 / 6.0 - h2 * (1.0 / 120.0 - h2 * (1.0 / 5040.0))))
                cosine[u] = 1.0 - h2 * (0.5 - h2 * (1.0 / 24.0 - h2 * (1.0 / 720.0)))
        else:
            for u in range(lanes):
                sine[u] = math.sin(0.5 * t[u])
                cosine[u] = math.cos(0.5 * t[u])
        for u in range(lanes):
            sh = sine[u]
            ch = cosine[u]
            s = 2.0 * sh * ch
            c = 2.0 * sh * sh
            vx = jx + wy * ez[u] - wz * ey[u]
            vy = jy + wz * ex[u] - wx * ez[u]
            vz = jz + wx * ey[u] - wy * ex[u]
            ex[u] += s * vx + c * (wy * vz - wz * vy)
            ey[u] += s * vy + c * (wz * vx - wx * vz)
            ez[u] += s * vz + c * (wx * vy - wy * vx)
        for u in range(lanes):
            ch = cosine[u]
            qx = sine[u] * wx
            qy = sine[u] * wy
            qz = sine[u] * wz
            x, y, z, w = rx[u], ry[u], rz[u], rw[u]
            rx[u] = ch * x + w * qx + qy * z - qz * y
            ry[u] = ch * y + w * qy + qz * x - qx * z
            rz[u] = ch * z + w * qz + qx * y - qy * x
            rw[u] = ch * w - qx * x - qy * y - qz * z
