"""First-order propagation of the terms through the Jacobian.

    dp = sum over terms and coefficients of c_k g_k,   g_k = sum over axes of J_axis shape_k,axis

    mean       sum of E c_k g_k                      means of all terms add as vectors
    covariance sum over terms of G Cov(c) G^T        terms are independent of each other

References
----------
.. [1] JCGM 102:2011 6.2: law of propagation of uncertainty for several outputs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.model.machine import EvaluatedMachine


@dataclass(frozen=True, eq=False)
class FirstOrderErrors:
    """First-order mean and covariance of the error at P poses.

    Parameters
    ----------
    mean : (P, 3) [m]
    covariance : (P, 3, 3) [m^2]
    contributions : (terms, P) [m^2]
        Trace of each term's covariance; with the squared mean they add up to the mean square error.
    means : (terms, P, 3) [m]
        Mean of each term alone.
    """

    mean: Array
    covariance: Array
    contributions: Array
    means: Array

    @property
    def bias_contributions(self) -> Array:
        """Contribution of each term to the squared mean, shape (terms, P): its mean times the total mean. [m^2]

        They sum to the squared mean; a term that opposes the total mean contributes negatively.
        """
        return np.asarray(np.einsum("tpj,pj->tp", self.means, self.mean))

    @property
    def mean_square(self) -> Array:
        """E|dp|^2, shape (P,). [m^2]"""
        return np.asarray(np.trace(self.covariance, axis1=1, axis2=2) + np.sum(self.mean**2, axis=1))

    def select(self, poses: slice) -> FirstOrderErrors:
        """Some of the poses, as views."""
        return FirstOrderErrors(
            self.mean[poses], self.covariance[poses], self.contributions[:, poses], self.means[:, poses]
        )

    def shares(self, poses: int | slice) -> tuple[Array, float]:
        """Share of every term, and of the mean, in the mean square error at one or more poses; zero without error.

        Over several poses, each is weighted by its mean square error.
        """
        contributions = self.contributions[:, poses].reshape(len(self.contributions), -1).sum(axis=1)
        mean = float(np.sum(self.mean[poses] ** 2))
        total = float(contributions.sum()) + mean
        return (contributions / total, mean / total) if total else (np.zeros_like(contributions), 0.0)


def rotation_mean_square(evaluated: EvaluatedMachine) -> Array:
    """Mean square of the angle between attained and commanded orientation, shape (P,). [rad^2]"""
    poses = len(evaluated.postures.column)
    mean, square = np.zeros((poses, 3)), np.zeros(poses)
    for term, g in evaluated.gains(orientation=True):
        mean += g @ term.mean
        square += np.einsum("pjk,kl,pjl->p", g, term.covariance, g)
    return np.asarray(np.maximum(square, 0.0) + np.sum(mean**2, axis=1))


def linearise(evaluated: EvaluatedMachine) -> FirstOrderErrors:
    """Propagate every term of an evaluated machine to first order."""
    poses = len(evaluated.postures.column)
    mean = np.zeros((poses, 3))
    covariance = np.zeros((poses, 3, 3))
    contributions = np.zeros((len(evaluated.terms), poses))
    means = np.zeros((len(evaluated.terms), poses, 3))
    for t, (term, g) in enumerate(evaluated.gains()):
        means[t] = g @ term.mean
        mean += means[t]
        term_covariance = g @ term.covariance @ np.swapaxes(g, 1, 2)
        covariance += term_covariance
        contributions[t] = np.maximum(np.trace(term_covariance, axis1=1, axis2=2), 0.0)  # rounding may make it negative
    diagonal = np.einsum("pii->pi", covariance)
    np.maximum(diagonal, 0.0, out=diagonal)  # rounding may make a variance slightly negative
    return FirstOrderErrors(mean, covariance, contributions, means)
