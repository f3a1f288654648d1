"""Summary of a task and its parts: frozen classes of results.json. SI units: metres, radians."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass as validated_dataclass

from armsim.arrays import Array
from armsim.requirement import Judgement, Verdict, failed_criteria, reasons
from armsim.results.poses import Interval, Matrix, UnitQuantiles, Vector


@dataclass(frozen=True)
class PosesWithinLimit:
    """Share of the poses of a task that are within the requirement.

    ``interval``: from the share of poses that are certainly within (upper end of their 95 % interval) to the share
    that may be.
    """

    value: float
    interval: Interval


@validated_dataclass(frozen=True, config=ConfigDict(populate_by_name=True))
class Yield:
    """Share of built arms that pass at every pose, with its Clopper-Pearson interval at 95 %.

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
    """Contribution of one cause of one owner to the mean square error over a task, as shares.

    ``scatter`` is the share that differs between units and visits, ``bias`` that in the square of the mean error,
    negative where the cause reduces it; over all contributions they sum to 1.
    """

    owner: str
    cause: str
    scatter: float
    bias: float

    @property
    def share(self) -> float:
        """Scatter and bias together."""
        return self.scatter + self.bias


@validated_dataclass(frozen=True, config=ConfigDict(populate_by_name=True))
class Summary:
    """Summary of a task.

    ``worst_pose`` is where the quantile at the coverage of the requirement is largest; ``p95`` and ``at_coverage`` are
    those of that pose, ``at_coverage_interval`` is that of the largest quantile over all poses. ``repeatability_p95``
    is the RP that 95 % of the units do not exceed at any pose. ``contributions`` are sorted, the largest first;
    ``groups`` and ``causes`` are their sums over scatter and bias; ``lives`` separate units, visits and bias.
    ``judgements`` are those of every criterion, ``state`` is the worst of them.
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
    within: PosesWithinLimit | None = None
    contributions: tuple[Contribution, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether the estimates meet every criterion, regardless of their intervals; the condition of a search."""
        return not self.failed

    @property
    def failed(self) -> tuple[str, ...]:
        """Names of the criteria that the estimates do not meet."""
        return failed_criteria(self.judgements)

    @property
    def reasons(self) -> tuple[str, ...]:
        """Criteria that are not met or not resolved, in sentences."""
        return reasons(self.judgements)

    def judgement(self, criterion: str) -> Judgement | None:
        """Judgement of a criterion; None where it is not required."""
        return next((judgement for judgement in self.judgements if judgement.criterion == criterion), None)


@dataclass(frozen=True)
class Acceptance:
    """Outcome of an acceptance test of ``cycles`` visits per pose: AP and RP as estimated from these visits.

    Quantiles over units are of the largest estimate over ``poses``. ``passing`` is the share of units that the
    test passes; ``good_rejected`` that of units that meet the requirement there and are rejected, ``bad_passed`` that
    of units that do not meet it and are passed. They are null without a requirement.
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
    """Yield against the limit of the position error: share of built units that would pass, with its 95 % interval. [m]

    A unit passes if its AP is within ``position`` at every pose, and its RP within the repeatability that is required.
    ``largest`` is the largest share that any position reaches: below 1 where the repeatability fails some units.
    """

    position: tuple[float, ...]
    share: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    largest: float

    def position_reaching(self, share: float) -> float | None:
        """Smallest position on the curve at which at least this share passes; None where none does. [m]"""
        least = share - 1e-9  # 0.95 and the share of 95 of 100 arms differ by rounding
        positions = [p for p, s in zip(self.position, self.share, strict=True) if s >= least]
        return positions[0] if positions else None


@dataclass(frozen=True)
class DeflectedJoint:
    """Displacement of the tool point by the deflection of one joint and its link under gravity. [m]"""

    joint: str
    before: Vector
    after: Vector


@dataclass(frozen=True)
class Deflection:
    """Nominal deflection under gravity at a pose, before and after compensation. [m]

    ``points_before`` and ``points_after`` are the displacements of base, every joint and tool point; ``joints`` are the
    displacements of the tool point by joint.
    """

    pose: str
    joints: tuple[DeflectedJoint, ...]
    points_before: tuple[Vector, ...]
    points_after: tuple[Vector, ...]


@dataclass(frozen=True)
class Unreachable:
    """A point that the arm cannot reach, and the reason."""

    name: str
    position: Vector
    reason: str


@dataclass(frozen=True)
class Grid:
    """Cells of a slice or a volume.

    ``axes`` names two or three directions; ``centres`` are the cells along each [m]; ``pose`` gives the number of the
    pose of each cell, first direction fastest, -1 where it cannot be reached; ``at`` is the coordinate of a slice along
    its normal; ``origin`` and ``rotation`` are the frame of the directions.
    """

    axes: str
    at: float
    step: float
    centres: tuple[tuple[float, ...], ...]
    pose: tuple[int, ...]
    origin: Vector = (0.0, 0.0, 0.0)
    rotation: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))

    @property
    def pose_index(self) -> NDArray[np.int64]:
        """Number of the pose of every cell, shape (second, first) or (z, y, x); -1 in cells out of reach."""
        return np.array(self.pose, dtype=np.int64).reshape([len(centres) for centres in self.centres[::-1]])

    def cells(self, column: Array) -> Array:
        """A column of shape (poses,) over the cells, shape (second, first) or (z, y, x); nan in cells out of reach."""
        index = self.pose_index
        return np.where(index >= 0, column[np.maximum(index, 0)], np.nan)


@dataclass(frozen=True)
class Reversal:
    """Reversal of a joint at a length along a path. [m]"""

    joint: str
    along: float


@dataclass(frozen=True)
class Measure:
    """A measure of a built unit over a task, as quantiles over the units with 95 % intervals. [m]

    ``where`` names the poses that it concerns, ``clause`` its place in ISO 9283:1998.
    """

    name: str
    what: str
    clause: str
    where: str
    p50: float
    p95: float
    p50_interval: Interval | None
    p95_interval: Interval | None
