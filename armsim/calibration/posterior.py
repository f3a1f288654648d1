"""The coefficients of a measured arm, and what to expect of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibration_records import ExpectedRecord
from armsim.calibration.linear_population import Linear
from armsim.calibration.registration import taken_out

SURE = 0.01
"""Share of its prior variance that must be known of a cause before it is told whether it moved."""


@dataclass(frozen=True, eq=False)
class Estimator:
    """The best linear estimate of the unit coefficients from mean displacements at P poses.

    Parameters
    ----------
    linear : Linear
    within : (3 P, 3 P) [m^2]
        Covariance of the displacements of the population, as measured.
    inverse : (3 P, 3 P) [m^-2]
    gain : (coefficients, 3 P) [m^-1]
        From displacements less their mean to coefficients less their mean.
    covariance : (coefficients, coefficients)
        Of what is left unknown.
    projection : (3 P, 3 P)
        What is left of displacements once frame and target are fitted; the identity where both are known.
    noise : (3 P, 3 P) [m^2]
        Covariance that visits and instrument make, frame and target not fitted.

    References
    ----------
    .. [1] Gauss-Markov with prior moments: Tarantola, Inverse Problem Theory (2005), 3.2.
    """

    linear: Linear
    within: Array
    inverse: Array
    gain: Array
    covariance: Array
    projection: Array
    noise: Array

    @staticmethod
    def of(linear: Linear, counts: Sequence[int], instrument: float | Array, columns: Array | None = None) -> Estimator:
        """For so many visits at every pose.

        Parameters
        ----------
        linear : Linear
        counts : sequence of int
            Visits of every pose.
        instrument : float or (P, 3) [m]
            Standard deviation of a reading along every axis.
        columns : (3 P, K), optional
            What a frame and a target that are fitted do to the readings, as `registration.nuisance`.

        Raises
        ------
        ArithmeticError
            The poses do not tell frame and target apart.
        """
        noise = linear.noise(counts, instrument)
        within = linear.gain @ linear.prior @ linear.gain.T + noise
        inverse = np.asarray(np.linalg.pinv(within, rcond=1e-12, hermitian=True), float)
        projection = np.eye(len(within))
        if columns is not None and columns.shape[1]:
            projection = taken_out(within, columns)
            inverse = projection.T @ inverse @ projection
            within = projection @ within @ projection.T
        reach = linear.prior @ linear.gain.T
        gain = reach @ inverse
        return Estimator(linear, within, inverse, gain, linear.prior - gain @ reach.T, projection, noise)

    @property
    def mean(self) -> Array:
        """Of the displacements of the population, frame and target fitted, shape (3 P,). [m]"""
        return np.asarray(self.projection @ self.linear.mean)

    def known(self, part: slice) -> float:
        """Share of the prior variance of a cause that the measurement tells."""
        size = float(np.trace(self.linear.prior[part, part]))
        return 1.0 - float(np.trace(self.covariance[part, part])) / size if size > 0.0 else 0.0

    def told(self, part: slice) -> Array:
        """Covariance of the estimate of a cause, over the population."""
        return np.asarray(self.linear.prior[part, part] - self.covariance[part, part])

    @property
    def causes(self) -> list[int]:
        """Places among the terms of the causes that the poses tell something of."""
        return [n for n, (_, part) in enumerate(self.linear.parts()) if self.known(part) > SURE]


@dataclass(frozen=True, eq=False)
class Update:
    """Unit coefficients of an arm after its measurement; mean square of every pose left out, over the expected.

    ``away``: displacements less their mean, frame and target fitted, shape (3 P,). [m]"""

    estimator: Estimator
    away: Array
    coefficients: Array
    left_out: list[float]

    @staticmethod
    def of(estimator: Estimator, displacement: Array) -> Update:
        """From mean displacements of shape (3 P,), frame and target fitted or not. [m]"""
        away = estimator.projection @ displacement - estimator.mean
        coefficients = estimator.linear.prior_mean + estimator.gain @ away
        # the residual of a pose that is left out, and its covariance, from the inverse of the whole
        left_out, pulled = [], estimator.inverse @ away
        for first in range(0, len(away), 3):
            part = slice(first, first + 3)
            covariance = np.linalg.pinv(estimator.inverse[part, part], hermitian=True)
            residual = covariance @ pulled[part]
            left_out.append(float(residual @ np.linalg.pinv(covariance, hermitian=True) @ residual / 3.0))
        return Update(estimator, away, coefficients, left_out)


def expected(updated: Update, everywhere: Linear, names: Sequence[str]) -> tuple[ExpectedRecord, ...]:
    """Displacement expected of this very arm at every pose, and the standard deviation that is left of it."""
    mean = (everywhere.gain @ updated.coefficients + everywhere.fixed).reshape(-1, 3)
    out = []
    for n, name in enumerate(names):
        rows = everywhere.gain[3 * n : 3 * n + 3]
        uncertainty = float(np.sqrt(max(np.trace(rows @ updated.estimator.covariance @ rows.T), 0.0)))
        prior = float(np.sqrt(max(np.trace(rows @ everywhere.prior @ rows.T), 0.0)))
        x, y, z = mean[n].tolist()
        out.append(ExpectedRecord(name, (x, y, z), float(np.linalg.norm(mean[n])), uncertainty, prior))
    return tuple(out)
