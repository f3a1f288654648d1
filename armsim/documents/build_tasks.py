"""Tasks of an arm, built from their documents."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any

from armsim.documents.from_spec import Context, build
from armsim.documents.task_documents import PathDocument, PosesDocument
from armsim.documents.tool_orientation import build_constraints, joint_positions, joint_speeds
from armsim.documents.waypoints import read_waypoints
from armsim.field_spec import declared_fields
from armsim.model.arm import Arm
from armsim.requirement.requirement import Requirement, TaskLimits
from armsim.sources import KeyPath, Source
from armsim.tasks import Command, NamedPose, Path, Poses, Task, Waypoint, kind_of
from armsim.tasks.base import UNCONSTRAINED


def build_task(document: Any, arm: Arm, source: Source, key_path: KeyPath) -> Task:
    """Build a task of an arm from its document.

    Raises
    ------
    InputError
        Joint positions that do not fit the joints or lie outside their ranges.
    """
    if isinstance(document, PosesDocument):
        return _poses_task(document, arm, source, key_path)
    task: Task = (
        _path_task(document, arm, source, key_path)
        if isinstance(document, PathDocument)
        else _field_task(document, arm, source, key_path)
    )
    fault = task.fault(arm)
    if fault is not None:
        raise source.error((*key_path, fault.key), fault.value, fault.accepted)
    return task


def with_task_limits(
    requirement: Requirement | None, documents: Sequence[Any], tasks: Sequence[Task | None], source: Source
) -> Requirement | None:
    """Requirement of a scenario, complete with the limits that its tasks state.

    Raises
    ------
    InputError
        A task has the key but states no limit, the scenario has no requirement, or path limits are without a path.
    """
    limits: dict[str, TaskLimits] = {}
    for number, document in enumerate(documents):
        if document.requirement is None:
            continue
        key_path = ("tasks", number, "requirement")
        limits[document.name] = build(
            TaskLimits, document.requirement, Context(source, key_path, "rotation", "of a task")
        )
        if requirement is None:
            accepted = "requirement: {position: 100 um, ...} of the scenario, which a task may replace by its own"
            raise source.error(key_path, "the scenario states no requirement", accepted)
        if not document.requirement.model_fields_set:
            raise source.error(key_path, "no limit", ", ".join(field.name.rstrip("_") for field in fields(TaskLimits)))
    for number, task in enumerate(tasks):
        task_limits = limits.get(task.name) if task is not None and not task.is_path else None
        _refuse_path_limits(task_limits, ("tasks", number, "requirement"), "of a task that is not a path", source)
    if not any(task is None or task.is_path for task in tasks):
        _refuse_path_limits(requirement, ("requirement",), "without a task that is a path", source)
    return None if requirement is None else replace(requirement, tasks=limits)


def _refuse_path_limits(
    limits: Requirement | TaskLimits | None, key_path: KeyPath, finding: str, source: Source
) -> None:
    for key in ("path_accuracy", "path_repeatability"):
        if limits is not None and getattr(limits, key) is not None:
            raise source.error((*key_path, key), finding, "a limit of the path AT or RT, at a task of kind path")


def _field_task(document: Any, arm: Arm, source: Source, key_path: KeyPath) -> Task:
    """Build a task whose keys are all declared fields of its class."""
    owner: Any = kind_of(document.kind)
    names = [field.name for field in declared_fields(owner) if field.key.kind == "constraints"]
    constraints = {name: build_constraints(document, arm, source, key_path) for name in names}
    task: Task = build(
        owner, document, Context(source, key_path, "rotation", f"of the task {document.name}"), **constraints
    )
    return task


def _poses_task(document: PosesDocument, arm: Arm, source: Source, key_path: KeyPath) -> Poses:
    poses: list[NamedPose] = []
    names: set[str] = set()
    for index, pose in enumerate(document.poses):
        pose_path = (*key_path, "poses", index)
        if pose.name in names:
            raise source.error((*pose_path, "name"), f"two poses named {pose.name!r}", "each name once")
        names.add(pose.name)
        speeds = None if pose.speeds is None else joint_speeds(pose.speeds, arm, source, (*pose_path, "speeds"))
        if pose.joints is not None:
            joints = joint_positions(pose.joints, arm, source, (*pose_path, "joints"), within_ranges=True)
            poses.append(NamedPose(pose.name, joints, speeds=speeds))
        else:
            near = (
                None
                if pose.near is None
                else joint_positions(pose.near, arm, source, (*pose_path, "near"), within_ranges=False)
            )
            assert pose.xyz is not None  # guaranteed by the document
            poses.append(NamedPose(pose.name, None, Command(pose.xyz, pose.rpy), near, speeds))
    listed_names = ", ".join(pose.name for pose in poses)
    pairs: set[frozenset[str]] = set()
    for index, pair in enumerate(document.distances):
        for name in pair:
            if name not in names:
                raise source.error((*key_path, "distances", index), f"no pose named {name!r}", listed_names)
        if pair[0] == pair[1]:
            raise source.error((*key_path, "distances", index), f"from {pair[0]!r} to itself", "two different poses")
        if frozenset(pair) in pairs:
            raise source.error(
                (*key_path, "distances", index), f"{pair[0]!r} to {pair[1]!r} twice", "each distance once"
            )
        pairs.add(frozenset(pair))
    return Poses(document.name, tuple(poses), document.distances)


def _path_task(document: PathDocument, arm: Arm, source: Source, key_path: KeyPath) -> Path:
    constraints = build_constraints(document, arm, source, key_path)
    name, step, speed = document.name, document.step, document.speed
    if document.file is not None:
        file = source.resolve_path((*key_path, "file"), document.file)
        waypoints, joints = read_waypoints(file, arm)
        if joints and constraints != UNCONSTRAINED:
            keys = "tool, direction, near, posture, hold, branch"
            raise source.error((*key_path, "file"), f"joint positions beside one of {keys}", "joint positions alone")
        oriented = constraints.rpy is not None or constraints.direction is not None
        if waypoints and waypoints[0].rpy is not None and oriented:
            raise source.error(
                (*key_path, "file"), "holds turns of the tool beside 'tool' or 'direction'", "one of them"
            )
        task = Path(name, step, speed, waypoints, joints, constraints)
    else:
        assert document.waypoints is not None  # guaranteed by the document
        points = tuple(Waypoint(point.to, point.via, point.rpy) for point in document.waypoints)
        task = Path(name, step, speed, points, (), constraints)
    return task
