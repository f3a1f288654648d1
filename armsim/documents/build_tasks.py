"""Tasks built from their documents, for an arm."""

from __future__ import annotations

import numpy as np

from armsim.documents.fields import Measured
from armsim.documents.tasks import (
    CloudDocument,
    HoldingDocument,
    IsoPosesDocument,
    PathDocument,
    PosesDocument,
    SliceDocument,
    TaskDocument,
)
from armsim.documents.waypoints import read_waypoints
from armsim.model.arm import Arm, ArmJoint
from armsim.sources import KeyPath, Source
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
from armsim.tasks.cells import MOST_CELLS
from armsim.tasks.elbow import possible
from armsim.tasks.path import MOST_POINTS


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
    known: set[str] = set()
    for index, pose in enumerate(document.poses):
        here = (*at, "poses", index)
        if pose.name in known:
            raise source.error((*here, "name"), f"two poses named {pose.name!r}", "each name once")
        known.add(pose.name)
        speeds = None if pose.speeds is None else _speeds(pose.speeds, arm, source, (*here, "speeds"))
        if pose.joints is not None:
            joints = _joints(pose.joints, arm, source, (*here, "joints"), limits=True)
            poses.append(NamedPose(pose.name, joints, speeds=speeds))
        else:
            near = None if pose.near is None else _joints(pose.near, arm, source, (*here, "near"), limits=False)
            assert pose.xyz is not None  # held by the document
            poses.append(NamedPose(pose.name, None, Command(pose.xyz, pose.rpy), near, speeds))
    listed = ", ".join(pose.name for pose in poses)
    asked: set[frozenset[str]] = set()
    for index, pair in enumerate(document.distances):
        for name in pair:
            if name not in known:
                raise source.error((*at, "distances", index), f"no pose named {name!r}", listed)
        if pair[0] == pair[1]:
            raise source.error((*at, "distances", index), f"from {pair[0]!r} to itself", "two different poses")
        if frozenset(pair) in asked:
            raise source.error((*at, "distances", index), f"{pair[0]!r} to {pair[1]!r} twice", "each distance once")
        asked.add(frozenset(pair))
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
