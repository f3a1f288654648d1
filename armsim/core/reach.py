"""Inverse kinematics within the ranges of the joints: bounded damped least squares with redundancy resolution.

A step solves, for the error e of the tool and the columns J of the joints that may move,

    dq = J^T (J J^T + E I)^-1 e + k (I - J^+ J) (ref - q),      E = |e|^2 / 2

the first part towards the pose, damped by the residual, the second, once the pose is reached, in the null space
towards a reference posture. A joint that would pass an end of its range is set on it, and the step is solved anew
without it.

References
----------
.. [1] Sugihara, "Solvability-unconcerned inverse kinematics by the Levenberg-Marquardt method", IEEE Trans. Robotics 27
   (2011) 984: damping by the residual.
.. [2] Siciliano, Sciavicco, Villani, Oriolo, Robotics (2009) 3.5: motions of the null space.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from armsim.core.cholesky import FLOOR, factor, substitute
from armsim.core.compile import Flags, Floats, Indices, compiled
from armsim.core.rows import copy_row

FREE, DIRECTION, FULL = 0, 1, 2
"""Constraint on the orientation: none, the direction of the z axis of the tool, or all of it."""
LARGEST = 0.5
"""Motion of a joint in one step, at most. [rad, parts of the size]"""
SETTLED = 1e-6
"""Null-space motion below which the posture has converged. [rad, parts of the size]"""
GAIN, FARTHEST = 0.4, 0.3
"""Share of the difference to the reference taken in one step, and largest such motion of a joint. [1, rad]"""
PATIENCE = 12
"""Steps without improvement after which a start is abandoned."""


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


class Range(NamedTuple):
    """Ranges of the joints, and the reference posture.

    lower, upper : (joints,) [rad or m]
        Infinite for an endless joint.
    reference : (joints,)
        Reference posture that resolves redundancy.
    scale : (joints,)
        Unit of motion: 1 rad, or the size of the chain.
    free : (joints,) bool
        Joints that may move.
    """

    lower: Floats
    upper: Floats
    reference: Floats
    scale: Floats
    free: Flags


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


@compiled
def _buffers(joints: int, followers: int) -> Buffers:
    moving = joints + followers
    return Buffers(
        np.zeros((3, 4)), np.zeros((3, 3)), np.zeros((moving, 3)), np.zeros((moving, 3)), np.zeros((moving, 6)),
        np.zeros(6), np.zeros((6, 6)), np.zeros(joints), np.zeros(joints), np.zeros(joints),
        np.zeros(joints, dtype=np.bool_),
    )  # fmt: skip


@compiled
def solve_from(
    chain: Chain, bounds: Range, target: Target, starts: Floats, max_steps: int, close: float, out: Floats
) -> tuple[int, float]:
    """Solve from one start after the other until one leads to the pose.

    Parameters
    ----------
    chain, bounds, target
    starts : (starts, joints)
    max_steps : int
        Steps from each.
    close : float
        Largest error of a solution. [m and rad]
    out : (joints,), written
        The solution, or where the last start ended.

    Returns
    -------
    number : int
        Number of the start that led to a solution; -1 if none did.
    miss : float
        Smallest error seen. [m and rad]
    """
    buffers = _buffers(starts.shape[1], chain.factors.shape[0])
    least = np.inf
    for number in range(starts.shape[0]):
        for j in range(starts.shape[1]):
            out[j] = (
                min(max(starts[number, j], bounds.lower[j]), bounds.upper[j]) if bounds.free[j] else starts[number, j]
            )
        miss = _descend(chain, bounds, target, max_steps, close, out, buffers)
        least = min(least, miss)
        if miss <= close:
            return number, miss
    return -1, least


@compiled
def _descend(
    chain: Chain, bounds: Range, target: Target, max_steps: int, close: float, q: Floats, buffers: Buffers
) -> float:
    joints = q.shape[0]
    best, since, reached = np.inf, 0, np.inf
    for _ in range(max_steps):
        miss = _evaluate(chain, target, q, buffers)
        if miss <= close:
            copy_row(q, joints, buffers.best)
            reached = miss
        if miss < 0.9 * best:
            best, since = miss, 0
        else:
            since += 1
            if since > PATIENCE and reached > close:
                return miss
        converged = _step(bounds, q, buffers, GAIN if reached <= close else 0.0)
        for j in range(joints):
            q[j] += buffers.step[j]
        if reached <= close and converged:
            break
    miss = _evaluate(chain, target, q, buffers)
    if miss > close and reached <= close:  # near a singular posture the last motions may have led off again
        copy_row(buffers.best, joints, q)
        return reached
    return miss


@compiled
def _evaluate(chain: Chain, target: Target, q: Floats, buffers: Buffers) -> float:
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


@compiled
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


@compiled
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


@compiled
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


@compiled
def _step(bounds: Range, q: Floats, buffers: Buffers, gain: float) -> bool:
    """Compute the step of all joints into the buffers; returns whether the null-space motion has converged."""
    joints = q.shape[0]
    step, wish, fixed = buffers.step, buffers.wish, buffers.fixed
    for j in range(joints):
        fixed[j] = not bounds.free[j]
        step[j] = 0.0
        offset = gain * (bounds.reference[j] - q[j]) / bounds.scale[j]
        wish[j] = min(max(offset, -FARTHEST), FARTHEST) * bounds.scale[j]
    converged = True
    for _ in range(joints + 1):
        converged = _solve(bounds, buffers)
        largest = 1.0
        for j in range(joints):
            if not fixed[j]:
                largest = max(largest, abs(step[j]) / (LARGEST * bounds.scale[j]))
        worst, beyond = -1, 1e-12
        for j in range(joints):
            if fixed[j]:
                continue
            step[j] /= largest
            violation = max(q[j] + step[j] - bounds.upper[j], bounds.lower[j] - q[j] - step[j]) / bounds.scale[j]
            if violation > beyond:
                worst, beyond = j, violation
        if worst < 0:
            return converged
        fixed[worst] = True
        end = bounds.upper[worst] if step[worst] > 0.0 else bounds.lower[worst]
        step[worst] = end - q[worst]
    return converged


@compiled
def _solve(bounds: Range, buffers: Buffers) -> bool:
    """Step of the joints that are not fixed, given that of the others."""
    joints = buffers.step.shape[0]
    e = np.empty(6)
    rhs = np.empty(6)
    total = 0.0
    for i in range(6):
        e[i] = buffers.error[i]
        total += e[i] * e[i]
        for j in range(joints):
            if buffers.fixed[j]:
                e[i] -= buffers.jacobian[j, i] * buffers.step[j]
    matrix = buffers.matrix
    for a in range(6):
        for b in range(a + 1):
            value = 0.0
            for j in range(joints):
                if not buffers.fixed[j]:
                    s = bounds.scale[j]
                    value += buffers.jacobian[j, a] * buffers.jacobian[j, b] * s * s
            matrix[a, b] = value
        matrix[a, a] += 0.5 * total + FLOOR
    factor(matrix)
    for a in range(6):
        rhs[a] = e[a]
        for j in range(joints):
            if not buffers.fixed[j]:
                rhs[a] -= buffers.jacobian[j, a] * buffers.wish[j]
    substitute(matrix, rhs)
    converged = True
    for j in range(joints):
        if buffers.fixed[j]:
            continue
        pull = 0.0
        for a in range(6):
            pull += buffers.jacobian[j, a] * rhs[a]
        pull *= bounds.scale[j] * bounds.scale[j]
        buffers.step[j] = pull + buffers.wish[j]
        if abs(buffers.step[j]) > SETTLED * bounds.scale[j]:
            converged = False
    return converged
