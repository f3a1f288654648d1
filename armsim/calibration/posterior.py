"""Posterior of the error coefficients of a measured arm, and the error that it predicts at other poses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibration_records import ExpectedRecord
from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.reading_conditions import Conditions, thermal_growth
from armsim.calibration.reading_noise import InstrumentNoise, ReadingNoise
from armsim.calibration.registration import nuisance_projection
from armsim.model.machine import Machine

LEAST_RESOLVED = 0.01
"""Share of the prior variance of a cause that must be resolved before it is judged."""


@dataclass(frozen=True, eq=False)
class Estimator:
    """Best linear estimate of the error coefficients of an arm from its mean displacements at P poses.

    Parameters
    ----------
    linear : LinearPopulation
    displacement_covariance : (3 P, 3 P) [m^2]
        Covariance of the mean displacements over the population, including noise, frame and target projected out.
    inverse : (3 P, 3 P) [m^-2]
        Pseudo-inverse of that covariance.
    gain : (coefficients, 3 P) [m^-1]
        From displacements minus their mean to coefficients minus their mean.
    covariance : (coefficients, coefficients)
        Posterior covariance.
    projection : (3 P, 3 P)
        Projection that removes fitted frame and target from displacements; the identity where both are known.
    noise : (3 P, 3 P) [m^2]
        Covariance by visits and instrument, without a fit of frame and target.
    readings : ReadingNoise

    References
    ----------
    .. [1] Gauss-Markov with prior moments: Tarantola, Inverse Problem Theory (2005), 3.2.
    """

    linear: LinearPopulation
    displacement_covariance: Array
    inverse: Array
    gain: Array
    covariance: Array
    projection: Array
    noise: Array
    readings: ReadingNoise

    @staticmethod
    def of(
        linear: LinearPopulation,
        counts: Sequence[int],
        instrument: InstrumentNoise,
        registration_jacobian: Array | None = None,
    ) -> Estimator:
        """Estimator for a number of visits per pose.

        Parameters
        ----------
        linear : LinearPopulation
        counts : sequence of int
            Visits per pose.
        instrument : InstrumentNoise
            Noise of its readings.
        registration_jacobian : (3 P, K), optional
            Change of the readings per fitted parameter of frame and target, as `Setup.registration_jacobian`.

        Returns
        -------
        Estimator

        Raises
        ------
        ArithmeticError
            Frame and target are not separately identifiable from these poses.
        """
        noise = linear.noise(counts, instrument)
        displacement_covariance = linear.gain @ linear.prior_covariance @ linear.gain.T + noise
        values, vectors = np.linalg.eigh(displacement_covariance)
        inverse = _inverse(values, vectors, 1e-12 * float(np.abs(values).max(initial=0.0)))
        projection = np.eye(len(displacement_covariance))
        if registration_jacobian is not None and registration_jacobian.shape[1]:
            full = values + 1e-12 * float(np.mean(values))  # full rank: 1e-12 of the mean variance is added
            projection = nuisance_projection(_inverse(full, vectors, 0.0), registration_jacobian)
            inverse = projection.T @ inverse @ projection
            displacement_covariance = projection @ displacement_covariance @ projection.T
        reach = linear.prior_covariance @ linear.gain.T
        gain = reach @ inverse
        readings = linear.readings(counts, instrument)
        return Estimator(
            linear,
            displacement_covariance,
            inverse,
            gain,
            linear.prior_covariance - gain @ reach.T,
            projection,
            noise,
            readings,
        )

    @property
    def mean(self) -> Array:
        """Mean displacements of the population, with frame and target projected out, shape (3 P,). [m]"""
        return np.asarray(self.projection @ self.linear.mean)

    def resolved_share(self, term_slice: slice) -> float:
        """Share of the prior variance of a cause that the measurement resolves."""
        size = float(np.trace(self.linear.prior_covariance[term_slice, term_slice]))
        return 1.0 - float(np.trace(self.covariance[term_slice, term_slice])) / size if size > 0.0 else 0.0

    def estimate_covariance(self, term_slice: slice) -> Array:
        """Covariance of the estimated coefficients of a cause over the population: prior minus posterior covariance."""
        return np.asarray(
            self.linear.prior_covariance[term_slice, term_slice] - self.covariance[term_slice, term_slice]
        )

    @property
    def causes(self) -> list[int]:
        """Indices of the terms whose causes the poses resolve at least in part."""
        return [
            n
            for n, (_, term_slice) in enumerate(self.linear.terms_with_slices())
            if self.resolved_share(term_slice) > LEAST_RESOLVED
        ]


def _inverse(values: Array, vectors: Array, least: float) -> Array:
    """Pseudo-inverse of a symmetric matrix, without the directions whose eigenvalues are below the least."""
    positive = values > least
    return np.asarray((vectors[:, positive] / values[positive]) @ vectors[:, positive].T)


@dataclass(frozen=True, eq=False)
class Posterior:
    """Posterior of the error coefficients of a measured arm.

    Parameters
    ----------
    estimator : Estimator
    residuals : (3 P,) [m]
        Displacements minus their mean, with frame and target projected out.
    coefficients : (coefficients,)
        Estimated coefficients.
    leave_one_out : list of float
        Squared error of the prediction of every pose from the other poses, divided by its expected value.
    """

    estimator: Estimator
    residuals: Array
    coefficients: Array
    leave_one_out: list[float]

    @staticmethod
    def of(estimator: Estimator, displacement: Array) -> Posterior:
        """Posterior from mean displacements.

        Parameters
        ----------
        estimator : Estimator
        displacement : (3 P,) [m]

        Returns
        -------
        Posterior
        """
        residuals = estimator.projection @ displacement - estimator.mean
        coefficients = estimator.linear.prior_mean + estimator.gain @ residuals
        # residual of a pose that is left out, and its covariance, from the inverse for all poses
        left_out, weighted = [], estimator.inverse @ residuals
        for rows in estimator.linear.blocks:
            covariance = np.linalg.pinv(estimator.inverse[np.ix_(rows, rows)], hermitian=True)
            residual = covariance @ weighted[rows]
            left_out.append(float(residual @ np.linalg.pinv(covariance, hermitian=True) @ residual / len(rows)))
        return Posterior(estimator, residuals, coefficients, left_out)


@dataclass(frozen=True, eq=False)
class PredictedPoses:
    """Poses at which the error of a measured arm is predicted, with the effect of the coefficients there.

    Parameters
    ----------
    linear : LinearPopulation
        Linearised effect of the estimated coefficients at P poses.
    growth : (P, 3) [m/K]
        Thermal growth per kelvin if the temperature of the measurement was known, otherwise zero.
    rise : (mean, variance) [K, K^2]
        Mean and variance of the temperature rise at these poses.
    """

    linear: LinearPopulation
    growth: Array
    rise: tuple[float, float]

    @staticmethod
    def of(machine: Machine, joints: Array, temperature_known: bool) -> PredictedPoses:
        """Poses of the prediction at given joint positions, at the temperature that the machine states.

        Parameters
        ----------
        machine : Machine
        joints : (P, joints) [rad or m]
        temperature_known : bool
            Whether the temperature of the measurement was known.

        Returns
        -------
        PredictedPoses
        """
        rise_distribution = machine.environment.temperature_rise
        if not temperature_known or rise_distribution is None:
            plain = Conditions.positions_only(len(joints)) if temperature_known else None
            cold = None if plain is None else replace(plain, temperature_rises=np.zeros(len(joints)))
            return PredictedPoses(LinearPopulation.of(machine, joints, cold), np.zeros((len(joints), 3)), (0.0, 0.0))
        conditions = replace(
            Conditions.positions_only(len(joints)), temperature_rises=np.full(len(joints), rise_distribution.mean)
        )
        rise = rise_distribution.mean, rise_distribution.second_moment - rise_distribution.mean**2
        return PredictedPoses(
            LinearPopulation.of(machine, joints, conditions), thermal_growth(machine, joints, conditions), rise
        )

    @property
    def mean(self) -> Array:
        """Mean displacement by thermal growth, shape (P, 3). [m]"""
        return self.rise[0] * self.growth

    @property
    def variance(self) -> Array:
        """Variance of the displacement by thermal growth, summed over directions, shape (P,). [m^2]"""
        return np.asarray(self.rise[1] * np.sum(self.growth**2, axis=1))


def predicted_errors(
    posterior: Posterior, predicted_poses: PredictedPoses, names: Sequence[str], ratio: float = 1.0
) -> tuple[ExpectedRecord, ...]:
    """Predicted displacement of a measured arm at every pose, and its standard deviation.

    Parameters
    ----------
    posterior : Posterior
    predicted_poses : PredictedPoses
    names : sequence of str
        Names of the poses.
    ratio : float
        Factor on the remaining standard deviation.

    Returns
    -------
    tuple of ExpectedRecord
        In the base frame. [m]
    """
    linear, growth_variance = predicted_poses.linear, predicted_poses.variance
    mean = (linear.gain @ posterior.coefficients + linear.visit_mean).reshape(-1, 3) + predicted_poses.mean
    out = []
    for n, name in enumerate(names):
        rows = linear.gain[3 * n : 3 * n + 3]
        square = ratio**2 * max(np.trace(rows @ posterior.estimator.covariance @ rows.T), 0.0)
        uncertainty = float(np.sqrt(square + growth_variance[n]))
        prior_size = float(np.sqrt(max(np.trace(rows @ linear.prior_covariance @ rows.T), 0.0) + growth_variance[n]))
        x, y, z = mean[n].tolist()
        out.append(ExpectedRecord(name, (x, y, z), float(np.linalg.norm(mean[n])), uncertainty, prior_size))
    return tuple(out)
