"""Scenario documents from scenarios made in Python: one document that holds its arm and its encoders."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from armsim.documents.arm_to_document import arm_document
from armsim.documents.to_document import encoder_document, part_document, quantity_text
from armsim.field_spec import Measures
from armsim.model.arm import Arm
from armsim.model.installation import Needs
from armsim.model.joint import Bus, Joint
from armsim.model.machine import Machine
from armsim.model.motion import JointSpeed, Motion
from armsim.model.mounting import Mounting
from armsim.model.transmission import Transmission
from armsim.sampling_plan import SamplingPlan
from armsim.scenario import Scenario
from armsim.tasks import Path, Poses, Task
from armsim.tasks.base import PoseConstraints

MEASURES: dict[bool, Measures] = {True: "rotation", False: "translation"}
"""What a joint moves by, whether it turns."""
Positions = Callable[[Sequence[float]], list[str]]


def scenario_document(scenario: Scenario) -> dict[str, Any]:
    """Scenario document of a scenario, in plain values, its arm and encoders in place.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    dict
        As the YAML file would be read; reading it again gives an equal scenario, but for the last bit of a number.

    Raises
    ------
    ValueError
        It holds what only a file can state: a calibration, an identified arm, measured error curves, an arm that is no
        chain of Denavit-Hartenberg rows.
    """
    machine = scenario.machine
    _refuse_other(scenario)
    document: dict[str, Any] = {
        "kind": "scenario",
        "name": scenario.name,
        "arm": arm_document(machine.arm, machine.tolerances, machine.masses, machine.environment.expansion),
        "joints": {joint.name: _joint_document(joint, machine.arm) for joint in machine.joints},
    }
    environment = part_document(replace(machine.environment, expansion=0.0))
    if environment:
        document["environment"] = environment
    if machine.joints[0].bus != Bus():
        document["bus"] = part_document(machine.joints[0].bus)
    if scenario.motion is not None:
        document["motion"] = _motion_document(scenario.motion, machine.arm)
    limits = {}
    if scenario.requirement is not None:
        document["requirement"] = part_document(scenario.requirement)
        limits = {name: part_document(value) for name, value in scenario.requirement.tasks.items()}
    document["tasks"] = [
        _task_document(task, machine.arm) | ({"requirement": limits[task.name]} if task.name in limits else {})
        for task in scenario.tasks
    ]
    document["sampling"] = _plan_document(scenario.plan)
    return {key: value for key, value in document.items() if value != {}}


def _refuse_other(scenario: Scenario) -> None:
    """Refuse what no document states in place."""
    machine: Machine = scenario.machine
    parts = {
        "a calibration": scenario.calibration is not None,
        "a correction": machine.correction is not None,
        "an identified arm": machine.identification is not None,
        "factors on its errors": bool(machine.changes),
        "measured error curves": any(joint.measured_curve is not None for joint in machine.joints),
        "a bus of its own at every joint": len({joint.bus for joint in machine.joints}) != 1,
        "masses of sensors": machine.masses is not None and bool(machine.masses.sensors),
        "links that do not follow the temperature": not machine.environment.links_follow_rise,
    }
    refused = [name for name, present in parts.items() if present]
    if refused:
        raise ValueError(f"scenario {scenario.name!r} has {', '.join(refused)}: write that document by hand")


def _joint_document(joint: Joint, arm: Arm) -> dict[str, Any]:
    """Block of a joint, with its encoders."""
    measures = MEASURES[arm.joints[arm.names.index(joint.name)].revolute]
    document = {"encoder": encoder_document(joint.encoder), **part_document(joint, measures)}
    if joint.motor_encoder is not None:
        document["motor_encoder"] = encoder_document(joint.motor_encoder)
    if joint.mounting != Mounting():
        document["mounting"] = part_document(joint.mounting, joint.encoder.measures)
    if joint.transmission != Transmission():
        document["transmission"] = _transmission_document(joint.transmission, measures)
    if joint.needs != Needs():
        document["needs"] = part_document(joint.needs)
    return document


def _transmission_document(transmission: Transmission, measures: Measures) -> dict[str, Any]:
    """Block of a gear; of one of a type without the values that are typical of it."""
    document = part_document(transmission, measures)
    if not transmission.type:
        return document
    other_keys = {key: value for key, value in document.items() if key not in transmission.typical_keys}
    return {"type": transmission.type, "ratio": transmission.ratio, **other_keys}


def _motion_document(motion: Motion, arm: Arm) -> dict[str, Any]:
    measures = {joint.name: MEASURES[joint.revolute] for joint in arm.joints}
    speeds = {name: part_document(JointSpeed(speed), measures[name]) for name, speed in motion.speeds.items()}
    return {**part_document(motion), "joints": speeds}


def _plan_document(plan: SamplingPlan) -> dict[str, Any]:
    document = part_document(replace(plan, tolerance=None))
    if plan.tolerance is not None:
        kind = "ratio" if plan.tolerance.relative else "length"
        document["tolerance"] = quantity_text(plan.tolerance.value, (kind,))
    return document


def _values(kinds: tuple[str, str], arm: Arm) -> Positions:
    """Function that writes one value per joint, of the first kind where it turns."""
    joint_kinds = [kinds[0] if joint.revolute else kinds[1] for joint in arm.joints]
    return lambda values: [quantity_text(value, (kind,)) for value, kind in zip(values, joint_kinds, strict=True)]


def _lengths(values: Sequence[float]) -> list[str]:
    return [quantity_text(value, ("length",)) for value in values]


def _angles(values: Sequence[float]) -> list[str]:
    return [quantity_text(value, ("angle",)) for value in values]


def _task_document(task: Task, arm: Arm) -> dict[str, Any]:
    """Document of a task of any kind."""
    if isinstance(task, Poses):
        return _poses_document(task, arm)
    document = {"kind": task.kind, "name": task.name}
    if isinstance(task, Path):
        document |= _path_document(task)
    else:
        document |= part_document(task)
    constraints = getattr(task, "constraints", None)
    return document if constraints is None else document | _constraints_document(constraints, arm)


def _poses_document(task: Poses, arm: Arm) -> dict[str, Any]:
    positions, speeds = _values(("angle", "length"), arm), _values(("angular speed", "speed"), arm)
    poses = []
    for pose in task.poses:
        entry: dict[str, Any] = {"name": pose.name}
        if pose.joints is not None:
            entry["joints"] = positions(pose.joints)
        elif pose.command is not None:
            if pose.command.direction is not None:
                raise ValueError(f"pose {pose.name!r} has a direction: no document states one of a named pose")
            entry["xyz"] = _lengths(pose.command.xyz)
            if pose.command.rpy is not None:
                entry["rpy"] = _angles(pose.command.rpy)
        if pose.near is not None:
            entry["near"] = positions(pose.near)
        if pose.speeds is not None:
            entry["speeds"] = speeds(pose.speeds)
        poses.append(entry)
    document = {"kind": task.kind, "name": task.name, "poses": poses}
    return document | ({"distances": [list(pair) for pair in task.distances]} if task.distances else {})


def _path_document(task: Path) -> dict[str, Any]:
    if task.joints:
        raise ValueError(f"path {task.name!r} goes by joint positions, which are a file: write its document by hand")
    waypoints = []
    for point in task.waypoints:
        entry = {"to": _lengths(point.xyz)}
        if point.via is not None:
            entry["via"] = _lengths(point.via)
        if point.rpy is not None:
            entry["rpy"] = _angles(point.rpy)
        waypoints.append(entry)
    step, speed = quantity_text(task.step, ("length",)), quantity_text(task.speed, ("speed",))
    return {"step": step, "speed": speed, "waypoints": waypoints}


def _constraints_document(constraints: PoseConstraints, arm: Arm) -> dict[str, Any]:
    """Keys of a task that state the orientation of the tool and the posture of the arm."""
    positions = _values(("angle", "length"), arm)
    document: dict[str, Any] = {}
    if constraints.rpy is not None:
        document["tool"] = _angles(constraints.rpy)
    if constraints.direction is not None:
        document["direction"] = list(constraints.direction)
    if constraints.near is not None:
        document["near"] = positions(constraints.near)
    if constraints.nearest is not None:
        document["posture"] = {"nearest": positions(constraints.nearest)}
    if constraints.elbow is not None:
        document["posture"] = {"elbow": quantity_text(constraints.elbow, ("angle",))}
    if constraints.fixed_joints:
        turns = {joint.name: joint.revolute for joint in arm.joints}
        document["hold"] = {
            name: quantity_text(value, ("angle" if turns[name] else "length",))
            for name, value in constraints.fixed_joints
        }
    if constraints.branch:
        document["branch"] = {name: "positive" if sign > 0 else "negative" for name, sign in constraints.branch}
    return document
