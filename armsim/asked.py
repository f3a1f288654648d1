"""What is asked of a run: the requirement, and how the population is sampled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass as checked

ISO_CYCLES = 30
"""Visits of every pose in the test of accuracy and repeatability. ISO 9283:1998, table of cycles, from memory."""


@checked(frozen=True, config=ConfigDict(populate_by_name=True))
class Requirement:
    """What the tool point must hold. ``position`` and ``repeatability`` in m, ``coverage`` and ``yield`` as shares.

    ``test_cycles``: visits per pose of the acceptance test that is simulated beside; they decide nothing.
    """

    position: float
    coverage: float = 0.95
    repeatability: float | None = None
    yield_: Annotated[float | None, Field(alias="yield")] = None
    test_cycles: int = ISO_CYCLES


Uniform = Literal["random", "sobol"]
MOST_UNITS = 10_000_000
MOST_VISITS = 1_000_000


@dataclass(frozen=True)
class NumericalTolerance:
    """How far the quantile asked for may be in doubt: a share of itself, or a length [m]."""

    value: float
    relative: bool = True

    def of(self, quantile: float) -> float:
        """Doubt allowed to a quantile. [m]"""
        return self.value * quantile if self.relative else self.value


@dataclass(frozen=True)
class SamplingPlan:
    """Built units, visits of every unit to every pose, and the seed of all random numbers.

    Parameters
    ----------
    units, visits, seed : int
    tolerance : NumericalTolerance, optional
        Take as many units as it asks for; ``units`` is then the number to begin with.
    points : str
        Where the uniform numbers of unit life come from: ``random``, or scrambled ``sobol`` nets of `UNIT_BLOCK` units.
    """

    units: int = 2000
    visits: int = 30
    seed: int = 1
    tolerance: NumericalTolerance | None = None
    points: Uniform = "random"
