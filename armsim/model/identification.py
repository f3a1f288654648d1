"""Parameters of an arm that a measured session identified, and how well they are known."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from armsim.arrays import Array
from armsim.causes import CALIBRATION
from armsim.errormodel.draws import Gaussian
from armsim.errormodel.terms import Act, Term
from armsim.model.arm import Arm
from armsim.model.correction import Parameter

TERM_NAME = "identification"
"""Name of the term for the remaining uncertainty of identified parameters."""


@dataclass(frozen=True, eq=False)
class Identification:
    """Identified parameters of one arm: the chain holds zeros and links, the controller compensates the rest.

    Parameters
    ----------
    parameters : tuple of Parameter
    values : (parameters,) [rad, m, rad/(N m) or m/N]
        Attained minus commanded, relative to the arm before the session.
    covariance : (parameters, parameters)
        Covariance of the errors of the identified values.
    """

    parameters: tuple[Parameter, ...]
    values: Array
    covariance: Array

    @cached_property
    def term(self) -> Term:
        """Residual error of the parameters: jointly normal about zero."""
        zero = np.zeros(len(self.parameters))
        acts = tuple(Act(k, parameter.axis, parameter.shape) for k, parameter in enumerate(self.parameters))
        draw = Gaussian(tuple(zero.tolist()), tuple(tuple(row) for row in self.covariance.tolist()))
        return Term(TERM_NAME, CALIBRATION, "unit", acts, draw, zero, self.covariance, float("nan"))

    def replace_identified(self, terms: Iterable[Term], arm: Arm) -> tuple[Term, ...]:
        """Terms of a population without the identified effects, followed by the remaining uncertainty of these.

        A coefficient of unit life that moves an identified axis by an identified shape is a part of that parameter,
        whose value is known for this arm; the other effects of the coefficient stay.

        Parameters
        ----------
        terms : iterable of Term
        arm : Arm
            On whose motions they act.

        Returns
        -------
        tuple of Term
        """
        identified = [(arm.motion_index(parameter.axis), parameter) for parameter in self.parameters]

        def is_identified(act: Act) -> bool:
            motion = arm.motion_index(act.axis)
            return any(
                motion == other and act.multiple_of(parameter.axis, parameter.shape) is not None
                for other, parameter in identified
            )

        out = []
        for term in terms:
            acts = term.acts
            if term.life == "unit":
                acts = tuple(act for act in acts if not is_identified(act))
            if acts:
                out.append(term if len(acts) == len(term.acts) else replace(term, acts=acts))
        return (*out, self.term)
