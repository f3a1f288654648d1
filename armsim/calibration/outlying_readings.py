"""Readings with which no others agree: deletion residuals, held against those of simulated arms read the same way.

A reading y_i at a pose p of K readings, S the covariance of one, m their mean; a the mean displacements of all poses
less their expectation, Q the inverse of their covariance with frame, target and free parameters taken out. What is left
of the reading, T its covariance, and the deletion residual r_i, the reading less what all others tell of it:

    t_i = y_i - m + S/K (Q a)_p,   T = S (1 - 1/K) + S/K Q_pp S/K,   r_i = S T^-1 t_i,   cov r_i = S T^-1 S

so that r_i^T (cov r_i)^-1 r_i = t_i^T T^-1 t_i, of the chi-square law with three degrees of freedom where all is
normal. It is divided by the median over the readings of the arm in units of that law's, where that is more than one: an
arm that is not as predicted, or an instrument that is worse than stated, moves all readings and makes none of them
stand out. The largest over all readings is ranked among the largest of simulated arms, which holds whatever the laws
are.

References
----------
.. [1] Haslett, Hayes, J. Royal Statistical Society B 60 (1998) 201 (from memory): deletion residuals in general.
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
from armsim.documents.measured_points import MeasuredArm

MOST = 0.1
"""Share of the readings of an arm that may be called wrong, at most. Common practice, no source."""
MEDIAN = 2.366
"""Median of the chi-square law with three degrees of freedom."""
FLAT = 1e-9
"""Share of the largest variance below which a direction has none."""
MOST_NUMBERS = 5_000_000
"""Readings of simulated arms: of more readings fewer arms."""


@dataclass(frozen=True, eq=False)
class Prediction:
    """What is predicted of the readings of an arm at P poses.

    Parameters
    ----------
    mean : (3 P,) [m]
        Of the displacements.
    inverse : (3 P, 3 P) [m^-2]
        Of the covariance of their means over the visits, what is fitted taken out.
    visit : (P, 3, 3) [m^2]
        Covariance of one reading about the mean of its pose.
    counts : (P,)
        Readings of every pose.
    """

    mean: Array
    inverse: Array
    visit: Array
    counts: Sequence[int]

    def block(self, pose: int) -> Array:
        """The inverse at a pose, shape (3, 3)."""
        part = slice(3 * pose, 3 * pose + 3)
        return np.asarray(self.inverse[part, part])

    def factor(self, pose: int) -> Array:
        """S; the identity where a pose was read once and S falls out, shape (3, 3)."""
        return np.eye(3) if self.counts[pose] == 1 else self.visit[pose]

    def whitening(self, pose: int) -> Array:
        """Root of the inverse of T, shape (3, 3): rows of residuals times it are of unit covariance, or zero."""
        count, factor = self.counts[pose], self.factor(pose)
        covariance = self.visit[pose] * (1.0 - 1.0 / count) + factor @ self.block(pose) @ factor / count**2
        values, vectors = np.linalg.eigh(covariance)
        least = FLAT * (np.abs(self.inverse).max() if count == 1 else values[-1])
        scales = [1.0 / np.sqrt(value) if value > least else 0.0 for value in values.tolist()]
        return np.asarray(vectors * np.array(scales))

    def pulled(self, means: Array) -> Array:
        """Q a of mean displacements of arms, shape (units, 3 P), as (units, P, 3). [m^-1]"""
        return np.asarray((means - self.mean) @ self.inverse).reshape(len(means), -1, 3)

    def squares(self, visits: Sequence[Array]) -> Array:
        """Squared studentised deletion residuals of the readings of an arm, pose by pose, shape (readings,).

        ``visits`` of shape (visits, 3) each. [m]
        """
        residuals = self._left(visits)
        return np.concatenate([np.sum((rows @ self.whitening(n)) ** 2, axis=1) for n, rows in enumerate(residuals)])

    def _left(self, visits: Sequence[Array]) -> list[Array]:
        """t_i of the readings of an arm, pose by pose."""
        pulled = self.pulled(np.concatenate([rows.mean(axis=0) for rows in visits])[None])[0]
        return [rows - rows.mean(axis=0) + self.factor(n) @ pulled[n] / self.counts[n] for n, rows in enumerate(visits)]

    def deleted(self, visits: Sequence[Array], pose: int, visit: int) -> tuple[Array, Array]:
        """Deletion residual of one reading, shape (3,) [m], and its covariance, shape (3, 3) [m^2]."""
        white, factor = self.whitening(pose), self.factor(pose)
        inverse = white @ white.T
        return factor @ inverse @ self._left(visits)[pose][visit], factor @ inverse @ factor

    @property
    def freedom(self) -> tuple[int, int]:
        """Degrees of freedom of `misfit`."""
        values = np.linalg.eigvalsh(self.inverse)
        between = int(np.count_nonzero(values > FLAT * values[-1]))
        ranks = [int(np.linalg.matrix_rank(covariance, hermitian=True)) for covariance in self.visit]
        return between, sum(rank * (count - 1) for rank, count in zip(ranks, self.counts, strict=True))

    def misfit(self, visits: Sequence[Array]) -> tuple[float, float]:
        """Chi-square of the means of the poses, and of the visits about them."""
        means = np.concatenate([rows.mean(axis=0) for rows in visits])
        between = float((means - self.mean) @ self.inverse @ (means - self.mean))
        pairs = zip(visits, self.visit, strict=True)
        within = sum(float(_scattered(rows[None], covariance)[0]) for rows, covariance in pairs)
        return between, within


def _scattered(readings: Array, covariance: Array) -> Array:
    """Squared distances of readings (units, visits, 3) from their means, summed over the visits, shape (units,)."""
    away = readings - readings.mean(axis=1, keepdims=True)
    return np.asarray(np.einsum("uvi,ij,uvj->u", away, np.linalg.pinv(covariance, hermitian=True), away))


def studentised(squares: Array) -> Array:
    """Squares (..., readings) over their median in units of that of the chi-square law, where that is more than one."""
    return np.asarray(squares / np.maximum(1.0, np.median(squares, axis=-1, keepdims=True) / MEDIAN))


def _normal(square: Array, freedom: int) -> Array:
    """A chi-square as a standard normal quantity. Source: Wilson, Hilferty, PNAS 17 (1931) 684."""
    if freedom == 0:
        return np.zeros_like(square)
    width = 2.0 / (9.0 * freedom)
    return np.asarray((np.cbrt(square / freedom) - 1.0 + width) / np.sqrt(width))


@dataclass(frozen=True, eq=False)
class ReadingSample:
    """Simulated readings, what is needed of them, pose by pose as they come.

    Parameters
    ----------
    prediction : Prediction
    alarm : float
        Smallest chance that is to be told.
    means : list of (units, 3) [m]
    away : list of (units, visits, 3)
        From those, whitened.
    within : list of (units,)
        Chi-square of the visits.
    """

    prediction: Prediction
    alarm: float
    means: list[Array] = field(default_factory=list)
    away: list[NDArray[np.float32]] = field(default_factory=list)
    within: list[Array] = field(default_factory=list)

    def through(self, visits: Iterable[Array]) -> Iterator[Array]:
        """Readings of shape (units, visits, 3) as they are, those of as many units as are needed looked at. [m]"""
        units = max(int(np.ceil(2.0 / self.alarm)), MOST_NUMBERS // sum(self.prediction.counts))
        for pose, every in enumerate(visits):
            readings = every[:units]
            mean = readings.mean(axis=1)
            self.means.append(mean)
            self.away.append(((readings - mean[:, None]) @ self.prediction.whitening(pose)).astype(np.float32))
            self.within.append(_scattered(readings, self.prediction.visit[pose]))
            yield every


@dataclass(frozen=True, eq=False)
class ReadingReference:
    """Simulated arms read the same way: the largest of their studentised residuals, misfit of means and of visits.

    Each of shape (units,), in order; the misfits as standard normal quantities.
    """

    largest: Array
    between: Array
    within: Array

    @staticmethod
    def of(sample: ReadingSample) -> ReadingReference:
        """From simulated readings, all poses of them."""
        prediction = sample.prediction
        displacements = np.concatenate(sample.means, axis=1)
        pulled = prediction.pulled(displacements)
        squares = []
        for pose, away in enumerate(sample.away):
            shift = pulled[:, pose] @ prediction.factor(pose) @ prediction.whitening(pose) / prediction.counts[pose]
            squares.append(np.sum((away + shift[:, None].astype(np.float32)) ** 2, axis=2))
        largest = studentised(np.concatenate(squares, axis=1)).max(axis=1)
        between = np.sum((displacements - prediction.mean) * pulled.reshape(len(pulled), -1), axis=1)
        within, (first, second) = np.sum(sample.within, axis=0), prediction.freedom
        return ReadingReference(np.sort(largest), np.sort(_normal(between, first)), np.sort(_normal(within, second)))

    def chance(self, square: float) -> float:
        """Of an arm of the population whose largest studentised square is at least so large."""
        return _chance(self.largest, square)

    def misfit_chances(self, prediction: Prediction, visits: Sequence[Array]) -> tuple[float, float]:
        """Of an arm of the population whose means, and whose visits, fit no better."""
        laws = zip((self.between, self.within), prediction.misfit(visits), prediction.freedom, strict=True)
        between, within = (_chance(law, float(_normal(np.array(value), freedom))) for law, value, freedom in laws)
        return between, within


def _chance(ordered: Array, value: float) -> float:
    """Of at least so much. Source: Davison, Hinkley, Bootstrap Methods and their Application (1997), 4.2."""
    return (1 + len(ordered) - int(np.searchsorted(ordered, value))) / (1 + len(ordered))


Refit = Callable[[MeasuredArm], tuple[Prediction, list[Array]]]
"""What is predicted of the readings of an arm, and those readings, pose by pose of shape (visits, 3). [m]"""


@dataclass(frozen=True, eq=False)
class Screened:
    """The readings of an arm, searched for wrong ones.

    Parameters
    ----------
    arm : MeasuredArm
        Without those that are named.
    outliers : tuple of OutlierRecord
        The farthest first.
    crowded : bool
        Whether more than `MOST` of the readings stand out, which then are not called wrong.
    """

    arm: MeasuredArm
    outliers: tuple[OutlierRecord, ...]
    crowded: bool


def screened(arm: MeasuredArm, file: str, refit: Refit, reference: ReadingReference, alarm: float) -> Screened:
    """Delete the worst reading and fit again until none stands out; each is then held against all that are left.

    ``alarm``: chance that a reading of an arm of the population is called wrong.
    """
    most, lines, remaining = max(1, int(MOST * len(arm.readings))), list[int](), arm
    while True:
        prediction, visits = refit(remaining)
        squares = studentised(prediction.squares(visits))
        worst = int(np.argmax(squares))
        if reference.chance(float(squares[worst])) > alarm:
            break
        if len(lines) == most or len(remaining.readings) == 1:
            return Screened(arm, (), True)
        lines.append(remaining.readings[worst][1])
        remaining = remaining.without(lines)
    outliers = [_outlier(arm.without(set(lines) - {line}), file, line, refit, reference) for line in lines]
    outliers = [outlier for outlier in outliers if outlier.chance <= alarm]
    named = {outlier.line for outlier in outliers}
    return Screened(arm.without(named) if named else arm, tuple(sorted(outliers, key=lambda o: -o.deviations)), False)


def _outlier(arm: MeasuredArm, file: str, line: int, refit: Refit, reference: ReadingReference) -> OutlierRecord:
    """The reading of a line against all others of an arm."""
    prediction, visits = refit(arm)
    number = [at for _, at in arm.readings].index(line)
    pose = next(n for n, lines in enumerate(arm.lines.values()) if line in lines)
    name = list(arm.lines)[pose]
    residual, covariance = prediction.deleted(visits, pose, arm.lines[name].index(line))
    squares = prediction.squares(visits)
    return OutlierRecord(
        file, line, name, float(np.linalg.norm(residual)), float(np.sqrt(np.trace(covariance))),
        float(np.sqrt(squares[number])), reference.chance(float(studentised(squares)[number])),
    )  # fmt: skip
