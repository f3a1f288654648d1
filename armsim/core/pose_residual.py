"""Residual of a pose at joint positions: the frame that a chain reaches, its Jacobian, and the error of the pose."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import types

from armsim.core.compile import Flags, Floats, Indices, subroutine
from armsim.core.function_addresses import call_by_address

FREE, DIRECTION, FULL = 0, 1, 2
"""Constraint on the orientation: none, the direction of the z axis of the tool, or all of it."""


class Chain(NamedTuple):
    """Elementary motions, base first.

    direction : (motions, 3)
        Unit vectors, each in the frame that the motions before it have reached.
    rotary : (motions,) bool
    value : (motions,) [rad or m]
    joint : (motions,)
        Index of the joint that moves it, -1 for none; indices from the number of joints on are followers.
    factors : (followers, joints)
        Motion of each follower per motion of each joint.
    length_scale : float
        Length that counts as much as one radian where positions and angles are compared. [m]
    """

    direction: Floats
    rotary: Flags
    value: Floats
    joint: Indices
    factors: Floats
    length_scale: float


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

    frame : (3, 4), rotation : (3, 3)
        Pose reached so far along the chain [m], and one rotation.
    axis : (joints + followers, 3), origin : (joints + followers, 3) [m]
        Axis and origin of each joint and follower in the base frame.
    jacobian : (joints + followers, 6) [m and rad, over the scale of the joint]
    error : (6,) [m over the length scale, rad]
        Residual of the pose.
    matrix : (6, 6)
        Normal equations.
    step, reference_step, best : (joints,) [rad or m]
        Motion of a step, the motion towards the reference posture, and the best positions so far.
    fixed : (joints,) bool
        Joints held at an end of their range.
    """

    frame: Floats
    rotation: Floats
    axis: Floats
    origin: Floats
    jacobian: Floats
    error: Floats
    matrix: Floats
    step: Floats
    reference_step: Floats
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


@call_by_address(lambda: (*residual_examples()[:2], np.empty(1), residual_examples()[2]), types.float64)
def evaluate(chain: Chain, target: Target, q: Floats, buffers: Buffers) -> float:
    """Evaluate frame, Jacobian and scaled error at joint positions into the buffers; returns the error. [m and rad]"""
    frame, rotation, joints = buffers.frame, buffers.rotation, q.shape[0]
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
                _rotate_about(frame, rotation, x, y, z, value)
        else:
            for i in range(3):
                frame[i, 3] += (frame[i, 0] * x + frame[i, 1] * y + frame[i, 2] * z) * value
    for j in range(joints + chain.factors.shape[0]):
        w, o, jacobian = buffers.axis[j], buffers.origin[j], buffers.jacobian[j]
        if jacobian[3] != 0.0:
            dx, dy, dz = frame[0, 3] - o[0], frame[1, 3] - o[1], frame[2, 3] - o[2]
            jacobian[0] = (w[1] * dz - w[2] * dy) / chain.length_scale
            jacobian[1] = (w[2] * dx - w[0] * dz) / chain.length_scale
            jacobian[2] = (w[0] * dy - w[1] * dx) / chain.length_scale
            for i in range(3):
                jacobian[3 + i] = w[i]
        else:
            for i in range(3):
                jacobian[i] = w[i] / chain.length_scale
                jacobian[3 + i] = 0.0
    for f in range(chain.factors.shape[0]):  # a follower moves the tool together with its joint
        for j in range(joints):
            for i in range(6):
                buffers.jacobian[j, i] += chain.factors[f, j] * buffers.jacobian[joints + f, i]
    error = buffers.error
    pose_error = 0.0
    for i in range(3):
        difference = target.position[i] - frame[i, 3]
        pose_error = max(pose_error, abs(difference))
        error[i] = difference / chain.length_scale
        error[3 + i] = 0.0
    if target.constraint == DIRECTION:
        _direction_error(frame, target.rotation, error)
        a, b, c = frame[0, 2], frame[1, 2], frame[2, 2]
        for j in range(joints):
            rotation_about_z = buffers.jacobian[j, 3] * a + buffers.jacobian[j, 4] * b + buffers.jacobian[j, 5] * c
            buffers.jacobian[j, 3] -= rotation_about_z * a
            buffers.jacobian[j, 4] -= rotation_about_z * b
            buffers.jacobian[j, 5] -= rotation_about_z * c
    elif target.constraint == FULL:
        _rotation_error(frame, target.rotation, error)
    else:
        for j in range(joints):
            for i in range(3):
                buffers.jacobian[j, 3 + i] = 0.0
    for i in range(3):
        pose_error = max(pose_error, abs(error[3 + i]))
    return pose_error


@subroutine
def _rotate_about(frame: Floats, rotation: Floats, x: float, y: float, z: float, angle: float) -> None:
    s, c = math.sin(angle), math.cos(angle)
    v = 1.0 - c
    rotation[0, 0], rotation[0, 1], rotation[0, 2] = c + x * x * v, x * y * v - z * s, x * z * v + y * s
    rotation[1, 0], rotation[1, 1], rotation[1, 2] = y * x * v + z * s, c + y * y * v, y * z * v - x * s
    rotation[2, 0], rotation[2, 1], rotation[2, 2] = z * x * v - y * s, z * y * v + x * s, c + z * z * v
    for i in range(3):
        a, b, d = frame[i, 0], frame[i, 1], frame[i, 2]
        for k in range(3):
            frame[i, k] = a * rotation[0, k] + b * rotation[1, k] + d * rotation[2, k]


@subroutine
def _direction_error(frame: Floats, rotation: Floats, error: Floats) -> None:
    """Rotation vector that aligns the z axis of the tool with that of the target."""
    a, b, c = frame[0, 2], frame[1, 2], frame[2, 2]
    x, y, z = rotation[0, 2], rotation[1, 2], rotation[2, 2]
    u, v, w = b * z - c * y, c * x - a * z, a * y - b * x
    sine, cosine = math.sqrt(u * u + v * v + w * w), a * x + b * y + c * z
    if sine < 1e-9 and cosine < 0.0:  # opposite direction: rotate about any perpendicular axis
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
