"""Tasks built from their documents, for an arm."""

from __future__ import annotations

from typing import Any

from armsim.documents.from_spec import Place, build
from armsim.documents.task_documents import PathDocument, PosesDocument
from armsim.documents.tool_orientation import build_holding, joint_positions, joint_speeds
from armsim.documents.waypoints import read_waypoints
from armsim.field_spec import declared
from armsim.model.arm import Arm
from armsim.sources import KeyPath, Source
from armsim.tasks import Command, NamedPose, Path, Poses, Task, Waypoint, kind_of
from armsim.tasks.base import FREELY


def build_task(given: Any, arm: Arm, source: Source, at: KeyPath) -> Task:
    """A task of the arm; joint positions must fit the joints and lie in their ranges."""
    if isinstance(given, PosesDocument):
        return _poses(given, arm, source, at)
    task: Task = _path(given, arm, source, at) if isinstance(given, PathDocument) else _declared(given, arm, source, at)
    fault = task.fault(arm)
    if fault is not None:
        raise source.error((*at, fault.key), fault.found, fault.accepted)
    return task


def _declared(given: Any, arm: Arm, source: Source, at: KeyPath) -> Task:
    """A task that follows from its declared keys."""
    owner: Any = kind_of(given.kind)
    held = [field.name for field in declared(owner) if field.key.kind == "holding"]
    more = {name: build_holding(given, arm, source, at) for name in held}
    task: Task = build(owner, given, Place(source, at, "rotation", f"of the task {given.name}"), **more)
    return task


def _poses(document: PosesDocument, arm: Arm, source: Source, at: KeyPath) -> Poses:
    poses: list[NamedPose] = []
    known: set[str] = set()
    for index, pose in enumerate(document.poses):
        here = (*at, "poses", index)
        if pose.name in known:
            raise source.error((*here, "name"), f"two poses named {pose.name!r}", "each name once")
        known.add(pose.name)
        speeds = None if pose.speeds is None else joint_speeds(pose.speeds, arm, source, (*here, "speeds"))
        if pose.joints is not None:
            joints = joint_positions(pose.joints, arm, source, (*here, "joints"), limits=True)
            poses.append(NamedPose(pose.name, joints, speeds=speeds))
        else:
            near = None if pose.near is None else joint_positions(pose.near, arm, source, (*here, "near"), limits=False)
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


def _path(document: PathDocument, arm: Arm, source: Source, at: KeyPath) -> Path:
    holding = build_holding(document, arm, source, at)
    name, step, speed = document.name, document.step, document.speed
    if document.file is not None:
        file = source.beside((*at, "file"), document.file)
        waypoints, joints = read_waypoints(file, arm)
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
    return task
