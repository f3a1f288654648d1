"""Noise of readings about the mean of their pose, and of that mean, weighted if the readings differ in noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from armsim.arrays import Array

InstrumentNoise = float | Array | Sequence[Array]
"""Noise of the readings of an instrument: one standard deviation for all axes; or per pose along x, y, z, shape (M, 3);
or square roots of the covariance per pose, shape (readings, 3, 3), or (1, 3, 3) for readings of equal noise. [m]"""


def covariance_roots_of(instrument: InstrumentNoise, poses: int) -> list[Array]:
    """Square roots R of the covariances R R^T of readings, per pose.

    Parameters
    ----------
    instrument : InstrumentNoise
    poses : int

    Returns
    -------
    list of (readings or 1, 3, 3) [m]
    """
    if not isinstance(instrument, (float, int, np.ndarray)):
        return list(instrument)
    return [np.diag(sizes)[None] for sizes in np.broadcast_to(np.asarray(instrument, dtype=float), (poses, 3))]


@dataclass(frozen=True, eq=False)
class ReadingNoise:
    """Covariances of the readings of M poses.

    Parameters
    ----------
    covariances : tuple of (readings, 3, 3) or (1, 3, 3) [m^2]
        Covariance of each reading about the mean of its pose; a single one for readings of equal noise.
    counts : tuple of int
        Number of readings of every pose.
    """

    covariances: tuple[Array, ...]
    counts: tuple[int, ...]

    @staticmethod
    def of(scatter: Array, instrument: InstrumentNoise, counts: Sequence[int]) -> ReadingNoise:
        """Noise from the covariances of the visits, shape (M, 3, 3) [m^2], and an instrument.

        Parameters
        ----------
        scatter : (M, 3, 3) [m^2]
            Covariance of a visit.
        instrument : InstrumentNoise
        counts : sequence of int
            Readings of every pose.

        Returns
        -------
        ReadingNoise
        """
        covariance_roots = covariance_roots_of(instrument, len(scatter))
        sums = [visit + root @ root.swapaxes(1, 2) for visit, root in zip(scatter, covariance_roots, strict=True)]
        return ReadingNoise(tuple(sums), tuple(counts))

    @cached_property
    def weights(self) -> tuple[Array | None, ...]:
        """Weight of every reading in the mean of its pose, shape (readings, 3, 3); None if all have equal weight.

        References
        ----------
        .. [1] Aitken, Proc. Royal Society of Edinburgh 55 (1935) 42: weights of least variance.
        """
        out: list[Array | None] = []
        for covariances in self.covariances:
            inverse = np.linalg.inv(covariances) if len(covariances) > 1 else None
            out.append(None if inverse is None else np.linalg.inv(inverse.sum(axis=0)) @ inverse)
        return tuple(out)

    @cached_property
    def mean_covariances(self) -> tuple[Array, ...]:
        """Covariance of the mean of every pose, shape (3, 3). [m^2]"""
        out = []
        for covariances, count in zip(self.covariances, self.counts, strict=True):
            equal = len(covariances) == 1
            out.append(covariances[0] / count if equal else np.linalg.inv(np.linalg.inv(covariances).sum(axis=0)))
        return tuple(out)

    def mean(self, pose: int, readings: Array) -> Array:
        """Mean of readings (..., readings, 3) of a pose, shape (..., 3).

        Parameters
        ----------
        pose : int
        readings : (..., readings, 3) [m]

        Returns
        -------
        (..., 3) [m]
        """
        weights = self.weights[pose]
        if weights is None:
            return np.asarray(readings.mean(axis=-2))
        return np.asarray(np.einsum("vij,...vj->...i", weights, readings))

    def means(self, visits: Sequence[Array]) -> Array:
        """Means of the readings of an arm, pose by pose of shape (readings, 3), as one row of shape (3 M,)."""
        return np.concatenate([self.mean(pose, rows) for pose, rows in enumerate(visits)])
