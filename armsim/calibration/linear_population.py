"""First-order population: effect of the error coefficients of its arms on the tool point at measured poses."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.calibration.reading_conditions import Conditions, evaluated_at
from armsim.calibration.reading_noise import Instrument, ReadingNoise
from armsim.errormodel.terms import Term
from armsim.model.machine import Machine


@dataclass(frozen=True, eq=False)
class Linear:
    """First-order (linearised) effect of the unit coefficients on the tool point at M poses, three rows per pose.

    Parameters
    ----------
    terms : tuple of Term
        Terms constant per unit (simulated arm).
    gain : (3 M, coefficients) [m]
    prior_covariance : (coefficients, coefficients)
        Their covariance.
    prior_mean : (coefficients,)
    fixed : (3 M,) [m]
        Mean of the visits.
    scatter : (M, 3, 3) [m^2]
        Covariance of one visit.
    crossed : (M, 3, 3) [m^2]
        Covariance of one visit with that of the partner of its group; zero where it has none.
    partners : (M,) of int
        As in `reading_conditions.Conditions`.
    visit_parts : tuple of Term and (M, 3, 3) [m^2]
        Every cause of visit life, and its part of the covariance of one visit.
    """

    terms: tuple[Term, ...]
    gain: Array
    prior_covariance: Array
    prior_mean: Array
    fixed: Array
    scatter: Array
    crossed: Array
    partners: NDArray[np.int64]
    visit_parts: tuple[tuple[Term, Array], ...]

    def parts(self) -> Iterator[tuple[Term, slice]]:
        """Every cause, with the slice of its coefficients."""
        first = 0
        for term in self.terms:
            yield term, slice(first, first + len(term.mean))
            first += len(term.mean)

    def only(self, poses: NDArray[np.intp]) -> Linear:
        """Selection of some of the poses, orientations with their partners."""
        rows = (3 * poses[:, None] + np.arange(3)).ravel()
        index_of = {int(pose): n for n, pose in enumerate(poses)}
        partners = np.array([index_of[int(self.partners[pose])] for pose in poses], dtype=np.int64)
        return replace(
            self, gain=self.gain[rows], fixed=self.fixed[rows], scatter=self.scatter[poses],
            crossed=self.crossed[poses], partners=partners,
            visit_parts=tuple((term, part[poses]) for term, part in self.visit_parts),
        )  # fmt: skip

    @property
    def blocks(self) -> list[NDArray[np.int64]]:
        """Rows of every pose, those of its orientation behind those of its position."""
        groups = range(len(self.partners))
        members = [[n for n in groups if self.partners[n] == pose] for pose in groups if self.partners[pose] == pose]
        return [np.concatenate([3 * n + np.arange(3) for n in groups]) for groups in members]

    @property
    def mean(self) -> Array:
        """Mean displacements of the population, shape (3 M,). [m]"""
        return np.asarray(self.gain @ self.prior_mean + self.fixed)

    @staticmethod
    def of(machine: Machine, joints: Array, conditions: Conditions | None = None) -> Linear:
        """Linearisation at joint positions of shape (M, joints), the arm at rest, read under given conditions.

        Parameters
        ----------
        machine : Machine
        joints : (M, joints) [rad or m]
        conditions : Conditions, optional

        Returns
        -------
        Linear
        """
        evaluated = evaluated_at(machine, joints, conditions)
        partners = np.arange(len(joints)) if conditions is None else conditions.partners
        of_positions = partners == np.arange(len(joints))
        terms, columns, fixed, scatter = [], [], np.zeros((len(joints), 3)), np.zeros((len(joints), 3, 3))
        crossed, visit_parts = np.zeros_like(scatter), list[tuple[Term, Array]]()
        for term, g in evaluated.gains():
            if term.life == "unit":
                terms.append(term)
                columns.append(g.reshape(3 * len(joints), -1))
            else:
                fixed += g @ term.mean
                visit_parts.append((term, g @ term.covariance @ np.swapaxes(g, 1, 2)))
                scatter += visit_parts[-1][1]
                crossed += g @ term.covariance @ np.swapaxes(g[partners], 1, 2)
        crossed[of_positions] = 0.0
        sizes = [len(term.mean) for term in terms]
        prior_covariance = np.zeros((sum(sizes), sum(sizes)))
        first = 0
        for term, size in zip(terms, sizes, strict=True):
            prior_covariance[first : first + size, first : first + size] = term.covariance
            first += size
        mean = np.concatenate([term.mean for term in terms]) if terms else np.zeros(0)
        gain = np.concatenate(columns, axis=1) if columns else np.zeros((3 * len(joints), 0))
        return Linear(
            tuple(terms), gain, prior_covariance, mean, fixed.ravel(), scatter, crossed, partners, tuple(visit_parts)
        )

    def readings(self, visits: Sequence[int], instrument: Instrument) -> ReadingNoise:
        """Noise of a number of readings at every pose.

        Parameters
        ----------
        visits : sequence of int
        instrument : Instrument

        Returns
        -------
        ReadingNoise
        """
        return ReadingNoise.of(self.scatter, instrument, visits)

    def noise(self, visits: Sequence[int], instrument: Instrument) -> Array:
        """Covariance of the mean of a number of readings at every pose, shape (3 M, 3 M). [m^2]

        Parameters
        ----------
        visits : sequence of int
        instrument : Instrument

        Returns
        -------
        (3 M, 3 M) [m^2]
        """
        out = np.zeros((3 * len(visits),) * 2)
        for n, of_mean in enumerate(self.readings(visits, instrument).of_means):
            block, partner = slice(3 * n, 3 * n + 3), int(self.partners[n])
            out[block, block] = of_mean
            if partner != n:
                other = slice(3 * partner, 3 * partner + 3)
                out[block, other] = self.crossed[n] / visits[n]
                out[other, block] = out[block, other].T
        return out
