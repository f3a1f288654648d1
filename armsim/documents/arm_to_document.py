"""Arm documents from arms made in Python, of which the chain is one of Denavit-Hartenberg rows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from armsim.documents.to_document import part_document, quantity_text, tolerance_document
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.terms import Axis, Role
from armsim.field_spec import declared_fields
from armsim.model.arm import Arm
from armsim.model.chain import RowTolerances, denavit_hartenberg, fixed_transforms
from armsim.model.gravity import Masses
from armsim.model.kinematics import ArmJoint, ElementaryTransform

ROW = 4
"""Elementary transforms of a row."""
FRAME_VALUES = 6
"""Elementary transforms of a fixed frame: x, y, z, yaw, pitch, roll."""
CONVENTIONS: dict[tuple[str, ...], str] = {
    ("theta", "d", "a", "alpha"): "standard-dh", ("alpha", "a", "theta", "d"): "modified-dh",
}  # fmt: skip
"""Convention by the order of the parameters in a row."""
IDENTITY = (0.0, 0.0, 0.0)


def arm_document(
    arm: Arm,
    tolerances: Sequence[tuple[Axis, Distribution]] = (),
    masses: Masses | None = None,
    expansion: float = 0.0,
) -> dict[str, Any]:
    """Arm document of an arm, in plain values.

    Parameters
    ----------
    arm : Arm
    tolerances : sequence of (Axis, Distribution)
        Tolerances of its link parameters. [rad or m]
    masses : Masses, optional
    expansion : float
        Thermal expansion of the links. [1/K]

    Returns
    -------
    dict
        As the YAML file would be read; reading it again gives an equal arm, but for the last bit of a number.

    Raises
    ------
    ValueError
        Its chain is not one of Denavit-Hartenberg rows between two fixed frames, or its joints are coupled.
    """
    if arm.followers or arm.couplings:
        raise ValueError(f"arm {arm.name!r} has followers or couplings: write its document by hand")
    starts = [number for number, motion in enumerate(arm.motions) if _parameter(motion)]
    first, last = (starts[0], starts[-1] + 1) if starts else (0, 0)
    rows = [arm.motions[number : number + ROW] for number in range(first, last, ROW)]
    orders = {tuple(map(_parameter, row)) for row in rows}
    if len(rows) != len(arm.joints) or len(orders) != 1 or not orders <= set(CONVENTIONS):
        raise _no_rows(arm)
    convention = CONVENTIONS[orders.pop()]
    modified, row_documents = convention == "modified-dh", []
    for number, (joint, row) in enumerate(zip(arm.joints, rows, strict=True)):
        values = {_parameter(motion): motion.value for motion in row}
        if row != denavit_hartenberg(number, joint.name, joint.revolute, modified=modified, **values):
            raise _no_rows(arm)
        row_documents.append(_row_document(joint, values, tolerances))
    kinematics: dict[str, Any] = {"convention": convention, "joints": row_documents}
    for key, motions in (("base", arm.motions[:first]), ("tool", arm.motions[last:])):
        xyz, rpy = _frame_values(arm, motions)
        frame = {
            "xyz": [quantity_text(value, ("length",)) for value in xyz] if any(xyz) else None,
            "rpy": [quantity_text(value, ("angle",)) for value in rpy] if any(rpy) else None,
        }
        if any(frame.values()):
            kinematics[key] = {name: values for name, values in frame.items() if values}
    document: dict[str, Any] = {"kind": "arm", "name": arm.name, "kinematics": kinematics}
    if arm.groups:
        document["groups"] = {name: list(joints) for name, joints in arm.groups.items()}
    if masses is not None:
        document["masses"] = {"links": {name: part_document(mass) for name, mass in masses.links.items()}}
        if masses.payload is not None:
            document["masses"]["payload"] = part_document(masses.payload)
    if expansion:
        document["expansion"] = quantity_text(expansion, ("expansion",))
    return document


def _no_rows(arm: Arm) -> ValueError:
    return ValueError(
        f"arm {arm.name!r} is no chain of Denavit-Hartenberg rows: keep the file that it comes from, such as its URDF"
    )


def _parameter(motion: ElementaryTransform) -> str:
    """Name of the parameter of a row that a motion is; empty where it is none."""
    names = [axis.parameter for axis in motion.axes if axis.role is Role.LINK]
    return names[0] if names and any(names[0] in order for order in CONVENTIONS) else ""


def _frame_values(
    arm: Arm, motions: Sequence[ElementaryTransform]
) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """Translation [m] and roll, pitch, yaw [rad] of a fixed frame."""
    if not motions:
        return IDENTITY, IDENTITY
    if len(motions) != FRAME_VALUES:
        raise _no_rows(arm)
    x, y, z, yaw, pitch, roll = (motion.value for motion in motions)
    expected = fixed_transforms((x, y, z), (roll, pitch, yaw))
    if [(m.direction, m.rotary, m.moves) for m in motions] != [(m.direction, m.rotary, m.moves) for m in expected]:
        raise _no_rows(arm)
    return (x, y, z), (roll, pitch, yaw)


def _row_document(
    joint: ArmJoint, values: dict[str, float], tolerances: Sequence[tuple[Axis, Distribution]]
) -> dict[str, Any]:
    """Document of one row, with the tolerances of its parameters."""
    moving, constant = ("theta", "d") if joint.revolute else ("d", "theta")
    kinds = {"theta": "angle", "alpha": "angle", "d": "length", "a": "length"}
    document: dict[str, Any] = {"name": joint.name, "type": "revolute" if joint.revolute else "prismatic"}
    for name in (constant, "a", "alpha"):
        document[name] = quantity_text(values[name], (kinds[name],))
    if values[moving]:
        document["offset"] = quantity_text(values[moving], (kinds[moving],))
    if max(map(abs, (joint.lower, joint.upper))) < float("inf"):
        document["range"] = [quantity_text(end, (kinds[moving],)) for end in (joint.lower, joint.upper)]
    distributions = dict(tolerances)
    row_tolerances = {}
    for field in declared_fields(RowTolerances):
        distribution = distributions.get(Axis(joint.name, field.name, Role.LINK))
        if distribution is not None:
            row_tolerances[field.yaml] = tolerance_document(distribution, (kinds[field.name],))
    if row_tolerances:
        document["tolerances"] = row_tolerances
    return document
