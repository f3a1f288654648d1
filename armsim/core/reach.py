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

from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numba import types

from armsim.core.cholesky import FLOOR, factor, substitute
from armsim.core.compile import Flags, Floats, compiled, subroutine
from armsim.core.pose_residual import Buffers, Chain, Target, evaluate, residual_examples
from armsim.core.rows import copy_row
from armsim.core.separate import call, separate

LARGEST = 0.5
"""Motion of a joint in one step, at most. [rad, parts of the size]"""
SETTLED = 1e-6
"""Null-space motion below which the posture has converged. [rad, parts of the size]"""
GAIN, FARTHEST = 0.4, 0.3
"""Share of the difference to the reference taken in one step, and largest such motion of a joint. [1, rad]"""
PATIENCE = 12
"""Steps without improvement after which a start is abandoned."""


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


def range_example() -> Range:
    """Ranges of the types that kernels take."""
    row = np.empty(1)
    return Range(row, row, row, row, np.empty(1, dtype=bool))


class Callees(NamedTuple):
    """Addresses of the functions that `solve_from` calls."""

    evaluate: int
    step: int


@lru_cache(maxsize=1)
def _callees() -> Callees:
    functions: Any = (evaluate, _step)
    return Callees(*(function.address() for function in functions))


@subroutine
def _buffers(joints: int, followers: int) -> Buffers:
    moving = joints + followers
    return Buffers(
        np.zeros((3, 4)), np.zeros((3, 3)), np.zeros((moving, 3)), np.zeros((moving, 3)), np.zeros((moving, 6)),
        np.zeros(6), np.zeros((6, 6)), np.zeros(joints), np.zeros(joints), np.zeros(joints),
        np.zeros(joints, dtype=np.bool_),
    )  # fmt: skip


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
    return _solve_from(_callees(), chain, bounds, target, starts, max_steps, close, out)


@compiled
def _solve_from(
    callees: Callees,
    chain: Chain,
    bounds: Range,
    target: Target,
    starts: Floats,
    max_steps: int,
    close: float,
    out: Floats,
) -> tuple[int, float]:
    buffers = _buffers(starts.shape[1], chain.factors.shape[0])
    least = np.inf
    for number in range(starts.shape[0]):
        for j in range(starts.shape[1]):
            out[j] = (
                min(max(starts[number, j], bounds.lower[j]), bounds.upper[j]) if bounds.free[j] else starts[number, j]
            )
        miss = _descend(callees, chain, bounds, target, max_steps, close, out, buffers)
        least = min(least, miss)
        if miss <= close:
            return number, miss
    return -1, least


@subroutine
def _descend(
    callees: Callees,
    chain: Chain,
    bounds: Range,
    target: Target,
    max_steps: int,
    close: float,
    q: Floats,
    buffers: Buffers,
) -> float:
    joints = q.shape[0]
    best, since, reached = np.inf, 0, np.inf
    for _ in range(max_steps):
        miss = call(callees.evaluate, evaluate, (chain, target, q, buffers))
        if miss <= close:
            copy_row(q, joints, buffers.best)
            reached = miss
        if miss < 0.9 * best:
            best, since = miss, 0
        else:
            since += 1
            if since > PATIENCE and reached > close:
                return miss  # type: ignore[no-any-return]
        gain = GAIN if reached <= close else 0.0
        converged = call(callees.step, _step, (bounds, q, buffers, gain))
        for j in range(joints):
            q[j] += buffers.step[j]
        if reached <= close and converged:
            break
    miss = call(callees.evaluate, evaluate, (chain, target, q, buffers))
    if miss > close and reached <= close:  # near a singular posture the last motions may have led off again
        copy_row(buffers.best, joints, q)
        return reached
    return miss  # type: ignore[no-any-return]


@separate(lambda: (range_example(), np.empty(1), residual_examples()[2], 0.0), types.boolean)
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


@subroutine
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
