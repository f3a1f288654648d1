"""Tolerances of the links: the dimensions that the built arm has and the controller does not know."""

from __future__ import annotations

from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Constant
from armsim.errormodel.terms import Axis, Term, independent


def link_tolerance(axis: Axis, tolerance: Distribution) -> tuple[Term, ...]:
    """Error of one link parameter: a constant of the unit.

    Parameters
    ----------
    axis : Axis
        The joint's row and the parameter.
    tolerance : Distribution
        Of the parameter. [rad or m]

    References
    ----------
    .. [1] Mooring, Roth, Driels, Fundamentals of Manipulator Calibration (1991), ch. 2: errors of link parameters (from
       memory).
    """
    term = independent("tolerance", f"link {axis.parameter}", (tolerance,), (Constant(),), tolerance.limit)
    return (term.on(axis),)
