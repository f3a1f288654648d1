"""Chances that an arm of the predicted population is as far off, or scatters as much, as one that was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.documents.measured_points import MeasuredArm
from armsim.hardware.population import Linear, Simulated

SIGNIFICANT = 0.01
"""Chance of a false alarm. Common practice, no source."""


@dataclass(frozen=True, eq=False)
class Ranked:
    """Chances of a measured arm, and where it lies among simulated ones; `each` is the chance of a false alarm that every
    one of the three tests may take."""

    units: int
    each: float
    chance: float
    scatter_chance: float
    by_pose: list[float]
    judged: list[bool]
    accuracy_place: list[float]
    repeatability_place: list[float]
    accuracy_population: list[tuple[float, float, float]]
    repeatability_population: list[tuple[float, float, float]]

    @property
    def compatible(self) -> bool:
        """Whether the arm may be one of the population."""
        return min(self.chance, self.scatter_chance) > self.each and not any(self.judged)

    @staticmethod
    def of(
        arm: MeasuredArm, names: Sequence[str], linear: Linear, simulated: Simulated, noise: Array,
        alarm: float = SIGNIFICANT,
    ) -> Ranked:  # fmt: skip
        """One p-value over all poses and one a pose, by rank among simulated arms measured the same way.

        The distance is that of Mahalanobis under the first-order mean and covariance; its law is not taken as
        chi-square but from the simulated arms, so that it holds whatever the laws are. `alarm` is the chance that an
        arm of the population is called wrong.

        References
        ----------
        .. [1] Davison, Hinkley, Bootstrap Methods and their Application (1997), 4.2: Monte Carlo tests.
        """
        each = alarm / 3.0  # all poses together, single ones, the scatter of the visits
        covariance = linear.gain @ linear.prior @ linear.gain.T + noise
        own = np.concatenate([arm.visits[name].mean(axis=0) for name in names])
        away = np.concatenate([own[None], simulated.means]) - linear.mean
        whole = _distances(away, covariance)
        by_pose = []
        for n in range(len(names)):
            part = slice(3 * n, 3 * n + 3)
            by_pose.append(_chance(_distances(away[:, part], covariance[part, part])))
        mine = Simulated.of(arm.visits[name][None] for name in names)
        accuracy = np.mean(simulated.accuracy <= mine.accuracy, axis=1).tolist()
        repeatability = np.mean(simulated.repeatability <= mine.repeatability, axis=1).tolist()
        # RP of all poses, every one in units of the middle of its population
        middles = np.maximum(np.median(simulated.repeatability, axis=1, keepdims=True), np.finfo(float).tiny)
        scatter = np.mean(np.concatenate([mine.repeatability, simulated.repeatability], axis=1) / middles, axis=0)
        bands = [
            [(low, middle, high) for low, middle, high in np.quantile(figure, (0.05, 0.5, 0.95), axis=1).T.tolist()]
            for figure in (simulated.accuracy, simulated.repeatability)
        ]
        return Ranked(
            len(simulated.means),
            each,
            _chance(whole),
            _chance(scatter),
            by_pose,
            _holm(by_pose, each),
            accuracy,
            repeatability,
            *bands,
        )


def _distances(away: Array, covariance: Array) -> Array:
    """Squared distances of Mahalanobis of rows, in the directions that the covariance has."""
    values, vectors = np.linalg.eigh(covariance)
    kept = values > 1e-12 * values[-1]
    return np.asarray(np.sum((away @ vectors[:, kept]) ** 2 / values[kept], axis=1))


def _chance(distances: Array) -> float:
    """Share of the simulated that are as far off as the first, which was measured."""
    return float((1 + np.count_nonzero(distances[1:] >= distances[0])) / len(distances))


def _holm(chances: Sequence[float], each: float) -> list[bool]:
    """Which of several are too small, all taken together. Source: Holm, Scand. J. Statist. 6 (1979) 65."""
    out = [False] * len(chances)
    for rank, n in enumerate(np.argsort(np.array(chances), kind="stable").tolist()):
        if chances[n] * (len(chances) - rank) > each:
            break
        out[n] = True
    return out
