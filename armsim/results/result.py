"""The result of a run: frozen classes, reading and writing of results.json. SI units: metres, radians.

Field names are the contract; an undefined number (an interval from one unit) is null.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from pydantic import TypeAdapter

from armsim.arrays import Array
from armsim.formatting import percent, unknown_name
from armsim.requirement import Judgement, Verdict, overall_verdict, reasons
from armsim.requirement.requirement import Requirement, coverage_of, required_at
from armsim.results.data_frame import data_frame, data_set
from armsim.results.joints import Assumption, JointBudget, JointMotion, OperationLimit, TermBudget, TwoSensors
from armsim.results.pose_table import PoseTable, column_names
from armsim.results.poses import PoseResult, Vector
from armsim.results.summary import (
    Acceptance,
    Deflection,
    Grid,
    Measure,
    Reversal,
    Summary,
    UnitDistribution,
    Unreachable,
    YieldCurve,
)

if TYPE_CHECKING:
    import pandas
    import xarray

FORMAT = "armsim-results/1"
MapQuantity = Literal["error", "accuracy", "repeatability", "orientation"]
"""Measure that a slice or a volume draws over its cells."""
NEAR_SINGULAR = 0.01
"""Conditioning below which a posture is called near-singular. Common practice, no source."""


@dataclass(frozen=True)
class TaskResult:
    """Results of a task.

    ``skeleton`` is the arm drawn as a line from base to tool point at the worst pose [m], through every joint and
    follower; ``skeleton_joints`` are the numbers of its points that are joints; ``near_singular`` names the poses whose
    ``conditioning`` is below `NEAR_SINGULAR`; ``notes`` name the limitations of its figures;
    ``deflection`` is that of the worst pose, where anything gives way.
    """

    name: str
    kind: str
    poses: PoseTable
    unreachable: tuple[Unreachable, ...]
    summary: Summary
    distribution: UnitDistribution
    skeleton: tuple[Vector, ...]
    skeleton_joints: tuple[int, ...] = ()
    measures: tuple[Measure, ...] = ()
    near_singular: tuple[str, ...] = ()
    reversals: tuple[Reversal, ...] = ()
    grid: Grid | None = None
    notes: tuple[str, ...] = ()
    maps: tuple[MapQuantity, ...] = ("error",)
    yield_curve: YieldCurve | None = None
    acceptance: Acceptance | None = None
    deflection: Deflection | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "poses", self.poses.read_only())

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

        Read-only.

        Raises
        ------
        KeyError
            There is none of that name; the message has the most similar one.
        """
        paths = column_names(self.poses.rows.dtype)
        if path not in paths:
            raise KeyError(unknown_name("column", path, paths))
        return self.poses.column(path)

    def share(self, owner: str, cause: str) -> Array:
        """Share of one cause of one owner in the scatter at each pose, shape (poses,).

        Raises
        ------
        KeyError
            No error has that owner, or none that cause; the message lists those that exist.
        """
        self._refuse_unknown(owner, cause)
        return self.poses.share(owner, cause)

    def contribution(self, owner: str | None = None, cause: str | None = None) -> Array:
        """Share of an owner, a cause, or both in the mean square error at each pose, bias included, shape (poses,).

        Raises
        ------
        KeyError
            As `share`.
        """
        self._refuse_unknown(owner, cause)
        return np.asarray(self.poses.contributions[:, self.poses.share_indices(owner, cause)].sum(axis=1))

    def _refuse_unknown(self, owner: str | None, cause: str | None) -> None:
        owners, causes = (list(dict.fromkeys(names)) for names in zip(*self.poses.share_names, strict=True))
        for what, name, names in (("owner", owner, owners), ("cause", cause, causes)):
            if name is not None and name not in names:
                raise KeyError(unknown_name(what, name, names))

    @property
    def worst(self) -> int:
        """Index of the worst pose."""
        return self.poses.names.index(self.summary.worst_pose)

    def to_dataframe(self) -> pandas.DataFrame:
        """Figures of all poses as a table of pandas, a row per pose; see `armsim.results.data_frame.data_frame`."""
        return data_frame(self.poses)

    def to_xarray(self) -> xarray.Dataset:
        """Figures over the cells of the task, or over its poses; see `armsim.results.data_frame.data_set`."""
        return data_set(self.poses, grid=self.grid)

    def pose(self, name: str) -> PoseResult:
        """The result at the pose of a given name.

        Raises
        ------
        KeyError
            There is none of that name; the message lists those that exist.
        """
        if name not in self.poses.names:
            raise KeyError(unknown_name("pose", name, self.poses.names))
        return self.poses[self.poses.names.index(name)]


@dataclass(frozen=True)
class Convergence:
    """Convergence of a run with a numerical tolerance, JCGM 101:2008 7.9.4.

    ``doubt`` is the largest, over all poses, of twice the standard deviation of the quantile at the coverage, as a
    share of the tolerance; 1 or less means reached.
    """

    batches: int
    units_of_batch: int
    doubt: float
    worst_pose: str
    reached: bool


