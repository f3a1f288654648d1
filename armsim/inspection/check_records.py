"""Records of `armsim check`: what is known of a document before any arm is sampled. SI units."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Annotated, Any, Literal

from pydantic import Field, TypeAdapter

from armsim.inspection.data_sheet import SHOWN_SPEED, absent_causes, model_number, stated_terms
from armsim.inspection.machine_inspection import Inspection, inspect
from armsim.model.encoder import Encoder, ValueOrigin
from armsim.model.kinematics import roll_pitch_yaw
from armsim.results import TermBudget
from armsim.results.poses import Vector, vector
from armsim.scenario import Scenario
from armsim.tasks import Poses, pose_cache


@dataclass(frozen=True)
class ToolPose:
    """Named pose of a task: position of the tool [m], its turns [rad], joint positions [rad or m].

    Turns and joint positions are None where the arm does not reach it, ``not_reached`` says why.
    """

    name: str
    position: Vector
    turns: Vector | None = None
    joints: tuple[float, ...] | None = None
    not_reached: str | None = None


@dataclass(frozen=True)
class CheckedScenario(Inspection):
    """A scenario: what is known of its machine, the named poses of its tasks, prices in cost units, notes."""

    name: str
    notes: tuple[str, ...]
    price: float
    prices: dict[str, float]
    poses: dict[str, tuple[ToolPose, ...]]
    kind: Literal["scenario"] = "scenario"


@dataclass(frozen=True)
class SheetReading:
    """How a key of a data sheet was read: in words, and as a number in SI, the value or the rms of a tolerance."""

    key: str
    value: float | None
    rms: float | None
    unit: str
    text: str
    origin: str
    assumed: bool


@dataclass(frozen=True)
class StatedError(TermBudget):
    """An error term of an encoder at its shaft, and the keys of the data sheet that state it."""

    stated_by: tuple[str, ...]


@dataclass(frozen=True)
class CheckedEncoder:
    """An encoder: how its data sheet was read, its errors at the shaft in ``unit``, causes taken as zero.

    Errors that depend on speed are those at ``speed`` [rad/s or m/s]; ``price`` is in cost units.
    """

    name: str
    price: float
    read: tuple[SheetReading, ...]
    speed: float
    unit: Literal["rad", "m"]
    errors: tuple[StatedError, ...]
    not_stated: tuple[str, ...]
    kind: Literal["encoder"] = "encoder"


@dataclass(frozen=True)
class CheckedResult:
    """A folder of results whose files are all as they were written."""

    result: Literal["whole"] = "whole"
    kind: Literal["result"] = "result"


@dataclass(frozen=True)
class CheckedDocument:
    """Another valid document."""

    kind: Literal["arm", "catalogue", "specification"]
    name: str | None


CheckRecord = CheckedScenario | CheckedEncoder | CheckedResult | CheckedDocument
CheckedFiles = dict[str, Annotated[CheckRecord, Field(discriminator="kind")]]
"""What `armsim check --json` prints: a record by the name of its file."""


def scenario_record(scenario: Scenario, curves: bool = True) -> CheckedScenario:
    """Record of a scenario; ``curves`` as of `inspect`."""
    inspection, machine = inspect(scenario, curves=curves), scenario.machine
    return CheckedScenario(
        **{field.name: getattr(inspection, field.name) for field in fields(inspection)},
        name=scenario.name,
        notes=scenario.notes,
        price=machine.price,
        prices={joint.name: joint.price for joint in machine.joints},
        poses=_tool_poses(scenario),
    )


def _tool_poses(scenario: Scenario) -> dict[str, tuple[ToolPose, ...]]:
    """Named poses of every task that has some."""
    arm, out = scenario.machine.arm, {}
    for task in scenario.tasks:
        if isinstance(task, Poses):
            pose_set = pose_cache.poses_of(arm, task)
            joints = pose_set.configurations.joints
            reachable = zip(pose_set.names, arm.postures(joints).tool, joints, strict=True)
            out[task.name] = (
                *(
                    ToolPose(name, vector(tool[:3, 3]), roll_pitch_yaw(tool), tuple(q.tolist()))
                    for name, tool, q in reachable
                ),
                *(ToolPose(pose.name, pose.position, not_reached=pose.reason) for pose in pose_set.unreachable),
            )
    return out


def encoder_record(encoder: Encoder) -> CheckedEncoder:
    """Record of an encoder."""
    return CheckedEncoder(
        encoder.name,
        encoder.price,
        tuple(_sheet_reading(encoder, value_origin) for value_origin in encoder.value_origins),
        SHOWN_SPEED[encoder.rotary],
        "rad" if encoder.rotary else "m",
        tuple(
            StatedError(**{field.name: getattr(term, field.name) for field in fields(term)}, stated_by=keys)
            for term, keys in stated_terms(encoder)
        ),
        tuple(absent_causes(encoder)),
    )


def _sheet_reading(encoder: Encoder, value_origin: ValueOrigin) -> SheetReading:
    return SheetReading(
        value_origin.key,
        *model_number(encoder, value_origin),
        value_origin.value,
        value_origin.origin,
        value_origin.assumed,
    )


def json_records(records: dict[str, CheckRecord]) -> dict[str, Any]:
    """Records as plain values for JSON, which lacks infinities: these are None."""
    data: dict[str, Any] = _finite(TypeAdapter(CheckedFiles).dump_python(records, mode="json", by_alias=True))
    return {file: {"kind": record.pop("kind"), **record} for file, record in data.items()}


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
