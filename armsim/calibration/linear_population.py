"""A population by first order: what the coefficients of its arms do to the tool point at measured poses."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.errormodel.terms import Term
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine


@dataclass(frozen=True, eq=False)
class Linear:
    """What the unit coefficients do to the tool point at M poses, to first order.

    Parameters
    ----------
    terms : tuple of Term
        Of unit life.
    gain : (3 M, coefficients) [m]
    prior : (coefficients, coefficients)
        Their covariance.
    prior_mean : (coefficients,)
    fixed : (3 M,) [m]
        Mean of the visits.
    scatter : (M, 3, 3) [m^2]
        Covariance of one visit.
    """

    terms: tuple[Term, ...]
    gain: Array
    prior: Array
    prior_mean: Array
    fixed: Array
    scatter: Array

    def parts(self) -> Iterator[tuple[Term, slice]]:
        """Every cause, and its own among the coefficients."""
        at = 0
        for term in self.terms:
            yield term, slice(at, at + len(term.mean))
            at += len(term.mean)

    def only(self, poses: NDArray[np.intp]) -> Linear:
        """At some of the poses."""
        rows = (3 * poses[:, None] + np.arange(3)).ravel()
        return replace(self, gain=self.gain[rows], fixed=self.fixed[rows], scatter=self.scatter[poses])

    @property
    def mean(self) -> Array:
        """Of the displacements of the population, shape (3 M,). [m]"""
        return np.asarray(self.gain @ self.prior_mean + self.fixed)

    @staticmethod
    def of(machine: Machine, joints: Array) -> Linear:
        """At joint positions of shape (M, joints), the arm at rest."""
        evaluated = machine.evaluated(Configurations(joints))
        terms, columns, fixed, scatter = [], [], np.zeros((len(joints), 3)), np.zeros((len(joints), 3, 3))
        for term, g in evaluated.gains():
            if term.life == "unit":
                terms.append(term)
                columns.append(g.reshape(3 * len(joints), -1))
            else:
                fixed += g @ term.mean
                scatter += g @ term.covariance @ np.swapaxes(g, 1, 2)
        sizes = [len(term.mean) for term in terms]
        prior = np.zeros((sum(sizes), sum(sizes)))
        at = 0
        for term, size in zip(terms, sizes, strict=True):
            prior[at : at + size, at : at + size] = term.covariance
            at += size
        mean = np.concatenate([term.mean for term in terms]) if terms else np.zeros(0)
        gain = np.concatenate(columns, axis=1) if columns else np.zeros((3 * len(joints), 0))
        return Linear(tuple(terms), gain, prior, mean, fixed.ravel(), scatter)

    def noise(self, visits: Sequence[int], instrument: float | Array) -> Array:
        """Covariance of the mean of so many visits at every pose, shape (3 M, 3 M). [m^2]

        ``instrument``: standard deviation along every axis, or of shape (M, 3) pose by pose along x, y, z. [m]
        """
        out = np.zeros((3 * len(visits),) * 2)
        for n, (count, visit) in enumerate(zip(visits, self.one_visit(instrument), strict=True)):
            block = slice(3 * n, 3 * n + 3)
            out[block, block] = visit / count
        return out

    def one_visit(self, instrument: float | Array) -> Array:
        """Covariance of one reading at every pose, shape (M, 3, 3) [m^2]; ``instrument`` as of `noise`."""
        spread = np.broadcast_to(np.asarray(instrument, dtype=float), (len(self.scatter), 3))
        return np.array([scatter + np.diag(sizes**2) for scatter, sizes in zip(self.scatter, spread, strict=True)])
