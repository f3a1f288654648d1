"""Row constants of an arm that a measured session cannot tell from the instrument frame or the target position."""

from __future__ import annotations

from typing import Any

import numpy as np

from armsim.documents.units import read_quantity
from armsim.errormodel.terms import Axis, Role
from armsim.model.arm import Arm
from armsim.model.chain import denavit_hartenberg
from armsim.model.kinematics import ArmJoint, ElementaryTransform

POSE_COUNT, POSE_SEED = 80, 1
"""Number and seed of the random joint positions at which displacements are compared; others give the same answer."""
TARGET = np.array([0.03, 0.05, 0.07])
"""Target position in the tool frame, on none of its axes. [m]"""
DEPENDENCE_TOLERANCE = 1e-7
"""Relative size below which the remainder of a column is rounding."""
ROW_CONSTANTS = ("d", "a", "alpha")
Parameter = tuple[str, str]
"""Name of a joint, and ``zero`` or one of the `CONSTANTS` of its row."""


def absorbed_parameters(kinematics: dict[str, Any]) -> set[Parameter]:
    """Joint zeros and row constants whose errors look like an error of the instrument frame or target position.

    Parameters are taken from the base to the tool. One is absorbed if its displacements of the target at all poses are
    a combination of those by frame, target and the earlier parameters that are not absorbed, with frame or target in
    it.

    Parameters
    ----------
    kinematics : dict
        The ``kinematics`` of an arm document with Denavit-Hartenberg rows.

    Returns
    -------
    set of (joint, parameter)
    """
    rows = kinematics["joints"]
    arm = _arm(rows, kinematics["convention"] == "modified-dh")
    names = [(row["name"], parameter) for row in rows for parameter in ("zero", *ROW_CONSTANTS)]
    axes = [Axis(name) if parameter == "zero" else Axis(name, parameter, Role.LINK) for name, parameter in names]
    low = np.array([joint.lower if np.isfinite(joint.lower) else -0.5 * joint.travel for joint in arm.joints])
    random_shares = np.random.default_rng(POSE_SEED).random((POSE_COUNT, len(rows)))
    poses = arm.postures(low + random_shares * [joint.travel for joint in arm.joints], axes)
    lever = poses.tool[:, :3, :3] @ TARGET
    columns = poses.column + np.cross(poses.direction, lever[:, None]) * poses.rotary[:, None]
    rotations = np.cross(np.eye(3), (poses.tool[:, :3, 3] + lever)[:, None])
    frame = [np.broadcast_to(np.eye(3), (POSE_COUNT, 3, 3)), rotations, poses.tool[:, :3, :3].swapaxes(1, 2)]
    session_basis = _basis(np.concatenate([_as_matrix(block) for block in frame], axis=1))
    independent, out = session_basis, set()
    for name, column in zip(names, _as_matrix(columns).T, strict=True):
        size = float(np.linalg.norm(column))
        combination = np.linalg.lstsq(independent, column, rcond=None)[0]
        if np.linalg.norm(column - independent @ combination) > DEPENDENCE_TOLERANCE * size:
            independent = np.column_stack([independent, column / size])
        elif np.linalg.norm(combination[: session_basis.shape[1]]) >= DEPENDENCE_TOLERANCE * size:
            out.add(name)
    return out


def _arm(rows: list[dict[str, Any]], modified: bool) -> Arm:
    joints: list[ArmJoint] = []
    motions: list[ElementaryTransform] = []
    for number, row in enumerate(rows):
        revolute = row["type"] == "revolute"
        zero = read_quantity(row["offset"], "angle" if revolute else "length")
        theta, d = (
            (zero, read_quantity(row["d"], "length")) if revolute else (read_quantity(row["theta"], "angle"), zero)
        )
        a, alpha = read_quantity(row["a"], "length"), read_quantity(row["alpha"], "angle")
        motions += denavit_hartenberg(number, row["name"], revolute, theta, d, a, alpha, modified)
        ends = [read_quantity(end, "angle" if revolute else "length") for end in row.get("range", ())]
        joints.append(ArmJoint(row["name"], revolute, *ends))
    return Arm("rows", tuple(joints), tuple(motions))


def _as_matrix(columns: np.ndarray) -> np.ndarray:
    """Columns (poses, K, 3) as a matrix (3 poses, K)."""
    return columns.swapaxes(1, 2).reshape(-1, columns.shape[1])


def _basis(columns: np.ndarray) -> np.ndarray:
    """Orthonormal basis of the columns of a matrix."""
    basis, sizes, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(basis[:, sizes > DEPENDENCE_TOLERANCE * sizes[0]])
