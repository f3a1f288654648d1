"""Gauss-Newton on exact kinematics, for many arms at once.

A unit is one simulated arm with its own drawn error coefficients.

    phi = mu + R z,   z <- z + (B^T B + I)^-1 (B^T C^-1/2 (y - m(phi) - b) - z),   B = C^-1/2 dm/dphi R at phi

Without the population as prior, I and the last z are omitted.

References
----------
.. [1] Nocedal, Wright, Numerical Optimization (2006), 10.3: Gauss-Newton.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.calibration.estimate import Estimate
from armsim.calibration.population_at_poses import shapes_of
from armsim.calibration.reading_conditions import LEVER, Conditions, rotations_from_points
from armsim.core.kernel_digest import LANES
from armsim.core.parametrised_chain import displace_units
from armsim.core.screws import Axes
from armsim.core.unit_figures import UnitErrors
from armsim.model.configurations import Configurations
from armsim.model.drives import moved_axes
from armsim.model.machine import Machine
from armsim.run_options import CheckStop, never_stop

MAX_ITERATIONS = 12
CONVERGED = 1e-6
"""Step, in standard uncertainties, below which the iteration ends."""
CHUNK = 2 * LANES
"""Units whose normal equations are computed together."""


@dataclass(frozen=True, eq=False)
class KinematicModel:
    """Exact kinematics of the measured arm as a function of its parameters.

    Parameters
    ----------
    axes : list of Axes
        Axes with respect to the target, per pose.
    parameter, axis : (moves,)
        Index of a parameter, and of an axis that it moves; a parameter may move several coupled axes.
    shapes : (M, moves)
        Displacement of the axis per unit of the parameter, at every pose.
    lever_axes : list of lists of three Axes, or of none
        Per pose, axes with respect to points at the distance `LEVER` from the target along x, y, z of the tool; none
        for groups of readings without orientations.
    rotations : (M, 3, 3)
        Nominal rotation of the tool.
    """

    axes: list[Axes]
    parameter: np.ndarray
    axis: np.ndarray
    shapes: Array
    lever_axes: list[list[Axes]]
    rotations: Array

    @staticmethod
    def of(machine: Machine, estimate: Estimate, joints: Array, conditions: Conditions | None = None) -> KinematicModel:
        """Kinematics for the parameters of an estimate at measured poses.

        Parameters
        ----------
        machine : Machine
            Machine as the instrument sees it, from `measured_machine.as_measured`.
        estimate : Estimate
        joints : (M, joints) [rad or m]
        conditions : Conditions, optional

        Returns
        -------
        KinematicModel
        """
        arm, parameters = machine.arm, estimate.parameters
        moves = moved_axes(arm, parameters)
        first = {arm.motion_index(axis): axis for _, axis, _ in moves}
        motions = sorted(first)
        moving = [first[motion] for motion in motions]
        nominal, conditions = arm.postures(joints, moving), conditions or Conditions.positions_only(len(joints))
        target_kinematics = conditions.axes_at_targets(nominal, moving)
        beyond = [conditions.axes_at_targets(nominal, moving, LEVER * direction) for direction in np.eye(3)]
        lever_axes = [
            [Axes(end.direction[n], end.column[n], end.rotary) for end in beyond] if oriented else []
            for n, oriented in enumerate(conditions.oriented)
        ]
        numbers = np.array([number for number, _, _ in moves], dtype=np.int64)
        axis = np.array([motions.index(arm.motion_index(axis)) for _, axis, _ in moves], dtype=np.int64)
        axes = [
            Axes(target_kinematics.direction[n], target_kinematics.column[n], target_kinematics.rotary)
            for n in range(len(joints))
        ]
        values = shapes_of(machine, Configurations(joints), parameters, conditions).T
        shapes = np.ascontiguousarray(values[:, numbers] * [factor for _, _, factor in moves])
        return KinematicModel(axes, numbers, axis, shapes, lever_axes, target_kinematics.tool[:, :3, :3])

    def displacement_and_derivative(self, values: Array) -> tuple[Array, Array]:
        """Displacement of the target of every arm at every pose, and its derivative with respect to the parameters.

        Parameters
        ----------
        values : (units, K)
            Parameters of every arm.

        Returns
        -------
        displacement : (units, 3 M) [m]
            In the base frame.
        derivative : (units, 3 M, K) [m per unit of the parameter]
        """
        units, count = values.shape
        lanes = -(-units // LANES) * LANES
        coefficients = np.zeros((count, lanes))
        coefficients[:, :units] = values.T
        moving = np.arange(len(self.axes[0].rotary), dtype=np.int64)
        poses = len(self.axes)
        displacement, derivative = np.empty((units, poses, 3)), np.empty((units, poses, 3, count))
        kernel: Any = displace_units

        def axes_at_targets(n: int, axes: Axes) -> tuple[Array, Array]:
            shift, columns = np.empty((units, 3)), np.empty((units, len(moving), 3))
            errors = UnitErrors(coefficients, self.parameter, self.axis, self.shapes[n])
            kernel(errors, axes, moving, units, shift, columns)
            by_move = columns[:, self.axis].swapaxes(1, 2) * self.shapes[n]
            if len(self.parameter) == count:
                return shift, by_move
            return shift, by_move @ (self.parameter[:, None] == np.arange(count)).astype(float)

        for n, axes in enumerate(self.axes):
            displacement[:, n], derivative[:, n] = axes_at_targets(n, axes)
            if self.lever_axes[n]:
                ends = [axes_at_targets(n, end) for end in self.lever_axes[n]]
                displacement[:, n], derivative[:, n] = self._rotations(n, displacement[:, n], derivative[:, n], ends)
        return displacement.reshape(units, -1), derivative.reshape(units, -1, count)

    def _rotations(
        self, pose: int, centre: Array, reach: Array, ends: Sequence[tuple[Array, Array]]
    ) -> tuple[Array, Array]:
        """Rotations of the probe from displacements of points, and their derivatives with respect to the parameters."""
        rotations = rotations_from_points(self.rotations[pose], [centre, *(shift for shift, _ in ends)])
        derivative = np.zeros_like(reach)
        for axis, (shift, by_parameter) in enumerate(ends):
            lever = self.rotations[pose][:, axis] + (shift - centre) / LEVER
            derivative += 0.5 * np.cross(lever[:, :, None], by_parameter - reach, axis=1)
        return rotations, derivative


def identify(
    model: KinematicModel, estimate: Estimate, measured: Array, check_stop: CheckStop = never_stop
) -> tuple[Array, int]:
    """Identify the parameters of many arms from their mean displacements.

    Parameters
    ----------
    model : KinematicModel
    estimate : Estimate
    measured : (units, 3 M) [m]
        Mean displacements in the base frame.
    check_stop : callable
        Called before every few arms, as `CheckStop`.

    Returns
    -------
    values : (units, K)
    rounds : int
        Largest number of iterations of any unit.

    Raises
    ------
    ArithmeticError
        The iteration does not converge.
    """
    out, slowest = np.empty((len(measured), len(estimate.parameters))), 0
    for start in range(0, len(measured), CHUNK):
        check_stop()
        chunk = slice(start, start + CHUNK)
        out[chunk], rounds = _identify_chunk(model, estimate, measured[chunk])
        slowest = max(slowest, rounds)
    return out, slowest


def _identify_chunk(model: KinematicModel, estimate: Estimate, measured: Array) -> tuple[Array, int]:
    """Identified parameters of a chunk of arms, and the number of iterations."""
    root, weight = estimate.parameter_root, 1.0 if estimate.uses_prior else 0.0
    coordinates = np.zeros((len(measured), root.shape[1]))
    size = np.maximum(np.sqrt(np.maximum(np.diag(estimate.covariance), 0.0)), 1e-12 * estimate.scale)
    for rounds in range(1, MAX_ITERATIONS + 1):
        displacement, derivative = model.displacement_and_derivative(estimate.mean + coordinates @ root.T)
        design = estimate.whitening @ derivative @ root
        residual = (measured - displacement - estimate.unidentified_mean) @ estimate.whitening.T
        gradient = np.einsum("umk,um->uk", design, residual) - weight * coordinates
        step = np.linalg.solve(design.swapaxes(1, 2) @ design + weight * np.eye(root.shape[1]), gradient[..., None])[
            ..., 0
        ]
        coordinates = coordinates + step
        if np.max(np.abs(step @ root.T) / size, initial=0.0) < CONVERGED:
            return estimate.mean + coordinates @ root.T, rounds
    raise ArithmeticError(f"Gauss-Newton did not converge within {MAX_ITERATIONS} iterations")
