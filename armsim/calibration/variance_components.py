"""Spread of every cause over several measured arms, as a factor of the stated spread: variance components.

The mean displacements of arm a, less the stated mean of the population, are

    y_a = sum over causes k of  s_k G_k c_ka  +  e_a,     cov(c_ka) = P_k  and  cov(e_a) = R  as stated,

and the factors s_k >= 0 of all causes are estimated together by maximum likelihood. The mean is stated, and nothing is
fitted beside the factors but frame and target of the instrument; those leave by error contrasts, so that the
likelihood is the restricted one.

Coefficients need not be normal. The likelihood ratio of a factor then is, for many arms, lambda times chi-square of one
degree of freedom, with lambda from the information and the covariance of the score; that covariance is taken from arms
whose coefficients are drawn by the laws of the machine.

References
----------
.. [1] Patterson, Thompson, Biometrika 58 (1971) 545: restricted maximum likelihood by error contrasts.
.. [2] Searle, Casella, McCulloch, Variance Components (1992), 6.2 and 8.2: likelihood, scoring (section numbers from
   memory).
.. [3] Kent, Biometrika 69 (1982) 19: the likelihood ratio where the law is another than assumed.
.. [4] Self, Liang, J. Am. Stat. Assoc. 82 (1987) 605: factors at the bound of zero, where chi-square is too wide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.calibration.posterior import Estimator, Update
from armsim.sampling.plan import draw_units
from armsim.sampling.statistics import LEVEL
from armsim.sampling_plan import SamplingPlan

UNITS, LEAST_UNITS = 4000, 500
"""Drawn arms from which the covariance of the score is taken, over all batches, and at least of each."""
VISIBLE = 10.0
"""A cause is estimated where a factor of so much, or less, would be seen were all others as stated."""
ALIKE = 0.9
"""Correlation of two estimates from which on their causes count as indistinguishable. Common practice, no source."""
FLOOR = 1e-3
"""Share of the rms displacement below which nothing is known: there the model of first order ends."""
ROUNDS, SETTLED = 100, 1e-7
"""Steps of scoring, at most; increase of the log likelihood at which they end."""
SCALINGS = 5
"""Times that the scale of the likelihood ratio is taken at the end of an interval, at most."""
LARGEST = 1e6
"""Factor up to which the end of an interval is searched."""


@dataclass(frozen=True, eq=False)
class Batch:
    """Arms measured at the same poses with as many visits, in m coordinates in which the noise has unit covariance.

    Parameters
    ----------
    transform : (m, 3 P) [m^-1]
        From displacements to the coordinates.
    count : int
        Arms.
    squares : (m, m)
        Sum over arms of the products of their coordinates.
    roots : (m, coefficients)
        Square root of the covariance that the causes make as stated.
    members : (K, coefficients)
        1 where a coefficient belongs to a component, else 0.
    samples : (K, units, m)
        Contributions of every component in drawn arms, at its stated spread.
    noise : (units, m)
    """

    transform: Array
    count: int
    squares: Array
    roots: Array
    members: Array
    samples: Array
    noise: Array

    @staticmethod
    def of(arms: Sequence[Update], causes: Sequence[str], units: int, seed: int) -> Batch:
        """Of arms that share an estimator; a component for every cause."""
        estimator = arms[0].estimator
        linear, transform = estimator.linear, _whitening(estimator)
        gain = transform @ linear.gain
        coefficients = draw_units(linear.terms, SamplingPlan(units, 2, seed)).T - linear.prior_mean
        roots, members = np.zeros(gain.shape), np.zeros((len(causes), gain.shape[1]))
        samples = np.zeros((len(causes), len(coefficients), len(gain)))
        for term, part in linear.parts():
            n = causes.index(term.cause.name)
            values, vectors = np.linalg.eigh(linear.prior[part, part])
            roots[:, part] = gain[:, part] @ vectors * np.sqrt(np.maximum(values, 0.0))
            members[n, part] = 1.0
            samples[n] += coefficients[:, part] @ gain[:, part].T
        noise = np.random.default_rng(seed).standard_normal(samples.shape[1:])
        squares = np.zeros((len(gain),) * 2)
        return Batch(transform, 0, squares, roots, members, samples, noise).measured(arms)

    def measured(self, arms: Sequence[Update]) -> Batch:
        """With the readings of other arms."""
        away = np.array([arm.away for arm in arms]) @ self.transform.T
        return replace(self, count=len(arms), squares=away.T @ away)

    def joined(self, groups: Sequence[Sequence[int]]) -> Batch:
        """With a component for every group, of one common factor; components of no group are left out."""
        samples = [self.samples[list(group)].sum(axis=0) for group in groups]
        members = [self.members[list(group)].sum(axis=0) for group in groups]
        return replace(self, members=np.array(members), samples=np.array(samples))

    def with_noise(self, components: Sequence[int]) -> Batch:
        """With the contributions of some components, as stated, as a part of the noise."""
        if not components:
            return self
        factors = np.zeros(len(self.members))
        factors[list(components)] = 1.0
        inverse = np.linalg.inv(np.linalg.cholesky(self.covariance(factors)))
        members = self.members * (1.0 - factors)[:, None]
        noise = (self.noise + np.tensordot(factors, self.samples, 1)) @ inverse.T
        squares = inverse @ self.squares @ inverse.T
        transform, samples = inverse @ self.transform, self.samples @ inverse.T
        return Batch(transform, self.count, squares, inverse @ self.roots, members, samples, noise)

    def covariance(self, variances: Array) -> Array:
        """Covariance of the coordinates of an arm, shape (m, m)."""
        return np.asarray(np.eye(len(self.roots)) + self.roots * (variances @ self.members) @ self.roots.T)

    def slopes(self, variances: Array) -> tuple[Array, Array]:
        """Score, shape (K,), and expected information, shape (K, K), of the batch."""
        pulled = np.linalg.solve(self.covariance(variances), self.roots)
        products = self.roots.T @ pulled
        observed = np.einsum("ic,ic->c", pulled, self.squares @ pulled) - self.count * np.diag(products)
        return 0.5 * self.members @ observed, 0.5 * self.count * self.members @ products**2 @ self.members.T

    def score_covariance(self, variances: Array) -> Array:
        """Covariance of the score of the batch under the laws drawn, shape (K, K)."""
        arms = self.noise + np.tensordot(np.sqrt(variances), self.samples, 1)
        pulled = arms @ np.linalg.solve(self.covariance(variances), self.roots)
        return self.count * np.atleast_2d(np.cov(0.5 * self.members @ pulled.T**2))


@dataclass(frozen=True, eq=False)
class Likelihood:
    """Normal likelihood of the squares of the factors, shape (K,), of independent batches."""

    batches: tuple[Batch, ...]

    @property
    def components(self) -> int:
        """Number of factors."""
        return len(self.batches[0].members)

    def value(self, variances: Array) -> float:
        """Its logarithm, less a constant."""
        out = 0.0
        for batch in self.batches:
            covariance = batch.covariance(variances)
            lower = np.linalg.cholesky(covariance)
            squares = float(np.trace(np.linalg.solve(covariance, batch.squares)))
            out -= batch.count * float(np.sum(np.log(np.diag(lower)))) + 0.5 * squares
        return out

    def slopes(self, variances: Array) -> tuple[Array, Array]:
        """Score, shape (K,), and expected information, shape (K, K)."""
        scores, informations = zip(*(batch.slopes(variances) for batch in self.batches), strict=True)
        return np.sum(scores, axis=0), np.sum(informations, axis=0)

    def maximum(self, start: Array, fixed: int | None = None) -> Array:
        """Squares of the factors where it is largest, one of them fixed where given.

        Every step is that of Fisher scoring within the bounds: the quadratic model is solved as non-negative least
        squares, and the step is halved until the likelihood grows.

        References
        ----------
        .. [1] Lawson, Hanson, Solving Least Squares Problems (1974), 23: non-negative least squares.
        """
        from scipy.optimize import nnls

        variances, value = start, self.value(start)
        free = np.array([n for n in range(self.components) if n != fixed], dtype=int)
        for _ in range(ROUNDS if len(free) else 0):
            score, information = self.slopes(variances)
            curvature = information[np.ix_(free, free)]
            scale = 1.0 / np.sqrt(np.maximum(np.diag(curvature), np.finfo(float).tiny))
            upper = np.linalg.cholesky(curvature * np.outer(scale, scale) + 1e-9 * np.eye(len(free))).T
            goal = upper @ (variances[free] / scale) + np.linalg.solve(upper.T, score[free] * scale)
            step = nnls(upper, goal)[0] * scale - variances[free]
            promised, size = float(step @ score[free]), 1.0
            if promised < SETTLED:
                break
            while size > 1e-6:
                candidate = variances.copy()
                candidate[free] = np.maximum(candidate[free] + size * step, 0.0)
                grown = self.value(candidate)
                if grown >= value + 1e-4 * size * promised:
                    break
                size /= 2.0
            else:
                break
            variances, value = candidate, grown
        return variances

    def ratio_scale(self, variances: Array, component: int) -> float:
        """Lambda: mean of the likelihood ratio of a factor under the laws drawn; 1 under normal ones."""
        free = [n for n in range(self.components) if variances[n] > 0.0 or n == component]
        information = self.slopes(variances)[1][np.ix_(free, free)]
        score = np.sum([batch.score_covariance(variances) for batch in self.batches], axis=0)[np.ix_(free, free)]
        row = np.linalg.pinv(information, hermitian=True)[free.index(component)]
        return float(row @ score @ row / row[free.index(component)])


@dataclass(frozen=True, eq=False)
class Profile:
    """Likelihood of one factor, all others chosen best for it.

    Parameters
    ----------
    likelihood : Likelihood
    best : (K,)
        Squares of the factors of largest likelihood.
    component : int
    """

    likelihood: Likelihood
    best: Array
    component: int

    @property
    def factor(self) -> float:
        """Of largest likelihood."""
        return float(np.sqrt(self.best[self.component]))

    def root(self, factor: float, scale: float | None = None) -> float:
        """Signed root of the likelihood ratio of a factor over its scale: normal with unit variance if it is true.

        ``scale``: lambda of [3] of the module; that at the factor where not given.
        """
        variances = self._others(factor)
        ratio = 2.0 * (self.likelihood.value(self.best) - self.likelihood.value(variances))
        scale = self.likelihood.ratio_scale(variances, self.component) if scale is None else scale
        return float(np.sign(factor**2 - self.best[self.component]) * np.sqrt(max(ratio, 0.0) / scale))

    def interval(self) -> tuple[float, float]:
        """Factors that the measurement does not contradict."""
        from scipy.stats import norm

        quantile = float(norm.ppf(0.5 + 0.5 * LEVEL))
        return self._end(-quantile), self._end(quantile)

    def chance(self) -> float:
        """Of an estimate as far from 1 where the spread is as stated."""
        from scipy.stats import norm

        return float(2.0 * norm.sf(abs(self.root(1.0))))

    def _others(self, factor: float) -> Array:
        """Squares of the factors, the others best for this one."""
        start = self.best.copy()
        start[self.component] = factor**2
        return self.likelihood.maximum(start, self.component)

    def _end(self, goal: float) -> float:
        """The factor at which the root is as wanted, its scale taken there; zero where none is so small."""
        from scipy.optimize import brentq

        factor = self.factor
        end, scale = factor, 0.0
        for _ in range(SCALINGS):
            before, scale = scale, self.likelihood.ratio_scale(self._others(end), self.component)
            if abs(scale - before) < 0.02 * scale:
                break
            far = 0.0 if goal < 0.0 else max(1.5 * factor, 0.1)
            while goal > 0.0 and self.root(far, scale) < goal and far < LARGEST:
                far *= 2.0
            if abs(self.root(far, scale)) <= abs(goal):
                end = far
            else:
                near, beyond = sorted((factor, far))
                end = float(brentq(lambda s, by: self.root(s, by) - goal, near, beyond, (scale,), xtol=1e-3 * beyond))
        return end


@dataclass(frozen=True, eq=False)
class Components:
    """What several arms tell of the spread of their causes.

    Parameters
    ----------
    groups : tuple of tuple of str
        Causes of every component; those that cannot be told apart have one in common.
    unresolved : tuple of str
        Causes of which the measurement tells nothing; they are taken as stated.
    likelihood : Likelihood
    best : (K,)
        Squares of the factors of largest likelihood.
    """

    groups: tuple[tuple[str, ...], ...]
    unresolved: tuple[str, ...]
    likelihood: Likelihood
    best: Array

    @staticmethod
    def of(arms: Sequence[Update], seed: int = 0) -> Components:
        """Of one or more arms; ``seed`` is that of the drawn arms."""
        # a cause is weak where a factor VISIBLE is within two standard uncertainties of its square, others as stated
        causes = list(dict.fromkeys(term.cause.name for arm in arms for term in arm.estimator.linear.terms))
        alike: dict[int, list[Update]] = {}
        for arm in arms:
            alike.setdefault(id(arm.estimator), []).append(arm)
        units = max(UNITS // len(alike), LEAST_UNITS)
        batches = [Batch.of(group, causes, units, seed + n) for n, group in enumerate(alike.values())]
        information = Likelihood(tuple(batches)).slopes(np.ones(len(causes)))[1]
        weak = [n for n in range(len(causes)) if information[n, n] * (VISIBLE**2 - 1.0) ** 2 < 4.0]
        if len(weak) == len(causes):
            return Components((), tuple(causes), Likelihood(tuple(batches)), np.zeros(0))
        groups = _groups(information, [n for n in range(len(causes)) if n not in weak])
        likelihood = Likelihood(tuple(batch.with_noise(weak).joined(groups) for batch in batches))
        best = likelihood.maximum(np.ones(len(groups)))
        names = tuple(tuple(causes[n] for n in group) for group in groups)
        return Components(names, tuple(causes[n] for n in weak), likelihood, best)

    def profile(self, component: int) -> Profile:
        """Of the factor of a component."""
        return Profile(self.likelihood, self.best, component)


def _groups(information: Array, causes: Sequence[int]) -> list[list[int]]:
    """Causes joined, the two of most correlated estimates first, until no two of them are too much so."""
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
        if correlation[a, b] < ALIKE:
            break
        groups[a] += groups.pop(b)
    return groups


def _whitening(estimator: Estimator) -> NDArray[np.float64]:
    """To coordinates in which the noise has unit covariance, those that a cause moves, shape (m, 3 P). [m^-1]"""
    _, sizes, rows = np.linalg.svd(estimator.projection)
    contrasts = rows[sizes > 1e-9 * sizes[0]]
    noise = contrasts @ estimator.noise @ contrasts.T
    size = max(FLOOR**2 * float(np.trace(estimator.within)) / len(noise), np.finfo(float).tiny)
    whitening = np.linalg.solve(np.linalg.cholesky(noise + size * np.eye(len(noise))), contrasts)
    reach = whitening @ estimator.linear.gain
    reach_covariance = reach @ estimator.linear.prior @ reach.T
    values, vectors = np.linalg.eigh(reach_covariance)
    return np.asarray(vectors[:, values > 1e-9 * values[-1]].T @ whitening)
