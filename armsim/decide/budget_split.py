"""Split of an error budget among the joints: equal angles, equal contributions, least cost."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from armsim.arrays import Array
from armsim.decide.decision_records import Scheme

NEGLIGIBLE_GAIN = 1e-10
"""Gain, relative to the largest, below which a joint is treated as not moving the tool point."""


def length_scales(gains: Array, rotary: Sequence[bool]) -> Array:
    """Length scales by which the errors of revolute joints and slides become comparable.

    Parameters
    ----------
    gains : (poses, joints) [m^2/rad^2, or 1 for a slide]
        Mean square at the tool per mean square error of each joint.
    rotary : (joints,) bool

    Returns
    -------
    (joints,)
        1 for a revolute joint; for a slide, the rms lever arm of the revolute joints. [1 or m]
    """
    turning = np.array(rotary)
    typical = math.sqrt(float(gains[:, turning].mean())) if turning.any() else 1.0
    return np.where(turning, 1.0, typical or 1.0)


def split_budget(
    scheme: Scheme, gains: Array, allowance: Array, length_scale: Array, exponent: float
) -> tuple[Array, float | None]:
    """Largest standard deviations of the joints, in the ratios of a scheme, within the allowance at every pose.

    Parameters
    ----------
    scheme : Scheme
    gains : (poses, joints) [m^2/rad^2, or 1 for a slide]
        Mean square at the tool per mean square error of each joint.
    allowance : (poses,) [m^2]
        Mean square error that all other errors leave to the sensors of the joints.
    length_scale : (joints,)
        As returned by `length_scales`.
    exponent : float
        Exponent b of the price model: price in proportion to (length scale / error)^b.

    Returns
    -------
    std : (joints,) [rad or m]
    gap : float or None
        Relative duality gap of the least cost.
    """
    std, gap = np.full(gains.shape[1], np.inf), None
    moving = gains.max(axis=0) > NEGLIGIBLE_GAIN * gains.max()
    moving_gains = gains[:, moving]
    relative_variance = length_scale[moving] ** 2 if scheme == "equal angles" else 1.0 / moving_gains.max(axis=0)
    stds = np.sqrt(relative_variance * float(np.min(allowance / (moving_gains @ relative_variance))))
    if scheme == "least cost":
        stds, gap = least_cost(moving_gains, allowance, length_scale[moving], exponent, stds)
    std[moving] = stds
    return std, gap


def least_cost(
    gains: Array, allowance: Array, length_scale: Array, exponent: float, start: Array
) -> tuple[Array, float]:
    """Smallest sum over joints of (length scale / s)^exponent with the errors s within the allowance at every pose.

    With u = ln s the problem is convex (the code has u = ln(s / start)). Any multipliers m >= 0, one per pose, give a
    lower bound of the cost, g being the gains: the minimum over s of

        sum over joints of (length scale / s)^b + G s^2  -  sum over poses of m allowance,   G = sum over poses of m g

    is reached at s^(b + 2) = b (length scale)^b / (2 G). The multipliers are fitted to the
    solution; the gap to their bound shows how close it is to the optimum.

    Parameters
    ----------
    gains : (poses, joints) [m^2/rad^2, or 1 for a slide]
    allowance : (poses,) [m^2]
    length_scale : (joints,)
    exponent : float
    start : (joints,)
        Feasible standard deviations. [rad or m]

    Returns
    -------
    std : (joints,)
    gap : float
        Relative gap: cost divided by its lower bound, minus 1.

    References
    ----------
    .. [1] Boyd, Vandenberghe, Convex Optimization (2004) 4.5 (geometric programming) and 5.1 (Lagrange dual).
    """
    from scipy.optimize import minimize, nnls

    matrix, b = gains / allowance[:, None], exponent
    weight, unit = length_scale**b, start

    def cost(u: Array) -> tuple[float, Array]:
        joint_costs = weight * (unit * np.exp(u)) ** -b
        return float(joint_costs.sum()), -b * joint_costs

    constraints = np.unique(matrix.argmax(axis=0))
    start_cost = cost(np.zeros(len(unit)))[0]
    u = np.zeros(len(unit))
    for _ in range(50):  # poses that matter are constraints; violated ones join them
        rows = matrix[constraints]
        solved = minimize(
            lambda x: tuple(joint_costs / start_cost for joint_costs in cost(x)),
            u,
            jac=True,
            method="SLSQP",
            constraints={
                "type": "ineq",
                "fun": lambda x, rows=rows: 1.0 - rows @ (unit * np.exp(x)) ** 2,
                "jac": lambda x, rows=rows: -2.0 * rows * (unit * np.exp(x)) ** 2,
            },
            options={"maxiter": 500, "ftol": 1e-14},
        )
        u = solved.x
        utilisation = matrix @ (unit * np.exp(u)) ** 2
        if utilisation.max() <= 1.0 + 1e-7:
            break
        constraints = np.unique(np.append(constraints, np.argsort(-utilisation)[:8]))
    squares = (unit * np.exp(u)) ** 2 / float(max(utilisation.max(), 1e-300))  # on the limit, not beyond it
    joint_costs = weight * squares ** (-b / 2)
    active = np.flatnonzero(utilisation > utilisation.max() * (1 - 1e-3))
    scale = joint_costs.max()
    multipliers, _ = nnls((2.0 * matrix[active] * squares).T / scale, b * joint_costs / scale)
    dual_weight = multipliers @ matrix[active]
    dual_squares = np.where(
        dual_weight > 0, (b * weight / (2.0 * np.maximum(dual_weight, 1e-300))) ** (1.0 / (b + 2.0)), np.inf
    )
    bound = float(
        np.sum(np.where(dual_weight > 0, weight * dual_squares**-b + dual_weight * dual_squares**2, 0.0))
        - multipliers.sum()
    )
    return np.sqrt(squares), float(joint_costs.sum() / bound - 1.0) if bound > 0 else math.inf
