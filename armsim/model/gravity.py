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
    centres. The motor holds the joint with the opposite.

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
    loads = np.zeros((len(q), len(arm.joints)))
    mass_frames: list[tuple[int, Mass, Array]] = [
        (number, masses.links[name], at.links[:, number])
        for number, name in enumerate(arm.names)
        if name in masses.links
    ]
    if masses.payload is not None:
        mass_frames.append((len(arm.joints) - 1, masses.payload, at.tool))
    for last, mass, frame in mass_frames:
        centre = frame[:, :3, :3] @ np.array(mass.centre) + frame[:, :3, 3]
        for j in range(last + 1):
            direction = at.direction[:, j]
            if arm.joints[j].revolute:
                direction = np.cross(direction, centre - at.origin[:, j])
            loads[:, j] += mass.mass * (direction @ pull)
    return loads
