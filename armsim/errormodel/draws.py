"""How coefficients of unit life are drawn together."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from armsim.arrays import Array
from armsim.errormodel.distributions import COVERED, open_interval


class Draw(ABC):
    """Draws the coefficients of a term together, from as many uniform numbers as there are dimensions.

    That leaves open where the uniform numbers come from: a generator, or points that fill the space evenly.
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
    """Draw of coefficients that are normal together; tuples, so that terms compare."""

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
    """Coefficients that are worked out for every unit beforehand, of one population.

    Parameters
    ----------
    seed : int
        Of that population.
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
        """Those of n units, shape (K, n); zeros past the last.

        Raises
        ------
        ValueError
            Of another population.
        """
        if seed != self.seed:
            raise ValueError(f"a table of the population of seed {self.seed}, asked for that of seed {seed}")
        out = np.zeros((len(self.rows), n))
        unit_rows = self.rows[:, first : first + n]
        out[:, : unit_rows.shape[1]] = unit_rows
        return out


@dataclass(frozen=True, eq=False)
class FollowingDraw(Draw):
    """Coefficients that follow those of other terms in proportion, and add some of their own.

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
        """Largest magnitude of what it adds."""
        return self.addition.limits

    def of(self, uniform: Array) -> Array:
        return self.addition.of(uniform)
