"""The scenario document: an arm, a sensor on every joint, what is required, where to look, how to sample."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from armsim.documents.fields import (
    Document,
    Measured,
    Tolerance,
    Word,
    count,
    measured,
    number,
    quantity,
    tolerance,
    wrong,
)
from armsim.documents.source import KeyPath, Source
from armsim.engine.plan import MOST_UNITS, NumericalTolerance, SamplingPlan
from armsim.errors import InputError
from armsim.model.arm import Arm, ArmJoint
from armsim.results import Requirement
from armsim.tasks import Command, NamedPose, Poses, Slice, Task
from armsim.tasks.slice import MOST_CELLS, cells

Length = Annotated[float, quantity("length")]
Angle = Annotated[float, quantity("angle")]
Positions = list[Annotated[Measured, measured("angle", "length")]]
LengthMagnitude = Annotated[Tolerance | None, tolerance("length", magnitude=True)]
AngleMagnitude = Annotated[Tolerance | None, tolerance("angle", magnitude=True)]
Ends = tuple[Length, Length]
Reference = Any
"""A path relative to the file, or the document itself."""


class MountingDocument(Document):
    """How the scale sits on its shaft."""

    eccentricity: LengthMagnitude = None
    ellipticity: LengthMagnitude = None
    disc_tilt: AngleMagnitude = None
    coupling_angle: AngleMagnitude = None
    head_tangential: Annotated[Tolerance | None, tolerance("length")] = None
    head_radial: Annotated[Tolerance | None, tolerance("length")] = None
    head_tilt: Annotated[Tolerance | None, tolerance("angle")] = None
    abbe_offset: Annotated[float | None, quantity("length")] = None
    guide_pitch: Annotated[Tolerance | None, tolerance("angle")] = None


class HarmonicDocument(Document):
    """One order of the kinematic error of a gear."""

    per: Literal["input-turn", "output-turn"]
    order: Annotated[float, number(lambda x: x > 0, "a number above zero")]
    amplitude: Annotated[Tolerance, tolerance("angle", magnitude=True)]


class TransmissionDocument(Document):
    """The gear between motor and joint."""

    type: Literal["strain-wave", "cycloidal", "planetary"] | None = None
    ratio: Annotated[float, number(lambda x: x != 0, "a number, not zero")] = 1.0
    kinematic_error: list[HarmonicDocument] | None = None
    lost_motion: Annotated[Measured | None, measured("angle", "length")] = None
    stiffness: Annotated[Measured | None, measured("angular stiffness", "stiffness")] = None
    stiffness_tolerance: Annotated[Tolerance | None, tolerance("ratio")] = None
    compensation: Annotated[float, quantity("ratio", least=0.0, most=1.0)] = 0.0


class JointDocument(Document):
    """The sensor of one joint."""

    encoder: Reference
    placement: Literal["motor", "output", "both"]
    motor_encoder: Reference = None
    approach: Literal["random", "positive", "negative"] = "random"
    mounting: MountingDocument = MountingDocument()
    transmission: TransmissionDocument = TransmissionDocument()
    mastering: Annotated[Tolerance | None, tolerance("angle", "length")] = None


class EnvironmentDocument(Document):
    """What surrounds the machine."""

    temperature_rise: Annotated[Tolerance | None, tolerance("temperature")] = None


class BusDocument(Document):
    """How positions are taken: at the bus's own instant, or whenever the encoder is ready."""

    cycle: Annotated[float, quantity("time", least=0.0)] = 0.0
    synchronous: bool = True
    skew: Annotated[Tolerance | None, tolerance("time")] = None


class RequirementDocument(Document):
    """What the tool point must hold."""

    position: Annotated[float, quantity("length", least=0.0, above=True)]
    coverage: Annotated[float, quantity("ratio", least=0.01, most=0.9999)] = 0.95
    repeatability: Annotated[float | None, quantity("length", least=0.0, above=True)] = None
    yield_: Annotated[float | None, quantity("ratio", least=0.0, most=1.0), Field(alias="yield")] = None


