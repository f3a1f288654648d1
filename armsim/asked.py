"""What is asked of a run: the requirement, and how the population is sampled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass as checked

from armsim.declared import key

ISO_CYCLES = 30
"""Visits of every pose in the test of accuracy and repeatability. ISO 9283:1998, table of cycles, from memory."""


@checked(frozen=True, config=ConfigDict(populate_by_name=True))
class Requirement:
    """What the tool must hold. ``position`` and ``repeatability`` in m, ``orientation`` and
    ``orientation_repeatability`` in rad, ``coverage`` and ``yield`` as shares.

    ``test_cycles``: visits per pose of the acceptance test that is simulated beside; they decide nothing.
    """

    position: float = key(..., "length", "limit of the error of the tool point", least=0.0, above=True)
    coverage: float = key(0.95, "ratio", "share of errors that keep to it at every pose", least=0.01, most=0.9999)
    repeatability: float | None = key(
        None, "length", "limit of the repeatability RP of a built arm", least=0.0, above=True
    )
    yield_: Annotated[float | None, Field(alias="yield")] = key(
        None, "ratio", "share of built arms that must pass", least=0.0, above=True, most=1.0, alias="yield"
    )
    velocity_ripple: float | None = key(
        None, "ratio", "ripple and noise of the speed of every joint whose motion is stated, rms over the speed, that "
        "95 % of built arms keep to", least=0.0, above=True, most=1.0,
    )  # fmt: skip
    test_cycles: int = key(
        ISO_CYCLES, "count", "visits per pose of the acceptance test simulated beside", least=2, most=10_000,
        why="no test has more",
    )  # fmt: skip
    orientation: float | None = key(
        None,
        "angle",
        "limit of the angle between attained and commanded orientation of the tool",
        least=0.0,
        above=True,
    )
    orientation_repeatability: float | None = key(
        None, "angle", "limit of the repeatability of the orientation of a built arm, three standard deviations about "
        "the axis about which it scatters most", least=0.0, above=True,
    )  # fmt: skip


UNSTATED_COVERAGE = 0.95
"""Share of errors of which quantiles speak where no requirement states one. Common practice, no source."""


def coverage_of(requirement: Requirement | None) -> float:
    """Share of errors of which the quantiles of a study speak."""
    return UNSTATED_COVERAGE if requirement is None else requirement.coverage


def unit_limits(requirement: Requirement) -> tuple[float | None, ...]:
    """Limits of what every built arm has: AP, RP [m], the same of the orientation [rad]; None where not stated."""
    return (
        requirement.position, requirement.repeatability, requirement.orientation, requirement.orientation_repeatability,
    )  # fmt: skip


MOST_UNITS = 10_000_000
MOST_VISITS = 1_000_000


@dataclass(frozen=True)
class NumericalTolerance:
    """How far the quantile asked for may be in doubt: a share of itself, or a length [m]."""

    value: float
    relative: bool = True

    @classmethod
    def stated(cls, value: float, kind: str) -> NumericalTolerance:
        """From a quantity, ``ratio`` or ``length``."""
        return cls(value, kind == "ratio")

    def of(self, quantile: float) -> float:
        """Doubt allowed to a quantile. [m]"""
        return self.value * quantile if self.relative else self.value


@dataclass(frozen=True)
class SamplingPlan:
    """How many arms, how many visits, which random numbers."""

    units: int = key(2000, "count", "built arms", least=1, most=MOST_UNITS, why="every unit is kept in memory")
    visits: int = key(
        30, "count", "visits of every built arm to every pose", least=1, most=MOST_VISITS,
        why="more tell nothing more of a unit",
    )  # fmt: skip
    seed: int = key(1, "count", "of all random numbers", least=0, most=2**63, why="it keys counters of 64 bits")
    tolerance: NumericalTolerance | None = key(
        None, "ratio or length", "take as many units as this doubt of the quantile asks for, beginning with `units`",
        least=0.0, above=True,
    )  # fmt: skip
