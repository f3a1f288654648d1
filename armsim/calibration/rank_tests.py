"""P-values of a measured arm: its rank among simulated arms of the predicted population.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.calibration.measured_population import SimulatedMeasurements
from armsim.calibration.posterior import Estimator
from armsim.documents.measured_points import MeasuredArm
from armsim.sampling.statistics import holm

Band = tuple[float, float, float]

SIGNIFICANT = 0.01
"""Chance of a false alarm. Common practice, no source."""
TESTS = 5
"""Number of tests that share it: all poses, single poses, single causes, scatter of the visits, single readings."""


@dataclass(frozen=True, eq=False)
class Reference:
    """Reference distribution: distances of simulated arms from the mean of their population.

    Parameters
    ----------
    estimator : Estimator
    simulated : SimulatedMeasurements
    medians : (P, 1) [m]
        Median RP.
    squared_distances : (2 + P + causes, units)
        Squared distances of the means over all poses, of the scatter, of every pose and of every cause; each row in
        ascending order.
    bands : pair of lists of (5 %, 50 %, 95 %)
        Quantiles of AP and of RP per pose. [m]
    """

    estimator: Estimator
    simulated: SimulatedMeasurements
    medians: Array
    squared_distances: Array
    bands: tuple[list[Band], list[Band]]

    @staticmethod
    def of(estimator: Estimator, simulated: SimulatedMeasurements) -> Reference:
        """Reference distribution of the distances of simulated arms.

        Parameters
        ----------
        estimator : Estimator
        simulated : SimulatedMeasurements
            Arms of the population, measured as the arm under test.

        Returns
        -------
        Reference
        """
        medians = np.maximum(np.median(simulated.repeatability, axis=1, keepdims=True), np.finfo(float).tiny)
        bands = _bands(simulated.accuracy), _bands(simulated.repeatability)
        return Reference(
            estimator, simulated, medians, np.sort(_squared_distances(estimator, simulated, medians), axis=1), bands
        )

    def p_values(self, arm: SimulatedMeasurements) -> list[float]:
        """P-values of an arm by its rank in the population, one for every row of ``squared_distances``.

        References
        ----------
        .. [1] Davison, Hinkley, Bootstrap Methods and their Application (1997), 4.2: Monte Carlo tests.
        """
        distances = _squared_distances(self.estimator, arm, self.medians)[:, 0]
        units = self.squared_distances.shape[1]
        nearer = [
            int(np.searchsorted(row, value)) for row, value in zip(self.squared_distances, distances, strict=True)
        ]
        return [(1 + units - rank) / (1 + units) for rank in nearer]


def _bands(figure: Array) -> list[Band]:
    """5, 50 and 95 % quantiles of a figure over the simulated arms, per pose."""
    return [(low, middle, high) for low, middle, high in np.quantile(figure, (0.05, 0.5, 0.95), axis=1).T.tolist()]


def _squared_distances(estimator: Estimator, arms: SimulatedMeasurements, medians: Array) -> Array:
    """Squared Mahalanobis distances by the first-order mean and covariance, and mean RP in units of its medians."""
    residuals = arms.means - estimator.mean
    coefficients, terms_with_slices = residuals @ estimator.gain.T, list(estimator.linear.terms_with_slices())
    rows = [_distances(residuals, estimator.displacement_covariance), np.mean(arms.repeatability / medians, axis=0)]
    for pose in estimator.linear.blocks:
        rows.append(_distances(residuals[:, pose], estimator.displacement_covariance[np.ix_(pose, pose)]))
    for n in estimator.causes:
        term_slice = terms_with_slices[n][1]
        rows.append(_distances(coefficients[:, term_slice], estimator.estimate_covariance(term_slice)))
    return np.array(rows)


@dataclass(frozen=True, eq=False)
class RankTests:
    """P-values and percentiles of a measured arm, by its rank among simulated arms.

    Parameters
    ----------
    units : int
        Number of simulated arms.
    level : float
        Level of significance of each of the `TESTS`.
    p_value : float
        P-value of the mean displacements over all poses.
    scatter_p_value : float
        P-value of the scatter of the visits.
    by_pose : list of float
        P-values of single poses.
    significant_at_poses : list of bool
        Whether each of these is significant.
    by_cause : mapping of int to float
        P-values of the causes that the poses resolve at least partly, by index of the term.
    significant_causes : frozenset of int
        Indices of the significant ones.
    accuracy_percentile, repeatability_percentile : list of float
        Share of simulated arms with a smaller AP, RP, per pose.
    accuracy_population, repeatability_population : list of (5 %, 50 %, 95 %) [m]
        Quantiles of AP, RP of simulated arms, per pose.
    """

    units: int
    level: float
    p_value: float
    scatter_p_value: float
    by_pose: list[float]
    significant_at_poses: list[bool]
    by_cause: dict[int, float]
    significant_causes: frozenset[int]
    accuracy_percentile: list[float]
    repeatability_percentile: list[float]
    accuracy_population: list[Band]
    repeatability_population: list[Band]

    @property
    def compatible(self) -> bool:
        """Whether the arm may be one of the population."""
        return (
            min(self.p_value, self.scatter_p_value) > self.level
            and not any(self.significant_at_poses)
            and not self.significant_causes
        )

    @staticmethod
    def of(arm: MeasuredArm, reference: Reference, alarm: float = SIGNIFICANT) -> RankTests:
        """Tests of an arm by its rank among the simulated arms, valid for any distribution.

        Parameters
        ----------
        arm : MeasuredArm
            Arm with its poses in the order of the reference.
        reference : Reference
        alarm : float
            Probability that an arm of the population is called wrong.

        Returns
        -------
        RankTests
        """
        estimator, simulated, each = reference.estimator, reference.simulated, alarm / TESTS
        partners = estimator.linear.partners
        oriented = (partners != np.arange(len(partners))).tolist()
        visits_by_pose = (rows[None] for rows in arm.visits.values())
        measured = SimulatedMeasurements.of(visits_by_pose, noise=estimator.readings, oriented=oriented)
        overall, scatter, *others = reference.p_values(measured)
        poses = len(estimator.linear.blocks)
        by_pose = others[:poses]
        by_cause = dict(zip(estimator.causes, others[poses:], strict=True))
        significant_causes = [
            n for n, is_significant in zip(by_cause, holm(list(by_cause.values()), each), strict=True) if is_significant
        ]
        return RankTests(
            len(simulated.means), each, overall, scatter, by_pose, holm(by_pose, each), by_cause,
            frozenset(significant_causes), np.mean(simulated.accuracy <= measured.accuracy, axis=1).tolist(),
            np.mean(simulated.repeatability <= measured.repeatability, axis=1).tolist(), *reference.bands,
        )  # fmt: skip


def _distances(residuals: Array, covariance: Array) -> Array:
    """Squared Mahalanobis distances of rows, in the directions in which the covariance is not zero."""
    values, vectors = np.linalg.eigh(covariance)
    positive = values > 1e-9 * values[-1]
    return np.asarray(np.sum((residuals @ vectors[:, positive]) ** 2 / values[positive], axis=1))
