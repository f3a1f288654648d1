"""Evidence on a task by which criteria are judged, and figures that several criteria share.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.requirement.requirement import Requirement
from armsim.results.pose_table import PoseTable
from armsim.results.poses import Interval
from armsim.results.summary import Yield
from armsim.sampling import statistics as stats
from armsim.sampling.gaussian import quantile_by_moments

if TYPE_CHECKING:  # figures read criteria without loading the compiler
    from armsim.sampling.population import TaskSample


@dataclass(frozen=True, eq=False)
class Evidence:
    """Evidence on a task: its poses, unit figures and requirement.

    Parameters
    ----------
    requirement : Requirement, optional
        At this task.
    poses : PoseTable
        As sampled.
    worst : int
        Pose with the largest quantile at the coverage.
    sample : TaskSample
    unreachable : sequence of str
        Names of the points that the arm cannot take.
    must_reach : bool
        Whether all of them must be reached.
    operation : str
        Names of the operating limits that the machine states; empty for none.
    path : bool
        Whether the poses follow each other along a path.
    """

    requirement: Requirement | None
    poses: PoseTable
    worst: int
    sample: TaskSample
    unreachable: Sequence[str]
    must_reach: bool
    operation: str
    path: bool

    @property
    def units(self) -> int:
        """Number of sampled units."""
        return len(self.sample.within_operation)


def required_share(requirement: Requirement | None) -> float:
    """Share of built arms that must meet the limits of single arms: the yield, 95 % where none is required."""
    return stats.LEVEL if requirement is None or requirement.yield_ is None else requirement.yield_


def largest_interval(poses: PoseTable, coverage: float, column: str = "error") -> Interval:
    """Interval of the largest quantile at the coverage over the poses; an end is infinite where undetermined.

    Parameters
    ----------
    poses : PoseTable
    coverage : float
        Probability of the quantile.
    column : str
        ``error`` or ``orientation_error``.

    Returns
    -------
    (low, high) [m or rad]
        Largest of the lower and largest of the upper ends of all poses.
    """
    values, ends = poses.column(f"{column}.at_coverage"), poses.column(f"{column}.at_coverage_interval")
    low, high = np.where(np.isnan(ends[:, 0]), -np.inf, ends[:, 0]), np.where(np.isnan(ends[:, 1]), np.inf, ends[:, 1])
    if coverage >= stats.LEVEL:  # the quantile is at least p95, whose interval serves if the sample gives none
        p95_low = poses.column("error.p95_interval")[:, 0] if column == "error" else np.full(len(values), np.nan)
        low = np.where(np.isneginf(low) & ~np.isnan(p95_low), p95_low, low)
    high = np.where(values > 0, high, 0.0)  # no error at all is certain
    low = np.where(values > 0, low, 0.0)
    return float(low.max()), float(high.max())


def lower_bound_by_median(values: Array, share: float) -> float:
    """Lower bound of a quantile over arms if the sample is too small for its interval: the lower bound of the median.

    Parameters
    ----------
    values : (units,)
    share : float
        Probability of the quantile; below one half the interval is not known.

    Returns
    -------
    float
        In the unit of the values.
    """
    (median,) = stats.unit_quantiles(values, (0.5,))
    return 0.0 if share < 0.5 or median.interval is None else median.interval[0]


def finite_or_none(interval: Interval) -> Interval | None:
    """Interval, or None where an end of it is infinite."""
    return interval if all(math.isfinite(end) for end in interval) else None


def share_of_passing(passing: NDArray[np.bool_], bounds: NDArray[np.bool_] | None = None) -> Yield:
    """Share of arms that pass, with its interval.

    Parameters
    ----------
    passing : (units,) bool
        Units that pass by their estimates.
    bounds : (2, units) bool, optional
        Units that pass for certain, and units that may pass.

    Returns
    -------
    Yield
        Share with its interval at 95 %.
    """
    units, passed = len(passing), int(np.count_nonzero(passing))
    fewest, most = (passed, passed) if bounds is None else (int(np.count_nonzero(row)) for row in bounds)
    interval = stats.clopper_pearson(fewest, units)[0], stats.clopper_pearson(most, units)[1]
    return Yield(passed / units, interval, passed, units)


def half_width_of_rp(poses: PoseTable) -> float:
    """Half-width of the 95 % interval of the numerical integration of RP, at the pose with the largest RP. [m]"""
    return float(poses.column("integration")[int(np.argmax(poses.column("repeatability.p95")))])


def first_order_quantile(poses: PoseTable, coverage: float) -> Array:
    """Quantile of the error at every pose by first order, as of a normal distribution, shape (poses,). [m]

    Parameters
    ----------
    poses : PoseTable
    coverage : float
        Probability of the quantile.

    Returns
    -------
    (poses,) [m]
    """
    return quantile_by_moments(poses.column("first_order.mean"), poses.column("first_order.covariance"), coverage)
