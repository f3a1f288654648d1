"""First-order population: effect of the error coefficients of its arms on the tool point at measured poses."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.calibration.reading_conditions import Conditions, evaluated_at
from armsim.calibration.reading_noise import InstrumentNoise, ReadingNoise
from armsim.errormodel.terms import Term
from armsim.model.machine import Machine


@dataclass(frozen=True, eq=False)
class LinearPopulation:
    """First-order (linearised) effect of the error coefficients of a unit on the tool point at M poses, three rows
    each.

    Parameters
    ----------
    terms : tuple of Term
        Error terms that are drawn once per unit (simulated arm).
    gain : (3 M, coefficients) [m]
    prior_covariance : (coefficients, coefficients)
        Covariance of the coefficients of these terms.
    prior_mean : (coefficients,)
        Mean of these coefficients.
    visit_mean : (3 M,) [m]
        Mean displacement by the terms that are drawn anew per visit.
    scatter : (M, 3, 3) [m^2]
        Covariance of one visit.
    cross_covariance : (M, 3, 3) [m^2]
        Cross-covariance of one visit between a group of orientations and its partner group of positions; zero for
        groups of positions.
    partners : (M,) of int
        As in `reading_conditions.Conditions`.
    visit_covariances : tuple of Term and (M, 3, 3) [m^2]
        Every term that is drawn anew per visit, and its contribution to the covariance of one visit.
    """

    terms: tuple[Term, ...]
    gain: Array
    prior_covariance: Array
    prior_mean: Array
    visit_mean: Array
    scatter: Array
    cross_covariance: Array
    partners: NDArray[np.int64]
    visit_covariances: tuple[tuple[Term, Array], ...]

    def terms_with_slices(self) -> Iterator[tuple[Term, slice]]:
        """Every term that is drawn once per unit, with the slice of its coefficients."""
        first = 0
        for term in self.terms:
            yield term, slice(first, first + len(term.mean))
            first += len(term.mean)

    def only(self, poses: NDArray[np.intp]) -> LinearPopulation:
        """The same population at some of the poses; orientations need their partners."""
        rows = (3 * poses[:, None] + np.arange(3)).ravel()
        index_of = {int(pose): n for n, pose in enumerate(poses)}
        partners = np.array([index_of[int(self.partners[pose])] for pose in poses], dtype=np.int64)
        return replace(
            self, gain=self.gain[rows], visit_mean=self.visit_mean[rows], scatter=self.scatter[poses],
            cross_covariance=self.cross_covariance[poses], partners=partners,
            visit_covariances=tuple((term, covariance[poses]) for term, covariance in self.visit_covariances),
        )  # fmt: skip

    @property
    def blocks(self) -> list[NDArray[np.int64]]:
        """Rows of every pose: those of its position, then those of its orientation."""
        groups = range(len(self.partners))
        members = [[n for n in groups if self.partners[n] == pose] for pose in groups if self.partners[pose] == pose]
        return [np.concatenate([3 * n + np.arange(3) for n in groups]) for groups in members]

    @property
    def mean(self) -> Array:
        """Mean displacements of the population, shape (3 M,). [m]"""
        return np.asarray(self.gain @ self.prior_mean + self.visit_mean)

    @staticmethod
    def of(machine: Machine, joints: Array, conditions: Conditions | None = None) -> LinearPopulation:
        """Linearise a machine at rest at joint positions, read under given conditions.

        Parameters
        ----------
        machine : Machine
        joints : (M, joints) [rad or m]
        conditions : Conditions, optional

        Returns
        -------
        LinearPopulation
        """
        evaluated = evaluated_at(machine, joints, conditions)
        partners = np.arange(len(joints)) if conditions is None else conditions.partners
        of_positions = partners == np.arange(len(joints))
        terms, columns, visit_mean, scatter = [], [], np.zeros((len(joints), 3)), np.zeros((len(joints), 3, 3))
        cross_covariance, visit_covariances = np.zeros_like(scatter), list[tuple[Term, Array]]()
        for term, g in evaluated.gains():
            if term.life == "unit":
                terms.append(term)
                columns.append(g.reshape(3 * len(joints), -1))
            else:
                visit_mean += g @ term.mean
                visit_covariances.append((term, g @ term.covariance @ np.swapaxes(g, 1, 2)))
                scatter += visit_covariances[-1][1]
                cross_covariance += g @ term.covariance @ np.swapaxes(g[partners], 1, 2)
        cross_covariance[of_positions] = 0.0
        sizes = [len(term.mean) for term in terms]
        prior_covariance = np.zeros((sum(sizes), sum(sizes)))
        first = 0
        for term, size in zip(terms, sizes, strict=True):
            prior_covariance[first : first + size, first : first + size] = term.covariance
            first += size
        mean = np.concatenate([term.mean for term in terms]) if terms else np.zeros(0)
        gain = np.concatenate(columns, axis=1) if columns else np.zeros((3 * len(joints), 0))
        return LinearPopulation(
            tuple(terms),
            gain,
            prior_covariance,
            mean,
            visit_mean.ravel(),
            scatter,
            cross_covariance,
            partners,
            tuple(visit_covariances),
        )

    def readings(self, visits: Sequence[int], instrument: InstrumentNoise) -> ReadingNoise:
        """Noise of a number of readings at every pose.

        Parameters
        ----------
        visits : sequence of int
        instrument : InstrumentNoise

        Returns
        -------
        ReadingNoise
        """
        return ReadingNoise.of(self.scatter, instrument, visits)

    def noise(self, visits: Sequence[int], instrument: InstrumentNoise) -> Array:
        """Covariance of the mean of a number of readings at every pose, shape (3 M, 3 M). [m^2]

        Parameters
        ----------
        visits : sequence of int
        instrument : InstrumentNoise

        Returns
        -------
        (3 M, 3 M) [m^2]
        """
        out = np.zeros((3 * len(visits),) * 2)
        for n, of_mean in enumerate(self.readings(visits, instrument).mean_covariances):
            block, partner = slice(3 * n, 3 * n + 3), int(self.partners[n])
            out[block, block] = of_mean
            if partner != n:
                other = slice(3 * partner, 3 * partner + 3)
                out[block, other] = self.cross_covariance[n] / visits[n]
                out[other, block] = out[block, other].T
        return out
