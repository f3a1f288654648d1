"""Files of measured tool points: positions of one or several arms at named poses, visit by visit."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from armsim.arrays import Array
from armsim.documents.csv_columns import Columns, read_columns
from armsim.documents.reading_columns import AXES, COLUMN_KINDS, orientations, thermal_states, uncertainties
from armsim.documents.units import ZERO_CELSIUS
from armsim.errors import InputError, Problem
from armsim.model.kinematics import rigid_motion

LEAST_VISITS = 2
"""Minimum number of visits of a pose from each direction: one gives no scatter."""
TEXT_COLUMNS = ("arm", "pose", "visit", "direction", "session")
"""Columns without a unit."""
SAME_POSITION = 1e-6
"""Distance below which joint positions belong to one pose. [rad or m]"""
LARGEST_DISPLACEMENT = 0.05
"""Distance from the command beyond which columns, units or frames are taken to be wrong. [m]"""


@dataclass(frozen=True, eq=False)
class MeasuredArm:
    """Measured points of one arm.

    Parameters
    ----------
    name : str
    visits : mapping of pose to (visits, 3) [m]
        Attained minus commanded position in the base frame.
    joints : mapping of pose to (joints,) [rad or m]
    directions : mapping of pose to words
        Direction of approach per visit; no entry where it was not stated.
    points : mapping of pose to (visits, 3) [m]
        As they were read, in the frame of the instrument.
    lines : mapping of pose to (visits,)
        Lines of the file.
    sessions : mapping of pose to word
        Session in which it was measured, each with a frame of its own; no entry where all are of one.
    temperatures : mapping of pose to (visits,) [K]
        Temperature of the arm at every visit; no entry where it was not read.
    uncertainties : mapping of pose to (visits, 3) [m]
        Standard uncertainty of every reading along the axes of the instrument; no entry where it was not stated.
    rotations : mapping of pose to (visits, 3, 3)
        Orientation of the target on the tool in the frame of the instrument; no entry where only positions were read.
    """

    name: str
    visits: dict[str, Array]
    joints: dict[str, Array] = field(default_factory=dict)
    directions: dict[str, tuple[str, ...]] = field(default_factory=dict)
    points: dict[str, Array] = field(default_factory=dict)
    lines: dict[str, tuple[int, ...]] = field(default_factory=dict)
    sessions: dict[str, str] = field(default_factory=dict)
    temperatures: dict[str, Array] = field(default_factory=dict)
    uncertainties: dict[str, Array] = field(default_factory=dict)
    rotations: dict[str, Array] = field(default_factory=dict)

    def by_direction(self, pose: str) -> dict[str, Array]:
        """Visits of a pose by direction of approach, shape (visits, 3) each. [m]"""
        words = np.array(self.directions.get(pose, ()))
        return {word: self.visits[pose][words == word] for word in dict.fromkeys(words.tolist())}

    @property
    def readings(self) -> list[tuple[str, int]]:
        """Pose and file line of every reading, pose by pose."""
        return [(pose, line) for pose, lines in self.lines.items() for line in lines]

    def without_lines(self, lines: Collection[int]) -> MeasuredArm:
        """The arm without the readings of some lines, and without poses that then have none."""
        rows = {
            pose: [n for n, line in enumerate(pose_lines) if line not in lines]
            for pose, pose_lines in self.lines.items()
        }
        rows = {pose: visits for pose, visits in rows.items() if visits}

        def select_visits(values: Mapping[str, Array]) -> dict[str, Array]:
            return {pose: values[pose][visits] for pose, visits in rows.items() if pose in values}

        return MeasuredArm(
            self.name,
            select_visits(self.visits),
            {pose: self.joints[pose] for pose in rows},
            {pose: tuple(self.directions[pose][n] for n in rows[pose]) for pose in rows if pose in self.directions},
            select_visits(self.points),
            {pose: tuple(self.lines[pose][n] for n in visits) for pose, visits in rows.items()},
            {pose: self.sessions[pose] for pose in rows if pose in self.sessions},
            *map(select_visits, (self.temperatures, self.uncertainties, self.rotations)),
        )


@dataclass(frozen=True, eq=False)
class JointColumns:
    """Optional columns of joint positions, instead of names of poses.

    Parameters
    ----------
    names : (joints,)
    rotary : (joints,) of bool
    position : callable
        Commanded positions of the target [m], shape (n, 3), at joint positions of shape (n, joints).
    """

    names: tuple[str, ...]
    rotary: tuple[bool, ...]
    position: Callable[[Array], Array]

    @property
    def kinds(self) -> dict[str, tuple[str, ...]]:
        """Kinds of quantity of the columns."""
        return {name: ("angle" if turns else "length",) for name, turns in zip(self.names, self.rotary, strict=True)}


def read_points(
    path: Path,
    poses: Mapping[str, tuple[Array, Array]],
    any_frame: bool = False,
    joint_columns: JointColumns | None = None,
    excluded: Collection[int] = (),
) -> tuple[MeasuredArm, ...]:
    """Read the measured points of every arm in a file.

    The header names ``x [mm]``, ``y [mm]``, ``z [mm]``; ``pose``, or every joint of the arm such as ``j1 [deg]``, or
    both; optionally ``arm``, ``visit``, ``direction``, a word for the direction of approach, ``session``, and the
    columns of `reading_columns`. Readings at the same joint positions, of one session and at one temperature, are
    visits of one pose.

    Parameters
    ----------
    path : Path
    poses : mapping of pose to (joints,) [rad or m] and (3,) [m]
        Poses that can be measured by name, and where they are commanded.
    any_frame : bool
        Whether the positions are in an unknown instrument frame, so that large displacements are accepted.
    joint_columns : JointColumns, optional
        Columns of joint positions that the file may have.
    excluded : collection of int
        Lines of readings that are left out.

    Raises
    ------
    InputError
        With file and line: a pose that is not known, positions far from the command, a row that occurs twice, an
        excluded line without a reading.
    """
    kinds: dict[str, tuple[str, ...]] = {} if joint_columns is None else joint_columns.kinds
    colliding = [name for name in kinds if name in (*TEXT_COLUMNS, *AXES, *COLUMN_KINDS)]
    if colliding:
        finding = f"joint {colliding[0]!r} is named as another column of measured points"
        raise InputError(Problem(str(path), 0, 0, "header", finding, "an arm whose joints have other names"))
    kinds |= dict.fromkeys(AXES, ("length",)) | COLUMN_KINDS
    table = read_columns(path, kinds, TEXT_COLUMNS, AXES)
    table = table.without_lines(excluded) if excluded else table
    points = np.stack([table.numbers[axis] for axis in AXES], axis=1)
    if not len(points):
        raise table.fault(None, "", "no rows", "measured tool points")
    arms = table.words.get("arm") or [path.stem] * len(points)
    names, joints, commanded = _commands(table, poses, joint_columns, arms)
    optional_columns = uncertainties(table), table.numbers.get("temperature"), orientations(table)
    _refuse_repeated(table, points, arms, names)
    displacements = points - commanded
    if not any_frame:
        _check_far(table, points, displacements, names, commanded)
    directions_by_row = table.words.get("direction")
    by_arm: dict[str, dict[str, list[int]]] = {}
    for row, (arm, pose) in enumerate(zip(arms, names, strict=True)):
        by_arm.setdefault(arm, {}).setdefault(pose, []).append(row)
    out = []
    for name, rows in by_arm.items():
        directions = (
            {}
            if directions_by_row is None
            else {pose: tuple(directions_by_row[row] for row in pose_rows) for pose, pose_rows in rows.items()}
        )
        for pose, words in directions.items():
            visits_from = Counter(words)
            single_direction = next((word for word in words if visits_from[word] < LEAST_VISITS), None)
            if single_direction is not None and len(visits_from) > 1:
                row = rows[pose][words.index(single_direction)]
                actual = f"{pose!r} is visited once from {single_direction!r} by {name!r}"
                raise table.fault(row, "direction", actual, f"{LEAST_VISITS} visits from each direction at least")
        errors, readings = (
            {pose: rows_of_arm[pose_rows] for pose, pose_rows in rows.items()}
            for rows_of_arm in (displacements, points)
        )
        lines = {pose: tuple(table.lines[row] for row in pose_rows) for pose, pose_rows in rows.items()}
        session_by_row = table.words.get("session")
        sessions = (
            {} if session_by_row is None else {pose: session_by_row[pose_rows[0]] for pose, pose_rows in rows.items()}
        )
        deviations, temperatures, rotations = (
            {} if values is None else {pose: values[pose_rows] for pose, pose_rows in rows.items()}
            for values in optional_columns
        )
        out.append(
            MeasuredArm(
                name, errors, {pose: joints[name, pose] for pose in rows}, directions, readings, lines, sessions,
                temperatures, deviations, rotations,
            )
        )  # fmt: skip
    return tuple(out)


def _pose_names(table: Columns, names: Sequence[str], arms: Sequence[str]) -> list[str]:
    """Name of the pose of every row, with its session and its temperature where a pose has several."""
    out, sessions, temperatures = list(names), table.words.get("session"), table.numbers.get("temperature")
    if sessions is not None and len(set(sessions)) > 1:
        out = [f"{name}, session {session}" for name, session in zip(names, sessions, strict=True)]
    if temperatures is None:
        return out
    keys = list(zip(arms, out, strict=True))
    levels = thermal_states(temperatures, keys)
    poses_with_levels = {key for key, number in zip(keys, levels, strict=True) if number}
    rows_by_level: dict[tuple[tuple[str, str], int], list[int]] = {}
    for row, pose_at_level in enumerate(zip(keys, levels, strict=True)):
        rows_by_level.setdefault(pose_at_level, []).append(row)
    for (key, _), rows in rows_by_level.items():
        celsius = float(np.mean(temperatures[rows])) - ZERO_CELSIUS
        for row in rows if key in poses_with_levels else ():
            out[row] = f"{out[row]} at {celsius:.1f} degC"
    return out


def _commands(
    table: Columns, poses: Mapping[str, tuple[Array, Array]], joint_columns: JointColumns | None, arms: list[str]
) -> tuple[list[str], dict[tuple[str, str], Array], Array]:
    """Name of the pose of every row, joint positions by arm and pose, where the target is commanded at every row."""
    words = table.words.get("pose")
    names = None if words is None else _pose_names(table, words, arms)
    present = [] if joint_columns is None else [name for name in joint_columns.names if name in table.numbers]
    if joint_columns is None or not present:
        if words is None or names is None:
            columns = "pose" if joint_columns is None else f"pose, or every joint: {', '.join(joint_columns.names)}"
            raise table.fault(None, "header", "no column 'pose'", columns)
        for row, pose in enumerate(words):
            if pose not in poses:
                known_names = ", ".join(list(poses)[:12])
                raise table.fault(row, "pose", f"the scenario has no pose {pose!r} at rest", known_names)
        rows_by_label = zip(arms, names, words, strict=True)
        joints = {(arm, name): poses[pose][0] for arm, name, pose in rows_by_label}
        return names, joints, np.array([poses[pose][1] for pose in words])
    missing = [name for name in joint_columns.names if name not in present]
    if missing:
        raise table.fault(None, "header", f"no column {missing[0]!r}", f"every joint: {', '.join(joint_columns.names)}")
    positions = np.stack([table.numbers[name] for name in joint_columns.names], axis=1)
    if names is None:
        pose_by_joints: dict[tuple[int, ...], str] = {}
        keys = [tuple(row) for row in np.round(positions / SAME_POSITION).astype(np.int64).tolist()]
        names = _pose_names(
            table, [pose_by_joints.setdefault(key, f"pose {len(pose_by_joints) + 1}") for key in keys], arms
        )
    rows: dict[tuple[str, str], list[int]] = {}
    for row, key in enumerate(zip(arms, names, strict=True)):
        rows.setdefault(key, []).append(row)
    joints = {key: positions[pose_rows].mean(axis=0) for key, pose_rows in rows.items()}
    row_joints = np.array([joints[key] for key in zip(arms, names, strict=True)])
    return names, joints, joint_columns.position(row_joints)


def _refuse_repeated(table: Columns, points: Array, arms: list[str], names: list[str]) -> None:
    """Raise an error for a visit or reading that appears twice."""
    visits, directions = table.words.get("visit"), table.words.get("direction")
    lines: dict[tuple[object, ...], int] = {}
    for row, (arm, pose) in enumerate(zip(arms, names, strict=True)):
        direction = "" if directions is None else directions[row]
        key = (
            (arm, pose, direction, visits[row]) if visits is not None else (arm, pose, direction, *points[row].tolist())
        )
        if key in lines:
            same = "the same visit as" if visits is not None else "the same as"
            column = "visit" if visits is not None else ""
            raise table.fault(row, column, f"{same} line {table.lines[lines[key]]}", "every visit once")
        lines[key] = row


def _check_far(table: Columns, points: Array, displacements: Array, poses: list[str], commanded: Array) -> None:
    """Refuse positions far from the command: swapped columns, a wrong frame, or a wrong unit."""
    distances = np.linalg.norm(displacements, axis=1)
    row = int(np.argmax(distances))
    if distances[row] <= LARGEST_DISPLACEMENT:
        return
    actual = f"{1e3 * distances[row]:.4g} mm from where {poses[row]!r} is commanded"
    for order in ((0, 2, 1), (1, 0, 2), (2, 1, 0), (1, 2, 0), (2, 0, 1)):
        if np.linalg.norm(points[:, order] - commanded, axis=1).max() <= LARGEST_DISPLACEMENT:
            swapped = ", ".join(AXES[n] for n in order)
            raise table.fault(row, "x", actual, f"columns in their order: as {swapped} they would fit")
    for factor, unit in ((1e-3, "a thousandth"), (1e3, "a thousand times"), (0.0254, "inches for metres")):
        if np.linalg.norm(points * factor - commanded, axis=1).max() <= LARGEST_DISPLACEMENT:
            raise table.fault(row, "x", actual, f"the unit of the header: {unit} would fit")
    if len(points) > 3:
        turn, shift = rigid_motion(points, commanded)
        if np.linalg.norm(points @ turn.T + shift - commanded, axis=1).max() <= LARGEST_DISPLACEMENT:
            angle = np.degrees(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1)))
            fits = f"turned by {angle:.3g} deg and moved by {1e3 * float(np.linalg.norm(shift)):.4g} mm they would fit"
            remedy = "calibration: {instrument: {pose: identified}} fits the frame"
            raise table.fault(row, "x", actual, f"positions in the base frame of the arm: {fits}; {remedy}")
    raise table.fault(
        row, "x", actual, f"positions in the base frame, within {1e3 * LARGEST_DISPLACEMENT:g} mm of the command"
    )
