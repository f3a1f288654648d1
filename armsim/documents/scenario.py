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
from armsim.errors import InputError
from armsim.model.arm import Arm, ArmJoint
from armsim.model.joint import Encoder, Harmonic, Joint, Magnitude, Mounting, Transmission
from armsim.physics.signal import NONE
from armsim.results import Requirement
from armsim.tasks import Command, NamedPose, Poses, Slice, Task

Length = Annotated[float, quantity("length")]
Angle = Annotated[float, quantity("angle")]
Positions = list[Annotated[Measured, measured("angle", "length")]]
Ends = Annotated[list[Length], Field(min_length=2, max_length=2)]
Reference = Any
"""A path relative to the file, or the document itself."""


class MountingDocument(Document):
    """How the scale sits on its shaft."""

    later = frozenset({"head_tangential", "head_radial", "head_tilt"})
    eccentricity: Annotated[Tolerance | None, tolerance("length", magnitude=True)] = None
    disc_tilt: Annotated[Tolerance | None, tolerance("angle", magnitude=True)] = None


class HarmonicDocument(Document):
    """One order of the kinematic error of a gear."""

    per: Literal["input-turn", "output-turn"]
    order: Annotated[float, number(lambda x: x > 0, "a number above zero")]
    amplitude: Annotated[Tolerance, tolerance("angle", "length", magnitude=True)]


class TransmissionDocument(Document):
    """The gear between motor and joint."""

    later = frozenset({"stiffness"})
    ratio: Annotated[float, number(lambda x: x != 0, "a number, not zero")] = 1.0
    kinematic_error: list[HarmonicDocument] = Field(default_factory=list)
    lost_motion: Annotated[Measured | None, measured("angle", "length")] = None


class JointDocument(Document):
    """The sensor of one joint."""

    encoder: Reference
    placement: Literal["motor", "output"]
    mounting: MountingDocument = MountingDocument()
    transmission: TransmissionDocument = TransmissionDocument()
    mastering: Annotated[Tolerance | None, tolerance("angle", "length")] = None


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
        return self


TaskDocument = Annotated[PosesDocument | SliceDocument, Field(discriminator="kind")]


class SamplingDocument(Document):
    """How many arms, how many visits, which random numbers."""

    units: Annotated[int, count()] = 2000
    visits: Annotated[int, count()] = 30
    seed: Annotated[int, count(0)] = 1


class ScenarioDocument(Document):
    """The whole question."""

    later = frozenset({"environment"})
    kind: Literal["scenario"]
    name: Word
    arm: Reference
    joints: dict[Word, JointDocument]
    requirement: RequirementDocument | None = None
    tasks: Annotated[list[TaskDocument], Field(min_length=1)]
    sampling: SamplingDocument = SamplingDocument()


