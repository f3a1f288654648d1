"""Nominal deflection of an arm under gravity at a pose, before and after the compensation of the controller."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from armsim import causes
from armsim.arrays import Array
from armsim.errormodel.terms import Axis
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine
from armsim.results import DeflectedJoint, Deflection
from armsim.results.poses import vector

CAUSES = (causes.BENDING, causes.WIND_UP)


def deflection_at(machine: Machine, pose: str, joints: Array) -> Deflection | None:
    """Nominal deflection at a pose; None if no joint or link deflects.

    Parameters
    ----------
    machine : Machine
    pose : str
        Name of the pose.
    joints : (joints,) [rad or m]

    Returns
    -------
    Deflection or None
    """
    uncompensated = replace(
        machine,
        joints=tuple(
            replace(
                joint,
                bending=replace(joint.bending, compensation=0.0),
                transmission=replace(joint.transmission, compensation=0.0),
            )
            for joint in machine.joints
        ),
    )
    before, after = _displacements(uncompensated, joints), _displacements(machine, joints)
    if not before:
        return None
    listed = tuple(
        DeflectedJoint(name, vector(before[name][-1]), vector(after[name][-1])) for name in before if name in after
    )
    return Deflection(
        pose,
        listed,
        tuple(vector(point) for point in np.sum(list(before.values()), axis=0)),
        tuple(vector(point) for point in np.sum(list(after.values()), axis=0)),
    )


def _displacements(machine: Machine, joints: Array) -> dict[str, Array]:
    """Displacement of base, every joint and tool by the mean deflection of each joint, shape (points, 3). [m]"""
    arm, out = machine.perturbed_arm, dict[str, Array]()
    evaluated = machine.evaluate(Configurations(joints[None]))
    postures = evaluated.postures
    for term, acts in zip(evaluated.terms, evaluated.acts, strict=True):
        if term.cause in CAUSES:
            for k, number, value in acts:
                column = np.broadcast_to(postures.direction[0, number], postures.points[0].shape)
                if postures.rotary[number]:
                    column = postures.column[0, number] + np.cross(
                        postures.direction[0, number], postures.points[0] - postures.tool[0, :3, 3]
                    )
                step = term.mean[k] * value[0] * column * _is_moved(arm, evaluated.axes[number])[:, None]
                out[term.owner] = out.get(term.owner, 0.0) + step
    return out


def _is_moved(arm: Arm, axis: Axis) -> Array:
    """Whether an axis moves base, every joint and the tool, shape (points,)."""
    moving_motions = [index for index, motion in enumerate(arm.motions) if motion.moves]
    return np.array(
        [arm.motion_index(axis) < motion_number for motion_number in (-1, *moving_motions, len(arm.motions))]
    )
