"""Error terms that only linear scales have: slope error and Abbe offset."""

from __future__ import annotations

from armsim import causes
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Proportional
from armsim.errormodel.terms import Term, independent
from armsim.physics.scale import unknown_shape_error


def slope_error(slope: Distribution, farthest: float) -> tuple[Term, ...]:
    """Error proportional to the position: the scale is too long, too short, or not parallel to its guide.

        slope * position

    Parameters
    ----------
    slope : Distribution
        Error per length, in metres per metre. [1]
    farthest : float
        Largest distance from the zero position; it sets the largest error. [m]

    Returns
    -------
    tuple of Term
        Error of the scale, reading minus truth. [m]

    References
    ----------
    .. [1] ISO 230-2:2014: systematic deviation of position of a linear axis.
    """
    shape = Proportional("position")
    return (independent("slope error", causes.SLOPE_ERROR, (slope,), (shape,), slope.limit * farthest),)


def abbe_error(offset: float, pitch: Distribution, fundamental: float) -> tuple[Term, ...]:
    """Abbe error: pitch of the guide times the offset between the scale and the line of interest.

    How the pitch varies along the travel is unknown: only its size is given (`terms.unknown_curve`).

    Parameters
    ----------
    offset : float
        Distance between the scale and the parallel line along which the position matters. [m]
    pitch : Distribution
        Rotation of the carriage about the axis perpendicular to the travel and the offset. [rad]
    fundamental : float
        Order of the longest wave of the pitch: 2 pi over the travel. [rad/m]

    Returns
    -------
    tuple of Term
        Error of the scale, reading minus truth. [m]

    References
    ----------
    .. [1] Abbe, Zeitschrift für Instrumentenkunde 10 (1890) 446.
    """
    return unknown_shape_error("abbe", causes.ABBE_OFFSET, pitch.scaled(abs(offset)), fundamental, 1)