class PoseDocument(Document):
    """One pose, by joints or by the tool."""

    name: Word
    joints: Positions | None = None
    xyz: tuple[Length, Length, Length] | None = None
    rpy: tuple[Angle, Angle, Angle] | None = None
    near: Positions | None = None
    speeds: list[Annotated[Measured, measured("angular speed", "speed")]] | None = None

    @model_validator(mode="after")
    def _one_of_two(self) -> PoseDocument:
        if (self.joints is None) == (self.xyz is None):
            raise wrong(
                "a pose needs exactly one of 'joints' and 'xyz'", "joints: [...], or xyz: [...] with rpy: [...]"
            )
        if self.joints is not None and (self.rpy is not None or self.near is not None):
            raise wrong("'rpy' or 'near' beside 'joints'", "rpy and near belong to xyz")
        return self


class PosesDocument(Document):
    """Named poses."""

    kind: Literal["poses"]
    name: Word
    poses: Annotated[list[PoseDocument], Field(min_length=1)]


class SliceDocument(Document):
    """A plane of the workspace."""

    kind: Literal["slice"]
    name: Word
    plane: Literal["xy", "xz", "yz"]
    at: Length
    step: Annotated[float, quantity("length", least=0.0, above=True)]
    tool: tuple[Angle, Angle, Angle] | None = None
    x: Ends | None = None
    y: Ends | None = None
    z: Ends | None = None
    near: Positions | None = None

    @model_validator(mode="after")
    def _ends(self) -> SliceDocument:
        for letter in "xyz":
            ends = getattr(self, letter)
            if ends is not None and letter not in self.plane:
                raise wrong(f"'{letter}' on the plane {self.plane}", " and ".join(self.plane))
            if ends is not None and ends[0] > ends[1]:
                raise wrong(f"'{letter}' upside down", "[lower end, upper end]")
            if ends is not None and not len(cells(ends, self.step)):
                raise wrong(
                    f"no whole step of {self.step:g} m within '{letter}'", "ends that hold a multiple of the step"
                )
        return self


TaskDocument = Annotated[PosesDocument | SliceDocument, Field(discriminator="kind")]


class SamplingDocument(Document):
    """How many arms, how many visits, which random numbers."""

    units: Annotated[int, count(1, MOST_UNITS)] = 2000
    visits: Annotated[int, count()] = 30
    seed: Annotated[int, count(0, 2**63)] = 1
    tolerance: Annotated[Measured | None, measured("ratio", "length")] = None
    points: Literal["random", "sobol"] = "random"


class ScenarioDocument(Document):
    """The whole question."""

    kind: Literal["scenario"]
    name: Word
    arm: Reference
    joints: dict[Word, JointDocument]
    environment: EnvironmentDocument = EnvironmentDocument()
    bus: BusDocument = BusDocument()
    requirement: RequirementDocument | None = None
    tasks: Annotated[list[TaskDocument], Field(min_length=1)]
    sampling: SamplingDocument = SamplingDocument()


def build_task(document: PosesDocument | SliceDocument, arm: Arm, source: Source, at: KeyPath) -> Task:
    """A task of the arm; joint positions must fit the joints and lie in their ranges."""
    if isinstance(document, SliceDocument):
        first, second = (getattr(document, letter) for letter in document.plane)
        near = None if document.near is None else _joints(document.near, arm, source, (*at, "near"), limits=False)
        task = Slice(document.name, document.plane, document.at, document.step, document.tool, first, second, near)
        if task.count(arm) > MOST_CELLS:
            found = f"{document.step * 1e3:g} mm make {task.count(arm):.3g} cells"
            raise source.error((*at, "step"), found, f"at most {MOST_CELLS} cells: a wider step, or ends x:, y:, z:")
        return task
    poses: list[NamedPose] = []
    for index, pose in enumerate(document.poses):
        here = (*at, "poses", index)
        if pose.name in [known.name for known in poses]:
            raise source.error((*here, "name"), f"two poses named {pose.name!r}", "each name once")
        speeds = None if pose.speeds is None else _speeds(pose.speeds, arm, source, (*here, "speeds"))
        if pose.joints is not None:
            joints = _joints(pose.joints, arm, source, (*here, "joints"), limits=True)
            poses.append(NamedPose(pose.name, joints, speeds=speeds))
        else:
            near = None if pose.near is None else _joints(pose.near, arm, source, (*here, "near"), limits=False)
            assert pose.xyz is not None  # held by the document
            poses.append(NamedPose(pose.name, None, Command(pose.xyz, pose.rpy), near, speeds))
    return Poses(document.name, tuple(poses))


