"""Results at a pose. SI units.

Field names are the contract of results.json; an undefined number (an interval from one unit) is null there and nan in
a row of the table. A new figure is one field here: its place in the row follows from the type.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal, get_args

import numpy as np

from armsim.results.ellipsoids import ellipsoids

Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]
Interval = tuple[float, float]
ValidationVerdict = Literal["agrees", "differs", "undecided"]
VERDICTS: tuple[ValidationVerdict, ...] = get_args(ValidationVerdict)
BIAS = ("bias", "mean")
"""Owner and cause of the share of the mean."""


@dataclass(frozen=True)
class Ellipsoid:
    """Ellipsoid about the mean error that holds 95 % of normal errors: semi-axes [m], longest first, and directions."""

    semi_axes: Vector
    directions: Matrix

    @staticmethod
    def from_covariance(covariance: Any) -> Ellipsoid:
        """Ellipsoid from a covariance of shape (3, 3). [m^2]"""
        semi_axes, directions = ellipsoids(np.asarray(covariance))
        return Ellipsoid(vector(semi_axes), matrix(directions))


@dataclass(frozen=True)
class ErrorStatistics:
    """Error of the tool point at one pose, units and visits pooled. Quantiles are of its length.

    ``at_coverage`` is the quantile at the coverage of the requirement (95 % without one). Intervals are at 95 %.
    ``at_coverage_doubt`` is twice the standard deviation of that quantile, estimated from batches of units (JCGM
    101:2008 7.9.4); null except in a run with a tolerance.
    """

    mean: Vector
    covariance: Matrix
    rms: float
    rms_interval: Interval | None
    p50: float
    p95: float
    p99: float
    max: float
    p95_interval: Interval | None
    at_coverage: float
    at_coverage_interval: Interval | None
    at_coverage_doubt: float | None
    ellipsoid: Ellipsoid


@dataclass(frozen=True)
class OrientationStatistics:
    """Angle of the orientation error at one pose, units and visits pooled. [rad]

    ``at_coverage`` is the quantile at the coverage of the requirement (95 % without one), with its interval at 95 %.
    """

    rms: float
    p95: float
    at_coverage: float
    at_coverage_interval: Interval | None


@dataclass(frozen=True)
class UnitQuantiles:
    """Quantiles over built units of a figure of a unit, with 95 % intervals."""

    p50: float | None
    p95: float | None
    p50_interval: Interval | None
    p95_interval: Interval | None


@dataclass(frozen=True)
class Validation:
    """Comparison of the coverage intervals of first order and Monte Carlo, JCGM 101:2008 clause 8.

    ``difference`` is the distance of the interval ends that decide, of the six of the three coordinates; ``tolerance``
    is the numerical tolerance; ``sampling`` the 95 % half-width of the difference from sampling alone, null where the
    sample does not determine it. The verdict is ``undecided`` where sampling is too coarse.
    """

    digits: int
    difference: float
    tolerance: float
    sampling: float | None
    verdict: ValidationVerdict


@dataclass(frozen=True)
class FirstOrder:
    """First-order propagation of the same terms through the Jacobian. ``validation``: to two digits, then to one."""

    mean: Vector
    rms: float
    covariance: Matrix
    validation: tuple[Validation, ...]


@dataclass(frozen=True)
class PoseResult:
    """All results at one pose. Shares are of E|dp|^2, by owner and cause; with ``bias`` they sum to 1.

    ``bias_shares`` attribute the bias: the component of each owner and cause along the mean error. They sum to the
    share of the bias; a cause that reduces it has a negative share. ``cause_means`` are the mean errors of each of them
    alone [m]. ``visit_share`` is the share of the errors that change from visit to visit. ``accuracy`` and
    ``repeatability`` are those of a unit in the limit of infinitely many visits; ``integration`` is the half-width of
    the 95 % interval of RP from its numerical integration, which the intervals of ``repeatability`` contain [m].

    On a path ``accuracy`` and ``repeatability`` are taken in the plane across it, ``along`` is the length of the path
    up to here [m] and ``first_unit`` the mean error of the first built unit [m]. ``conditioning`` is the smallest
    singular value of the Jacobian over the largest, lengths in reaches of the arm: 0 in a singular posture.
    """

    name: str
    joints: tuple[float, ...]
    position: Vector
    error: ErrorStatistics
    orientation_error: OrientationStatistics
    accuracy: UnitQuantiles
    repeatability: UnitQuantiles
    orientation_accuracy: UnitQuantiles
    orientation_repeatability: UnitQuantiles
    visit_share: float
    conditioning: float
    along: float | None
    first_unit: Vector | None
    first_order: FirstOrder
    shares: dict[str, dict[str, float]]
    bias_shares: dict[str, dict[str, float]] = field(default_factory=dict)
    cause_means: dict[str, dict[str, Vector]] = field(default_factory=dict)
    integration: float = 0.0


def vector(values: Any) -> Vector:
    """Three floats."""
    return (float(values[0]), float(values[1]), float(values[2]))


def matrix(values: Any) -> Matrix:
    """Three rows of three floats, from nine in any shape."""
    flat = np.ravel(values)
    return (vector(flat[:3]), vector(flat[3:6]), vector(flat[6:]))
