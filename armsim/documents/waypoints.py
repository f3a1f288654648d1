"""Waypoints from a CSV file: Cartesian or joint positions, with the unit of each column in its header."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np

from armsim.documents.csv_columns import read_columns
from armsim.documents.files import LARGEST_FILE
from armsim.model.arm import Arm
from armsim.tasks import Waypoint

POINT, TURNS = ("x", "y", "z"), ("roll", "pitch", "yaw")


def read_waypoints(path: Path, arm: Arm) -> tuple[tuple[Waypoint, ...], tuple[tuple[float, ...], ...]]:
    """Read the waypoints of a file.

    The header names ``x [mm]``, ``y [mm]``, ``z [mm]``, optionally ``roll [deg]``, ``pitch [deg]``, ``yaw [deg]``; or
    every joint of the arm, such as ``j1 [deg]``. Any unit of the right kind is accepted.

    Returns
    -------
    waypoints : tuple of Waypoint
    joints : tuple of (joints,) [rad or m]
        One of the two is empty.

    Raises
    ------
    InputError
        With file and line.
    """
    kinds = dict.fromkeys(POINT, ("length",)) | dict.fromkeys(TURNS, ("angle",))
    kinds |= {joint.name: ("angle",) if joint.revolute else ("length",) for joint in arm.joints}
    columns = read_columns(path, kinds, max_bytes=LARGEST_FILE)
    names = list(columns.numbers)
    sets = (arm.names, POINT, (*POINT, *TURNS))
    order = next((column_names for column_names in sets if set(column_names) == set(names)), None)
    is_joint_file = order == sets[0]
    if order is None:
        accepted = "; or ".join(", ".join(column_names) for column_names in sets)
        raise columns.fault(None, "header", f"columns {', '.join(names)}", accepted)
    values = np.stack([columns.numbers[name] for name in order], axis=1).tolist()
    if len(values) < 2:
        raise columns.fault(len(values) - 1 if values else None, "", f"{len(values)} waypoints", "two at least")
    if is_joint_file:
        for row, position in enumerate(values):
            for joint, value in zip(arm.joints, position, strict=True):
                if not joint.in_range(value):
                    raise columns.fault(row, joint.name, "outside the range of the joint", "a position in its range")
    compared = len(order) if is_joint_file else len(POINT)
    for row, (a, b) in enumerate(pairwise(values), start=1):
        if a[:compared] == b[:compared]:
            raise columns.fault(row, "", "a waypoint twice in a row", "waypoints apart from each other")
    if is_joint_file:
        return (), tuple(map(tuple, values))
    return tuple(Waypoint(tuple(row[:3]), None, tuple(row[3:]) or None) for row in values), ()