def build_plan(document: SamplingDocument, source: Source) -> SamplingPlan:
    """The sampling plan; a tolerance must be more than nothing."""
    stated = document.tolerance
    tolerance = None
    if stated is not None:
        if stated.value <= 0:
            raise source.error(("sampling", "tolerance"), f"{stated.value:g}", "more than 0, such as 1 % or 2 um")
        tolerance = NumericalTolerance(stated.value, stated.kind == "ratio")
    return SamplingPlan(document.units, document.visits, document.seed, tolerance, document.points)


def build_requirement(
    document: RequirementDocument | None, sampling: SamplingDocument, source: Source
) -> Requirement | None:
    """The requirement; repeatability needs two visits."""
    if document is None:
        return None
    if document.repeatability is not None and sampling.visits < 2:
        raise source.error(
            ("sampling", "visits"), "repeatability from a single visit", "at least 2 visits; ISO 9283 takes 30"
        )
    return Requirement(document.position, document.coverage, document.repeatability, document.yield_)


def _joints(values: list[Measured], arm: Arm, source: Source, at: KeyPath, limits: bool) -> tuple[float, ...]:
    positions = _each(values, arm, source, at, "positions", ("angle", "length"))
    for index, (value, joint) in enumerate(zip(positions, arm.joints, strict=True)):
        if limits and not joint.lower - 1e-9 <= value <= joint.upper + 1e-9:
            raise source.error((*at, index), f"outside the range of joint {joint.name}", _range(joint))
    return positions


def _speeds(values: list[Measured], arm: Arm, source: Source, at: KeyPath) -> tuple[float, ...]:
    return _each(values, arm, source, at, "speeds", ("angular speed", "speed"))


def _each(
    values: list[Measured], arm: Arm, source: Source, at: KeyPath, what: str, kinds: tuple[str, str]
) -> tuple[float, ...]:
    """One value for every joint, of the first kind on a revolute joint and of the second on a prismatic one."""
    if len(values) != len(arm.joints):
        raise source.error(at, f"{len(values)} joint {what}", f"{len(arm.joints)}: {', '.join(arm.names)}")
    for index, (value, joint) in enumerate(zip(values, arm.joints, strict=True)):
        kind = kinds[0] if joint.revolute else kinds[1]
        if value.kind != kind:
            raise source.error((*at, index), f"{value.kind} for joint {joint.name}", kind)
    return tuple(value.value for value in values)


def _range(joint: ArmJoint) -> str:
    scale, unit = (57.29577951308232, "deg") if joint.revolute else (1e3, "mm")
    return f"{joint.lower * scale:g} {unit} to {joint.upper * scale:g} {unit}"


def check_joints(document: ScenarioDocument, arm: Arm, source: Source) -> None:
    """Every joint of the arm has a sensor, and no other.

    Raises
    ------
    InputError
        With every joint that is missing or unknown.
    """
    problems = []
    for name in document.joints:
        if name not in arm.names:
            problems.append(source.problem(("joints", name), "the arm has no such joint", ", ".join(arm.names)))
    for name in arm.names:
        if name not in document.joints:
            problems.append(source.problem(("joints",), f"joint {name!r} has no encoder", "an entry for every joint"))
    if problems:
        raise InputError(*problems)
