"""Inverse kinematics within the ranges of the joints: bounded damped least squares with redundancy resolution.

A step solves, for the error e of the tool and the columns J of the joints that may move,

    dq = J^T (J J^T + E I)^-1 e + k (I - J^+ J) (ref - q),      E = |e|^2 / 2

the first part towards the pose, damped by the residual, the second, once the pose is reached, in the null space
towards a reference posture. A joint that would pass an end of its range is held there, and the step is solved
again without that joint.

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

from armsim.core.cholesky import LEAST_DAMPING, cholesky_factor, solve_with_factor
from armsim.core.compile import Flags, Floats, compiled, subroutine
from armsim.core.function_addresses import call_at_address, call_by_address
from armsim.core.pose_residual import Buffers, Chain, Target, evaluate, residual_examples
from armsim.core.rows import copy_row

LARGEST_STEP = 0.5
"""Largest motion of a joint in one step. [rad; share of the length scale for a prismatic joint]"""
CONVERGED_MOTION = 1e-6
"""Null-space motion below which the posture has converged; unit as of `LARGEST_STEP`."""
REFERENCE_GAIN, LARGEST_REFERENCE_STEP = 0.4, 0.3
"""Share of the difference to the reference taken in one step, and largest such motion of a joint. [1, rad]"""
MOST_IDLE_STEPS = 12
"""Steps without improvement after which a start is abandoned."""


class JointRanges(NamedTuple):
    """Ranges of the joints, and the reference posture.

    lower, upper : (joints,) [rad or m]
        Infinite for an endless joint.
    reference : (joints,)
        Reference posture that resolves redundancy.
    scale : (joints,)
        Unit of motion: 1 rad, or the length scale of the chain.
    free : (joints,) bool
        Joints that may move.
    """

    lower: Floats
    upper: Floats
    reference: Floats
    scale: Floats
    free: Flags


def ranges_example() -> JointRanges:
    """Ranges of the types that kernels take."""
    row = np.empty(1)
    return JointRanges(row, row, row, row, np.empty(1, dtype=bool))


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
    chain: Chain, bounds: JointRanges, target: Target, starts: Floats, max_steps: int, tolerance: float, out: Floats
) -> tuple[int, float]:
    """Solve from one start after the other until one leads to the pose.

    Parameters
    ----------
    chain : Chain
    bounds : JointRanges
    target : Target
    starts : (starts, joints)
    max_steps : int
        Largest number of steps from each start.
    tolerance : float
        Largest error of a solution. [m and rad]
    out : (joints,), written
        The solution, or the positions at which the last start ended.

    Returns
    -------
    number : int
        Number of the start that led to a solution; -1 if none did.
    pose_error : float
        Smallest error seen. [m and rad]
    """
    return _solve_from(_callees(), chain, bounds, target, starts, max_steps, tolerance, out)


@compiled
def _solve_from(
    callees: Callees,
    chain: Chain,
    bounds: JointRanges,
    target: Target,
    starts: Floats,
    max_steps: int,
    tolerance: float,
    out: Floats,
) -> tuple[int, float]:
    buffers = _buffers(starts.shape[1], chain.factors.shape[0])
    smallest_error = np.inf
    for number in range(starts.shape[0]):
        for j in range(starts.shape[1]):
            out[j] = (
                min(max(starts[number, j], bounds.lower[j]), bounds.upper[j]) if bounds.free[j] else starts[number, j]
            )
        pose_error = _descend(callees, chain, bounds, target, max_steps, tolerance, out, buffers)
        smallest_error = min(smallest_error, pose_error)
        if pose_error <= tolerance:
            return number, pose_error
    return -1, smallest_error


@subroutine
def _descend(
    callees: Callees,
    chain: Chain,
    bounds: JointRanges,
    target: Target,
    max_steps: int,
    tolerance: float,
    q: Floats,
    buffers: Buffers,
) -> float:
    joints = q.shape[0]
    best, idle_steps, reached = np.inf, 0, np.inf
    for _ in range(max_steps):
        pose_error = call_at_address(callees.evaluate, evaluate, (chain, target, q, buffers))
        if pose_error <= tolerance:
            copy_row(q, joints, buffers.best)
            reached = pose_error
        if pose_error < 0.9 * best:
            best, idle_steps = pose_error, 0
        else:
            idle_steps += 1
            if idle_steps > MOST_IDLE_STEPS and reached > tolerance:
                return pose_error  # type: ignore[no-any-return]
        gain = REFERENCE_GAIN if reached <= tolerance else 0.0
        converged = call_at_address(callees.step, _step, (bounds, q, buffers, gain))
        for j in range(joints):
            q[j] += buffers.step[j]
        if reached <= tolerance and converged:
            break
    pose_error = call_at_address(callees.evaluate, evaluate, (chain, target, q, buffers))
    if (
        pose_error > tolerance and reached <= tolerance
    ):  # near a singular posture the last motions may have led away again
        copy_row(buffers.best, joints, q)
        return reached
    return pose_error  # type: ignore[no-any-return]


@call_by_address(lambda: (ranges_example(), np.empty(1), residual_examples()[2], 0.0), types.boolean)
def _step(bounds: JointRanges, q: Floats, buffers: Buffers, gain: float) -> bool:
    """Compute the step of all joints into the buffers; returns whether the null-space motion has converged."""
    joints = q.shape[0]
    step, reference_step, fixed = buffers.step, buffers.reference_step, buffers.fixed
    for j in range(joints):
        fixed[j] = not bounds.free[j]
        step[j] = 0.0
        offset = gain * (bounds.reference[j] - q[j]) / bounds.scale[j]
        reference_step[j] = min(max(offset, -LARGEST_REFERENCE_STEP), LARGEST_REFERENCE_STEP) * bounds.scale[j]
    converged = True
    for _ in range(joints + 1):
        converged = _solve(bounds, buffers)
        largest = 1.0
        for j in range(joints):
            if not fixed[j]:
                largest = max(largest, abs(step[j]) / (LARGEST_STEP * bounds.scale[j]))
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
def _solve(bounds: JointRanges, buffers: Buffers) -> bool:
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
        matrix[a, a] += 0.5 * total + LEAST_DAMPING
    cholesky_factor(matrix)
    for a in range(6):
        rhs[a] = e[a]
        for j in range(joints):
            if not buffers.fixed[j]:
                rhs[a] -= buffers.jacobian[j, a] * buffers.reference_step[j]
    solve_with_factor(matrix, rhs)
    converged = True
    for j in range(joints):
        if buffers.fixed[j]:
            continue
        task_step = 0.0
        for a in range(6):
            task_step += buffers.jacobian[j, a] * rhs[a]
        task_step *= bounds.scale[j] * bounds.scale[j]
        buffers.step[j] = task_step + buffers.reference_step[j]
        if abs(buffers.step[j]) > CONVERGED_MOTION * bounds.scale[j]:
            converged = False
    return converged
