"""Causes that scatter from visit to visit more than stated, from the readings of a pose about their mean.

The covariance of a reading about the mean of the n_p readings of its pose is

    S_p = sum over causes k of  f_k V_kp  +  covariance of the instrument,      f_k = 1 as stated,

with score and information of the factors f, W the inverse of S_p as stated and C_p the sum of squares about the mean,

    U_k  = 1/2 sum over p of  tr(W V_kp W C_p) - (n_p - 1) tr(W V_kp)
    I_jk = 1/2 sum over p of  (n_p - 1) tr(W V_jp W V_kp)

so that f = 1 + I^-1 U is the estimate by one step of scoring. Every factor, divided by its standard uncertainty, is
ranked among those of simulated arms, which is valid for any distributions. Causes that the poses do not distinguish
have a common factor.

References
----------
.. [1] Searle, Casella, McCulloch, Variance Components (1992), 11.3: minimum variance quadratic estimates, which are one
   step of scoring.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibration_records import ScatterRecord
from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.reading_noise import ReadingNoise
from armsim.errormodel.terms import Term
from armsim.sampling.statistics import holm

CONFOUNDED_CORRELATION = 0.9
"""Correlation of two columns above which their causes count as indistinguishable. Common practice, no source."""
DETECTABLE_FACTOR = 100.0
"""Factor of a variance that must be detectable for a cause to be tested."""


@dataclass(frozen=True, eq=False)
class VisitCauses:
    """Model of the factors of the variances of groups of causes that are drawn anew per visit.

    Parameters
    ----------
    groups : tuple of tuple of Term
        Groups of causes, the most detectable first.
    weights : (groups, M, 3, 3) [m^-2]
        W V W at every pose.
    expected_traces : (groups, M)
        tr(W V) at every pose.
    inverse : (groups, groups)
        Inverse of the information.
    """

    groups: tuple[tuple[Term, ...], ...]
    weights: Array
    expected_traces: Array
    inverse: Array

    @staticmethod
    def of(linear: LinearPopulation, readings: ReadingNoise) -> VisitCauses:
        """Score and information of the factors at measured poses, by the population and the noise of its readings.

        Parameters
        ----------
        linear : LinearPopulation
        readings : ReadingNoise

        Returns
        -------
        VisitCauses
        """
        degrees_of_freedom = np.array(readings.counts) - 1.0
        means = [covariances.mean(axis=0) for covariances in readings.covariances]
        inverse = np.array([np.linalg.pinv(covariance, hermitian=True) for covariance in means])
        parts = [part for _, part in linear.visit_covariances]
        scaled_covariances = np.array([inverse @ part for part in parts]).reshape(
            len(parts), len(degrees_of_freedom), 3, 3
        )
        information = 0.5 * np.einsum("p,jpab,kpba->jk", degrees_of_freedom, scaled_covariances, scaled_covariances)
        groups = _groups(information)
        group_matrices = np.array([scaled_covariances[group].sum(axis=0) for group in groups]).reshape(
            len(groups), len(degrees_of_freedom), 3, 3
        )
        information = 0.5 * np.einsum("p,jpab,kpba->jk", degrees_of_freedom, group_matrices, group_matrices)
        terms = tuple(tuple(linear.visit_covariances[n][0] for n in group) for group in groups)
        expected = np.trace(group_matrices, axis1=2, axis2=3)
        return VisitCauses(
            terms, group_matrices @ inverse, expected, np.linalg.pinv(information, rcond=1e-9, hermitian=True)
        )

    def scores(self, pose: int, readings: Array) -> Array:
        """Contribution of a pose to the scores of all groups.

        Parameters
        ----------
        pose : int
        readings : (units, visits, 3) [m]

        Returns
        -------
        (units, groups)
        """
        deviations = readings - readings.mean(axis=1, keepdims=True)
        squares = np.einsum("uvi,uvj->uij", deviations, deviations)
        degrees_of_freedom = readings.shape[1] - 1
        return np.asarray(
            0.5
            * (
                np.einsum("kij,uji->uk", self.weights[:, pose], squares)
                - degrees_of_freedom * self.expected_traces[:, pose]
            )
        )

    def factors(self, scores: Array) -> Array:
        """Factors of the variances, shape (units, groups), from scores of the same shape."""
        return np.asarray(1.0 + scores @ self.inverse)

    def studentised(self, scores: Array) -> Array:
        """Factors minus one, divided by their standard uncertainties, shape (units, groups), as the scores."""
        return np.asarray((self.factors(scores) - 1.0) / np.sqrt(np.maximum(np.diag(self.inverse), 1e-300)))


def _groups(information: Array) -> list[list[int]]:
    """Groups of detectable causes by number, the most detectable first; indistinguishable causes share a group."""
    sizes = np.diag(information)
    resolved = [n for n in np.argsort(-sizes, kind="stable").tolist() if sizes[n] * DETECTABLE_FACTOR**2 > 4.0]
    groups: list[list[int]] = []
    for n in resolved:
        matching_groups = (
            group
            for group in groups
            if information[n, group[0]] > CONFOUNDED_CORRELATION * np.sqrt(sizes[n] * sizes[group[0]])
        )
        group = next(matching_groups, None)
        if group is None:
            groups.append([n])
        else:
            group.append(n)
    return groups


@dataclass(frozen=True, eq=False)
class VisitSample:
    """Scores of simulated arms, collected pose by pose."""

    model: VisitCauses
    scores: list[Array] = field(default_factory=list)

    def collect(self, visits: Iterable[Array]) -> Iterator[Array]:
        """Yield readings of simulated arms, (units, visits, 3) per pose, unchanged, and collect their scores. [m]"""
        for pose, readings in enumerate(visits):
            self.scores.append(self.model.scores(pose, readings))
            yield readings

    @property
    def reference(self) -> Array:
        """Studentised factors of the simulated arms in ascending order, shape (groups, units)."""
        return np.sort(self.model.studentised(np.sum(self.scores, axis=0)), axis=0).T


def scatter_records(
    model: VisitCauses, reference: Array, visits: Sequence[Array], level: float, significant: bool
) -> tuple[ScatterRecord, ...]:
    """Records of the causes that are drawn anew per visit, by the scatter of the readings of an arm.

    A cause is significant only if the scatter as a whole is too, so that it raises no alarm by itself.

    Parameters
    ----------
    model : VisitCauses
    reference : (groups, units)
        From `VisitSample.reference`.
    visits : sequence of (visits, 3) [m]
    level : float
        Probability that any cause that scatters as stated is significant.
    significant : bool
        Whether the arm scatters more than stated.

    Returns
    -------
    tuple of ScatterRecord
        The smallest p-value first.
    """
    if not model.groups:
        return ()
    scores = np.sum([model.scores(pose, rows[None]) for pose, rows in enumerate(visits)], axis=0)
    studentised, factors = model.studentised(scores)[0], model.factors(scores)[0]
    units = reference.shape[1]
    p_values = [
        (1 + units - int(np.searchsorted(row, value))) / (1 + units)
        for row, value in zip(reference, studentised, strict=True)
    ]
    significant_causes = holm(p_values, level)
    out = [
        ScatterRecord(
            terms[0].joint_or_link, tuple(dict.fromkeys(term.cause.name for term in terms)),
            float(np.sqrt(max(factor, 0.0))), p_value, significant and stands_out,
        )
        for terms, factor, p_value, stands_out in zip(model.groups, factors, p_values, significant_causes, strict=True)
    ]  # fmt: skip
    return tuple(sorted(out, key=lambda record: (record.p_value, -record.factor)))
