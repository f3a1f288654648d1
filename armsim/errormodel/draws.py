"""Joint draws of the coefficients of unit life."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from armsim.arrays import Array
from armsim.errormodel.distributions import COVERED, open_interval


class Draw(ABC):
    """Joint draw of the coefficients of a term, from as many uniform numbers as there are dimensions.

    The source of the uniform numbers is open: a generator, or points that fill the space evenly.
    """

    @property
    @abstractmethod
    def dimensions(self) -> int:
        """Uniform numbers that one draw takes."""

    @property
    @abstractmethod
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of each coefficient."""

    @abstractmethod
    def of(self, uniform: Array) -> Array:
        """Draws from uniform numbers in (0, 1) of shape (dimensions, n), shape (K, n)."""

    def __call__(self, generator: Generator, n: int) -> Array:
        """n draws, shape (K, n)."""
        return self.of(open_interval(generator.random((self.dimensions, n))))


@dataclass(frozen=True)
class Gaussian(Draw):
    """Draw of jointly normal coefficients; its fields are tuples, so that terms compare."""

    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]

    @property
    def dimensions(self) -> int:
        return len(self.mean)

    def of(self, uniform: Array) -> Array:
        from scipy.special import ndtri

        values, vectors = np.linalg.eigh(np.array(self.covariance))
        spread = vectors * np.sqrt(np.maximum(values, 0.0))
        return np.asarray(np.array(self.mean)[:, None] + spread @ ndtri(uniform))

    @property
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of each coefficient."""
        return tuple(
            abs(m) + COVERED["normal"] * row[n] ** 0.5
            for n, (m, row) in enumerate(zip(self.mean, self.covariance, strict=True))
        )


@dataclass(frozen=True, eq=False)
class TableDraw(Draw):
    """Coefficients tabulated for every unit of one population.

    Parameters
    ----------
    seed : int
        Seed of that population.
    rows : (K, units)
    """

    seed: int
    rows: Array

    @property
    def dimensions(self) -> int:
        return 0

    @property
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of each coefficient."""
        return tuple(np.abs(self.rows).max(axis=1).tolist())

    def of(self, uniform: Array) -> Array:
        raise TypeError("units of a table are not drawn")

    def units(self, seed: int, first: int, n: int) -> Array:
        """Coefficients of n units from ``first``, shape (K, n); zeros beyond the last unit.

        Raises
        ------
        ValueError
            The seed is that of another population.
        """
        if seed != self.seed:
            raise ValueError(f"a table of the population of seed {self.seed}, requested for that of seed {seed}")
        out = np.zeros((len(self.rows), n))
        unit_rows = self.rows[:, first : first + n]
        out[:, : unit_rows.shape[1]] = unit_rows
        return out


@dataclass(frozen=True, eq=False)
class FollowingDraw(Draw):
    """Coefficients that are linear in those of other terms, plus an independent addition.

    Parameters
    ----------
    addition : Draw
    response : mapping of term to (K, coefficients of the term)
    """

    addition: Draw
    response: Mapping[str, Array]

    @property
    def dimensions(self) -> int:
        return self.addition.dimensions

    @property
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of the addition."""
        return self.addition.limits

    def of(self, uniform: Array) -> Array:
        return self.addition.of(uniform)
