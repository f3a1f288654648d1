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
"""Standard acceleration of free fall [m/s^2], 3rd CGPM (1901); acts along -z of the world frame."""
GRAVITY = np.array([0.0, 0.0, -STANDARD_GRAVITY])
"""Acceleration of free fall in the world frame. [m/s^2]"""


@dataclass(frozen=True)
class Mass:
    """A mass and its centre."""

    mass: float = key(..., "mass", "mass of the link with all that it carries", least=0.0)
    centre: tuple[float, float, float] = key((0.0, 0.0, 0.0), "length", "centre of mass, in the frame that carries it")


@dataclass(frozen=True)
class Payload(Mass):
    """The payload with its tolerances."""

    mass_tolerance: Distribution = key(
        NONE, "mass", "tolerance of the mass, which the controller does not know", cause=causes.PAYLOAD_MASS,
        effect="load over stiffness of what bends or winds up", physics=deflection.payload,
    )  # fmt: skip
    centre_tolerance: Distribution = key(
        NONE, "length", "tolerance of the centre along x, y and z of the tool, each", cause=causes.PAYLOAD_CENTRE,
        effect="load over stiffness of what bends or winds up", physics=deflection.payload,
    )  # fmt: skip

    @property
    def has_tolerances(self) -> bool:
        """Whether it has tolerances."""
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
    centres; followers move with their joint. The motor holds the joint with the opposite load.

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
    frames = arm.frames(q)
    loads = np.zeros((len(q), len(arm.joint_and_follower_names)))
    for last_motion, mass, centre in _masses_beyond(arm, masses, frames):
        for motion, number in zip(arm.motions[: last_motion + 1], arm.moving_indices[: last_motion + 1], strict=True):
            if number < 0:
                continue
            direction = frames.direction[:, number]
            if motion.rotary:
                direction = np.cross(direction, centre - frames.origin[:, number])
            loads[:, number] += mass * (direction @ GRAVITY)
    count = len(arm.joints)
    return np.asarray(loads[:, :count] + loads[:, count:] @ arm.follower_factors)


def _masses_beyond(arm: Arm, masses: Masses, frames: Frames) -> list[tuple[int, float, Array]]:
    """Every mass with the number of the last motion before it, and its centre in the base frame, shape (poses, 3)."""
    numbers = {name: number for number, name in enumerate(arm.joint_and_follower_names)}
    carried_masses = [
        (arm.motion_index(Axis(name)), masses.links[name], frames.links[:, number])
        for name, number in numbers.items()
        if name in masses.links
    ]
    if masses.payload is not None:
        carried_masses.append((len(arm.motions) - 1, masses.payload, frames.tool))
    out = [
        (last_motion, mass.mass, frame[:, :3, :3] @ np.array(mass.centre) + frame[:, :3, 3])
        for last_motion, mass, frame in carried_masses
    ]
    return out + [
        (arm.motion_index(Axis(name)) - 1, masses.sensors[name], frames.origin[:, number])
        for name, number in numbers.items()
        if masses.sensors.get(name)
    ]


def axis_loads(arm: Arm, masses: Masses, q: Array, axes: Sequence[Axis]) -> Array:
    """Load of gravity on error motions of joints: the force along, or the moment about each, of all masses beyond.

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
    kinematics, loads = arm.postures(q, axes), np.zeros((len(q), len(axes)))
    for last_motion, mass, centre in _masses_beyond(arm, masses, arm.frames(q)):
        for number, axis in enumerate(axes):
            if arm.motion_index(Axis(axis.owner)) <= last_motion:
                column = kinematics.column[:, number]
                if kinematics.rotary[number]:
                    column = column + np.cross(kinematics.direction[:, number], centre - kinematics.tool[:, :3, 3])
                loads[:, number] += mass * (column @ GRAVITY)
    return loads


def payload_changes(payload: Payload) -> tuple[tuple[Masses, Masses], ...]:
    """Pairs of masses whose loads differ by that of a kilogram of payload, and of a metre of its centre along x, y, z.

    The load is linear in the mass and in the first moments, so that the differences are exact.
    """
    nothing = Masses()
    payload_masses = Masses(payload=payload)
    x, y, z = payload.centre
    variants = [replace(payload, centre=centre) for centre in ((x + 1.0, y, z), (x, y + 1.0, z), (x, y, z + 1.0))]
    return (
        (Masses(payload=replace(payload, mass=1.0)), nothing),
        *((Masses(payload=other), payload_masses) for other in variants),
    )
