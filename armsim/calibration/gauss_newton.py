"""Gauss-Newton on exact kinematics, for many arms at once.

    phi = mu + R z,   z <- z + (B^T B + I)^-1 (B^T C^-1/2 (y - m(phi) - b) - z),   B = C^-1/2 dm/dphi R at phi

with I, and z after it, left out without the population as prior.

References
----------
.. [1] Nocedal, Wright, Numerical Optimization (2006), 10.3: Gauss-Newton.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.calibration.estimate import Estimate, shapes_of
from armsim.core.kernel_digest import LANES
from armsim.core.parametrised_chain import place_units
from armsim.core.screws import Axes
from armsim.core.unit_figures import UnitErrors
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine

ROUNDS = 12
SETTLED = 1e-6
"""Step, in standard uncertainties, below which the iteration ends."""
CHUNK = 2 * LANES
"""Units whose normal equations are made together."""


@dataclass(frozen=True, eq=False)
class Model:
    """Exact kinematics of the measured arm in its parameters.

    Parameters
    ----------
    axes : list of Axes
        Pose by pose.
    axis : (K,)
        Number of the axis that every parameter moves.
    shapes : (M, K)
    """

    axes: list[Axes]
    axis: np.ndarray
    shapes: Array

    @staticmethod
    def of(machine: Machine, estimate: Estimate, joints: Array) -> Model:
        """The parameters of an estimate at measured poses."""
        arm, parameters = machine.arm, estimate.parameters
        motions = sorted({arm.motion_of(parameter.axis) for parameter in parameters})
        first = {arm.motion_of(parameter.axis): parameter.axis for parameter in parameters}
        at = arm.postures(joints, [first[motion] for motion in motions])
        axis = np.array([motions.index(arm.motion_of(parameter.axis)) for parameter in parameters], dtype=np.int64)
        axes = [Axes(at.direction[n], at.column[n], at.rotary) for n in range(len(joints))]
        return Model(axes, axis, np.ascontiguousarray(shapes_of(machine, Configurations(joints), parameters).T))

    def at(self, values: Array) -> tuple[Array, Array]:
        """Displacement of every arm, shape (units, 3 M), and its derivative, shape (units, 3 M, K).

        ``values`` of shape (units, K).
        """
        units, count = values.shape
        lanes = -(-units // LANES) * LANES
        coefficients = np.zeros((count, lanes))
        coefficients[:, :units] = values.T
        numbers, moving = np.arange(count, dtype=np.int64), np.arange(len(self.axes[0].rotary), dtype=np.int64)
        poses = len(self.axes)
        displacement, derivative = np.empty((units, poses, 3)), np.empty((units, poses, 3, count))
        shift, columns = np.empty((units, 3)), np.empty((units, len(moving), 3))
        kernel: Any = place_units
        for n, axes in enumerate(self.axes):
            kernel(UnitErrors(coefficients, numbers, self.axis, self.shapes[n]), axes, moving, units, shift, columns)
            displacement[:, n] = shift
            derivative[:, n] = columns[:, self.axis].swapaxes(1, 2) * self.shapes[n]
        return displacement.reshape(units, -1), derivative.reshape(units, -1, count)


def identify(model: Model, estimate: Estimate, measured: Array) -> tuple[Array, int]:
    """Parameters of many arms.

    Parameters
    ----------
    model : Model
    estimate : Estimate
    measured : (units, 3 M) [m]
        Mean displacements.

    Returns
    -------
    values : (units, K)
    rounds : int
        That the slowest of them took.

    Raises
    ------
    ArithmeticError
        The iteration does not apply_unit_errors.
    """
    out, slowest = np.empty((len(measured), len(estimate.parameters))), 0
    for start in range(0, len(measured), CHUNK):
        part = slice(start, start + CHUNK)
        out[part], rounds = _identified(model, estimate, measured[part])
        slowest = max(slowest, rounds)
    return out, slowest


def _identified(model: Model, estimate: Estimate, measured: Array) -> tuple[Array, int]:
    root, weight = estimate.root, 1.0 if estimate.prior else 0.0
    at = np.zeros((len(measured), root.shape[1]))
    size = np.maximum(np.sqrt(np.maximum(np.diag(estimate.covariance), 0.0)), 1e-12 * estimate.scale)
    for rounds in range(1, ROUNDS + 1):
        displacement, derivative = model.at(estimate.mean + at @ root.T)
        design = estimate.inverse @ derivative @ root
        residual = (measured - displacement - estimate.offset) @ estimate.inverse.T
        pull = np.einsum("umk,um->uk", design, residual) - weight * at
        step = np.linalg.solve(design.swapaxes(1, 2) @ design + weight * np.eye(root.shape[1]), pull[..., None])[..., 0]
        at = at + step
        if np.max(np.abs(step @ root.T) / size, initial=0.0) < SETTLED:
            return estimate.mean + at @ root.T, rounds
    raise ArithmeticError(f"Gauss-Newton did not converge within {ROUNDS} iterations")
