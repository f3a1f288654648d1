"""Tolerances of the links: differences between the dimensions of the built arm and those in the controller."""

from __future__ import annotations

from armsim import causes
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Constant
from armsim.errormodel.terms import Axis, Term, independent


def link_tolerance(axis: Axis, tolerance: Distribution) -> tuple[Term, ...]:
    """Error of one link parameter, or of the zero of a joint: constant for a built arm.

    Parameters
    ----------
    axis : Axis
        The link parameter, or the joint whose zero it is.
    tolerance : Distribution
        Distribution of the parameter. [rad or m]

    Returns
    -------
    tuple of Term
        Error of the parameter, attained minus nominal. [rad or m]

    References
    ----------
    .. [1] Mooring, Roth, Driels, Fundamentals of Manipulator Calibration (1991), ch. 2: errors of link parameters.
    """
    cause = causes.JOINT_ZERO if axis.belongs_to_joint else causes.link_parameter(axis.parameter)
    term = independent("tolerance", cause, (tolerance,), (Constant(),), tolerance.limit)
    return (term.transfer_to(axis),)
