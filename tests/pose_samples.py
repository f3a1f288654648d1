"""Samples at one pose as arrays of all units and visits, for tests: a run keeps none of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from armsim.arrays import Array
from armsim.core.pose_kernel import PoseQuery, WorkItem, sample_poses
from armsim.core.quantiles import ROWS_READ, read_quantiles
from armsim.core.sample_kernel import Histograms
from armsim.sampling.first_order import FirstOrderErrors
from armsim.sampling.kernel_arrays import Scales, empty_histograms, empty_outputs, empty_units, quantile_query
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling.random_draws import draw_units
from armsim.sampling.statistics import TAIL, Estimate, means_from_moments


@dataclass(frozen=True, eq=False)
class PoseSample:
    """Sample of all units and visits at one pose, with its counts.

    Parameters
    ----------
    visits : int
        Visits per unit.
    bin_scales : (3, 2)
        As in `core.sample_kernel.Scale`.
    histograms : Histograms
    unit_statistics : (UNIT_STATISTICS, units)
        AP and RP of every unit in the limit of infinitely many visits, as in `core.unit_figures.statistics_of_block`.
    squared_errors : (units,) [m^2]
        Mean over the visits of the squared distance.
    sums : (SUMS,)
        Over visits and units, about the mean of first order.
    """

    visits: int
    bin_scales: Array
    histograms: Histograms
    unit_statistics: Array
    squared_errors: Array
    sums: Array

    @property
    def units(self) -> int:
        """Number of units."""
        return int(self.unit_statistics.shape[1])

    def read(self, measure: ArrayLike, probabilities: ArrayLike) -> Array:
        """Estimate quantiles from the counts, as `core.quantiles.read_quantiles`.

        Parameters
        ----------
        measure, probabilities : (quantiles,)
            Numbers of the measures, and probabilities.

        Returns
        -------
        (ROWS_READ, quantiles)
            Value [m or rad], share of visits up to its bin, share of pairs of visits up to it.
        """
        probabilities = np.asarray(probabilities, dtype=float)
        out = np.empty((ROWS_READ, len(probabilities)))
        kernel: Any = read_quantiles
        kernel(self.histograms, self.bin_scales, np.asarray(measure, dtype=np.int64), probabilities, out)
        return out


def sample_at(sampler: MachineAtPoses, pose: int, linear: FirstOrderErrors, task: int = 0) -> PoseSample:
    """Sample all units at one pose."""
    units, visits = sampler.plan.units, sampler.plan.visits
    at_pose, only = sampler.select(slice(pose, pose + 1)), linear.select(slice(pose, pose + 1))
    none = quantile_query([], [], [], units, visits)
    query = PoseQuery(none, none, TAIL, np.empty(0, dtype=np.int64))
    histogram_stack, arrays, outputs, scales = (
        empty_histograms(1),
        empty_units(1, units),
        empty_outputs(1, query, 0),
        Scales.from_first_order(only),
    )
    poses = at_pose.kernel_poses(at_pose.visit_distribution(), scales, np.zeros((1, 3)), np.array([pose]))
    part = WorkItem(0, 1, task, 0, units, visits, units, -1)
    sample_poses(poses, draw_units(sampler.terms, sampler.plan), part, query, histogram_stack, arrays, outputs)
    histograms = Histograms(*(counts[0] for counts in histogram_stack))
    return PoseSample(
        visits,
        scales.bin_scales[0],
        histograms,
        arrays.unit_statistics[0],
        arrays.squared_errors[0],
        outputs.sums[0],
    )


def all_visits(sampler: MachineAtPoses, pose: int, task: int = 0) -> tuple[Array, Array]:
    """Attained points of all units at one pose, as `Sampler.follow`."""
    return sampler.visit_displacements(pose, pose, task, draw_units(sampler.terms, sampler.plan), 0, sampler.plan.units)


def mean_over_units(per_unit: Array) -> Estimate:
    """Mean of a figure of shape (units,), with its interval; none from one unit."""
    residuals = per_unit - per_unit.mean()
    moments = np.array([[per_unit.mean(), np.mean(residuals**2), np.mean(residuals**3)]])
    mean, low, high = means_from_moments(moments, len(per_unit))[0].tolist()
    return Estimate(mean, None if np.isnan(low) else (low, high))
