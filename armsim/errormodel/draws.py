"""Joint draws of the coefficients of unit life."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from armsim.arrays import Array
from armsim.errormodel.distributions import LIMIT_FACTORS, open_interval


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
    def from_uniform(self, uniform: Array) -> Array:
        """Draws from uniform numbers in (0, 1) of shape (dimensions, n), shape (K, n)."""

    def __call__(self, generator: Generator, n: int) -> Array:
        """n draws, shape (K, n)."""
        return self.from_uniform(open_interval(generator.random((self.dimensions, n))))


@dataclass(frozen=True)
class Gaussian(Draw):
    """Draw of jointly normal coefficients; its fields are tuples, so that terms compare."""

    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]

    @property
    def dimensions(self) -> int:
        return len(self.mean)

    def from_uniform(self, uniform: Array) -> Array:
        from scipy.special import ndtri

        values, vectors = np.linalg.eigh(np.array(self.covariance))
        spread = vectors * np.sqrt(np.maximum(values, 0.0))
        return np.asarray(np.array(self.mean)[:, None] + spread @ ndtri(uniform))

    @property
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of each coefficient."""
        return tuple(
            abs(m) + LIMIT_FACTORS["normal"] * row[n] ** 0.5
            for n, (m, row) in enumerate(zip(self.mean, self.covariance, strict=True))
        )


@dataclass(frozen=True, eq=False)
class TableDraw(Draw):
    """Coefficients tabulated for every unit of one population.

    Parameters
    ----------
    seed : int
        Seed of that population.
    coefficients : (K, units)
    """

    seed: int
    coefficients: Array

    @property
    def dimensions(self) -> int:
        return 0

    @property
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of each coefficient."""
        return tuple(np.abs(self.coefficients).max(axis=1).tolist())

    def from_uniform(self, uniform: Array) -> Array:
        raise TypeError("units of a table are not drawn")

    def coefficients_of_units(self, seed: int, first: int, n: int) -> Array:
        """Coefficients of n units from ``first``, shape (K, n); zeros beyond the last unit.

        Raises
        ------
        ValueError
            The seed is that of another population.
        """
        if seed != self.seed:
            raise ValueError(f"a table of the population of seed {self.seed}, requested for that of seed {seed}")
        out = np.zeros((len(self.coefficients), n))
        unit_rows = self.coefficients[:, first : first + n]
        out[:, : unit_rows.shape[1]] = unit_rows
        return out


@dataclass(frozen=True, eq=False)
class FollowingDraw(Draw):
    """Coefficients that are linear in those of other terms, plus an independent addition.

    Parameters
    ----------
    addition : Draw
    response : mapping of term name to (K, coefficients of that term)
        Change of these coefficients per coefficient of the other term.
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

    def from_uniform(self, uniform: Array) -> Array:
        return self.addition.from_uniform(uniform)
