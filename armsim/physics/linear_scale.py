"""Error terms of linear scales that rotary ones lack: slope, expansion, and the Abbe offset of the guide."""

from __future__ import annotations

from armsim import causes
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Proportional
from armsim.errormodel.terms import Term, independent
from armsim.physics.scale import of_unknown_shape


def slope_error(slope: Distribution, farthest: float) -> tuple[Term, ...]:
    """Error in proportion to the position: a scale that is too long or too short, or not parallel to its guide.

    Parameters
    ----------
    slope : Distribution
        Metres per metre. [1]
    farthest : float
        Largest distance from zero, for the limit. [m]

    Returns
    -------
    tuple of Term
        At the scale, reading minus truth. [m]

    References
    ----------
    .. [1] ISO 230-2:2014: systematic deviation of position of a linear axis.
    """
    shape = Proportional("position")
    return (independent("slope error", causes.SLOPE_ERROR, (slope,), (shape,), slope.limit * farthest),)


def abbe(offset: float, pitch: Distribution, fundamental: float) -> tuple[Term, ...]:
    """Pitch of the guide times the offset between scale and tool line.

    The pitch along the travel is a curve of which only the size is known (`terms.unknown_curve`).

    Parameters
    ----------
    offset : float
        Distance between the scale and the line along which the position matters. [m]
    pitch : Distribution
        Rotation of the carriage about the axis square to both. [rad]
    fundamental : float
        Order of the longest wave, 2 pi over the travel. [rad/m]

    Returns
    -------
    tuple of Term
        At the scale, reading minus truth. [m]

    References
    ----------
    .. [1] Abbe, Zeitschrift für Instrumentenkunde 10 (1890) 446 (from memory).
    """
    return of_unknown_shape("abbe", causes.ABBE_OFFSET, pitch.scaled(abs(offset)), fundamental, 1)
