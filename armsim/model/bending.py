"""Bending of joints and links: stiffness lumped at a point, and the states with the loads that bend it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from armsim import causes
from armsim.arrays import Array
from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.shapes import State
from armsim.errormodel.states import States
from armsim.errormodel.terms import Axis, Role, Term
from armsim.field_spec import key
from armsim.model.arm import Arm
from armsim.model.gravity import Masses, axis_loads, gravity_loads, payload_changes
from armsim.model.transmission import VALID_STIFFNESS
from armsim.physics import deflection


def _angular_stiffness_key(axis: str) -> float:
    stiffness: float = key(
        math.inf, "angular stiffness", f"stiffness against bending or twist about {axis}", least=0.0, above=True,
        cause=causes.BENDING, effect="load of gravity over stiffness, about and along three axes",
        physics=deflection.bending,
    )  # fmt: skip
    return stiffness


def _linear_stiffness_key(axis: str) -> float:
    stiffness: float = key(
        math.inf, "stiffness", f"stiffness against shear or stretch along {axis}", least=0.0, above=True,
        cause=causes.BENDING, effect="load of gravity over stiffness, about and along three axes",
        physics=deflection.bending,
    )  # fmt: skip
    return stiffness


@dataclass(frozen=True)
class Bending:
    """Stiffness of a joint and its link, in the frame that the joint carries."""

    about_x: float = _angular_stiffness_key("x")
    about_y: float = _angular_stiffness_key("y")
    about_z: float = _angular_stiffness_key("z, the joint axis in a Denavit-Hartenberg row")
    along_x: float = _linear_stiffness_key("x")
    along_y: float = _linear_stiffness_key("y")
    along_z: float = _linear_stiffness_key("z, the joint axis in a Denavit-Hartenberg row")
    centre: tuple[float, float, float] = key(
        (0.0, 0.0, 0.0), "length", "place of these springs in the frame that the joint carries; the middle of a beam"
    )
    tolerance: Distribution = key(
        NONE, "ratio", "relative tolerance of all these stiffnesses together", most=VALID_STIFFNESS,
        cause=causes.BENDING_TOLERANCE, effect="share of the bending", physics=deflection.bending,
    )  # fmt: skip
    compensation: float = key(
        0.0, "ratio", "share of the nominal bending that the controller removes", least=0.0, most=1.0
    )

    @property
    def stiffness(self) -> dict[str, float]:
        """Finite stiffnesses by the names of the deflections. [N m/rad or N/m]"""
        sizes = {field.name: getattr(self, field.name) for field in fields(self) if field.name[-2] == "_"}
        names = {name: f"{'bend' if name.startswith('about') else 'sag'} {name[-1]}" for name in sizes}
        return {names[name]: size for name, size in sizes.items() if math.isfinite(size)}

    def terms(self) -> tuple[Term, ...]:
        """Terms on the deflections of the joint."""
        if not self.stiffness:
            return ()
        return deflection.bending(self.stiffness, self.tolerance, self.compensation)

    def compliances(self, joint: str) -> dict[Axis, float]:
        """Compliance of every deflection of a joint. [rad/(N m) or m/N]"""
        return {Axis(joint, name, Role.ERROR_MOTION): 1.0 / stiffness for name, stiffness in self.stiffness.items()}


def payload_terms(masses: Masses | None, compliance: dict[Axis, float]) -> tuple[Term, ...]:
    """Terms of a payload that is not the nominal one.

    Parameters
    ----------
    masses : Masses, optional
    compliance : dict of Axis to float
        Compliance of every axis that deflects. [rad/(N m) or m/N]

    Returns
    -------
    tuple of Term
    """
    payload = None if masses is None else masses.payload
    if payload is None or not compliance:
        return ()
    terms: tuple[Term, ...] = ()
    if payload.mass_tolerance.nonzero:
        terms += deflection.payload("payload_mass", payload.mass_tolerance, compliance)
    if payload.centre_tolerance.nonzero:
        terms += deflection.payload("payload_x", payload.centre_tolerance, compliance)
        terms += deflection.payload("payload_y", payload.centre_tolerance, compliance)
        terms += deflection.payload("payload_z", payload.centre_tolerance, compliance)
    return terms


def states_with_loads(
    states: States, arm: Arm, masses: Masses, matrix: Array | None, q: Array, axes: Sequence[Axis]
) -> States:
    """States with the loads on deflecting axes, and with the changes of all loads by the payload.

    Parameters
    ----------
    states : States
    arm : Arm
        With the deflections in its chain.
    masses : Masses
    matrix : (joints, joints), optional
        Matrix of the positions seen by the drives, as `drives.drive_matrix`.
    q : (P, joints) [rad or m]
    axes : sequence of Axis
        Deflections.

    Returns
    -------
    States
    """
    changes = payload_changes(masses.payload) if masses.payload is not None and masses.payload.has_tolerances else ()
    joint_changes = [gravity_loads(arm, a, q) - gravity_loads(arm, b, q) for a, b in changes]
    inverse_matrix = None if matrix is None else np.linalg.inv(matrix)
    drive_changes = joint_changes if inverse_matrix is None else [load @ inverse_matrix for load in joint_changes]
    axis_changes = [axis_loads(arm, a, q, axes) - axis_loads(arm, b, q, axes) for a, b in changes]
    loads = axis_loads(arm, masses, q, axes)

    def with_payload(state: State, changes_of_axes: list[Array], number: int) -> State:
        return (
            replace(state, payload=np.stack([load[:, number] for load in changes_of_axes], axis=1))
            if changes_of_axes
            else state
        )

    joints = {name: with_payload(states.joints[name], joint_changes, n) for n, name in enumerate(arm.names)}
    drives = {name: with_payload(states.drives[name], drive_changes, n) for n, name in enumerate(arm.names)}
    deflections = {
        axis: with_payload(replace(states.joints[axis.owner], load=loads[:, n]), axis_changes, n)
        for n, axis in enumerate(axes)
    }
    return States(joints, joints if states.drives is states.joints else drives, states.fixed, deflections)
