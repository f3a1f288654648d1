"""Arms from and to robot objects of roboticstoolbox.

References
----------
.. [1] Corke, Haviland, "Not your grandmother's toolbox: the Robotics Toolbox reinvented for Python", ICRA 2021, 11357.
.. [2] Corke, "A simple and systematic approach to assigning Denavit-Hartenberg parameters", IEEE Trans. Robotics 23
   (2007) 590: elementary transform sequences.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.errormodel.terms import Axis, Role
from armsim.errors import InputError, Problem
from armsim.model.chain import TOOL, denavit_hartenberg, fixed_transforms
from armsim.model.kinematics import ArmJoint, Chain, ElementaryTransform, X, Y, Z, roll_pitch_yaw, rotation, z_onto

DIRECTIONS = {"x": X, "y": Y, "z": Z}


Parts = tuple[str, tuple[ArmJoint, ...], tuple[ElementaryTransform, ...]]


def arm_parts(robot: Any, names: Sequence[str] | None = None) -> Parts:
    """Name, joints and chain of a robot object.

    Accepts Denavit-Hartenberg links of either convention, and elementary transform sequences.

    Links of Denavit-Hartenberg rows keep their parameters, so that tolerances of theta, d, a and alpha can act on them;
    constants before a joint of a sequence are those of an origin: x, y, z, yaw, pitch, roll.

    Parameters
    ----------
    robot : roboticstoolbox.DHRobot, roboticstoolbox.Robot or roboticstoolbox.ETS
        Lengths in metres.
    names : sequence of str, optional
        Names of the joints, base first; j1, j2, ... where not given.

    Returns
    -------
    Parts

    Raises
    ------
    InputError
        The robot has no joint, or another number of joints than names.
    """
    rows = hasattr(robot, "links") and all(hasattr(link, "mdh") for link in robot.links)
    is_sequence = not hasattr(robot, "links")
    sequence: Any = robot if is_sequence or rows else robot.ets()
    count = len(robot.links) if rows else sum(1 for transform in sequence if transform.isjoint)
    label = getattr(robot, "name", "") or "robot"
    joint_names = [f"j{number + 1}" for number in range(count)] if names is None else list(names)
    if not count or len(set(joint_names)) != count:
        finding = f"{len(set(joint_names))} names for {count} joints"
        raise InputError(Problem(label, 0, 0, "names", finding, "a different name for every joint"))
    joints, chain = _chain_from_rows(robot, joint_names) if rows else _chain_from_sequence(sequence, joint_names)
    base_frame = () if is_sequence else _fixed_frame(robot.base.A)
    tool_frame = () if is_sequence else _fixed_frame(robot.tool.A, TOOL if rows else None)
    return label, tuple(joints), (*base_frame, *chain, *tool_frame)


def to_robot(arm: Chain) -> Any:
    """Robot object of roboticstoolbox with the chain and the joint ranges of an arm."""
    import roboticstoolbox as rtb

    return rtb.Robot(transform_sequence(arm), name=arm.name)


def transform_sequence(arm: Chain) -> Any:
    """Elementary transform sequence of roboticstoolbox with the chain of an arm."""
    import roboticstoolbox as rtb
    import spatialmath

    ets: Any = rtb.ETS()  # type: ignore[operator]
    fixed: Array = np.eye(4)
    for motion in arm.motions:
        if motion.joint is None:
            fixed = fixed @ _matrix(motion)
            continue
        joint = arm.joints[motion.joint]
        align: Array = np.eye(4)
        align[:3, :3] = z_onto(motion.direction)
        limits = [joint.lower, joint.upper] if math.isfinite(joint.upper - joint.lower) else None
        joint_transform = rtb.ET.Rz if motion.rotary else rtb.ET.tz
        along_z = ElementaryTransform(Z, motion.rotary, motion.value)
        frame = fixed @ align @ _matrix(along_z)
        ets = ets * rtb.ET.SE3(spatialmath.SE3(frame, check=False)) * joint_transform(jindex=motion.joint, qlim=limits)
        fixed = align.T  # a pure rotation
    return ets * rtb.ET.SE3(spatialmath.SE3(fixed, check=False))


def _chain_from_rows(robot: Any, names: list[str]) -> tuple[list[ArmJoint], list[ElementaryTransform]]:
    joints: list[ArmJoint] = []
    chain: list[ElementaryTransform] = []
    for number, (name, link) in enumerate(zip(names, robot.links, strict=True)):
        revolute = bool(link.isrevolute)
        theta, d = (link.offset, link.d) if revolute else (link.theta, link.offset)
        a, alpha = float(link.a), float(link.alpha)
        row = denavit_hartenberg(number, name, revolute, float(theta), float(d), a, alpha, bool(link.mdh))
        if link.isflip:  # the joint moves against its axis
            row = tuple(replace(m, direction=(0.0, 0.0, -1.0), value=-m.value) if m.joint == number else m for m in row)
        chain += row
        joints.append(ArmJoint(name, revolute, *_joint_range(link.qlim)))
    return joints, chain


def _chain_from_sequence(sequence: Any, names: list[str]) -> tuple[list[ArmJoint], list[ElementaryTransform]]:
    moving = [transform for transform in sequence if transform.isjoint]
    stated_numbers = [
        position if transform.jindex is None else int(transform.jindex) for position, transform in enumerate(moving)
    ]
    numbers = {
        id(moving[position]): number
        for number, position in enumerate(np.argsort(stated_numbers, kind="stable").tolist())
    }
    joints: dict[int, ArmJoint] = {}
    chain: list[ElementaryTransform] = []
    fixed: Array = np.eye(4)
    for transform in sequence:
        if not transform.isjoint:
            fixed = fixed @ transform.A()
            continue
        number = numbers[id(transform)]
        name, kind = names[number], transform.kind
        chain += _fixed_frame(fixed, name, Role.LINK)
        fixed = np.eye(4)
        x, y, z = DIRECTIONS[kind[-1]]
        direction = (-x, -y, -z) if transform.isflip else (x, y, z)
        rotary = kind[0] == "R"
        chain.append(ElementaryTransform(direction, rotary, 0.0, (Axis(name),), number))
        joints[number] = ArmJoint(name, rotary, *_joint_range(transform.qlim))
    chain += _fixed_frame(fixed, TOOL)
    return [joints[number] for number in range(len(joints))], chain


def _joint_range(limits: Any) -> tuple[float, float]:
    return (-math.inf, math.inf) if limits is None else (float(limits[0]), float(limits[1]))


def _fixed_frame(matrix: Array, name: str | None = None, role: Role = Role.FRAME) -> tuple[ElementaryTransform, ...]:
    """A fixed frame of shape (4, 4) as elementary transforms; none where it is the identity and has no name."""
    if name is None and np.array_equal(matrix, np.eye(4)):
        return ()
    x, y, z = matrix[:3, 3]
    return fixed_transforms((float(x), float(y), float(z)), roll_pitch_yaw(matrix), name, role)


def _matrix(motion: ElementaryTransform) -> Array:
    out: Array = np.eye(4)
    if motion.rotary:
        out[:3, :3] = rotation(motion.direction, motion.value)[0]
    else:
        out[:3, 3] = np.asarray(motion.direction) * motion.value
    return out
