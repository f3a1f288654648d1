"""What a task tells in one look, and its parts: frozen classes of results.json. SI units: metres, radians."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass as checked

from armsim.requirement import Judgement, Verdict, fails, reasons
from armsim.results.poses import Interval, Matrix, UnitQuantiles, Vector


@dataclass(frozen=True)
class Within:
    """Share of the poses of a task that are within the requirement.

    ``interval``: from the poses that are within for certain (upper end of their 95 % interval) to those that may be.
    """

    value: float
    interval: Interval


@checked(frozen=True, config=ConfigDict(populate_by_name=True))
class Yield:
    """Share of built units that pass at every pose, with its Clopper-Pearson interval at 95 %.

    Where the integration of RP leaves units in doubt, the interval spans those of the fewest and the most that pass.
    """

    value: float
    interval: Interval
    passed: int
    units: int


@dataclass(frozen=True)
class UnitDistribution:
    """Accuracy and repeatability over the built units at one pose, as quantiles at the stated probabilities."""

    pose: str
    probability: tuple[float, ...]
    accuracy: tuple[float, ...]
    repeatability: tuple[float, ...] | None


@dataclass(frozen=True)
class Contribution:
    """What one cause of one owner makes over a task, as share of the mean square error.

    ``scatter`` is what differs between units and visits, ``bias`` its part in the square of the mean error, negative
    where it works against the rest; over all they sum to 1.
    """

    owner: str
    cause: str
    scatter: float
    bias: float

    @property
    def share(self) -> float:
        """Both together."""
        return self.scatter + self.bias


@checked(frozen=True, config=ConfigDict(populate_by_name=True))
class Summary:
    """A task in one look.

    ``worst_pose`` is where the quantile at the coverage of the requirement is largest; ``p95`` and ``at_coverage`` are
    those of that pose, ``at_coverage_interval`` is that of the largest quantile over all poses. ``repeatability_p95``
    is the RP that 95 % of the units keep to at all poses. ``contributions`` are sorted by what they make, the largest
    first; ``groups`` and ``causes`` are their sums, what scatters and what all arms share together; ``lives`` tell
    these apart. ``judgements`` are those of every criterion, ``state`` is the worst of them.
    """

    p95: float
    p95_interval: Interval | None
    worst_pose: str
    at_coverage: float
    at_coverage_interval: Interval | None
    repeatability_p95: float | None
    repeatability_p95_interval: Interval | None
    groups: dict[str, float]
    causes: dict[str, float]
    lives: dict[str, float]
    first_order_agrees: dict[str, int]
    yield_: Annotated[Yield | None, Field(alias="yield")] = None
    state: Verdict = "none stated"
    judgements: tuple[Judgement, ...] = ()
    within: Within | None = None
    contributions: tuple[Contribution, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether the estimates keep every criterion, whatever their intervals; what a search goes by."""
        return not self.failed

    @property
    def failed(self) -> tuple[str, ...]:
        """Names of the criteria that the estimates do not keep."""
        return fails(self.judgements)

    @property
    def reasons(self) -> tuple[str, ...]:
        """What is not met and what is not resolved, in sentences."""
        return reasons(self.judgements)

    def judgement(self, criterion: str) -> Judgement | None:
        """Of a criterion; None where it is not required."""
        return next((own for own in self.judgements if own.criterion == criterion), None)


@dataclass(frozen=True)
class Acceptance:
    """What a test of ``cycles`` visits per pose would print: AP and RP estimated from so few, not what the arm has.

    Quantiles over units are of the largest printed figure over ``poses``. ``passing`` is the share of units that the
    test passes; ``good_rejected`` that of units which hold the requirement there and are rejected, ``bad_passed`` that
    of units which do not hold it and are passed. They are null without a requirement.
    """

    cycles: int
    poses: tuple[str, ...]
    accuracy: UnitQuantiles
    repeatability: UnitQuantiles
    passing: Yield | None = None
    good_rejected: float | None = None
    bad_passed: float | None = None


@dataclass(frozen=True)
class YieldCurve:
    """Share of built units that would pass, were another position required: at each, with its 95 % interval. [m]

    A unit passes if its AP is within ``position`` at every pose, and its RP within the repeatability that is required.
    ``largest`` is the largest share that any position reaches: below 1 where the repeatability fails some units.
    """

    position: tuple[float, ...]
    share: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    largest: float


@dataclass(frozen=True)
class Unreachable:
    """A point that the arm cannot take, and why."""

    name: str
    position: Vector
    reason: str


@dataclass(frozen=True)
class Grid:
    """Cells of a slice or a volume.

    ``axes`` names two or three directions; ``centres`` are the cells along each [m]; ``pose`` gives the number of the
    pose of each cell, first direction fastest, -1 where it cannot be reached; ``at`` is where a slice stands along its
    normal; ``origin`` and ``rotation`` are the frame in which the directions are meant.
    """

    axes: str
    at: float
    step: float
    centres: tuple[tuple[float, ...], ...]
    pose: tuple[int, ...]
    origin: Vector = (0.0, 0.0, 0.0)
    rotation: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


@dataclass(frozen=True)
class Reversal:
    """A joint turns round after this length of a path. [m]"""

    joint: str
    along: float


@dataclass(frozen=True)
class Measure:
    """A measure over a task that every built unit has, as quantiles over the units with 95 % intervals. [m]

    ``where`` names the poses it speaks of, ``clause`` its place in ISO 9283:1998.
    """

    name: str
    what: str
    clause: str
    where: str
    p50: float
    p95: float
    p50_interval: Interval | None
    p95_interval: Interval | None
