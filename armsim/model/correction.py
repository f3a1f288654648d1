"""What a calibration puts into the controller: a linear estimate from measured tool points, taken off the errors."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.causes import CALIBRATION
from armsim.errormodel.draws import Draw, FollowingDraw, Gaussian
from armsim.errormodel.shapes import Shape, State
from armsim.errormodel.terms import Axis, Coupling, Term

NAME = "calibration"
"""Term of what the calibration itself adds."""


@dataclass(frozen=True)
class Parameter:
    """What can be identified: a number times a shape on an axis; ``group`` is what it was asked for as."""

    name: str
    group: str
    axis: Axis
    shape: Shape


@dataclass(frozen=True, eq=False)
class Observation:
    """What a measurement makes of the errors of a machine.

    Parameters
    ----------
    response : mapping of term to (parameters, coefficients)
        Estimate that every coefficient of unit life brings about.
    mean, covariance : (parameters,), (parameters, parameters)
        Of the error that the measurement itself adds to the estimate.
    """

    response: Mapping[str, Array]
    mean: Array
    covariance: Array


@dataclass(frozen=True, eq=False)
class Correction:
    """Identified parameters are taken off the errors of their axes.

    What is identified is linear in what was there: the measurement has seen every coefficient c of the built arm, which
    moves the estimate of parameter j by response_j c; instrument and visits of the measurement add an error that stays
    with the arm. The controller moves the axes by minus the estimate:

        error of axis a at state s  =  sum_k c_k (shape_k(s) - sum_j response_jk shape_j(s))  -  sum_j n_j shape_j(s)

    It corrects in full: what the joints of an arm cannot bring about is not to be identified. How readings are weighed
    is settled beforehand; what they say follows the machine.

    Parameters
    ----------
    parameters : tuple of Parameter
    observe : callable
        From a machine without correction, and whether the instrument counts, to the observation of it.
    exact : Draw, optional
        What the units of one population have identified, in place of the linear estimate.
    with_instrument : bool
        Whether the part of the instrument is in it, which parts of a machine have but once.

    References
    ----------
    .. [1] Mooring, Roth, Driels, Fundamentals of Manipulator Calibration (1991), ch. 5 and 6 (from memory).
    """

    parameters: tuple[Parameter, ...]
    observe: Callable[[Any, bool], Observation]
    exact: Draw | None = None
    with_instrument: bool = True

    @property
    def without_instrument(self) -> Correction:
        """The same for a part of a machine, beside which others hold the instrument's share."""
        return replace(self, with_instrument=False)

    def observation(self, machine: Any) -> Observation:
        """Of a machine without correction."""
        return self.observe(machine, self.with_instrument)

    def added_term(self, observation: Observation) -> Term:
        """What the measurement adds to the errors of the axes.

        Its coefficients are drawn as all that is taken off: what follows the other terms, and a normal error of its
        own; or exactly.
        """
        mean, covariance = observation.mean, observation.covariance
        acts = tuple(
            Coupling(k, parameter.axis, parameter.shape.scaled(-1.0)) for k, parameter in enumerate(self.parameters)
        )
        normal = Gaussian(tuple(mean.tolist()), tuple(tuple(row) for row in covariance.tolist()))
        draw = self.exact or FollowingDraw(normal, observation.response)
        limit = float("nan")  # on each axis what its shapes make of it
        return Term(NAME, CALIBRATION, "unit", acts, draw, mean, covariance + np.outer(mean, mean), limit)

    def values(self, states: Mapping[str, State], fixed: State) -> Array:
        """Shapes of the parameters, shape (parameters, poses)."""
        return np.array([parameter.shape.value(parameter.axis.state(states, fixed)) for parameter in self.parameters])
