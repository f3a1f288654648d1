"""The result of a run: frozen classes, to and from results.json. SI units: metres, radians.

Field names are the contract; an undefined number (an interval from one unit) is null.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import ConfigDict, Field, TypeAdapter
from pydantic.dataclasses import dataclass as checked

from armsim.arrays import Array
from armsim.asked import Requirement, coverage_of
from armsim.formatting import not_found, percent
from armsim.requirement import Judgement, Verdict, combined, fails, reasons
from armsim.results.joints import Assumption, JointBudget, JointMotion, OperationLimit, TermBudget
from armsim.results.poses import Interval, Matrix, PoseResult, UnitQuantiles, Vector
from armsim.results.posetable import PoseTable

FORMAT = "armsim-results/1"
MapOf = Literal["error", "accuracy", "repeatability", "orientation"]
"""What a slice or a volume draws over its cells."""
NEAR_SINGULAR = 0.01
"""Conditioning below which a posture is called near-singular. Common practice, no source."""


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


@dataclass(frozen=True)
class TaskResult:
    """One task.

    ``skeleton`` is the arm drawn as a line from base to tool point at the worst pose [m]; ``near_singular`` names the
    poses whose ``conditioning`` is below `NEAR_SINGULAR`; ``notes`` say what the figures of the task cannot show.
    """

    name: str
    kind: str
    poses: PoseTable
    unreachable: tuple[Unreachable, ...]
    summary: Summary
    distribution: UnitDistribution
    skeleton: tuple[Vector, ...]
    measures: tuple[Measure, ...] = ()
    near_singular: tuple[str, ...] = ()
    reversals: tuple[Reversal, ...] = ()
    grid: Grid | None = None
    notes: tuple[str, ...] = ()
    maps: tuple[MapOf, ...] = ("error",)
    yield_curve: YieldCurve | None = None
    acceptance: Acceptance | None = None

    @property
    def is_map(self) -> bool:
        """Whether its poses are cells of a plane."""
        return self.grid is not None and len(self.grid.centres) == 2

    @property
    def follows_path(self) -> bool:
        """Whether its poses lie along a path."""
        return len(self.poses) > 0 and not math.isnan(float(self.column("along")[0]))

    def column(self, path: str) -> Array:
        """One figure over all poses, by dotted name, such as ``error.p95``: shape (poses, ...), nan where undefined.

        It cannot be written: a result stays what was sampled.
        """
        view: Array = self.poses.column(path).view()
        view.flags.writeable = False
        return view

    def share(self, owner: str, cause: str) -> Array:
        """Share of the scatter of one cause over all poses, shape (poses,)."""
        return self.poses.share(owner, cause)

    def contribution(self, owner: str | None = None, cause: str | None = None) -> Array:
        """What an owner, a cause, or one cause of an owner makes at every pose, scatter and mean, shape (poses,)."""
        return np.asarray(self.poses.contributions[:, self.poses.members(owner, cause)].sum(axis=1))

    def pose(self, name: str) -> PoseResult:
        """The pose of a name.

        Raises
        ------
        KeyError
            There is none of that name; tells those that there are.
        """
        if name not in self.poses.names:
            raise KeyError(not_found("pose", name, self.poses.names))
        return self.poses[self.poses.names.index(name)]


@dataclass(frozen=True)
class Adaptive:
    """How a run with a tolerance ended, JCGM 101:2008 7.9.4.

    ``doubt`` is the largest, over all poses, of twice the standard deviation of the quantile at the coverage, as share
    of what is allowed; 1 or less means reached.
    """

    batches: int
    units_of_batch: int
    doubt: float
    worst_pose: str
    reached: bool


@dataclass(frozen=True)
class Result:
    """A whole run.

    ``price`` is that of the sensors, fitted; ``prices`` its parts as far as they are stated. ``stated`` names the
    causes of error that the scenario states, by document and key, with the joints at which; none where they are those
    of the machine. ``assumptions`` are the values that it does not state. ``judgements`` are those of criteria of
    joints; ``version`` and ``source_digest`` name the code.
    """

    format: str
    version: str
    scenario: str
    arm: str
    seed: int
    units: int
    visits: int
    price: float
    requirement: Requirement | None
    tasks: tuple[TaskResult, ...]
    joints: dict[str, JointBudget]
    links: tuple[TermBudget, ...] = ()
    groups: dict[str, tuple[str, ...]] = field(default_factory=dict)
    warnings: tuple[str, ...] = field(default=())
    adaptive: Adaptive | None = None
    prices: dict[str, float] = field(default_factory=dict)
    stated: dict[str, tuple[str, ...]] = field(default_factory=dict)
    motion: dict[str, JointMotion] = field(default_factory=dict)
    operation: tuple[OperationLimit, ...] = ()
    judgements: tuple[Judgement, ...] = ()
    source_digest: str = ""
    assumptions: tuple[Assumption, ...] = ()

    @property
    def quantile(self) -> str:
        """The quantile of the errors that decides, in words: "95 % quantile"."""
        return f"{percent(coverage_of(self.requirement))} quantile"

    @property
    def judged(self) -> tuple[tuple[str, Judgement], ...]:
        """Every judgement with the name of its task, empty for those of joints."""
        tasks = [(task.name, own) for task in self.tasks for own in task.summary.judgements]
        return (*tasks, *(("", own) for own in self.judgements))

    @property
    def state(self) -> Verdict:
        """The worst state of all criteria at all tasks and joints."""
        return combined(own for _, own in self.judged)

    @property
    def reasons(self) -> tuple[str, ...]:
        """What is not met and what is not resolved, in sentences that name the task."""
        of_tasks = [f"{task.name}: {reason}" for task in self.tasks for reason in task.summary.reasons]
        return (*of_tasks, *reasons(self.judgements))

    def task(self, name: str) -> TaskResult:
        """The task of a name.

        Raises
        ------
        KeyError
            There is none of that name; tells those that there are.
        """
        for task in self.tasks:
            if task.name == name:
                return task
        raise KeyError(not_found("task", name, [task.name for task in self.tasks]))

    def to_json(self) -> bytes:
        """The text of results.json."""
        return b"".join(self.pieces())

    def pieces(self) -> Iterator[bytes]:
        """The same in pieces, a pose each, so that the text need not be held whole."""
        tasks = tuple(replace(task, poses=task.poses.none()) for task in self.tasks)
        around = _adapter().dump_json(replace(self, tasks=tasks), by_alias=True, indent=1).split(_NO_POSES)
        for task, before in zip(self.tasks, around, strict=False):
            yield before + b'"poses": ['
            for number, pose in enumerate(task.poses):
                yield (b",\n" if number else b"\n") + _pose_adapter().dump_json(pose)
            yield b"\n]"
        yield around[-1]

    @staticmethod
    def schema() -> dict[str, Any]:
        """JSON Schema of results.json, as `armsim schema results` prints it."""
        from armsim.results.plain import DIALECT

        own = _adapter().json_schema(mode="serialization", by_alias=True)
        own["properties"]["format"] = {"const": FORMAT}
        return {"$schema": DIALECT, "$id": f"urn:{FORMAT}", **own}

    @staticmethod
    def from_json(text: bytes | str) -> Result:
        """A result read back.

        Raises
        ------
        ValueError
            The text is of another format, such as that of a later version.
        pydantic.ValidationError
            The text is not a result of this format.
        """
        head = text[:400] if isinstance(text, str) else text[:400].decode("utf-8", "replace")
        stated = re.search(r'"format"\s*:\s*"([^"]*)"', head)
        if stated is not None and stated[1] != FORMAT:
            raise ValueError(f"results of the format {stated[1]!r}; this version reads {FORMAT!r}")
        return _adapter().validate_json(text)


_NO_POSES = b'"poses": []'
"""Cannot stand inside a text of the result: there, quotation marks carry a backslash."""


@lru_cache(maxsize=1)
def _pose_adapter() -> TypeAdapter[PoseResult]:
    return TypeAdapter(PoseResult)


@lru_cache(maxsize=1)
def _adapter() -> TypeAdapter[Result]:
    return TypeAdapter(Result)
