"""Integrals over the distribution of the visits, on scrambled Sobol nets; they are those of `visit_distribution`.

All poses share the nets, so that the largest RP over many poses is hardly biased, and all designs do, so that
differences are paired.

References
----------
.. [1] Owen, "Monte Carlo extension of quasi-Monte Carlo", Proc. Winter Simulation Conference (1998) 571: the
   uncertainty of an integral from independent scramblings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from armsim import disk_cache
from armsim.arrays import Array
from armsim.core.visit_sums import DISTANCE_POWERS, POINTS, sum_distance_powers, sum_influences
from armsim.errormodel.distributions import Distribution, open_interval
from armsim.errormodel.terms import VISIT_DISTRIBUTIONS
from armsim.sampling.random_draws import stream_key
from armsim.sampling.statistics import half_width_of_nets
from armsim.sampling_plan import SamplingPlan
from armsim.version import package_version, source_digest

KIND, MOST_FILES = "nets", 16
"""Most sets of nets in the disk cache; 9 MB for those of the demo."""
NETS = 8
"""Number of independent scramblings."""
MOST_POINTS = 8192
"""Most points of a net."""
SAMPLES_PER_POINT = 4
"""Pose-samples of the plan per point of all nets: finer sampling, finer integration."""
STANDARD: dict[str, Distribution] = {
    distribution: Distribution(distribution, 1.0 / Distribution(distribution, 1.0).rms)
    for distribution in VISIT_DISTRIBUTIONS
}
"""Distributions of visit coefficients, scaled to variance 1."""
STD = {distribution: 1.0 / spread.scale for distribution, spread in STANDARD.items()}
"""Standard deviation of each distribution at scale 1."""
CONSTANT_DISTANCE = 1e-6
"""Relative scatter of the distance below which the distance counts as constant."""


def points_of(plan: SamplingPlan) -> int:
    """Number of points of a net for a plan, a power of two."""
    needed = max(plan.units * plan.visits / (SAMPLES_PER_POINT * NETS), POINTS)
    return min(1 << int(math.log2(needed)), MOST_POINTS)


@lru_cache(maxsize=16)
def nets(seed: int, distributions: tuple[str, ...], points: int) -> Array:
    """Standardised coefficients on scrambled nets, shape (NETS, coefficients, points).

    Parameters
    ----------
    seed : int
    distributions : tuple of str
        Name of the distribution per coefficient.
    points : int
        Points per net.

    Returns
    -------
    (NETS, coefficients, points)
    """
    name = stream_key(seed, package_version(), source_digest(), *distributions, points).hex()
    cached = disk_cache.load(KIND, name)
    if cached is not None and cached.get("nets", np.empty(0)).shape == (NETS, len(distributions), points):
        return np.asarray(cached["nets"], dtype=float)
    from scipy.stats import qmc  # takes half a second to load, longer than all nets

    out = np.empty((NETS, len(distributions), points))
    for number in range(NETS):
        entropy = int.from_bytes(stream_key(seed, "visit law", number), "little")
        uniform = qmc.Sobol(len(distributions), scramble=True, rng=np.random.default_rng(entropy)).random(points).T
        for k, distribution in enumerate(distributions):
            out[number, k] = STANDARD[distribution].quantile(open_interval(uniform[k]))
    disk_cache.save(KIND, name, {"nets": out}, MOST_FILES)
    return out


@dataclass(frozen=True, eq=False)
class VisitIntegrals:
    """Integrals over the distribution of the visits at P poses; compiled code sums them, some poses at a time.

    Parameters
    ----------
    gains : (P, coefficients, 3) [m]
        Effect of each standardised coefficient.
    standardised : (NETS, coefficients, points)
        As `nets` returns them.
    moments : (NETS, P, DISTANCE_POWERS)
        Means of the powers of the distance by each net.
    influences : (P, coefficients, 3)
        Mean of every coefficient times the direction of the displacement.
    """

    gains: Array
    standardised: Array
    moments: Array
    influences: Array

    @staticmethod
    def prepare(distributions: tuple[str, ...], gains: Array, plan: SamplingPlan) -> VisitIntegrals:
        """Integrals still to be summed.

        Parameters
        ----------
        distributions : tuple of str
            Name of the distribution per coefficient.
        gains : (P, coefficients, 3) [m]
        plan : SamplingPlan
            Seed of the scrambling of the nets, and size that sets their number of points.

        Returns
        -------
        VisitIntegrals
        """
        standardised = nets(plan.seed, distributions, points_of(plan)) if distributions else np.empty((NETS, 0, 1))
        return VisitIntegrals(gains, standardised, np.zeros((NETS, len(gains), DISTANCE_POWERS)), np.zeros_like(gains))

    def sum(self, poses: slice = slice(None)) -> None:
        """Sum the integrals of some poses, which may be done in several threads at a time."""
        self.sum_moments(poses)
        if self.standardised.shape[1]:
            sum_influences(self.standardised[0], self.gains[poses], self.influences[poses])
            self.influences[poses] /= self.standardised.shape[2]

    def sum_moments(self, poses: slice = slice(None)) -> None:
        """Sum the powers of the distance alone."""
        if self.standardised.shape[1]:
            for standardised, moments in zip(self.standardised, self.moments, strict=True):
                sum_distance_powers(standardised, self.gains[poses], moments[poses])
            self.moments[:, poses] /= self.standardised.shape[2]


def integrate(distributions: tuple[str, ...], gains: Array, plan: SamplingPlan) -> tuple[Array, Array, Array, Array]:
    """RP of independent coefficients with given distributions, as `repeatability_of`.

    Parameters
    ----------
    distributions, gains, plan
        As of `VisitIntegrals.prepare`.

    Returns
    -------
    repeatability, spread, half_width, by_net
        As of `repeatability_of`.
    """
    integrals = VisitIntegrals.prepare(distributions, gains, plan)
    integrals.sum_moments()
    return repeatability_of(integrals)


def repeatability_of(integrals: VisitIntegrals) -> tuple[Array, Array, Array, Array]:
    """RP of independent coefficients with given distributions.

    Parameters
    ----------
    integrals : VisitIntegrals
        Summed.

    Returns
    -------
    repeatability, spread, half_width : (P,) [m]
        RP, standard deviation of the distance, half of the 95 % interval of RP.
    by_net : (P, NETS) [m]
        RP from each net, linearised.
    """
    gains, moments = integrals.gains, integrals.moments
    poses = len(gains)
    f1, f2, f3, f4 = np.moveaxis(moments.mean(axis=0), -1, 0)
    square = np.sum(gains**2, axis=(1, 2))
    spread = np.sqrt(np.maximum(f2 - f1**2, 0.0))
    scattered = spread > CONSTANT_DISTANCE * np.maximum(f1, 1e-300)
    safe = np.where(scattered, spread, 1.0)
    # RP changes by  a df1 + b df2;  f^2, whose mean is known, is the control variate
    a = np.where(scattered, 1.0 - 3.0 * f1 / safe, 1.0)
    b = np.where(scattered, 1.5 / safe, 0.0)
    variance_of_square = np.maximum(f4 - f2**2, 0.0)
    control = (
        np.divide(
            a * (f3 - f1 * f2),
            variance_of_square,
            out=np.zeros(poses),
            where=scattered & (variance_of_square > 1e-12 * f2**2),
        )
        + b
    )
    repeatability = f1 + 3.0 * np.where(scattered, spread, 0.0) - control * (f2 - square)
    net_deviations = a * (moments[..., 0] - f1) + (b - control) * (moments[..., 1] - f2)
    net_deviations = np.ascontiguousarray(
        net_deviations.T
    )  # so that sums over nets do not depend on the number of poses
    return (
        repeatability,
        np.where(scattered, spread, 0.0),
        half_width_of_nets(net_deviations),
        repeatability[:, None] + net_deviations,
    )
