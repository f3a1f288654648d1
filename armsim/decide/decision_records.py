"""What the deciding commands print as JSON: plain records, one way to JSON and one schema for all. SI units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field

from armsim.requirement import Judgement, Verdict
from armsim.requirement.requirement import Requirement
from armsim.results import Summary
from armsim.results.poses import Interval
from armsim.sampling.paired_difference import Difference

Kind = Literal["joint ideal", "cause halved", "cause at a joint halved", "one bit finer"]
Scheme = Literal["equal angles", "equal contributions", "least cost"]


@dataclass(frozen=True)
class Change:
    """A difference and its 95 % interval, null from few units."""

    value: float
    interval: Interval | None

    @staticmethod
    def of(difference: Difference | None) -> Any:
        """From a difference; None without one."""
        return None if difference is None else Change(difference.value, difference.interval)


@dataclass(frozen=True)
class PoseChange:
    """Difference of the 95 % quantile at a pose, and half of its 95 % interval. [m]"""

    difference: float
    half_width: float | None


@dataclass(frozen=True)
class DifferenceRecord:
    """One design less the first, at one task, as `compare.TaskDifference`."""

    task: str
    scenario: str
    at_coverage: Change
    repeatability: Change | None
    passing: Change | None
    price: float
    poses: tuple[str, ...]
    at_poses: tuple[PoseChange, ...]
    flips: tuple[str, ...]


@dataclass(frozen=True)
class TaskRecord:
    """A task of a design."""

    name: str
    summary: Summary


@dataclass(frozen=True)
class DesignRecord:
    """A design."""

    scenario: str
    price: float
    state: Verdict
    tasks: tuple[TaskRecord, ...]


@dataclass(frozen=True)
class ComparisonRecord:
    """Of `armsim compare`."""

    designs: tuple[DesignRecord, ...]
    differences: tuple[DifferenceRecord, ...]
    other_requirements: dict[str, Requirement | None]
    format: Literal["armsim-comparison/3"] = "armsim-comparison/3"


@dataclass(frozen=True)
class WhatIfRecord:
    """One change, as `whatif.WhatIf`."""

    task: str
    kind: Kind
    what: str
    at_coverage: Change
    passing: Annotated[Change | None, Field(alias="yield")]


@dataclass(frozen=True)
class WhatIfsRecord:
    """Of `armsim what-if`."""

    scenario: str
    rows: tuple[WhatIfRecord, ...]
    format: Literal["armsim-what-if/2"] = "armsim-what-if/2"


@dataclass(frozen=True)
class BudgetRecord:
    """Of one scheme, as `allocate.Budget`; ``std`` is null where a joint does not move the tool point."""

    scheme: Scheme
    std: dict[str, float | None]
    bits: dict[str, float]
    verified: float
    verified_interval: Interval | None
    pose: str
    cost: float
    gap: float | None
    confirmed: float
    confirmed_interval: Interval | None
    judgements: tuple[Judgement, ...]


@dataclass(frozen=True)
class AllocationRecord:
    """Of `armsim allocate`, as `allocate.Allocation`; ``met`` is false where no sensors meet the requirement."""

    position: float
    coverage: float
    fixed: float
    fixed_pose: str
    exponent: float
    met: bool
    reasons: tuple[str, ...]
    budgets: tuple[BudgetRecord, ...]
    format: Literal["armsim-allocation/1"] = "armsim-allocation/1"


@dataclass(frozen=True)
class Fitted:
    """What a joint is fitted with."""

    joint: str
    encoder: str
    mounting: str
    placement: str
    price: float


@dataclass(frozen=True)
class Rejected:
    """A cheaper design that does not hold, and where it fails.

    ``undecided``: sampled once more from a fresh seed it holds, or misses within its 95 % interval; None where it was
    not sampled again.
    """

    price: float
    design: tuple[Fitted, ...]
    reasons: tuple[str, ...]
    undecided: bool | None = None


@dataclass(frozen=True)
class Equal:
    """Another design of the price of the answer that meets the requirement too, and its error.

    ``at_coverage`` is the quantile at the worst pose of all tasks. [m]
    """

    design: tuple[Fitted, ...]
    at_coverage: float


@dataclass(frozen=True)
class Confirmation:
    """The answer on a population that the search has not seen.

    ``at_coverage`` is the quantile at the worst pose of all tasks, with its 95 % interval [m]; ``state`` is that of
    all tasks together.
    """

    seed: int
    state: Verdict
    at_coverage: float
    interval: Interval | None
    worst_pose: str


@dataclass(frozen=True)
class Proof:
    """What excludes the cheaper designs.

    Parameters
    ----------
    sampled : int
        Cheaper designs that were sampled on the population of the scenario and fail there.
    bounded : int
        Cheaper designs whose RP, by the law of their visits, exceeds the limit; each excludes those near it.
    complete : bool
        Every cheaper design is one of the two: the price is proved, for these samples.
    repeatability : bool
        Every cheaper design that the judgement on the position leaves open is one of the two.
    margin : float
        Of the judgement on the position: by how much, in mean square, limits were wider than the requirement.
    beside : bool
        Every design of the price of the answer was looked at, not those alone that err least by first order.
    """

    sampled: int
    bounded: int
    complete: bool
    repeatability: bool
    margin: float
    beside: bool = True


@dataclass(frozen=True)
class Point:
    """A design for which, by first order, nothing cheaper errs less, or the cheapest that meets the requirement.

    Parameters
    ----------
    price : float
    predicted, sampled : float
        Largest quantile at the coverage over all poses, by the program and by Monte Carlo. [m]
    pose : str
        Where it was largest when sampled.
    design : tuple of Fitted
    spending : mapping of group of joints to price
    failed : tuple of str
        Criteria that it does not keep at the poses that decide; at all poses, if it costs less than the cheapest that
        meets the requirement.
    """

    price: float
    predicted: float
    sampled: float
    pose: str
    design: tuple[Fitted, ...]
    spending: dict[str, float]
    failed: tuple[str, ...]


@dataclass(frozen=True)
class TradeOffRecord:
    """Of `armsim trade-off`, as `tradeoff.TradeOff`."""

    scenario: str
    points: tuple[Point, ...]
    current: float
    current_price: float
    position: float
    coverage: float
    cheapest: float | None
    format: Literal["armsim-trade-off/1"] = "armsim-trade-off/1"


@dataclass(frozen=True)
class JudgedRecord:
    """What decides at a task."""

    at_coverage: float
    at_coverage_interval: Interval | None
    worst_pose: str
    repeatability_p95: float | None
    yield_: Annotated[float | None, Field(alias="yield")]
    state: Verdict


@dataclass(frozen=True)
class SelectionRecord:
    """Of `armsim select`, as `selection.Selection`."""

    state: Verdict
    price: float | None
    design: tuple[Fitted, ...] | None
    closest: tuple[Fitted, ...]
    refuted: tuple[Rejected, ...]
    sampled: int
    margin: float
    proved: bool
    proof: Proof
    confirmation: Confirmation | None
    equals: tuple[Equal, ...]
    tasks: dict[str, JudgedRecord]
    format: Literal["armsim-selection/2"] = "armsim-selection/2"


@dataclass(frozen=True)
class SweepTask:
    """A task at one value: the worst pose, every criterion with its figure, the verdict."""

    name: str
    worst_pose: str
    judgements: tuple[Judgement, ...]
    state: Verdict

    def judgement(self, criterion: str) -> Judgement | None:
        """Of a criterion; None where nothing is told of it."""
        return next((own for own in self.judgements if own.criterion == criterion), None)


@dataclass(frozen=True)
class SweepPoint:
    """A value as it stands in a file, its number, and all tasks with it."""

    value: str
    number: float
    tasks: tuple[SweepTask, ...]


@dataclass(frozen=True)
class SweepRecord:
    """Of `armsim run --sweep`, as `sweep.Sweep`."""

    scenario: str
    path: str
    unit: str
    units: int
    visits: int
    seed: int
    points: tuple[SweepPoint, ...]
    format: Literal["armsim-sweep/1"] = "armsim-sweep/1"


@dataclass(frozen=True)
class LineRecord:
    """One number and one task, as `sensitivity.Line`; ``value`` in ``unit``, all else in m."""

    task: str
    path: str
    unit: str
    value: float
    per_unit: Change
    tenth_less: Change
    rms_tenth_less: float


@dataclass(frozen=True)
class PartRecord:
    """Share of one cause at one joint, as `sensitivity.Part`."""

    task: str
    joint: str
    cause: str
    worst: float
    over_task: float


@dataclass(frozen=True)
class SensitivitiesRecord:
    """Of `armsim sensitivity`."""

    scenario: str
    coverage: float
    lines: tuple[LineRecord, ...]
    parts: tuple[PartRecord, ...]
    format: Literal["armsim-sensitivity/2"] = "armsim-sensitivity/2"


RECORDS: dict[str, type] = {
    "comparison": ComparisonRecord,
    "what-if": WhatIfsRecord,
    "allocation": AllocationRecord,
    "trade-off": TradeOffRecord,
    "selection": SelectionRecord,
    "sweep": SweepRecord,
    "sensitivity": SensitivitiesRecord,
}
"""By the name under which `armsim schema` prints their schema."""
