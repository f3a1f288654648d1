"""Orientation of the tool and joint positions of a task, checked against the joints of the arm."""

from __future__ import annotations

from typing import Any

import numpy as np

from armsim.documents.fields import QuantityWithKind
from armsim.model.arm import Arm
from armsim.model.kinematics import ArmJoint
from armsim.sources import KeyPath, Source
from armsim.tasks import PoseConstraints
from armsim.tasks.elbow import has_elbow_angle


def build_constraints(document: Any, arm: Arm, source: Source, key_path: KeyPath) -> PoseConstraints:
    """Build the orientation of the tool and the posture of the arm from the document of a task."""
    near = (
        None
        if document.near is None
        else joint_positions(document.near, arm, source, (*key_path, "near"), within_ranges=False)
    )
    direction = None
    if document.direction is not None:
        unit = np.array(document.direction) / np.linalg.norm(document.direction)
        direction = (float(unit[0]), float(unit[1]), float(unit[2]))
    fixed_joints = []
    for name, value in (document.hold or {}).items():
        joint = _joint(name, arm, source, (*key_path, "hold"))
        kind = "angle" if joint.revolute else "length"
        if value.kind != kind:
            raise source.error((*key_path, "hold", name), f"{value.kind} for joint {name}", kind)
        if not joint.lower <= value.value <= joint.upper:
            raise source.error((*key_path, "hold", name), f"outside the range of joint {name}", _range(joint))
        fixed_joints.append((name, value.value))
    if len(fixed_joints) == len(arm.joints):
        raise source.error((*key_path, "hold"), "every joint is held", "one that is free to move")
    branch = []
    for name, sign_word in (document.branch or {}).items():
        joint = _joint(name, arm, source, (*key_path, "branch"))
        sign = 1 if sign_word == "positive" else -1
        if (joint.upper if sign > 0 else -joint.lower) <= 0:
            raise source.error(
                (*key_path, "branch", name), f"{sign_word} is outside the range of joint {name}", _range(joint)
            )
        if name in dict(fixed_joints):
            raise source.error((*key_path, "branch", name), f"joint {name} is held", "a joint that moves")
        branch.append((name, sign))
    nearest = elbow = None
    if document.posture is not None and document.posture.elbow is not None:
        if not has_elbow_angle(arm) or document.tool is None:
            finding, accepted = "an elbow angle", "seven turning joints, and tool: [roll, pitch, yaw]"
            raise source.error((*key_path, "posture", "elbow"), finding, accepted)
        elbow = document.posture.elbow
    if document.posture is not None and document.posture.nearest is not None:
        nearest = joint_positions(
            document.posture.nearest, arm, source, (*key_path, "posture", "nearest"), within_ranges=True
        )
    return PoseConstraints(document.tool, direction, near, tuple(fixed_joints), tuple(branch), nearest, elbow)


def _joint(name: str, arm: Arm, source: Source, key_path: KeyPath) -> ArmJoint:
    if name not in arm.names:
        raise source.error((*key_path, name), "the arm has no such joint", ", ".join(arm.names))
    return arm.joints[arm.names.index(name)]


def joint_positions(
    values: list[QuantityWithKind], arm: Arm, source: Source, key_path: KeyPath, within_ranges: bool
) -> tuple[float, ...]:
    """Positions of all joints [rad or m], within their ranges where ``within_ranges`` is true."""
    positions = _joint_values(values, arm, source, key_path, "positions", ("angle", "length"))
    for index, (value, joint) in enumerate(zip(positions, arm.joints, strict=True)):
        if within_ranges and not joint.in_range(value):
            raise source.error((*key_path, index), f"outside the range of joint {joint.name}", _range(joint))
    return positions


def joint_speeds(values: list[QuantityWithKind], arm: Arm, source: Source, key_path: KeyPath) -> tuple[float, ...]:
    """Speeds of all joints. [rad/s or m/s]"""
    return _joint_values(values, arm, source, key_path, "speeds", ("angular speed", "speed"))


def _joint_values(
    values: list[QuantityWithKind], arm: Arm, source: Source, key_path: KeyPath, noun: str, kinds: tuple[str, str]
) -> tuple[float, ...]:
    """One value for every joint, of the first kind on a revolute joint and of the second on a prismatic one."""
    if len(values) != len(arm.joints):
        raise source.error(key_path, f"{len(values)} joint {noun}", f"{len(arm.joints)}: {', '.join(arm.names)}")
    for index, (value, joint) in enumerate(zip(values, arm.joints, strict=True)):
        kind = kinds[0] if joint.revolute else kinds[1]
        if value.kind != kind:
            raise source.error((*key_path, index), f"{value.kind} for joint {joint.name}", kind)
    return tuple(value.value for value in values)


def _range(joint: ArmJoint) -> str:
    scale, unit = (57.29577951308232, "deg") if joint.revolute else (1e3, "mm")
    return f"{joint.lower * scale:g} {unit} to {joint.upper * scale:g} {unit}"
