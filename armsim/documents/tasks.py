"""The tasks of a scenario document: where to look."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from armsim.documents.fields import Document, Measured, Word, count, measured, number, quantity, wrong
from armsim.documents.source import KeyPath, Source
from armsim.documents.waypoints import read_waypoints
from armsim.model.arm import Arm, ArmJoint
from armsim.results import MapOf
from armsim.tasks import (
    Cloud,
    Command,
    Holding,
    IsoPoses,
    NamedPose,
    Path,
    Poses,
    Slice,
    Task,
    Volume,
    Waypoint,
)
from armsim.tasks.base import FREELY
from armsim.tasks.cells import MOST_CELLS, centres
from armsim.tasks.elbow import possible
from armsim.tasks.path import MOST_POINTS, arc

Length = Annotated[float, quantity("length")]
Step = Annotated[float, quantity("length", least=0.0, above=True)]
Angle = Annotated[float, quantity("angle")]
Turns = tuple[Angle, Angle, Angle]
Point = tuple[Length, Length, Length]
Positions = list[Annotated[Measured, measured("angle", "length")]]
Ends = tuple[Length, Length]


Component = Annotated[float, number(lambda x: abs(x) <= 1e3, "a number within +-1000")]


class PostureDocument(Document):
    """What decides where the pose leaves the arm a choice."""

    nearest: Positions | None = None
    elbow: Angle | None = None

    @model_validator(mode="after")
    def _one(self) -> PostureDocument:
        if (self.nearest is None) == (self.elbow is None):
            raise wrong("a posture needs exactly one of 'nearest' and 'elbow'", "nearest: [joints], or elbow: 20 deg")
        return self


class HoldingDocument(Document):
    """How the tool is held, and by which posture of the arm."""

    tool: Turns | None = None
    direction: tuple[Component, Component, Component] | None = None
    near: Positions | None = None
    posture: PostureDocument | None = None
    hold: dict[Word, Annotated[Measured, measured("angle", "length")]] | None = None
    branch: dict[Word, Literal["positive", "negative"]] | None = None

    @model_validator(mode="after")
    def _one_way(self) -> HoldingDocument:
        if self.tool is not None and self.direction is not None:
            raise wrong("'tool' beside 'direction'", "tool: all three turns, or direction: where its z axis points")
        if self.direction is not None and not np.linalg.norm(self.direction) > 1e-6:
            raise wrong("a direction of no length", "three numbers, not all zero")
        return self


class FrameDocument(Document):
    """A frame in that of the base."""

    xyz: Point = (0.0, 0.0, 0.0)
    rpy: Turns = (0.0, 0.0, 0.0)


class PoseDocument(Document):
    """One pose, by joints or by the tool."""

    name: Word
    joints: Positions | None = None
    xyz: Point | None = None
    rpy: Turns | None = None
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
    distances: tuple[tuple[Word, Word], ...] = ()


class SliceDocument(HoldingDocument):
    """A plane of the workspace."""

    kind: Literal["slice"]
    name: Word
    plane: Literal["xy", "xz", "yz"]
    at: Length
    step: Step
    frame: FrameDocument = FrameDocument()
    maps: Annotated[tuple[MapOf, ...], Field(min_length=1)] = ("error",)
    x: Ends | None = None
    y: Ends | None = None
    z: Ends | None = None

    @model_validator(mode="after")
    def _ends(self) -> SliceDocument:
        for letter in "xyz":
            ends = getattr(self, letter)
            if ends is not None and letter not in self.plane:
                raise wrong(f"'{letter}' on the plane {self.plane}", " and ".join(self.plane))
            _check_ends(letter, ends, self.step)
        return self


class VolumeDocument(HoldingDocument):
    """A box of the workspace."""

    kind: Literal["volume"]
    name: Word
    x: Ends
    y: Ends
    z: Ends
    step: Step
    frame: FrameDocument = FrameDocument()
    maps: Annotated[tuple[MapOf, ...], Field(min_length=1)] = ("error",)

    @model_validator(mode="after")
    def _ends(self) -> VolumeDocument:
        for letter in "xyz":
            _check_ends(letter, getattr(self, letter), self.step)
        return self


class CloudDocument(Document):
    """Points over the ranges of the joints."""

    kind: Literal["cloud"]
    name: Word
    points: Annotated[int, count(1, MOST_CELLS)]
    uniform: Literal["joints", "reach"] = "joints"


class CubeDocument(Document):
    """A test cube."""

    centre: Point
    edge: Step


class IsoPosesDocument(HoldingDocument):
    """The five poses of ISO 9283."""

    kind: Literal["iso-poses"]
    name: Word
    cube: CubeDocument | None = None
    plane: Literal["a", "b", "c", "d"] = "a"


class WaypointDocument(Document):
    """Where a path goes next."""

    to: Point
    via: Point | None = None
    rpy: Turns | None = None


class PathDocument(HoldingDocument):
    """A path of the tool."""

    kind: Literal["path"]
    name: Word
    step: Step
    speed: Annotated[float, quantity("speed", least=0.0, above=True)]
    through: Annotated[list[WaypointDocument], Field(min_length=2)] | None = None
    file: Word | None = None

    @model_validator(mode="after")
    def _one_of_two(self) -> PathDocument:
        if (self.through is None) == (self.file is None):
            raise wrong(
                "a path needs exactly one of 'through' and 'file'", "through: [{to: [...]}, ...] or file: x.csv"
            )
        if self.through is not None:
            first, *rest = self.through
            if first.via is not None:
                raise wrong("'via' at the point where the path begins", "via belongs to the points after it")
            turning = [point.rpy is not None for point in self.through]
            if any(turning) and not all(turning):
                raise wrong("'rpy' at some points of the path", "rpy at every point, or at none with tool: for all")
            if all(turning) and (self.tool is not None or self.direction is not None):
                raise wrong("'tool' or 'direction' beside 'rpy' of the points", "one of them")
            here = first.to
            for point in rest:
                if point.to == here and point.via is None:
                    raise wrong(f"{_mm(here)} twice in a row", "points apart from each other; no turn on the spot")
                if point.via is not None and arc(here, point.via, point.to) is None:
                    raise wrong(f"an arc to {_mm(point.to)} through three points in one line", "a via: off that line")
                here = point.to
        return self


TaskDocument = Annotated[
    PosesDocument | SliceDocument | VolumeDocument | CloudDocument | IsoPosesDocument | PathDocument,
    Field(discriminator="kind"),
]


def _mm(point: Point) -> str:
    return "[" + ", ".join(f"{x * 1e3:g} mm" for x in point) + "]"


def _check_ends(letter: str, ends: Ends | None, step: float) -> None:
    if ends is not None and ends[0] > ends[1]:
        raise wrong(f"'{letter}' upside down", "[lower end, upper end]")
    if ends is not None and not len(centres(ends, step)):
        raise wrong(f"no whole step of {step:g} m within '{letter}'", "ends that hold a multiple of the step")


def build_task(document: TaskDocument, arm: Arm, source: Source, at: KeyPath) -> Task:
    """A task of the arm; joint positions must fit the joints and lie in their ranges."""
    if isinstance(document, PosesDocument):
        return _poses(document, arm, source, at)
    if isinstance(document, CloudDocument):
        return Cloud(document.name, document.points, document.uniform)
    holding = _holding(document, arm, source, at)
    if isinstance(document, IsoPosesDocument):
        cube = document.cube
        centre, edge = (None, None) if cube is None else (cube.centre, cube.edge)
        return IsoPoses(document.name, centre, edge, document.plane, holding)
    if isinstance(document, PathDocument):
        return _path(document, holding, arm, source, at)
    frame = (document.frame.xyz, document.frame.rpy)
    task: Slice | Volume
    if isinstance(document, SliceDocument):
        first, second = (getattr(document, letter) for letter in document.plane)
        task = Slice(
            document.name, document.plane, document.at, document.step, (first, second), holding, frame, document.maps
        )
    else:
        task = Volume(document.name, (document.x, document.y, document.z), document.step, holding, frame, document.maps)
    if task.count(arm) > MOST_CELLS:
        found = f"{document.step * 1e3:g} mm make {task.count(arm):.3g} cells"
        raise source.error((*at, "step"), found, f"at most {MOST_CELLS} cells: a wider step, or ends x:, y:, z:")
    return task


def _poses(document: PosesDocument, arm: Arm, source: Source, at: KeyPath) -> Poses:
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
    names = [pose.name for pose in poses]
    for index, pair in enumerate(document.distances):
        for name in pair:
            if name not in names:
                raise source.error((*at, "distances", index), f"no pose named {name!r}", ", ".join(names))
        if pair[0] == pair[1]:
            raise source.error((*at, "distances", index), f"from {pair[0]!r} to itself", "two different poses")
        if any({*pair} == {*other} for other in document.distances[:index]):
            raise source.error((*at, "distances", index), f"{pair[0]!r} to {pair[1]!r} twice", "each distance once")
    return Poses(document.name, tuple(poses), document.distances)


def _path(document: PathDocument, holding: Holding, arm: Arm, source: Source, at: KeyPath) -> Path:
    name, step, speed = document.name, document.step, document.speed
    if document.file is not None:
        waypoints, joints = read_waypoints(source.path.parent / document.file, arm, source, (*at, "file"))
        if joints and holding != FREELY:
            held = "tool, direction, near, posture, hold, branch"
            raise source.error((*at, "file"), f"joint positions beside one of {held}", "joint positions alone")
        if waypoints and waypoints[0].rpy is not None and (holding.rpy is not None or holding.direction is not None):
            raise source.error((*at, "file"), "holds turns of the tool beside 'tool' or 'direction'", "one of them")
        task = Path(name, step, speed, waypoints, joints, holding)
    else:
        assert document.through is not None  # held by the document
        points = tuple(Waypoint(point.to, point.via, point.rpy) for point in document.through)
        task = Path(name, step, speed, points, (), holding)
    length = task.length_on(arm)
    if length / step > MOST_POINTS:
        found = f"{step * 1e3:g} mm make {length / step:.3g} points"
        raise source.error((*at, "step"), found, f"at most {MOST_POINTS} points: a wider step")
    return task


def _holding(document: HoldingDocument, arm: Arm, source: Source, at: KeyPath) -> Holding:
    near = None if document.near is None else _joints(document.near, arm, source, (*at, "near"), limits=False)
    direction = None
    if document.direction is not None:
        unit = np.array(document.direction) / np.linalg.norm(document.direction)
        direction = (float(unit[0]), float(unit[1]), float(unit[2]))
    hold = []
    for name, value in (document.hold or {}).items():
        joint = _joint(name, arm, source, (*at, "hold"))
        kind = "angle" if joint.revolute else "length"
        if value.kind != kind:
            raise source.error((*at, "hold", name), f"{value.kind} for joint {name}", kind)
        if not joint.lower <= value.value <= joint.upper:
            raise source.error((*at, "hold", name), f"outside the range of joint {name}", _range(joint))
        hold.append((name, value.value))
    if len(hold) == len(arm.joints):
        raise source.error((*at, "hold"), "every joint is held", "one that is free to move")
    branch = []
    for name, side in (document.branch or {}).items():
        joint = _joint(name, arm, source, (*at, "branch"))
        sign = 1 if side == "positive" else -1
        if (joint.upper if sign > 0 else -joint.lower) <= 0:
            raise source.error((*at, "branch", name), f"{side} is outside the range of joint {name}", _range(joint))
        if name in dict(hold):
            raise source.error((*at, "branch", name), f"joint {name} is held", "a joint that moves")
        branch.append((name, sign))
    nearest = elbow = None
    if document.posture is not None and document.posture.elbow is not None:
        if not possible(arm) or document.tool is None:
            found, accepted = "an elbow angle", "seven turning joints, and tool: [roll, pitch, yaw]"
            raise source.error((*at, "posture", "elbow"), found, accepted)
        elbow = document.posture.elbow
    if document.posture is not None and document.posture.nearest is not None:
        nearest = _joints(document.posture.nearest, arm, source, (*at, "posture", "nearest"), limits=True)
    return Holding(document.tool, direction, near, tuple(hold), tuple(branch), nearest, elbow)


def _joint(name: str, arm: Arm, source: Source, at: KeyPath) -> ArmJoint:
    if name not in arm.names:
        raise source.error((*at, name), "the arm has no such joint", ", ".join(arm.names))
    return arm.joints[arm.names.index(name)]


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
