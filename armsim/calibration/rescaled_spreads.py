"""Expected error of an arm that is not as predicted: spreads re-estimated from its own readings.

The posterior of an arm takes the stated spreads as true. Where they are not, the residual of the arm is larger than
predicted. Then, in this order,

- the scatter of the visits is multiplied by its estimate of one step of scoring, from the readings about their means;
- the spreads of all causes are multiplied by one factor, or by their variance components, or that of every significant
  cause by itself so that its estimate is as large as expected: whichever explains the readings best by Akaike's
  criterion, in which k causes selected from M cost 2 ln (M over k) more, for the selection;
- the rest is scaled by the ratio of Birge, the root of chi-square over its degrees of freedom.

No spread is made smaller. Where the frame is known, coordinates at poses not measured then lie within two standard
deviations in 94 to 97 % (`tests/calibration/test_wrong_arms.py`: links or lost motion two and three times the stated).
Where it is fitted and all links are two and three times as far off as stated, 92 to 97 % (of 200 arms with six axes,
200 SCARAs and 60 arms with seven, those called wrong; 49 to 70 % by the stated spreads); where a single constant of a
link is eight times as far off, 93 to 98 % (of 30 and 40 arms).

References
----------
.. [1] Birge, Physical Review 40 (1932) 207: ratio of external to internal consistency.
.. [2] Akaike, IEEE Trans. Automatic Control 19 (1974) 716: likelihood less the number of parameters.
.. [3] Morris, J. Am. Stat. Assoc. 78 (1983) 47: empirical Bayes, spreads of a prior from the data.
.. [4] Foster, George, Annals of Statistics 22 (1994) 1947: risk inflation criterion, 2 ln M per parameter that is
   selected from M (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import comb, log

import numpy as np

from armsim.arrays import Array
from armsim.calibration.posterior import Estimator, Posterior
from armsim.calibration.rank_tests import RankTests
from armsim.calibration.reading_noise import Instrument
from armsim.calibration.variance_components import Components

LEAST = 1e-9
"""Share of the largest variance below which a direction has none."""
LARGEST = 1e4
"""Largest factor of the variances of all causes."""
NOTABLE = 1.05
"""Factor from which a spread is listed as re-estimated."""


@dataclass(frozen=True, eq=False)
class RescaledSpreads:
    """Posterior of an arm whose spreads are estimated again from its own readings.

    Parameters
    ----------
    posterior : Posterior
    ratio : float
        Of Birge: of standard deviations.
    factors : tuple of (name, factor)
        Of spreads that grew.
    """

    posterior: Posterior
    ratio: float = 1.0
    factors: tuple[tuple[str, float], ...] = ()

    @staticmethod
    def of(
        posterior: Posterior, ranks: RankTests, visits: Sequence[Array], instrument: Instrument, columns: Array | None
    ) -> RescaledSpreads:
        """Posterior of an arm that is not as predicted.

        Parameters
        ----------
        posterior : Posterior
            By the stated spreads.
        ranks : RankTests
        visits : sequence of (visits, 3) [m]
            Frame and target fitted or not.
        instrument : Instrument
        columns : (3 P, K), optional
            As in `Estimator.of`.

        Returns
        -------
        Renewed
        """
        estimator = posterior.estimator
        linear, counts, means = estimator.linear, estimator.readings.counts, estimator.readings.means(visits)
        scatter, factors = scatter_factor(estimator, visits), list[tuple[str, float]]()
        linear = replace(linear, scatter=linear.scatter * scatter, crossed=linear.crossed * scatter)
        factors.append(("scatter of the visits", float(np.sqrt(scatter))))
        first = Posterior.of(Estimator.of(linear, counts, instrument, columns), means)
        contrasts = _contrasts(len(means), columns)
        common = _common_factor(first, contrasts)
        choices = [
            dict.fromkeys(range(len(linear.terms)), common),
            _by_family(first, common if _rank(columns) else 1.0),
        ]
        penalties = [0.0, 0.0]
        if ranks.significant_causes:
            single_factors = {n: _factor(first, list(linear.parts())[n][1]) for n in sorted(ranks.significant_causes)}
            choices.append(single_factors)
            penalties.append(2.0 * log(comb(len(estimator.causes), len(single_factors))))
        updates = [
            _with_variance_factors(first, variance_factors, instrument, columns, means) for variance_factors in choices
        ]
        criteria = [
            _akaike_criterion(posterior, variance_factors, contrasts) + penalty
            for posterior, variance_factors, penalty in zip(updates, choices, penalties, strict=True)
        ]
        best = int(np.argmin(criteria))
        last, variance_factors = updates[best], choices[best]
        terms = [term for term, _ in linear.parts()]
        if best == 0:
            factors.append(("all causes", float(np.sqrt(common))))
        for n, factor in () if best == 0 else variance_factors.items():
            joint = f" of {terms[n].joint_or_link}" if best == 2 else ""
            factors.append((f"{terms[n].cause.name}{joint}", float(np.sqrt(factor))))
        factors = list(dict.fromkeys(factors))
        freedom = len(means) - _rank(columns)
        square = float(last.residuals @ last.estimator.inverse @ last.residuals)
        ratio = float(np.sqrt(max(1.0, square / max(freedom, 1))))
        return RescaledSpreads(last, ratio, tuple((name, factor) for name, factor in factors if factor > NOTABLE))


def _by_family(posterior: Posterior, least: float) -> dict[int, float]:
    """Factors of the variances of all causes, by number of the term: those of one name have one.

    None is below the least: where frame and target are fitted, the readings hold no information on some causes, which
    are no nearer to what is stated than the others.
    """
    components = Components.of([posterior])
    pairs = zip(components.groups, components.best, strict=False)
    by_cause = {name: max(least, float(best)) for group, best in pairs for name in group}
    return {n: by_cause.get(term.cause.name, least) for n, (term, _) in enumerate(posterior.estimator.linear.parts())}


def _with_variance_factors(
    posterior: Posterior,
    variance_factors: Mapping[int, float],
    instrument: Instrument,
    columns: Array | None,
    means: Array,
) -> Posterior:
    """The posterior with variances of the causes multiplied by factors."""
    linear = posterior.estimator.linear
    prior_covariance, parts = linear.prior_covariance.copy(), [part for _, part in linear.parts()]
    for n, factor in variance_factors.items():
        prior_covariance[parts[n], parts[n]] *= factor
    counts = posterior.estimator.readings.counts
    return Posterior.of(
        Estimator.of(replace(linear, prior_covariance=prior_covariance), counts, instrument, columns), means
    )


def _contrasts(rows: int, columns: Array | None) -> Array:
    """Directions that frame and target do not move, shape (rows, directions)."""
    if columns is None or not columns.shape[1]:
        return np.eye(rows)
    vectors, sizes, _ = np.linalg.svd(columns / np.linalg.norm(columns, axis=0))
    rank = int(np.count_nonzero(sizes > 1e-9 * sizes[0]))
    return np.asarray(vectors[:, rank:])


def _akaike_criterion(posterior: Posterior, variance_factors: Mapping[int, float], contrasts: Array) -> float:
    """Akaike criterion of re-estimated spreads, up to a constant: restricted likelihood and number of factors."""
    values, vectors = np.linalg.eigh(contrasts.T @ posterior.estimator.within @ contrasts)
    values = np.maximum(values, LEAST * values[-1])
    squares = (vectors.T @ (contrasts.T @ posterior.residuals)) ** 2 / values
    return float(np.sum(np.log(values)) + squares.sum() + 2.0 * len(set(variance_factors.values()) - {1.0}))


def _common_factor(posterior: Posterior, contrasts: Array) -> float:
    """One factor of the variances of all causes, one at least, of largest restricted likelihood."""
    from scipy.linalg import eigh
    from scipy.optimize import minimize_scalar

    estimator = posterior.estimator
    linear, noise = estimator.linear, contrasts.T @ estimator.noise @ contrasts
    causes = contrasts.T @ linear.gain @ linear.prior_covariance @ linear.gain.T @ contrasts
    floor = LEAST * float(np.trace(noise + causes)) / len(noise)
    sizes, vectors = eigh(causes, noise + floor * np.eye(len(noise)))
    squares = (vectors.T @ (contrasts.T @ posterior.residuals)) ** 2

    def unlikely(logarithm: float) -> float:
        values = 1.0 + np.exp(logarithm) * np.maximum(sizes, 0.0)
        return float(np.sum(np.log(values) + squares / values))

    factor = float(np.exp(minimize_scalar(unlikely, bounds=(0.0, np.log(LARGEST)), method="bounded").x))
    return factor if factor > 1.001 else 1.0


def _rank(columns: Array | None) -> int:
    """Number of independent directions of nuisance columns."""
    return 0 if columns is None or not columns.shape[1] else int(np.linalg.matrix_rank(columns))


def scatter_factor(estimator: Estimator, visits: Sequence[Array]) -> float:
    """Factor of the variance of the visits, one at least, by one step of scoring.

    Parameters
    ----------
    estimator : Estimator
    visits : sequence of (visits, 3) [m]

    Returns
    -------
    float
    """
    above = below = 0.0
    for covariances, visit, rows in zip(estimator.readings.covariances, estimator.linear.scatter, visits, strict=True):
        inverse = np.linalg.pinv(covariances.mean(axis=0), hermitian=True)
        share, away, freedom = inverse @ visit, rows - rows.mean(axis=0), len(rows) - 1
        above += float(np.sum((away @ share @ inverse) * away)) - freedom * float(np.trace(share))
        below += freedom * float(np.trace(share @ share))
    return max(1.0, 1.0 + above / below) if below > 0.0 else 1.0


def _factor(posterior: Posterior, part: slice) -> float:
    """Factor of the variance of a cause, one at least, by which its estimate is as large as expected.

    With T the covariance of the estimate as stated, K = T P^-1 and r coefficients,  q = c^T T^-1 c / r  has the mean
    1 + (f - 1) tr(T^-1 K P K^T) / r  where the variance is f times that stated.
    """
    linear, of_estimate = posterior.estimator.linear, posterior.estimator.estimate_covariance(part)
    prior_covariance = linear.prior_covariance[part, part]
    inverse = np.linalg.pinv(prior_covariance, rcond=1e-9, hermitian=True)
    rank = max(
        1, int(np.linalg.matrix_rank(prior_covariance, tol=1e-9 * float(np.trace(prior_covariance)), hermitian=True))
    )
    estimate = posterior.coefficients[part] - linear.prior_mean[part]
    precision, gain = np.linalg.pinv(of_estimate, rcond=1e-9, hermitian=True), of_estimate @ inverse
    slope = float(np.trace(precision @ gain @ prior_covariance @ gain.T)) / rank
    square = float(estimate @ precision @ estimate) / rank
    return max(1.0, 1.0 + (square - 1.0) / slope) if slope > 0.0 else 1.0