def build_joint(document: JointDocument, joint: ArmJoint, encoder: Encoder, source: Source, at: KeyPath) -> Joint:
    """One joint with its sensor; every quantity must fit what the joint does."""
    kind = "angle" if joint.revolute else "length"

    def fitting(entry: Tolerance | Measured | None, *path: str | int) -> None:
        if entry is not None and entry.kind != kind:
            what = "revolute" if joint.revolute else "prismatic"
            raise source.error((*at, *path), f"{entry.kind} at the {what} joint {joint.name}", f"{kind}")

    if encoder.rotary != joint.revolute:
        measures = "rotation" if encoder.rotary else "translation"
        what = "revolute" if joint.revolute else "prismatic"
        raise source.error(
            (*at, "encoder"),
            f"{encoder.name!r} measures {measures}, joint {joint.name} is {what}",
            "a rotary encoder on a revolute joint, a linear one on a prismatic joint",
        )
    mounting, box = document.mounting, document.transmission
    fitting(document.mastering, "mastering")
    fitting(box.lost_motion, "transmission", "lost_motion")
    for index, harmonic in enumerate(box.kinematic_error):
        fitting(harmonic.amplitude, "transmission", "kinematic_error", index, "amplitude")
    if not joint.revolute:
        for key in ("eccentricity", "disc_tilt"):
            if getattr(mounting, key) is not None:
                raise source.error((*at, "mounting", key), "a disc on a prismatic joint", "leave it out")
        if document.placement == "motor" and box.ratio != 1.0:
            raise source.error((*at, "transmission", "ratio"), "a ratio on a prismatic joint", "ratio 1 or none")
    elif mounting.eccentricity is not None and not encoder.track_radius and encoder.summary is None:
        accepted = f"track_radius in the encoder {encoder.name!r}"
        raise source.error((*at, "mounting", "eccentricity"), "eccentricity needs the radius of the track", accepted)
    if encoder.summary is not None:
        for key in ("eccentricity", "disc_tilt"):
            if getattr(mounting, key) is not None:
                accepted = "leave it out, or an encoder that tells its causes"
                found = f"mounting beside {encoder.name!r}, which has only a summary"
                raise source.error((*at, "mounting", key), found, accepted)
    return Joint(
        name=joint.name,
        encoder=encoder,
        travel=joint.travel,
        placement=document.placement,
        mounting=Mounting(_magnitude(mounting.eccentricity), _magnitude(mounting.disc_tilt)),
        transmission=Transmission(
            box.ratio,
            tuple(Harmonic(h.per == "input-turn", h.order, _magnitude(h.amplitude)) for h in box.kinematic_error),
            abs(box.lost_motion.value) if box.lost_motion is not None else 0.0,
        ),
        mastering=document.mastering.spread if document.mastering is not None else NONE,
    )


def build_task(document: PosesDocument | SliceDocument, arm: Arm, source: Source, at: KeyPath) -> Task:
    """A task of the arm; joint positions must fit the joints and lie in their ranges."""
    if isinstance(document, SliceDocument):
        first, second = (getattr(document, letter) for letter in document.plane)
        near = None if document.near is None else _joints(document.near, arm, source, (*at, "near"), limits=False)
        return Slice(document.name, document.plane, document.at, document.step, document.tool, first, second, near)
    poses: list[NamedPose] = []
    for index, pose in enumerate(document.poses):
        here = (*at, "poses", index)
        if pose.name in [known.name for known in poses]:
            raise source.error((*here, "name"), f"two poses named {pose.name!r}", "each name once")
        if pose.joints is not None:
            poses.append(NamedPose(pose.name, _joints(pose.joints, arm, source, (*here, "joints"), limits=True)))
        else:
            near = None if pose.near is None else _joints(pose.near, arm, source, (*here, "near"), limits=False)
            assert pose.xyz is not None  # held by the document
            poses.append(NamedPose(pose.name, None, Command(pose.xyz, pose.rpy), near))
    return Poses(document.name, tuple(poses))


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
    if len(values) != len(arm.joints):
        raise source.error(at, f"{len(values)} joint positions", f"{len(arm.joints)}: {', '.join(arm.names)}")
    for index, (value, joint) in enumerate(zip(values, arm.joints, strict=True)):
        kind = "angle" if joint.revolute else "length"
        if value.kind != kind:
            raise source.error((*at, index), f"{value.kind} for joint {joint.name}", kind)
        if limits and not joint.lower - 1e-9 <= value.value <= joint.upper + 1e-9:
            raise source.error((*at, index), f"outside the range of joint {joint.name}", _range(joint))
    return tuple(value.value for value in values)


def _range(joint: ArmJoint) -> str:
    scale, unit = (57.29577951308232, "deg") if joint.revolute else (1e3, "mm")
    return f"{joint.lower * scale:g} {unit} to {joint.upper * scale:g} {unit}"


def _magnitude(entry: Tolerance | None) -> Magnitude:
    return entry.magnitude if entry is not None else Magnitude(NONE)


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
