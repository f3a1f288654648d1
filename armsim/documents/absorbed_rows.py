"""Constants of rows that a measured session takes for its own frame or target."""

from __future__ import annotations

from typing import Any

import numpy as np

from armsim.documents.units import read
from armsim.errormodel.terms import Axis, Role
from armsim.model.arm import Arm
from armsim.model.chain import denavit_hartenberg
from armsim.model.kinematics import ArmJoint, ElementaryTransform

POSES, SEED = 80, 1
"""Joint positions at random at which it is decided; any would do."""
TARGET = np.array([0.03, 0.05, 0.07])
"""A point of the tool that lies on none of its axes. [m]"""
DEPENDENT = 1e-7
"""Part of a column, relative to its size, below which it is rounding."""
CONSTANTS = ("d", "a", "alpha")
Parameter = tuple[str, str]
"""Name of a joint, and ``zero`` or one of the `CONSTANTS` of its row."""


def absorbed(kinematics: dict[str, Any]) -> set[Parameter]:
    """Zeros and row constants whose errors show as another frame of the instrument or position of its target.

    Base first, one is absorbed whose displacements of the target at all poses follow from those of frame and target, if
    need be together with those of zeros and constants before it that are not.

    Parameters
    ----------
    kinematics : dict
        Of an arm document of rows.

    Returns
    -------
    set of (joint, parameter)
    """
    rows = kinematics["joints"]
    arm = _arm(rows, kinematics["convention"] == "modified-dh")
    names = [(row["name"], parameter) for row in rows for parameter in ("zero", *CONSTANTS)]
    axes = [Axis(name) if parameter == "zero" else Axis(name, parameter, Role.LINK) for name, parameter in names]
    low = np.array([joint.lower if np.isfinite(joint.lower) else -0.5 * joint.travel for joint in arm.joints])
    spread = np.random.default_rng(SEED).random((POSES, len(rows)))
    at = arm.postures(low + spread * [joint.travel for joint in arm.joints], axes)
    lever = at.tool[:, :3, :3] @ TARGET
    columns = at.column + np.cross(at.direction, lever[:, None]) * at.rotary[:, None]
    turned = np.cross(np.eye(3), (at.tool[:, :3, 3] + lever)[:, None])
    frame = [np.broadcast_to(np.eye(3), (POSES, 3, 3)), turned, at.tool[:, :3, :3].swapaxes(1, 2)]
    session = _basis(np.concatenate([_stacked(part) for part in frame], axis=1))
    independent, out = session, set()
    for name, column in zip(names, _stacked(columns).T, strict=True):
        size = float(np.linalg.norm(column))
        parts = np.linalg.lstsq(independent, column, rcond=None)[0]
        if np.linalg.norm(column - independent @ parts) > DEPENDENT * size:
            independent = np.column_stack([independent, column / size])
        elif np.linalg.norm(parts[: session.shape[1]]) >= DEPENDENT * size:
            out.add(name)
    return out


def _arm(rows: list[dict[str, Any]], modified: bool) -> Arm:
    joints: list[ArmJoint] = []
    motions: list[ElementaryTransform] = []
    for number, row in enumerate(rows):
        revolute = row["type"] == "revolute"
        zero = read(row["offset"], "angle" if revolute else "length")
        theta, d = (zero, read(row["d"], "length")) if revolute else (read(row["theta"], "angle"), zero)
        a, alpha = read(row["a"], "length"), read(row["alpha"], "angle")
        motions += denavit_hartenberg(number, row["name"], revolute, theta, d, a, alpha, modified)
        ends = [read(end, "angle" if revolute else "length") for end in row.get("range", ())]
        joints.append(ArmJoint(row["name"], revolute, *ends))
    return Arm("rows", tuple(joints), tuple(motions))


def _stacked(columns: np.ndarray) -> np.ndarray:
    """Columns (poses, K, 3) as a matrix (3 poses, K)."""
    return columns.swapaxes(1, 2).reshape(-1, columns.shape[1])


def _basis(columns: np.ndarray) -> np.ndarray:
    """Orthonormal basis of the columns of a matrix."""
    basis, sizes, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(basis[:, sizes > DEPENDENT * sizes[0]])
