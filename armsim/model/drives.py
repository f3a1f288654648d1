"""Positions seen by the drives and sensors of coupled joints, and the effect of their errors on joints and followers.

The drive of every joint sees the position phi = C q, in the unit of the joint before its own gear. Shapes of errors are
functions of phi; an error on phi moves the joints by C^-1; loads map by the transposed inverse, since the power is the
same on either side. A follower has no drive: it moves by stated factors with the joints that it follows, and so does
every error of these.

References
----------
.. [1] Tsai, Robot Analysis: The Mechanics of Serial and Parallel Manipulators (1999), ch. 7: coupled, tendon- and
   gear-driven joints, theta = A q and tau = A^T xi.
.. [2] URDF XML specification, element mimic: value = multiplier * other + offset.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from armsim.arrays import Array
from armsim.errormodel.shapes import Proportional, Shape, State
from armsim.errormodel.states import States
from armsim.errormodel.terms import Act, Axis, Role, Term
from armsim.model.arm import Arm
from armsim.model.correction import Parameter
from armsim.model.gravity import Masses, gravity_loads
from armsim.model.joint import Joint


def drive_matrix(arm: Arm, sensor_on_motor: Sequence[bool]) -> Array | None:
    """Matrix C of what the position sensors see, phi = C q, shape (joints, joints); None where each sees its own joint.

    Parameters
    ----------
    arm : Arm
    sensor_on_motor : sequence of bool
        Whether the position sensor of each joint is on the motor.

    Returns
    -------
    (joints, joints), or None
    """
    matrix = np.eye(len(arm.joints))
    for coupling in arm.couplings:
        if sensor_on_motor[coupling.joint] or not coupling.motor_only:
            matrix[coupling.joint] = coupling.drive_factors
    return None if np.array_equal(matrix, np.eye(len(matrix))) else matrix


def states_at(
    arm: Arm,
    masses: Masses | None,
    matrix: Array | None,
    q: ArrayLike,
    speeds: ArrayLike | None = None,
    directions: ArrayLike | None = None,
) -> States:
    """States of joints and drives at joint positions.

    Parameters
    ----------
    arm : Arm
    masses : Masses, optional
        Masses that load the joints by gravity.
    matrix : (joints, joints), optional
        As `drive_matrix`.
    q : (P, joints) [rad or m]
    speeds : (P, joints), optional [rad/s or m/s]
        At rest where not given.
    directions : (P, joints), optional
        Signs of the last motion; 0 where not known.

    Returns
    -------
    States
    """
    positions = np.atleast_2d(np.asarray(q, dtype=float))
    joint_speeds = np.zeros_like(positions) if speeds is None else np.atleast_2d(np.asarray(speeds, dtype=float))
    loads = np.zeros_like(positions) if masses is None else gravity_loads(arm, masses, positions)
    signs = np.zeros_like(positions) if directions is None else np.atleast_2d(np.asarray(directions, dtype=float))
    joints = _by_name(arm, positions, joint_speeds, loads, signs)
    fixed = State.at_rest(np.zeros(len(positions)))  # tool and fixed frames do not move
    if matrix is None:
        return States(joints, joints, fixed)
    speeds_seen = joint_speeds @ matrix.T
    sees_one = np.count_nonzero(matrix, axis=1) == 1
    # of a sum of motions the speeds decide the sign; at rest it is not known
    signs_seen = np.where(sees_one, np.sign(signs @ matrix.T), np.sign(speeds_seen))
    drives = _by_name(arm, positions @ matrix.T, speeds_seen, loads @ np.linalg.inv(matrix), signs_seen)
    drives_of_joints = {name: replace(drive, joint_position=joints[name].position) for name, drive in drives.items()}
    return States(joints, drives_of_joints, fixed)


def _by_name(arm: Arm, *columns: Array) -> dict[str, State]:
    return {name: State(*(column[:, number] for column in columns)) for number, name in enumerate(arm.names)}


def drive_range(arm: Arm, number: int, sensor_on_motor: bool) -> tuple[float, float]:
    """Travel of the position that the sensor of a joint sees over the ranges of all joints, and its largest distance
    from zero.

    Parameters
    ----------
    arm : Arm
    number : int
        Number of the joint.
    sensor_on_motor : bool
        Whether its position sensor is on the motor.

    Returns
    -------
    travel, farthest : float [rad or m]
    """
    matrix = drive_matrix(arm, [sensor_on_motor] * len(arm.joints))
    weights = np.eye(len(arm.joints))[number] if matrix is None else np.abs(matrix[number])
    travel = np.array([joint.travel for joint in arm.joints])
    ends = np.abs(np.stack([arm.lower, arm.upper]))
    largest = np.where(np.isfinite(ends), ends, -1.0).max(axis=0)
    return float(weights @ travel), float(weights @ np.where(largest >= 0.0, largest, travel))


def joints_on_arm(arm: Arm, joints: Iterable[Joint]) -> tuple[Joint, ...]:
    """Joints made in Python in the order of those of an arm, each with the travel that its range gives it.

    Parameters
    ----------
    arm : Arm
    joints : iterable of Joint
        One for each joint of the arm, in any order.

    Returns
    -------
    tuple of Joint

    Raises
    ------
    ValueError
        The joints have other names than those of the arm.
    """
    by_name = {joint.name: joint for joint in joints}
    if by_name.keys() != set(arm.names):
        raise ValueError(f"joints {', '.join(by_name)}; accepted: one for each of {', '.join(arm.names)}")
    ranges = [drive_range(arm, number, by_name[name].sensor_on_motor) for number, name in enumerate(arm.names)]
    return tuple(
        replace(by_name[name], travel=travel, farthest=farthest)
        for name, (travel, farthest) in zip(arm.names, ranges, strict=True)
    )


def drive_columns(column: Array, matrix: Array | None) -> Array:
    """Effect of an error of each drive from that of each joint.

    Parameters
    ----------
    column : (P, joints, 3)
        Columns of the Jacobian of the joints.
    matrix : (joints, joints), optional
        As `drive_matrix`.

    Returns
    -------
    (P, joints, 3)
    """
    return column if matrix is None else np.asarray(np.einsum("pkx,kj->pjx", column, np.linalg.inv(matrix)))


def transfer_to_joints(term: Term, names: Sequence[str], matrix: Array) -> Term:
    """Term of drives, transferred to the joints that these move.

    Parameters
    ----------
    term : Term
        Its acts on the motion of a joint are errors of what the drive of that joint sees.
    names : sequence of str
        Names of the joints.
    matrix : (joints, joints)
        As `drive_matrix`.

    Returns
    -------
    Term
        An error in proportion to the travel of a slide, such as that of a lead, stays in proportion to it.
    """
    inverse, identity = np.linalg.inv(matrix), np.eye(len(matrix))
    acts: list[Act] = []
    for act in term.acts:
        number = names.index(act.axis.owner) if act.axis.role is Role.MOTION and act.axis.owner in names else -1
        sees_itself = number < 0 or np.array_equal(matrix[number], identity[number])
        if sees_itself and (number < 0 or np.array_equal(inverse[:, number], identity[number])):
            acts.append(act)
            continue
        shape = shape_at_drive(act.shape, float(matrix[number, number]))
        acts += [
            Act(act.coefficient, Axis(names[joint]), shape.scaled(float(inverse[joint, number])), names[number])
            for joint in np.flatnonzero(inverse[:, number]).tolist()
        ]
    return term if tuple(acts) == term.acts else replace(term, acts=tuple(acts))


def shape_at_drive(shape: Shape, factor: float) -> Shape:
    """Shape of an error at a drive; one in proportion to the travel of its joint is scaled by the motion that it sees.

    Parameters
    ----------
    shape : Shape
    factor : float
        Motion that the drive sees per motion of its own joint.

    Returns
    -------
    Shape
    """
    return shape.scaled(factor) if isinstance(shape, Proportional) and shape.quantity == "travel" else shape


def with_followers(terms: Iterable[Term], arm: Arm) -> tuple[Term, ...]:
    """Terms with their effects on the followers of the joints on which they act.

    Parameters
    ----------
    terms : iterable of Term
    arm : Arm

    Returns
    -------
    tuple of Term
    """
    if not arm.followers:
        return tuple(terms)
    return tuple(
        replace(
            term,
            acts=tuple(
                act if axis == act.axis else Act(act.coefficient, axis, act.shape.scaled(factor), act.owner)
                for act in term.acts
                for axis, factor in arm.moved_by(act.axis)
            ),
        )
        for term in terms
    )


def moved_axes(arm: Arm, parameters: Sequence[Parameter]) -> list[tuple[int, Axis, float]]:
    """Axes that parameters move, followers included.

    Parameters
    ----------
    arm : Arm
    parameters : sequence of Parameter

    Returns
    -------
    list of (int, Axis, float)
        Number of the parameter, axis, and motion of the axis per motion of the axis of the parameter.
    """
    return [
        (number, axis, factor)
        for number, parameter in enumerate(parameters)
        for axis, factor in arm.moved_by(parameter.axis)
    ]
