"""Gravity loads of the joints from link masses and payload, at rest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from armsim.arrays import Array
from armsim.field_spec import key
from armsim.model.arm import Arm

STANDARD_GRAVITY = 9.80665
"""Standard acceleration of free fall [m/s^2], 3rd CGPM (1901); acts along -z of the frame in which the base stands."""


@dataclass(frozen=True)
class Mass:
    """A mass and its centre."""

    mass: float = key(..., "mass", "of the link with all that it carries", least=0.0)
    centre: tuple[float, float, float] = key((0.0, 0.0, 0.0), "length", "in the frame that carries it")


@dataclass(frozen=True)
class Masses:
    """Masses of the links, by the joint that moves them, and of the payload, in the frame of the tool."""

    links: Mapping[str, Mass] = field(default_factory=dict)
    payload: Mass | None = None


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
