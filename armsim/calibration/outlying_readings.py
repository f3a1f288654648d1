"""Outlying readings: deletion residuals, ranked among those of arms simulated with the same poses, visits and noise.

A unit is one simulated arm with its own drawn error coefficients.

Let y_i be a reading at pose p, S its covariance about the mean of the pose, m the weighted mean of the readings there
and N the covariance of m about the mean of the pose (S/K for K readings of equal noise). Let a be the mean
displacements of all poses minus their expected values, and Q the inverse of the covariance of a, with frame, target and
free parameters projected out. With t_i the residual of the reading, T its covariance, and r_i the deletion residual,
that is, the reading minus its prediction by all other readings,

    t_i = y_i - m + N (Q a)_p,   T = S - N + N Q_pp N,   r_i = S T^-1 t_i,   cov r_i = S T^-1 S

so that r_i^T (cov r_i)^-1 r_i = t_i^T T^-1 t_i. For normal errors this has the chi-square distribution with three
degrees of freedom. If the median over the readings of the arm exceeds the median of that distribution, all values are
divided by the ratio: an arm that is not as predicted, or an instrument that is worse than stated, affects all readings,
and makes none of them an outlier. The largest value over all readings is ranked among the largest values of simulated
arms, which is valid for any distributions.

References
----------
.. [1] Haslett, Hayes, J. Royal Statistical Society B 60 (1998) 201: deletion residuals in general.
.. [2] Cook, Weisberg, Residuals and Influence in Regression (1982), 2.2: studentised residuals.
.. [3] Westfall, Young, Resampling-Based Multiple Testing (1993), 2.3: the law of the largest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.calibration.calibration_records import OutlierRecord
from armsim.calibration.reading_noise import ReadingNoise
from armsim.documents.measured_points import MeasuredArm

MAX_OUTLIER_SHARE = 0.1
"""Largest share of the readings of an arm that may be called wrong. Common practice, no source."""
CHI_SQUARE_MEDIAN = 2.366
"""Median of the chi-square distribution with three degrees of freedom."""
NULL_VARIANCE_SHARE = 1e-9
"""Variance, as a share of the largest, up to which a direction counts as having none."""
MAX_READINGS = 5_000_000
"""Largest number of readings of simulated arms that is stored; it limits the number of arms."""


@dataclass(frozen=True, eq=False)
class Prediction:
    """Predicted distribution of the readings of an arm at P poses.

    Parameters
    ----------
    mean : (3 P,) [m]
        Predicted mean displacements.
    inverse : (3 P, 3 P) [m^-2]
        Inverse covariance of the means over the visits, fitted directions projected out.
    readings : ReadingNoise
        Noise of each reading about the mean of its pose.
    """

    mean: Array
    inverse: Array
    readings: ReadingNoise

    @property
    def counts(self) -> tuple[int, ...]:
        """Number of readings of every pose."""
        return self.readings.counts

    def inverse_block(self, pose: int) -> Array:
        """Block of the inverse covariance at a pose, shape (3, 3). [m^-2]"""
        coordinates = slice(3 * pose, 3 * pose + 3)
        return np.asarray(self.inverse[coordinates, coordinates])

    def reading_covariances(self, pose: int) -> Array:
        """S of the readings of a pose, shape (readings or 1, 3, 3); the identity at a pose that was read once."""
        return np.eye(3)[None] if self.counts[pose] == 1 else self.readings.covariances[pose]

    def mean_covariance(self, pose: int) -> Array:
        """N of a pose, shape (3, 3); the identity at a pose that was read once."""
        return np.eye(3) if self.counts[pose] == 1 else self.readings.mean_covariances[pose]

    def whitenings(self, pose: int) -> Array:
        """Square roots of T^-1 of the readings of a pose, which whiten their residuals.

        Returns
        -------
        (readings or 1, 3, 3)
        """
        of_mean, is_single = self.mean_covariance(pose), self.counts[pose] == 1
        of_reading = np.zeros((1, 3, 3)) if is_single else self.readings.covariances[pose] - of_mean
        values, vectors = np.linalg.eigh(of_reading + of_mean @ self.inverse_block(pose) @ of_mean)
        least = NULL_VARIANCE_SHARE * (np.abs(self.inverse).max() if is_single else values[:, -1:])
        scales = np.where(values > least, 1.0 / np.sqrt(np.where(values > least, values, 1.0)), 0.0)
        return np.asarray(vectors * scales[:, None, :])

    def weighted_means(self, means: Array) -> Array:
        """Q a from mean displacements of arms of shape (units, 3 P), shape (units, P, 3). [m^-1]"""
        return np.asarray((means - self.mean) @ self.inverse).reshape(len(means), -1, 3)

    def squares(self, visits: Sequence[Array]) -> Array:
        """Squared studentised deletion residuals of the readings of an arm, pose by pose, shape (readings,).

        ``visits`` are the readings of every pose, each of shape (visits, 3). [m]
        """
        residuals = self._residuals(visits)
        whitened = (_multiply_rows(rows, self.whitenings(n)) for n, rows in enumerate(residuals))
        return np.concatenate([np.sum(rows**2, axis=1) for rows in whitened])

    def _residuals(self, visits: Sequence[Array]) -> list[Array]:
        """t_i of the readings of an arm, pose by pose."""
        weighted, mean = self.weighted_means(self.readings.means(visits)[None])[0], self.readings.mean
        return [rows - mean(n, rows) + self.mean_covariance(n) @ weighted[n] for n, rows in enumerate(visits)]

    def deletion_residual(self, visits: Sequence[Array], pose: int, visit: int) -> tuple[Array, Array]:
        """Deletion residual of one reading, shape (3,) [m], and its covariance, shape (3, 3) [m^2].

        Parameters
        ----------
        visits : sequence of (visits, 3) [m]
        pose, visit : int

        Returns
        -------
        residual : (3,) [m]
        covariance : (3, 3) [m^2]
        """
        whitenings, factors = self.whitenings(pose), self.reading_covariances(pose)
        white, factor = whitenings[min(visit, len(whitenings) - 1)], factors[min(visit, len(factors) - 1)]
        inverse = white @ white.T
        return factor @ inverse @ self._residuals(visits)[pose][visit], factor @ inverse @ factor

    @property
    def freedom(self) -> tuple[int, int]:
        """Degrees of freedom of `misfit`."""
        values = np.linalg.eigvalsh(self.inverse)
        between = int(np.count_nonzero(values > NULL_VARIANCE_SHARE * values[-1]))
        ranks = [
            int(np.linalg.matrix_rank(covariances[0], hermitian=True)) for covariances in self.readings.covariances
        ]
        return between, sum(rank * (count - 1) for rank, count in zip(ranks, self.counts, strict=True))

    def misfit(self, visits: Sequence[Array]) -> tuple[float, float]:
        """Chi-square of the means of the poses, and of the visits about them."""
        means = self.readings.means(visits)
        between = float((means - self.mean) @ self.inverse @ (means - self.mean))
        within = sum(float(self.squared_scatter(n, rows[None])[0]) for n, rows in enumerate(visits))
        return between, within

    def squared_scatter(self, pose: int, readings: Array) -> Array:
        """Squared Mahalanobis distances of readings from their means, summed over the visits.

        Parameters
        ----------
        pose : int
        readings : (units, visits, 3) [m]

        Returns
        -------
        (units,)
        """
        residuals = readings - self.readings.mean(pose, readings)[:, None]
        inverse = np.linalg.pinv(self.readings.covariances[pose], hermitian=True)
        return np.asarray(np.sum(_multiply_rows(residuals, np.asarray(inverse, dtype=float)) * residuals, axis=(1, 2)))


def _multiply_rows(rows: Array, factors: Array) -> Array:
    """Rows, shape (..., readings, 3), each times its matrix, or all times one; factors, shape (readings or 1, 3, 3)."""
    return np.asarray(rows @ factors[0] if len(factors) == 1 else np.einsum("...vi,vij->...vj", rows, factors))


def studentised(squares: Array) -> Array:
    """Squares, shape (..., readings), divided by the ratio of their median to that of chi-square if it exceeds one."""
    return np.asarray(squares / np.maximum(1.0, np.median(squares, axis=-1, keepdims=True) / CHI_SQUARE_MEDIAN))


def _normal_score(square: Array, freedom: int) -> Array:
    """Standard normal score of a chi-square. Source: Wilson, Hilferty, PNAS 17 (1931) 684."""
    if freedom == 0:
        return np.zeros_like(square)
    width = 2.0 / (9.0 * freedom)
    return np.asarray((np.cbrt(square / freedom) - 1.0 + width) / np.sqrt(width))


@dataclass(frozen=True, eq=False)
class ReadingSample:
    """Statistics of simulated readings, collected pose by pose.

    Parameters
    ----------
    prediction : Prediction
    alarm : float
        Smallest p-value to be resolved.
    means : list of (units, 3) [m]
    residuals : list of (units, visits, 3)
        Residuals of the readings from those means, whitened.
    within : list of (units,)
        Chi-square of the visits.
    """

    prediction: Prediction
    alarm: float
    means: list[Array] = field(default_factory=list)
    residuals: list[NDArray[np.float32]] = field(default_factory=list)
    within: list[Array] = field(default_factory=list)

    def collect(self, visits: Iterable[Array]) -> Iterator[Array]:
        """Yield simulated readings, (units, visits, 3) per pose, unchanged, and collect residuals of some units. [m]"""
        units = max(int(np.ceil(2.0 / self.alarm)), MAX_READINGS // sum(self.prediction.counts))
        for pose, visits_at_pose in enumerate(visits):
            readings = visits_at_pose[:units]
            mean = self.prediction.readings.mean(pose, readings)
            self.means.append(mean)
            residuals = _multiply_rows(readings - mean[:, None], self.prediction.whitenings(pose))
            self.residuals.append(residuals.astype(np.float32))
            self.within.append(self.prediction.squared_scatter(pose, readings))
            yield visits_at_pose


@dataclass(frozen=True, eq=False)
class ReadingReference:
    """Reference distribution of readings: largest studentised residual and misfits of every simulated arm.

    Each has shape (units,), in ascending order. ``between`` is the misfit of the pose means, ``within`` that of the
    visits about them, as standard normal scores.
    """

    largest: Array
    between: Array
    within: Array

    @staticmethod
    def of(sample: ReadingSample) -> ReadingReference:
        """Reference distribution from simulated readings at all poses."""
        prediction = sample.prediction
        displacements = np.concatenate(sample.means, axis=1)
        weighted = prediction.weighted_means(displacements)
        squares = []
        for pose, residuals in enumerate(sample.residuals):
            whitenings, pull = (
                prediction.whitenings(pose),
                (weighted[:, pose] @ prediction.mean_covariance(pose))[:, None],
            )
            shift = _multiply_rows(np.repeat(pull, len(whitenings), axis=1), whitenings)
            squares.append(np.sum((residuals + shift.astype(np.float32)) ** 2, axis=2))
        largest = studentised(np.concatenate(squares, axis=1)).max(axis=1)
        between = np.sum((displacements - prediction.mean) * weighted.reshape(len(weighted), -1), axis=1)
        within, (first, second) = np.sum(sample.within, axis=0), prediction.freedom
        return ReadingReference(
            np.sort(largest), np.sort(_normal_score(between, first)), np.sort(_normal_score(within, second))
        )

    def p_value(self, square: float) -> float:
        """Probability that the largest studentised square of an arm of the population is at least ``square``."""
        return _p_value(self.largest, square)

    def misfit_p_values(self, prediction: Prediction, visits: Sequence[Array]) -> tuple[float, float]:
        """P-values of the misfit of an arm: of its pose means, and of its visits about them.

        Parameters
        ----------
        prediction : Prediction
        visits : sequence of (visits, 3) [m]

        Returns
        -------
        tuple of two float
            P-values of the means of the poses, and of the visits about them.
        """
        laws = zip((self.between, self.within), prediction.misfit(visits), prediction.freedom, strict=True)
        between, within = (
            _p_value(law, float(_normal_score(np.array(value), freedom))) for law, value, freedom in laws
        )
        return between, within


def _p_value(ordered: Array, value: float) -> float:
    """P-value of a statistic from its ordered reference sample.

    Source: Davison, Hinkley, Bootstrap Methods and their Application (1997), 4.2.
    """
    return (1 + len(ordered) - int(np.searchsorted(ordered, value))) / (1 + len(ordered))


RefitReadings = Callable[[MeasuredArm], tuple[Prediction, MeasuredArm]]
"""Function from a measured arm to the prediction of its readings, and its readings per group in the base frame."""


@dataclass(frozen=True, eq=False)
class ScreenedArm:
    """An arm after the search for outlying readings.

    Parameters
    ----------
    arm : MeasuredArm
        The arm without its outlying readings.
    outliers : tuple of OutlierRecord
        The farthest first.
    too_many_outliers : bool
        Whether more than `MAX_OUTLIER_SHARE` of the readings are significant; none is then called wrong.
    """

    arm: MeasuredArm
    outliers: tuple[OutlierRecord, ...]
    too_many_outliers: bool


def screen_outliers(
    arm: MeasuredArm, file: str, refit: RefitReadings, reference: ReadingReference, alarm: float
) -> ScreenedArm:
    """Delete the worst reading and refit until none is significant; each is then tested against the remaining ones.

    Parameters
    ----------
    arm : MeasuredArm
    file : str
        Name of the measurement file, for the records.
    refit : callable
        As `RefitReadings`.
    reference : ReadingReference
        Simulated arms read the same way.
    alarm : float
        Probability that a reading of an arm of the population is called wrong.

    Returns
    -------
    ScreenedArm
    """
    most, lines, remaining = max(1, int(MAX_OUTLIER_SHARE * len(arm.readings))), list[int](), arm
    while True:
        prediction, registered_arm = refit(remaining)
        squares = studentised(prediction.squares(list(registered_arm.visits.values())))
        worst = int(np.argmax(squares))
        if reference.p_value(float(squares[worst])) > alarm:
            break
        if len(lines) == most or len(remaining.readings) == 1:
            return ScreenedArm(arm, (), True)
        lines.append(registered_arm.readings[worst][1])
        remaining = remaining.without_lines(lines)
    outliers = [_outlier(arm.without_lines(set(lines) - {line}), file, line, refit, reference) for line in lines]
    outliers = [outlier for outlier in outliers if outlier.p_value <= alarm]
    named = {outlier.line for outlier in outliers}
    return ScreenedArm(
        arm.without_lines(named) if named else arm, tuple(sorted(outliers, key=lambda o: -o.deviations)), False
    )


def _outlier(
    arm: MeasuredArm, file: str, line: int, refit: RefitReadings, reference: ReadingReference
) -> OutlierRecord:
    """Record of the reading of a line, compared with the prediction by all other readings of an arm."""
    prediction, registered_arm = refit(arm)
    visits = list(registered_arm.visits.values())
    squares = prediction.squares(visits)
    number = max(
        (n for n, (_, reading_line) in enumerate(registered_arm.readings) if reading_line == line),
        key=lambda n: float(squares[n]),
    )
    name = registered_arm.readings[number][0]
    pose, visit = list(registered_arm.lines).index(name), registered_arm.lines[name].index(line)
    residual, covariance = prediction.deletion_residual(visits, pose, visit)
    return OutlierRecord(
        file, line, name, float(np.linalg.norm(residual)), float(np.sqrt(np.trace(covariance))),
        float(np.sqrt(squares[number])), reference.p_value(float(studentised(squares)[number])),
        name in registered_arm.rotations,
    )  # fmt: skip
