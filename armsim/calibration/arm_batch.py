"""Arms measured at the same poses, in whitened coordinates, for the variance components of their causes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.calibration.posterior import Estimator, Posterior
from armsim.sampling.random_draws import draw_units
from armsim.sampling_plan import SamplingPlan

NOISE_FLOOR = 1e-3
"""Noise floor as a share of the rms displacement; below it the linearised model is not accurate."""


@dataclass(frozen=True, eq=False)
class ArmBatch:
    """Arms measured at the same poses with the same visits, in m whitened coordinates in which noise has unit
    covariance.

    Parameters
    ----------
    transform : (m, 3 P) [m^-1]
        Whitening matrix from displacements to the coordinates.
    count : int
        Number of arms.
    scatter_matrix : (m, m)
        Sum over arms of the outer products of their coordinates.
    sqrt_covariance : (m, coefficients)
        Square root of the covariance by the causes as stated.
    membership : (K, coefficients)
        1 where a coefficient belongs to a component, else 0.
    samples : (K, units, m)
        Contributions of every component in drawn arms, at its stated spread.
    noise : (units, m)
        Noise of drawn arms.
    """

    transform: Array
    count: int
    scatter_matrix: Array
    sqrt_covariance: Array
    membership: Array
    samples: Array
    noise: Array

    @staticmethod
    def of(arms: Sequence[Posterior], causes: Sequence[str], units: int, seed: int) -> ArmBatch:
        """Batch of arms with a common estimator, with a component per cause.

        Parameters
        ----------
        arms : sequence of Posterior
        causes : sequence of str
            Names of the components.
        units : int
            Number of drawn arms.
        seed : int

        Returns
        -------
        ArmBatch
        """
        estimator = arms[0].estimator
        linear, transform = estimator.linear, _whitening(estimator)
        gain = transform @ linear.gain
        coefficients = draw_units(linear.terms, SamplingPlan(units, 2, seed)).T - linear.prior_mean
        sqrt_covariance, membership = np.zeros(gain.shape), np.zeros((len(causes), gain.shape[1]))
        samples = np.zeros((len(causes), len(coefficients), len(gain)))
        for term, term_slice in linear.terms_with_slices():
            n = causes.index(term.cause.name)
            values, vectors = np.linalg.eigh(linear.prior_covariance[term_slice, term_slice])
            sqrt_covariance[:, term_slice] = gain[:, term_slice] @ vectors * np.sqrt(np.maximum(values, 0.0))
            membership[n, term_slice] = 1.0
            samples[n] += coefficients[:, term_slice] @ gain[:, term_slice].T
        noise = np.random.default_rng(seed).standard_normal(samples.shape[1:])
        scatter_matrix = np.zeros((len(gain),) * 2)
        return ArmBatch(transform, 0, scatter_matrix, sqrt_covariance, membership, samples, noise).with_arms(arms)

    def with_arms(self, arms: Sequence[Posterior]) -> ArmBatch:
        """Batch with the readings of other arms."""
        residuals = np.array([arm.residuals for arm in arms]) @ self.transform.T
        return replace(self, count=len(arms), scatter_matrix=residuals.T @ residuals)

    def with_groups(self, groups: Sequence[Sequence[int]]) -> ArmBatch:
        """Batch with one component per group of causes that share a factor; causes of no group are left out."""
        samples = [self.samples[list(group)].sum(axis=0) for group in groups]
        membership = [self.membership[list(group)].sum(axis=0) for group in groups]
        return replace(self, membership=np.array(membership), samples=np.array(samples))

    def with_noise(self, components: Sequence[int]) -> ArmBatch:
        """Batch with some components, at their stated spread, counted as noise."""
        if not components:
            return self
        factors = np.zeros(len(self.membership))
        factors[list(components)] = 1.0
        inverse = np.linalg.inv(np.linalg.cholesky(self.covariance(factors)))
        membership = self.membership * (1.0 - factors)[:, None]
        noise = (self.noise + np.tensordot(factors, self.samples, 1)) @ inverse.T
        scatter_matrix = inverse @ self.scatter_matrix @ inverse.T
        transform, samples = inverse @ self.transform, self.samples @ inverse.T
        return ArmBatch(
            transform, self.count, scatter_matrix, inverse @ self.sqrt_covariance, membership, samples, noise
        )

    def covariance(self, squared_factors: Array) -> Array:
        """Covariance of the coordinates of an arm at squared factors of shape (K,), shape (m, m)."""
        return np.asarray(
            np.eye(len(self.sqrt_covariance))
            + self.sqrt_covariance * (squared_factors @ self.membership) @ self.sqrt_covariance.T
        )

    def score_and_information(self, squared_factors: Array) -> tuple[Array, Array]:
        """Score, shape (K,), and expected information, shape (K, K), of the batch."""
        weighted_roots = np.linalg.solve(self.covariance(squared_factors), self.sqrt_covariance)
        products = self.sqrt_covariance.T @ weighted_roots
        observed = np.einsum("ic,ic->c", weighted_roots, self.scatter_matrix @ weighted_roots)
        observed -= self.count * np.diag(products)
        return 0.5 * self.membership @ observed, 0.5 * self.count * self.membership @ products**2 @ self.membership.T

    def score_covariance(self, squared_factors: Array) -> Array:
        """Covariance of the score of the batch under the drawn distributions, shape (K, K)."""
        arms = self.noise + np.tensordot(np.sqrt(squared_factors), self.samples, 1)
        projected = arms @ np.linalg.solve(self.covariance(squared_factors), self.sqrt_covariance)
        return self.count * np.atleast_2d(np.cov(0.5 * self.membership @ projected.T**2))


def _whitening(estimator: Estimator) -> NDArray[np.float64]:
    """Whitening matrix onto the coordinates that at least one cause affects, shape (m, 3 P). [m^-1]"""
    _, sizes, rows = np.linalg.svd(estimator.projection)
    contrasts = rows[sizes > 1e-9 * sizes[0]]
    noise = contrasts @ estimator.noise @ contrasts.T
    floor = max(NOISE_FLOOR**2 * float(np.trace(estimator.displacement_covariance)) / len(noise), np.finfo(float).tiny)
    whitening = np.linalg.solve(np.linalg.cholesky(noise + floor * np.eye(len(noise))), contrasts)
    whitened_gain = whitening @ estimator.linear.gain
    reach_covariance = whitened_gain @ estimator.linear.prior_covariance @ whitened_gain.T
    values, vectors = np.linalg.eigh(reach_covariance)
    return np.asarray(vectors[:, values > 1e-9 * values[-1]].T @ whitening)