@dataclass(frozen=True)
class Result:
    """Results of a whole run.

    ``price`` is that of the sensors with their assembly; ``prices`` are its parts as far as stated. ``stated`` maps
    each cause of error that the scenario states, by document and key, to its joints, empty where it is a value of the
    machine. ``assumptions`` are the values that the scenario does not state. ``two_sensors`` holds the joints with a
    sensor on either side of the gear. ``links`` are the terms of constants of links and frames, named by their axes.
    ``judgements`` are those of criteria of joints; ``version`` and ``source_digest`` name the code; ``sampled_on``
    names the device that sampled, empty where it was the processor.
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
    adaptive: Convergence | None = None
    prices: dict[str, float] = field(default_factory=dict)
    stated: dict[str, tuple[str, ...]] = field(default_factory=dict)
    motion: dict[str, JointMotion] = field(default_factory=dict)
    operation: tuple[OperationLimit, ...] = ()
    two_sensors: dict[str, TwoSensors] = field(default_factory=dict)
    judgements: tuple[Judgement, ...] = ()
    source_digest: str = ""
    assumptions: tuple[Assumption, ...] = ()
    sampled_on: str = ""

    @property
    def quantile(self) -> str:
        """Name of the deciding quantile of the errors: "95 % quantile"."""
        return f"{percent(coverage_of(self.requirement))} quantile"

    def required_at(self, task: str) -> Requirement | None:
        """The requirement at a task; None where there is none."""
        return required_at(self.requirement, task)

    @property
    def named_judgements(self) -> tuple[tuple[str, Judgement], ...]:
        """Every judgement with the name of its task, empty for those of joints."""
        tasks = [(task.name, judgement) for task in self.tasks for judgement in task.summary.judgements]
        return (*tasks, *(("", judgement) for judgement in self.judgements))

    @property
    def state(self) -> Verdict:
        """The worst state of all criteria at all tasks and joints."""
        return overall_verdict(judgement for _, judgement in self.named_judgements)

    @property
    def reasons(self) -> tuple[str, ...]:
        """Criteria that are not met or not resolved, in sentences that name the task."""
        task_reasons = [f"{task.name}: {reason}" for task in self.tasks for reason in task.summary.reasons]
        return (*task_reasons, *reasons(self.judgements))

    def to_dataframe(self) -> pandas.DataFrame:
        """Figures of all poses of all tasks as a table of pandas, indexed by task and pose.

        Returns
        -------
        pandas.DataFrame
            A row per pose; columns as of `armsim.results.data_frame.data_frame`, joints by name.

        Raises
        ------
        RunError
            pandas is not installed.
        """
        frames = {task.name: data_frame(task.poses, tuple(self.joints)) for task in self.tasks}
        import pandas

        return pandas.concat(frames, names=["task"])

    def task(self, name: str) -> TaskResult:
        """The result of the task of a given name.

        Raises
        ------
        KeyError
            There is none of that name; the message lists those that exist.
        """
        for task in self.tasks:
            if task.name == name:
                return task
        raise KeyError(unknown_name("task", name, [task.name for task in self.tasks]))

    def to_json(self) -> bytes:
        """The text of results.json."""
        return b"".join(self.pieces())

    def pieces(self) -> Iterator[bytes]:
        """The text of results.json in pieces, one per pose, so that it need not be in memory as a whole."""
        tasks = tuple(replace(task, poses=task.poses.without_rows()) for task in self.tasks)
        frame_text = _adapter().dump_json(replace(self, tasks=tasks), by_alias=True, indent=1).split(_NO_POSES)
        for task, before in zip(self.tasks, frame_text, strict=False):
            yield before + b'"poses": ['
            for number, pose in enumerate(task.poses):
                yield (b",\n" if number else b"\n") + _pose_adapter().dump_json(pose)
            yield b"\n]"
        yield frame_text[-1]

    @staticmethod
    def schema() -> dict[str, Any]:
        """JSON Schema of results.json, as `armsim schema results` prints it."""
        from armsim.results.json_records import DIALECT

        schema = _adapter().json_schema(mode="serialization", by_alias=True)
        schema["properties"]["format"] = {"const": FORMAT}
        return {"$schema": DIALECT, "$id": f"urn:{FORMAT}", **schema}

    @staticmethod
    def from_json(text: bytes | str) -> Result:
        """Result from the text of a results.json.

        Raises
        ------
        ValueError
            The text is of another format, such as that of a later version.
        pydantic.ValidationError
            The text is not a result of this format.
        """
        head = text[:400] if isinstance(text, str) else text[:400].decode("utf-8", "replace")
        match = re.search(r'"format"\s*:\s*"([^"]*)"', head)
        if match is not None and match[1] != FORMAT:
            raise ValueError(f"results of the format {match[1]!r}; this version reads {FORMAT!r}")
        return _adapter().validate_json(text)


_NO_POSES = b'"poses": []'
"""Never occurs within a string of the result, where quotation marks are escaped."""


@lru_cache(maxsize=1)
def _pose_adapter() -> TypeAdapter[PoseResult]:
    return TypeAdapter(PoseResult)


@lru_cache(maxsize=1)
def _adapter() -> TypeAdapter[Result]:
    return TypeAdapter(Result)
