"""Spread of every cause over several measured arms, as a factor of the stated spread: variance components.

The mean displacements of arm a, less the stated mean of the population, are

    y_a = sum over causes k of  s_k G_k c_ka  +  e_a,     cov(c_ka) = P_k  and  cov(e_a) = R  as stated,

and the factors s_k >= 0 of all causes are estimated together by maximum likelihood. The mean is given. Only the factors
and the frame and target of the instrument are fitted; the latter are eliminated by error contrasts, which gives
restricted maximum likelihood (REML).

A unit is one simulated arm with its own drawn error coefficients.

Coefficients need not be normal. The likelihood ratio of a factor then is, for many arms, lambda times chi-square of one
degree of freedom, with lambda from the information and the covariance of the score; that covariance is computed from
arms whose coefficients are drawn from the distributions of the machine.

References
----------
.. [1] Patterson, Thompson, Biometrika 58 (1971) 545: restricted maximum likelihood by error contrasts.
.. [2] Searle, Casella, McCulloch, Variance Components (1992), 6.2 and 8.2: likelihood, scoring.
.. [3] Kent, Biometrika 69 (1982) 19: the likelihood ratio under a misspecified distribution.
.. [4] Self, Liang, J. Am. Stat. Assoc. 82 (1987) 605: factors at the bound of zero, where chi-square is too wide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.calibration.arm_batch import ArmBatch
from armsim.calibration.posterior import Posterior
from armsim.sampling.statistics import LEVEL

TOTAL_DRAWN_ARMS, MIN_DRAWN_ARMS_PER_BATCH = 4000, 500
"""Drawn arms for the covariance of the score: over all batches, and at least per batch."""
LARGEST_UNDETECTED_FACTOR = 10.0
"""Largest factor on the stated spread of a cause that may go undetected at two sigma, all other causes as stated, for
the cause to be estimated."""
CONFOUNDED_CORRELATION = 0.9
"""Correlation of two estimates above which their causes count as indistinguishable. Common practice, no source."""
MAX_ITERATIONS, CONVERGED = 100, 1e-7
"""Largest number of scoring steps; predicted increase of the log likelihood below which they stop."""
MAX_SCALE_ITERATIONS = 5
"""Largest number of evaluations of the scale of the likelihood ratio per interval bound."""
LARGEST_FACTOR = 1e6
"""Factor up to which the upper interval bound is searched."""


@dataclass(frozen=True, eq=False)
class Likelihood:
    """Normal likelihood of the squared factors, shape (K,), of independent batches."""

    batches: tuple[ArmBatch, ...]

    @property
    def components(self) -> int:
        """Number of factors."""
        return len(self.batches[0].membership)

    def value(self, squared_factors: Array) -> float:
        """Log likelihood, up to a constant."""
        out = 0.0
        for batch in self.batches:
            covariance = batch.covariance(squared_factors)
            lower = np.linalg.cholesky(covariance)
            quadratic = float(np.trace(np.linalg.solve(covariance, batch.scatter_matrix)))
            out -= batch.count * float(np.sum(np.log(np.diag(lower)))) + 0.5 * quadratic
        return out

    def score_and_information(self, squared_factors: Array) -> tuple[Array, Array]:
        """Score, shape (K,), and expected information, shape (K, K)."""
        scores, informations = zip(
            *(batch.score_and_information(squared_factors) for batch in self.batches), strict=True
        )
        return np.sum(scores, axis=0), np.sum(informations, axis=0)

    def maximum(self, start: Array, fixed: int | None = None) -> Array:
        """Squared factors at the maximum of the likelihood.

        Every step is one of Fisher scoring within the bounds: the quadratic model is solved as non-negative least
        squares, and the step is halved until the likelihood grows enough.

        Parameters
        ----------
        start : (K,)
        fixed : int, optional
            Index of a component that stays at its start.

        Returns
        -------
        (K,)

        References
        ----------
        .. [1] Lawson, Hanson, Solving Least Squares Problems (1974), 23: non-negative least squares.
        """
        from scipy.optimize import nnls

        squared_factors, value = start, self.value(start)
        free = np.array([n for n in range(self.components) if n != fixed], dtype=int)
        for _ in range(MAX_ITERATIONS if len(free) else 0):
            score, information = self.score_and_information(squared_factors)
            curvature = information[np.ix_(free, free)]
            scale = 1.0 / np.sqrt(np.maximum(np.diag(curvature), np.finfo(float).tiny))
            upper = np.linalg.cholesky(curvature * np.outer(scale, scale) + 1e-9 * np.eye(len(free))).T
            rhs = upper @ (squared_factors[free] / scale) + np.linalg.solve(upper.T, score[free] * scale)
            step = nnls(upper, rhs)[0] * scale - squared_factors[free]
            predicted_gain, step_length = float(step @ score[free]), 1.0
            if predicted_gain < CONVERGED:
                break
            while step_length > 1e-6:
                candidate = squared_factors.copy()
                candidate[free] = np.maximum(candidate[free] + step_length * step, 0.0)
                candidate_value = self.value(candidate)
                if candidate_value >= value + 1e-4 * step_length * predicted_gain:
                    break
                step_length /= 2.0
            else:
                break
            squared_factors, value = candidate, candidate_value
        return squared_factors

    def ratio_scale(self, squared_factors: Array, component: int) -> float:
        """Lambda: mean of the likelihood ratio of a factor under the drawn distributions; 1 if they are normal.

        Parameters
        ----------
        squared_factors : (K,)
        component : int
            Index of the component of the factor.

        Returns
        -------
        float
        """
        free = [n for n in range(self.components) if squared_factors[n] > 0.0 or n == component]
        information = self.score_and_information(squared_factors)[1][np.ix_(free, free)]
        score = np.sum([batch.score_covariance(squared_factors) for batch in self.batches], axis=0)[np.ix_(free, free)]
        row = np.linalg.pinv(information, hermitian=True)[free.index(component)]
        return float(row @ score @ row / row[free.index(component)])


@dataclass(frozen=True, eq=False)
class Profile:
    """Profile likelihood of one factor, maximised over all others.

    Parameters
    ----------
    likelihood : Likelihood
    best : (K,)
        Squared factors of largest likelihood.
    component : int
        Index of the component of the factor.
    """

    likelihood: Likelihood
    best: Array
    component: int

    @property
    def factor(self) -> float:
        """Maximum-likelihood estimate of the factor."""
        return float(np.sqrt(self.best[self.component]))

    def signed_root(self, factor: float, scale: float | None = None) -> float:
        """Signed square root of the scaled likelihood-ratio statistic; standard normal if ``factor`` is the true one.

        Parameters
        ----------
        factor : float
            Ratio of estimated to stated spread.
        scale : float, optional
            Lambda of reference [3] of the module; by default its value at ``factor``.

        Returns
        -------
        float
        """
        squared_factors = self._others(factor)
        ratio = 2.0 * (self.likelihood.value(self.best) - self.likelihood.value(squared_factors))
        scale = self.likelihood.ratio_scale(squared_factors, self.component) if scale is None else scale
        return float(np.sign(factor**2 - self.best[self.component]) * np.sqrt(max(ratio, 0.0) / scale))

    def interval(self) -> tuple[float, float]:
        """95 % interval of the factor."""
        from scipy.stats import norm

        quantile = float(norm.ppf(0.5 + 0.5 * LEVEL))
        return self._bound(-quantile), self._bound(quantile)

    def p_value(self) -> float:
        """Two-sided p-value of the hypothesis that the spread is as stated."""
        from scipy.stats import norm

        return float(2.0 * norm.sf(abs(self.signed_root(1.0))))

    def _others(self, factor: float) -> Array:
        """Squared factors that maximise the likelihood at a given factor of this component, shape (K,)."""
        start = self.best.copy()
        start[self.component] = factor**2
        return self.likelihood.maximum(start, self.component)

    def _bound(self, target: float) -> float:
        """Factor at which the signed root has the target value, with the scale there; zero if there is none."""
        from scipy.optimize import brentq

        factor = self.factor
        end, scale = factor, 0.0
        for _ in range(MAX_SCALE_ITERATIONS):
            previous_scale, scale = scale, self.likelihood.ratio_scale(self._others(end), self.component)
            if abs(scale - previous_scale) < 0.02 * scale:
                break
            outer = 0.0 if target < 0.0 else max(1.5 * factor, 0.1)
            while target > 0.0 and self.signed_root(outer, scale) < target and outer < LARGEST_FACTOR:
                outer *= 2.0
            if abs(self.signed_root(outer, scale)) <= abs(target):
                end = outer
            else:
                lower, upper = sorted((factor, outer))
                end = float(
                    brentq(lambda s, by: self.signed_root(s, by) - target, lower, upper, (scale,), xtol=1e-3 * upper)
                )
        return end


@dataclass(frozen=True, eq=False)
class Components:
    """Estimated spread of every cause from several measured arms.

    Parameters
    ----------
    groups : tuple of tuple of str
        Causes of every component; causes that are indistinguishable share one component.
    unresolved : tuple of str
        Causes that the measurement does not resolve; their spread is taken as stated.
    likelihood : Likelihood
    best : (K,)
        Squared factors of largest likelihood.
    """

    groups: tuple[tuple[str, ...], ...]
    unresolved: tuple[str, ...]
    likelihood: Likelihood
    best: Array

    @staticmethod
    def of(arms: Sequence[Posterior], seed: int = 0) -> Components:
        """Estimate from one or more arms.

        Parameters
        ----------
        arms : sequence of Posterior
        seed : int
            Seed of the drawn arms.

        Returns
        -------
        Components
        """
        # weak: LARGEST_UNDETECTED_FACTOR is within two standard uncertainties of the squared factor, others as stated
        causes = list(dict.fromkeys(term.cause.name for arm in arms for term in arm.estimator.linear.terms))
        arms_by_estimator: dict[int, list[Posterior]] = {}
        for arm in arms:
            arms_by_estimator.setdefault(id(arm.estimator), []).append(arm)
        units = max(TOTAL_DRAWN_ARMS // len(arms_by_estimator), MIN_DRAWN_ARMS_PER_BATCH)
        batches = [ArmBatch.of(group, causes, units, seed + n) for n, group in enumerate(arms_by_estimator.values())]
        information = Likelihood(tuple(batches)).score_and_information(np.ones(len(causes)))[1]
        weak = [n for n in range(len(causes)) if information[n, n] * (LARGEST_UNDETECTED_FACTOR**2 - 1.0) ** 2 < 4.0]
        if len(weak) == len(causes):
            return Components((), tuple(causes), Likelihood(tuple(batches)), np.zeros(0))
        groups = _groups(information, [n for n in range(len(causes)) if n not in weak])
        likelihood = Likelihood(tuple(batch.with_noise(weak).with_groups(groups) for batch in batches))
        best = likelihood.maximum(np.ones(len(groups)))
        names = tuple(tuple(causes[n] for n in group) for group in groups)
        return Components(names, tuple(causes[n] for n in weak), likelihood, best)

    def profile(self, component: int) -> Profile:
        """Profile likelihood of the factor of a component."""
        return Profile(self.likelihood, self.best, component)


def _groups(information: Array, causes: Sequence[int]) -> list[list[int]]:
    """Groups of causes: the two with the largest correlation are merged until none exceeds `CONFOUNDED_CORRELATION`."""
    groups = [[n] for n in causes]
    while len(groups) > 1:
        member = np.zeros((len(groups), len(information)))
        for n, group in enumerate(groups):
            member[n, group] = 1.0
        joined = member @ information @ member.T
        size = np.sqrt(np.diag(joined))
        covariance = np.linalg.inv(joined / np.outer(size, size) + 1e-9 * np.eye(len(joined)))
        deviation = np.sqrt(np.diag(covariance))
        correlation = np.abs(np.triu(covariance / np.outer(deviation, deviation), 1))
        a, b = (int(n) for n in np.unravel_index(np.argmax(correlation), correlation.shape))
        if correlation[a, b] < CONFOUNDED_CORRELATION:
            break
        groups[a] += groups.pop(b)
    return groups
