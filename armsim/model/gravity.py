"""Gravity loads of the joints from link masses and payload, at rest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from armsim import causes
from armsim.arrays import Array
from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.terms import Axis
from armsim.field_spec import key
from armsim.model.arm import Arm
from armsim.model.kinematics import Frames
from armsim.physics import deflection

STANDARD_GRAVITY = 9.80665
"""Standard acceleration of free fall [m/s^2], 3rd CGPM (1901); acts along -z of the frame in which the base stands."""


@dataclass(frozen=True)
class Mass:
    """A mass and its centre."""

    mass: float = key(..., "mass", "of the link with all that it carries", least=0.0)
    centre: tuple[float, float, float] = key((0.0, 0.0, 0.0), "length", "in the frame that carries it")


@dataclass(frozen=True)
class Payload(Mass):
    """The payload, and how far it may be another."""

    mass_tolerance: Distribution = key(
        NONE, "mass", "tolerance of the mass, which the controller does not know", cause=causes.PAYLOAD_MASS,
        effect="load over stiffness of what bends or winds up", physics=deflection.payload,
    )  # fmt: skip
    centre_tolerance: Distribution = key(
        NONE, "length", "tolerance of the centre along x, y and z of the tool, each", cause=causes.PAYLOAD_CENTRE,
        effect="load over stiffness of what bends or winds up", physics=deflection.payload,
    )  # fmt: skip

    @property
    def varies(self) -> bool:
        """Whether it may be another than the nominal one."""
        return self.mass_tolerance.nonzero or self.centre_tolerance.nonzero


@dataclass(frozen=True)
class Masses:
    """Masses of the links, by the joint that moves them, and of the payload, in the frame of the tool.

    ``sensors`` are the masses of the sensors of each joint [kg], on its axis, carried by what comes before it.
    """

    links: Mapping[str, Mass] = field(default_factory=dict)
    payload: Payload | None = None
    sensors: Mapping[str, float] = field(default_factory=dict)


def gravity_loads(arm: Arm, masses: Masses, q: Array) -> Array:
    """Load of gravity on every joint, positive in the direction of its motion.

    With V the potential energy, the load is -dV/dq: the sum over the masses beyond the joint of m g . dc/dq, c their
    centres; what follows a joint moves with it. The motor holds the joint with the opposite.

    Parameters
    ----------
    arm : Arm
    masses : Masses
    q : (poses, joints) [rad or m]

    Returns
    -------
    (poses, joints) [N m or N]

    References
    ----------
    .. [1] Siciliano et al., Robotics (2009), 7.1: gravity terms.
    """
    at = arm.frames(q)
    pull = np.array([0.0, 0.0, -STANDARD_GRAVITY])
    moving = [motion for motion in arm.motions if motion.moves]  # base first
    names = arm.moving_names
    numbers = [names.index(motion.axes[0].owner) for motion in moving]
    loads = np.zeros((len(q), len(moving)))
    mass_frames: list[tuple[int, Mass, Array]] = [
        (place, masses.links[names[number]], at.links[:, number])
        for place, number in enumerate(numbers)
        if names[number] in masses.links
    ]
    if masses.payload is not None:
        mass_frames.append((len(moving) - 1, masses.payload, at.tool))
    mass_frames += [
        (place - 1, Mass(masses.sensors[names[number]]), _at_origin(at, number))
        for place, number in enumerate(numbers)
        if masses.sensors.get(names[number])
    ]
    for last, mass, frame in mass_frames:
        centre = frame[:, :3, :3] @ np.array(mass.centre) + frame[:, :3, 3]
        for number, motion in zip(numbers[: last + 1], moving[: last + 1], strict=True):
            direction = at.direction[:, number]
            if motion.rotary:
                direction = np.cross(direction, centre - at.origin[:, number])
            loads[:, number] += mass.mass * (direction @ pull)
    joint_loads: Array = loads[:, : len(arm.joints)].copy()
    for follower, motion in enumerate(arm.followers, start=len(arm.joints)):
        for number, factor in motion.factors:
            joint_loads[:, number] += factor * loads[:, follower]
    return joint_loads


def _at_origin(frames: Frames, number: int) -> Array:
    """Frames at the origin of the axis of a joint, shape (poses, 4, 4)."""
    out = np.broadcast_to(np.eye(4), (len(frames.tool), 4, 4)).copy()
    out[:, :3, 3] = frames.origin[:, number]
    return out


def axis_loads(arm: Arm, masses: Masses, q: Array, axes: Sequence[Axis]) -> Array:
    """Load of gravity on error motions of joints: the force along, or the moment about each, of what hangs beyond.

    Parameters
    ----------
    arm : Arm
        With the error motions in its chain.
    masses : Masses
    q : (poses, joints) [rad or m]
    axes : sequence of Axis

    Returns
    -------
    (poses, axes) [N m or N]

    References
    ----------
    .. [1] Siciliano et al., Robotics (2009), 7.1: gravity terms, of a chain with these axes as joints.
    """
    at, frames = arm.postures(q, axes), arm.frames(q)
    pull, loads = np.array([0.0, 0.0, -STANDARD_GRAVITY]), np.zeros((len(q), len(axes)))
    weights = [
        (arm.motion_of(Axis(name)), masses.links[name], frames.links[:, number])
        for number, name in enumerate(arm.moving_names)
        if name in masses.links
    ]
    if masses.payload is not None:
        weights.append((len(arm.motions), masses.payload, frames.tool))
    for number, name in enumerate(arm.moving_names):
        if masses.sensors.get(name):
            weights.append((arm.motion_of(Axis(name)) - 1, Mass(masses.sensors[name]), _at_origin(frames, number)))
    for last, mass, frame in weights:
        centre = frame[:, :3, :3] @ np.array(mass.centre) + frame[:, :3, 3]
        for number, axis in enumerate(axes):
            if arm.motion_of(Axis(axis.owner)) <= last:
                column = at.column[:, number]
                if at.rotary[number]:
                    column = column + np.cross(at.direction[:, number], centre - at.tool[:, :3, 3])
                loads[:, number] += mass.mass * (column @ pull)
    return loads


def payload_changes(payload: Payload) -> tuple[tuple[Masses, Masses], ...]:
    """Pairs of masses whose loads differ by that of a kilogram of payload, and of a metre of its centre along x, y, z.

    The load is linear in the mass and in the first moments, so that the differences are exact.
    """
    nothing = Masses()
    alone = Masses(payload=payload)
    x, y, z = payload.centre
    variants = [replace(payload, centre=centre) for centre in ((x + 1.0, y, z), (x, y + 1.0, z), (x, y, z + 1.0))]
    return (
        (Masses(payload=replace(payload, mass=1.0)), nothing),
        *((Masses(payload=other), alone) for other in variants),
    )
