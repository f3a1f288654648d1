"""Documents of the tasks of a scenario."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Union

import numpy as np
from pydantic import Field, model_validator

from armsim.documents.fields import (
    Document,
    FilePath,
    QuantityWithKind,
    Word,
    invalid,
    limited_list,
    number,
    quantity,
    quantity_with_kind,
)
from armsim.documents.from_spec import DocumentType, document_type, extend_document
from armsim.field_spec import declared_fields
from armsim.requirement.requirement import TaskLimits
from armsim.tasks import KINDS, Path, Poses, Task
from armsim.tasks.path import circle_through

Length = Annotated[float, quantity("length")]
Step = Annotated[float, quantity("length", least=0.0, above=True)]
Angle = Annotated[float, quantity("angle")]
RollPitchYaw = tuple[Angle, Angle, Angle]
Point = tuple[Length, Length, Length]
Positions = list[Annotated[QuantityWithKind, quantity_with_kind("angle", "length")]]


Component = Annotated[float, number(lambda x: abs(x) <= 1e3, "a number within +-1000")]


class PostureDocument(Document):
    """Keys that select one of several postures of the arm for a pose."""

    nearest: Positions | None = None
    elbow: Angle | None = None

    @model_validator(mode="after")
    def _check_one_rule(self) -> PostureDocument:
        if (self.nearest is None) == (self.elbow is None):
            raise invalid("a posture needs exactly one of 'nearest' and 'elbow'", "nearest: [joints], or elbow: 20 deg")
        return self


class TaskBaseDocument(Document):
    """Keys of every task: its name and limits."""

    requirement: Annotated[Any, DocumentType(document_type(TaskLimits))] | None = None


class ConstrainedDocument(TaskBaseDocument):
    """Keys of the orientation of the tool and the posture of the arm."""

    tool: RollPitchYaw | None = None
    direction: tuple[Component, Component, Component] | None = None
    near: Positions | None = None
    posture: PostureDocument | None = None
    hold: dict[Word, Annotated[QuantityWithKind, quantity_with_kind("angle", "length")]] | None = None
    branch: dict[Word, Literal["positive", "negative"]] | None = None

    @model_validator(mode="after")
    def _check_direction(self) -> ConstrainedDocument:
        if self.tool is not None and self.direction is not None:
            raise invalid("'tool' beside 'direction'", "tool: all three turns, or direction: where its z axis points")
        if self.direction is not None and not np.linalg.norm(self.direction) > 1e-6:
            raise invalid("a direction of no length", "three numbers, not all zero")
        return self


class PoseDocument(Document):
    """Named pose, by joint positions or by position and orientation of the tool."""

    name: Word
    joints: Positions | None = None
    xyz: Point | None = None
    rpy: RollPitchYaw | None = None
    near: Positions | None = None
    speeds: list[Annotated[QuantityWithKind, quantity_with_kind("angular speed", "speed")]] | None = None

    @model_validator(mode="after")
    def _check_keys(self) -> PoseDocument:
        if (self.joints is None) == (self.xyz is None):
            raise invalid(
                "a pose needs exactly one of 'joints' and 'xyz'", "joints: [...], or xyz: [...] with rpy: [...]"
            )
        if self.joints is not None and (self.rpy is not None or self.near is not None):
            raise invalid("'rpy' or 'near' beside 'joints'", "rpy and near belong to xyz")
        return self


class PosesDocument(TaskBaseDocument):
    """Named poses."""

    kind: Literal["poses"]
    name: Word
    poses: Annotated[
        list[PoseDocument], *limited_list(10_000, "each is named in the report; a cloud or a path has more")
    ]
    distances: Annotated[tuple[tuple[Word, Word], ...], Field(max_length=1000)] = ()


class WaypointDocument(Document):
    """Next point of a path."""

    to: Point
    via: Point | None = None
    rpy: RollPitchYaw | None = None


class PathDocument(ConstrainedDocument):
    """Path of the tool."""

    kind: Literal["path"]
    name: Word
    step: Step
    speed: Annotated[float, quantity("speed", least=0.0, above=True)]
    waypoints: Annotated[list[WaypointDocument], Field(min_length=2, max_length=10_000)] | None = None
    file: FilePath | None = None

    @model_validator(mode="after")
    def _check_keys(self) -> PathDocument:
        if (self.waypoints is None) == (self.file is None):
            raise invalid(
                "a path needs exactly one of 'waypoints' and 'file'", "waypoints: [{to: [...]}, ...] or file: x.csv"
            )
        if self.waypoints is not None:
            first, *others = self.waypoints
            if first.via is not None:
                raise invalid("'via' at the point where the path begins", "via belongs to the points after it")
            has_rpy = [point.rpy is not None for point in self.waypoints]
            if any(has_rpy) and not all(has_rpy):
                raise invalid("'rpy' at some points of the path", "rpy at every point, or at none with tool: for all")
            if all(has_rpy) and (self.tool is not None or self.direction is not None):
                raise invalid("'tool' or 'direction' beside 'rpy' of the points", "one of them")
            position = first.to
            for point in others:
                if point.to == position and point.via is None:
                    raise invalid(
                        f"{_mm(position)} twice in a row", "points apart from each other; no turn on the spot"
                    )
                if point.via is not None and circle_through(position, point.via, point.to) is None:
                    raise invalid(f"an arc to {_mm(point.to)} through three points in one line", "a via: off that line")
                position = point.to
        return self


SPECIAL_DOCUMENTS: dict[type[Task], type[Document]] = {Poses: PosesDocument, Path: PathDocument}
"""Tasks whose keys depend on each other, so that their documents are written by hand."""


def _document(task_type: type[Task]) -> Any:
    if task_type in SPECIAL_DOCUMENTS:
        return SPECIAL_DOCUMENTS[task_type]
    constrained = any(field.key.kind == "constraints" for field in declared_fields(task_type))
    base = ConstrainedDocument if constrained else TaskBaseDocument
    kind_key = {"kind": (Literal[task_type.kind], ...)}
    return extend_document(task_type, f"{task_type.__name__}Document", kind_key, base=base)


TASKS: Any = Union[tuple(_document(task_type) for task_type in KINDS)]  # noqa: UP007  made at run time
TaskDocument: Any = Annotated[TASKS, Field(discriminator="kind")]


def _mm(point: Point) -> str:
    return "[" + ", ".join(f"{x * 1e3:g} mm" for x in point) + "]"
