"""Sampling plan: numbers of units and visits, seed, and numerical tolerance."""

from __future__ import annotations

from dataclasses import dataclass

from armsim.field_spec import key

MOST_UNITS = 10_000_000
MOST_VISITS = 1_000_000


@dataclass(frozen=True)
class NumericalTolerance:
    """Numerical tolerance of the quantile: a share of itself, or a length [m]."""

    value: float
    relative: bool = True

    @classmethod
    def from_quantity(cls, value: float, kind: str) -> NumericalTolerance:
        """Tolerance from a ``ratio`` or a ``length``."""
        return cls(value, kind == "ratio")

    def half_width_at(self, quantile: float) -> float:
        """Allowed half-width of a quantile. [m]"""
        return self.value * quantile if self.relative else self.value


@dataclass(frozen=True)
class SamplingPlan:
    """Numbers of units and visits, seed, and tolerance of a run."""

    units: int = key(2000, "count", "number of built arms", least=1, most=MOST_UNITS, why="every arm is kept in memory")
    visits: int = key(
        30, "count", "visits of every built arm to every pose", least=1, most=MOST_VISITS,
        why="more visits add no information about an arm",
    )  # fmt: skip
    seed: int = key(1, "count", "seed of all random numbers", least=0, most=2**63, why="it keys counters of 64 bits")
    tolerance: NumericalTolerance | None = key(
        None, "ratio or length", "half-width to which the quantile is determined: more arms are sampled, from `units` "
        "on, until it is reached", least=0.0, above=True,
    )  # fmt: skip
