"""Joints with two sensors, one on the motor and one on the joint: which loop each closes, and the terms of their
difference."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from armsim.arrays import Array
from armsim.errormodel.shapes import State
from armsim.errormodel.states import States
from armsim.errormodel.terms import Act, Axis, Term
from armsim.model import drives
from armsim.model.bending import payload_terms
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.mounting import Mounting
from armsim.model.thermal import Drift, Growth, joint_drifts, joint_growth
from armsim.physics import gear, heat
from armsim.physics.sensor_difference import reading_difference

NEGLIGIBLE_WEIGHT = 1e-9
"""Weight in the difference below which a joint has no part in it but for rounding."""


def with_motor_loop(joint: Joint) -> Joint:
    """The joint with its position loop closed by the sensor on the motor, whose mounting is not stated.

    Parameters
    ----------
    joint : Joint
        With two sensors.

    Returns
    -------
    Joint
    """
    assert joint.motor_encoder is not None  # guaranteed by the caller
    return replace(
        joint,
        encoder=replace(joint.motor_encoder, mass=joint.sensor_mass),
        motor_encoder=None,
        placement="motor",
        mounting=Mounting(),
        measured_curve=None,
        counts_turns=False,
    )


def motor_axis(joint: Joint) -> Axis:
    """Axis of the errors that the joint would have with its loop closed on the motor."""
    return Axis(f"{joint.name} motor")


def motor_matrix(machine: Machine, number: int) -> Array:
    """Matrix C of the positions seen by the drives, with the sensor of one joint on its motor, shape (joints, joints).

    Parameters
    ----------
    machine : Machine
    number : int
        Number of the joint.

    Returns
    -------
    (joints, joints)
    """
    sensor_on_motor = [other.sensor_on_motor or n == number for n, other in enumerate(machine.joints)]
    matrix = drives.drive_matrix(machine.arm, sensor_on_motor)
    return np.eye(len(sensor_on_motor)) if matrix is None else matrix


def difference_terms(machine: Machine, number: int) -> tuple[Term, ...]:
    """Terms of the difference of the two readings of a joint at rest, in the direction +1; in the other one what the
    direction decides has the other sign.

    The acts of every term add up to the difference, each at the state of its axis in `difference_states`. Both
    readings are those of sensors as they are: neither a calibration of the arm nor identified values change them.

    Parameters
    ----------
    machine : Machine
    number : int
        Number of the joint with two sensors.

    Returns
    -------
    tuple of Term
        In the unit of the joint. [rad or m]

    References
    ----------
    .. [1] as `sensor_difference.reading_difference`.
    """
    joint, names, matrix = machine.joints[number], machine.arm.names, machine.drive_matrix
    coupling = dict(zip(names, motor_matrix(machine, number)[number].tolist(), strict=True))
    weights = np.array(list(coupling.values())) @ (np.eye(len(names)) if matrix is None else np.linalg.inv(matrix))
    readers = [other for other, weight in zip(machine.joints, weights, strict=True) if abs(weight) > NEGLIGIBLE_WEIGHT]
    terms = [*_motor_terms(joint), *_heat_terms(machine, joint, readers)]
    for reader in readers:
        approach: gear.Approach = "positive" if reader is joint else reader.approach
        terms += [
            *reader.sensor_terms(),
            *(term.transfer_to(Axis(reader.name)) for term in _gear_terms(reader, approach)),
        ]
    springs = {Axis(reader.name): reader for reader in readers if reader.sensor_on_motor} | {motor_axis(joint): joint}
    stiffnesses = {axis: owner.transmission.stiffness for axis, owner in springs.items()}
    terms += payload_terms(
        machine.masses, {axis: 1.0 / size for axis, size in stiffnesses.items() if math.isfinite(size)}
    )
    out = []
    for term in terms:
        at_motor = tuple(
            replace(act, shape=drives.shape_at_drive(act.shape, coupling[joint.name]))
            if act.axis == motor_axis(joint)
            else act
            for act in term.acts
        )
        term_at_motor = replace(term, acts=at_motor)
        at_joints = term_at_motor if matrix is None else drives.transfer_to_joints(term_at_motor, names, matrix)
        contribution = reading_difference(at_joints, coupling, motor_axis(joint).owner)
        if contribution is not None:
            acts = tuple(_with_changes(machine, joint, contribution, act) for act in contribution.acts)
            out.append(replace(contribution, acts=acts))
    return tuple(out)


def difference_states(machine: Machine, number: int, q: Array) -> States:
    """States of the axes on which the terms of a difference act, at rest.

    Parameters
    ----------
    machine : Machine
    number : int
        Number of the joint with two sensors.
    q : (P, joints) [rad or m]

    Returns
    -------
    States
    """
    states, matrix = machine.states(q), motor_matrix(machine, number)
    joints = [states.joints[name] for name in machine.arm.names]
    loads = np.linalg.inv(matrix)[:, number]  # statics: the power is the same on either side
    payloads = [joint.payload for joint in joints if joint.payload is not None]
    motor = State(
        position=np.stack([joint.position for joint in joints], axis=1) @ matrix[number],
        speed=np.zeros(len(q)),
        load=np.stack([joint.load for joint in joints], axis=1) @ loads,
        direction=np.zeros(len(q)),
        joint_position=joints[number].position,
        payload=np.einsum("jpc,j->pc", np.stack(payloads), loads) if payloads else None,
    )
    return replace(states, joints={**states.joints, motor_axis(machine.joints[number]).owner: motor})


def _gear_terms(joint: Joint, approach: gear.Approach) -> tuple[Term, ...]:
    """Terms of the gear and of the hysteresis of the sensor, without what the controller compensates."""
    transmission = replace(joint.transmission, compensation=0.0)
    return transmission.terms(
        joint.sensor_on_motor, joint.encoder.hysteresis / abs(joint.ratio), approach, joint.farthest
    )


def _motor_terms(joint: Joint) -> Iterator[Term]:
    """Terms at the axis of the motor's loop: its sensor as it closes the speed loop, and the gear, whose draws are
    those of the gear outside of a loop."""
    axis = motor_axis(joint)
    yield from joint.speed_terms()
    for term in _gear_terms(with_motor_loop(joint), "positive"):
        owner = axis if term.cause.by_direction else Axis(joint.name)
        yield replace(term.transfer_to(axis), name=f"{owner}/{term.name}")


def _heat_terms(machine: Machine, joint: Joint, readers: list[Joint]) -> tuple[Term, ...]:
    """Growth and drifts of the sensors, and of what the motor drives."""
    motor, rise = replace(with_motor_loop(joint), name=motor_axis(joint).owner), machine.environment.temperature_rise
    parts = {reader.name: [reader, motor] if reader is joint else [reader] for reader in readers}

    def growth_and_drifts(warm_joints: list[Joint]) -> tuple[list[Growth], list[Drift]]:
        growth = [item for joint in warm_joints for item in joint_growth(joint)]
        return growth, [drift for joint in warm_joints for drift in joint_drifts(joint)]

    terms: tuple[Term, ...] = ()
    if rise is not None:
        terms += heat.temperature(
            rise, *growth_and_drifts([part for warm_joints in parts.values() for part in warm_joints])
        )
    for reader in readers:
        if reader.temperature_rise is not None:
            terms += heat.joint_temperature(
                reader.name, reader.temperature_rise, *growth_and_drifts(parts[reader.name])
            )
    return terms


def _with_changes(machine: Machine, joint: Joint, term: Term, act: Act) -> Act:
    """Act with the factors of hypothetical changes."""
    owner = joint.name if act.axis == motor_axis(joint) else act.owner
    factor = math.prod(change.joint_factor(owner, term.cause) for change in machine.changes)
    return act if factor == 1.0 else replace(act, shape=act.shape.scaled(factor))
