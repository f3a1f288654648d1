"""Population and identifiable parameters of a machine at measured poses, to first order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from armsim import causes
from armsim.arrays import Array
from armsim.calibration.identifiable import PARAMETER_SCALES, coefficients_to_parameters, dimension_of
from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.reading_conditions import Conditions
from armsim.calibration.reading_noise import InstrumentNoise, covariance_roots_of
from armsim.model.configurations import Configurations
from armsim.model.correction import Parameter
from armsim.model.drives import moved_axes
from armsim.model.machine import Machine


@dataclass(frozen=True, eq=False)
class PopulationAtPoses:
    """Population of machines at M poses, as an instrument sees it, with the parameters to identify.

    The population holds the effects, at the measured poses, of the drawn errors of arms built as this machine.

    Parameters
    ----------
    parameters : tuple of Parameter
        All Q parameters to identify.
    linear : LinearPopulation
        First-order effect of the error coefficients of the population.
    jacobian : (3 M, Q) [m per unit of the parameter]
    visits : tuple of int
        Visits per pose.
    covariance_roots : tuple of (readings or 1, 3, 3) [m]
        Square roots of the covariance of the readings of every pose.
    scale : (Q,)
        Typical size of each parameter, by which it is divided so that parameters are comparable.
    parameter_sensitivity : (Q, coefficients)
        Change of every parameter per unit of every error coefficient.
    conditions : Conditions, optional
        Conditions under which the readings were taken.
    """

    parameters: tuple[Parameter, ...]
    linear: LinearPopulation
    jacobian: Array
    visits: tuple[int, ...]
    covariance_roots: tuple[Array, ...]
    scale: Array
    parameter_sensitivity: Array
    conditions: Conditions | None = None

    @staticmethod
    def of(
        machine: Machine,
        parameters: tuple[Parameter, ...],
        joints: Array,
        visits: Sequence[int],
        instrument: InstrumentNoise,
        conditions: Conditions | None = None,
    ) -> PopulationAtPoses:
        """Population of a machine as it is measured, at joint positions.

        Parameters
        ----------
        machine : Machine
            As the instrument sees it: as returned by `measured_machine.as_measured`.
        parameters : tuple of Parameter
        joints : (M, joints) [rad or m]
        visits : sequence of int
            Visits per pose.
        instrument : InstrumentNoise
            Noise of its readings.
        conditions : Conditions, optional

        Returns
        -------
        PopulationAtPoses
        """
        linear = LinearPopulation.of(machine, joints, conditions)
        jacobian = jacobian_of(machine, Configurations(joints), parameters, conditions).reshape(3 * len(joints), -1)
        scale = np.array([PARAMETER_SCALES[dimension_of(parameter, machine.arm)] for parameter in parameters])
        parameter_sensitivity = coefficients_to_parameters(linear, parameters, machine.perturbed_arm)
        # parameters are defined at the mastering temperature, so thermal errors do not count as parameters
        if conditions is not None and conditions.temperature_rises is not None:
            for term, term_slice in linear.terms_with_slices():
                parameter_sensitivity[:, term_slice] *= term.cause is not causes.TEMPERATURE
        covariance_roots = tuple(covariance_roots_of(instrument, len(joints)))
        return PopulationAtPoses(
            parameters, linear, jacobian, tuple(visits), covariance_roots, scale, parameter_sensitivity, conditions
        )

    def only(self, poses: NDArray[np.intp]) -> PopulationAtPoses:
        """The same population at some of the poses."""
        rows = (3 * poses[:, None] + np.arange(3)).ravel()
        visits = tuple(self.visits[n] for n in poses.tolist())
        covariance_roots = tuple(self.covariance_roots[n] for n in poses.tolist())
        at_poses = self.linear.only(poses), self.jacobian[rows], visits, covariance_roots
        conditions = None if self.conditions is None else self.conditions.only(poses)
        return PopulationAtPoses(self.parameters, *at_poses, self.scale, self.parameter_sensitivity, conditions)


def jacobian_of(
    machine: Machine,
    configurations: Configurations,
    parameters: tuple[Parameter, ...],
    conditions: Conditions | None = None,
) -> Array:
    """Jacobian of the target position at every pose, for the nominal arm, with respect to the parameters.

    Under conditions that state orientations, the rows of their groups are rotations times `LEVER`.

    Parameters
    ----------
    machine : Machine
    configurations : Configurations
    parameters : tuple of Parameter
    conditions : Conditions, optional

    Returns
    -------
    (poses, 3, parameters) [m per unit of the parameter]
        In the base frame.
    """
    moves = moved_axes(machine.arm, parameters)  # (parameter index, axis, factor)
    axes = [axis for _, axis, _ in moves]
    postures = machine.arm.postures(configurations.joints, axes)
    column = postures.column if conditions is None else conditions.columns(postures, axes)
    values = shapes_of(machine, configurations, parameters, conditions)
    effects = np.zeros((len(configurations), 3, len(parameters)))
    for column_number, (parameter_index, _, factor) in enumerate(moves):
        effects[:, :, parameter_index] += factor * column[:, column_number] * values[parameter_index][:, None]
    return effects


def shapes_of(
    machine: Machine,
    configurations: Configurations,
    parameters: tuple[Parameter, ...],
    conditions: Conditions | None = None,
) -> Array:
    """Values of the shapes of parameters at poses, shape (parameters, poses).

    Parameters
    ----------
    machine : Machine
    configurations : Configurations
    parameters : tuple of Parameter
    conditions : Conditions, optional

    Returns
    -------
    (parameters, poses)
    """
    states = machine.states(configurations.joints, configurations.speeds, configurations.directions)
    values = [parameter.shape.value(states.state_of(parameter.axis)) for parameter in parameters]
    if conditions is not None:
        values = [
            conditions.session_factor(parameter.axis) * value
            for parameter, value in zip(parameters, values, strict=True)
        ]
    return np.array(values).reshape(len(parameters), len(configurations))
