"""Correction that a calibration puts into the controller: a linear estimate from measured tool points."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.causes import CALIBRATION
from armsim.errormodel.draws import Draw, FollowingDraw, Gaussian
from armsim.errormodel.shapes import Shape
from armsim.errormodel.states import States
from armsim.errormodel.terms import Act, Axis, Term

TERM_NAME = "calibration"
"""Name of the term that holds the error of the calibration itself."""


@dataclass(frozen=True)
class Parameter:
    """Identifiable parameter: amplitude of a shape on an axis; ``group`` is the key of `identify` that requests it."""

    name: str
    group: str
    axis: Axis
    shape: Shape


@dataclass(frozen=True, eq=False)
class Observation:
    """Response of a measurement to the errors of a machine.

    Parameters
    ----------
    response : mapping of term to (parameters, coefficients)
        Change of the estimate per unit of each coefficient of unit life.
    mean, covariance : (parameters,), (parameters, parameters)
        Error that the measurement itself adds to the estimate.
    """

    response: Mapping[str, Array]
    mean: Array
    covariance: Array


@dataclass(frozen=True, eq=False)
class Correction:
    """Correction of the errors of axes by identified parameters.

    The estimate is linear in the errors of the built arm: each of its coefficients c moves the estimate of parameter j
    by response_j c; instrument and visits of the measurement add an error n that stays with the arm. The controller
    moves the axes by minus the estimate:

        error of axis a at state s  =  sum_k c_k (shape_k(s) - sum_j response_jk shape_j(s))  -  sum_j n_j shape_j(s)

    The correction is applied in full: parameters that the joints of an arm cannot realise are not to be identified. The
    weights of the readings are fixed beforehand; the readings follow the machine.

    Parameters
    ----------
    parameters : tuple of Parameter
    observe : callable
        Returns the observation of a machine without correction; its second argument includes the instrument error.
    identified_draw : Draw, optional
        Identified values of the units of one population, in place of the linear estimate.
    with_instrument : bool
        Whether the error of the instrument is included; if a machine is evaluated in parts, only one part includes it.

    References
    ----------
    .. [1] Mooring, Roth, Driels, Fundamentals of Manipulator Calibration (1991), ch. 5 and 6.
    """

    parameters: tuple[Parameter, ...]
    observe: Callable[[Any, bool], Observation]
    identified_draw: Draw | None = None
    with_instrument: bool = True

    @property
    def without_instrument(self) -> Correction:
        """The correction without the error of the instrument, for a part of a machine; another part includes it."""
        return replace(self, with_instrument=False)

    def observation(self, machine: Any) -> Observation:
        """Observation of a machine that has no correction."""
        return self.observe(machine, self.with_instrument)

    def measurement_term(self, observation: Observation) -> Term:
        """Term of the error that the measurement adds to the axes.

        The coefficients are those of the whole correction: the response to the other terms and a normal error of the
        measurement, or the identified values of every unit (``identified_draw``).
        """
        mean, covariance = observation.mean, observation.covariance
        acts = tuple(
            Act(k, parameter.axis, parameter.shape.scaled(-1.0)) for k, parameter in enumerate(self.parameters)
        )
        normal = Gaussian(tuple(mean.tolist()), tuple(tuple(row) for row in covariance.tolist()))
        draw = self.identified_draw or FollowingDraw(normal, observation.response)
        limit = float("nan")  # it differs between the axes
        return Term(TERM_NAME, CALIBRATION, "unit", acts, draw, mean, covariance + np.outer(mean, mean), limit)

    def shape_values(self, states: States) -> Array:
        """Shapes of the parameters, shape (parameters, poses).

        Parameters
        ----------
        states : States

        Returns
        -------
        (parameters, poses)
        """
        return np.array([parameter.shape.value(states.state_of(parameter.axis)) for parameter in self.parameters])
