"""Residual of a pose at joint positions: the frame that a chain reaches, its Jacobian, and the error of the pose."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import types

from armsim.core.compile import Flags, Floats, Indices, subroutine
from armsim.core.separate import separate

FREE, DIRECTION, FULL = 0, 1, 2
"""Constraint on the orientation: none, the direction of the z axis of the tool, or all of it."""


class Chain(NamedTuple):
    """Elementary motions, base first.

    direction : (motions, 3)
        Unit vectors, each in the frame that the motions before it have reached.
    rotary : (motions,) bool
    value : (motions,) [rad or m]
    joint : (motions,)
        Number of the joint that moves it, -1 where none does; the number of joints and more for followers.
    factors : (followers, joints)
        Motion of each follower per motion of each joint.
    size : float
        Length by which positions are measured against angles. [m]
    """

    direction: Floats
    rotary: Flags
    value: Floats
    joint: Indices
    factors: Floats
    size: float


class Target(NamedTuple):
    """Commanded pose of the tool.

    position : (3,) [m]
    rotation : (3, 3)
    constraint : int
        `FREE`, `DIRECTION` (the third column of the rotation counts) or `FULL`.
    """

    position: Floats
    rotation: Floats
    constraint: int


class Buffers(NamedTuple):
    """Working memory of one descent.

    frame : (3, 4), turn : (3, 3)
        Pose reached so far along the chain [m], and one rotation.
    axis : (joints + followers, 3), origin : (joints + followers, 3) [m]
        Axis and origin of each joint and follower in the base frame.
    jacobian : (joints + followers, 6) [m and rad, over the scale of the joint]
    error : (6,) [m over the size, rad]
        Residual of the pose.
    matrix : (6, 6)
        Normal equations.
    step, wish, best : (joints,) [rad or m]
        Motion of a step, towards the reference, and the best positions so far.
    fixed : (joints,) bool
        Joints set on an end of their range.
    """

    frame: Floats
    turn: Floats
    axis: Floats
    origin: Floats
    jacobian: Floats
    error: Floats
    matrix: Floats
    step: Floats
    wish: Floats
    best: Floats
    fixed: Flags


def residual_examples() -> tuple[Chain, Target, Buffers]:
    """Arguments of the types that kernels take."""
    row, table, flags = np.empty(1), np.empty((1, 1)), np.empty(1, dtype=bool)
    return (
        Chain(table, flags, row, np.empty(1, dtype=np.int64), table, 1.0),
        Target(row, table, 0),
        Buffers(table, table, table, table, table, row, table, row, row, row, flags),
    )


@separate(lambda: (*residual_examples()[:2], np.empty(1), residual_examples()[2]), types.float64)
def evaluate(chain: Chain, target: Target, q: Floats, buffers: Buffers) -> float:
    """Evaluate frame, Jacobian and scaled error at joint positions into the buffers; returns the error. [m and rad]"""
    frame, turn, joints = buffers.frame, buffers.turn, q.shape[0]
    frame[:] = 0.0
    frame[0, 0] = frame[1, 1] = frame[2, 2] = 1.0
    for m in range(chain.value.shape[0]):
        j = chain.joint[m]
        value = chain.value[m]
        if 0 <= j < joints:
            value += q[j]
        elif j >= joints:
            for k in range(joints):
                value += chain.factors[j - joints, k] * q[k]
        x, y, z = chain.direction[m, 0], chain.direction[m, 1], chain.direction[m, 2]
        if j >= 0:
            for i in range(3):
                buffers.axis[j, i] = frame[i, 0] * x + frame[i, 1] * y + frame[i, 2] * z
                buffers.origin[j, i] = frame[i, 3]
            buffers.jacobian[j, 3] = 1.0 if chain.rotary[m] else 0.0
        if chain.rotary[m]:
            if value != 0.0:
                _turn_about(frame, turn, x, y, z, value)
        else:
            for i in range(3):
                frame[i, 3] += (frame[i, 0] * x + frame[i, 1] * y + frame[i, 2] * z) * value
    for j in range(joints + chain.factors.shape[0]):
        w, o, jacobian = buffers.axis[j], buffers.origin[j], buffers.jacobian[j]
        if jacobian[3] != 0.0:
            dx, dy, dz = frame[0, 3] - o[0], frame[1, 3] - o[1], frame[2, 3] - o[2]
            jacobian[0] = (w[1] * dz - w[2] * dy) / chain.size
            jacobian[1] = (w[2] * dx - w[0] * dz) / chain.size
            jacobian[2] = (w[0] * dy - w[1] * dx) / chain.size
            for i in range(3):
                jacobian[3 + i] = w[i]
        else:
            for i in range(3):
                jacobian[i] = w[i] / chain.size
                jacobian[3 + i] = 0.0
    for f in range(chain.factors.shape[0]):  # what follows a joint moves the tool with it
        for j in range(joints):
            for i in range(6):
                buffers.jacobian[j, i] += chain.factors[f, j] * buffers.jacobian[joints + f, i]
    error = buffers.error
    miss = 0.0
    for i in range(3):
        gap = target.position[i] - frame[i, 3]
        miss = max(miss, abs(gap))
        error[i] = gap / chain.size
        error[3 + i] = 0.0
    if target.constraint == DIRECTION:
        _direction_error(frame, target.rotation, error)
        a, b, c = frame[0, 2], frame[1, 2], frame[2, 2]
        for j in range(joints):
            about = buffers.jacobian[j, 3] * a + buffers.jacobian[j, 4] * b + buffers.jacobian[j, 5] * c
            buffers.jacobian[j, 3] -= about * a
            buffers.jacobian[j, 4] -= about * b
            buffers.jacobian[j, 5] -= about * c
    elif target.constraint == FULL:
        _rotation_error(frame, target.rotation, error)
    else:
        for j in range(joints):
            for i in range(3):
                buffers.jacobian[j, 3 + i] = 0.0
    for i in range(3):
        miss = max(miss, abs(error[3 + i]))
    return miss


@subroutine
def _turn_about(frame: Floats, turn: Floats, x: float, y: float, z: float, angle: float) -> None:
    s, c = math.sin(angle), math.cos(angle)
    v = 1.0 - c
    turn[0, 0], turn[0, 1], turn[0, 2] = c + x * x * v, x * y * v - z * s, x * z * v + y * s
    turn[1, 0], turn[1, 1], turn[1, 2] = y * x * v + z * s, c + y * y * v, y * z * v - x * s
    turn[2, 0], turn[2, 1], turn[2, 2] = z * x * v - y * s, z * y * v + x * s, c + z * z * v
    for i in range(3):
        a, b, d = frame[i, 0], frame[i, 1], frame[i, 2]
        for k in range(3):
            frame[i, k] = a * turn[0, k] + b * turn[1, k] + d * turn[2, k]


@subroutine
def _direction_error(frame: Floats, rotation: Floats, error: Floats) -> None:
    """Rotation vector that aligns the z axis of the tool with that of the target."""
    a, b, c = frame[0, 2], frame[1, 2], frame[2, 2]
    x, y, z = rotation[0, 2], rotation[1, 2], rotation[2, 2]
    u, v, w = b * z - c * y, c * x - a * z, a * y - b * x
    sine, cosine = math.sqrt(u * u + v * v + w * w), a * x + b * y + c * z
    if sine < 1e-9 and cosine < 0.0:  # straight away from it: turn about any axis across
        u, v, w = frame[0, 0], frame[1, 0], frame[2, 0]
        factor = math.pi
    else:
        factor = math.atan2(sine, cosine) / sine if sine > 1e-9 else 1.0
    error[3], error[4], error[5] = u * factor, v * factor, w * factor


@subroutine
def _rotation_error(frame: Floats, rotation: Floats, error: Floats) -> None:
    """Rotation vector from the orientation of the frame to that of the target."""
    r = np.empty((3, 3))
    for i in range(3):
        for k in range(3):
            r[i, k] = rotation[i, 0] * frame[k, 0] + rotation[i, 1] * frame[k, 1] + rotation[i, 2] * frame[k, 2]
    x, y, z = 0.5 * (r[2, 1] - r[1, 2]), 0.5 * (r[0, 2] - r[2, 0]), 0.5 * (r[1, 0] - r[0, 1])
    sine, cosine = math.sqrt(x * x + y * y + z * z), 0.5 * (r[0, 0] + r[1, 1] + r[2, 2] - 1.0)
    if sine < 1e-6 and cosine < 0.0:  # half a turn: its axis is the longest column of r + 1
        k = 0
        for i in range(1, 3):
            if r[i, i] > r[k, k]:
                k = i
        length = math.sqrt(2.0 * (1.0 + r[k, k]))
        for i in range(3):
            error[3 + i] = math.pi * (r[i, k] + (1.0 if i == k else 0.0)) / length
        return
    factor = math.atan2(sine, cosine) / sine if sine > 1e-9 else 1.0
    error[3], error[4], error[5] = x * factor, y * factor, z * factor
