"""Files of measured tool points: positions of one or several arms at named poses, visit by visit."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from armsim.arrays import Array
from armsim.documents.csv_columns import Columns, read_columns
from armsim.model.kinematics import rigid_motion

LEAST_VISITS = 2
"""Minimum number of visits of a pose from each direction: one gives no scatter."""
ALIKE = 1e-6
"""Distance below which joint positions belong to one pose. [rad or m]"""
FAR = 0.05
"""Distance from the command beyond which columns, units or frames are taken to be wrong. [m]"""
AXES = ("x", "y", "z")


@dataclass(frozen=True, eq=False)
class MeasuredArm:
    """Measured points of one arm.

    Parameters
    ----------
    name : str
    visits : mapping of pose to (visits, 3) [m]
        Attained less commanded position in the base frame.
    joints : mapping of pose to (joints,) [rad or m]
    directions : mapping of pose to words
        From where every visit came; no entry where that is not told.
    points : mapping of pose to (visits, 3) [m]
        As they were read, in the frame of the instrument.
    lines : mapping of pose to (visits,)
        Lines of the file.
    """

    name: str
    visits: dict[str, Array]
    joints: dict[str, Array] = field(default_factory=dict)
    directions: dict[str, tuple[str, ...]] = field(default_factory=dict)
    points: dict[str, Array] = field(default_factory=dict)
    lines: dict[str, tuple[int, ...]] = field(default_factory=dict)

    def by_direction(self, pose: str) -> dict[str, Array]:
        """Visits of a pose by direction of approach, shape (visits, 3) each. [m]"""
        words = np.array(self.directions.get(pose, ()))
        return {word: self.visits[pose][words == word] for word in dict.fromkeys(words.tolist())}

    @property
    def readings(self) -> list[tuple[str, int]]:
        """Pose and file line of every reading, pose by pose."""
        return [(pose, line) for pose, lines in self.lines.items() for line in lines]

    def without(self, lines: Collection[int]) -> MeasuredArm:
        """The arm without the readings of some lines, and without poses that then have none."""
        rows = {pose: [n for n, line in enumerate(at) if line not in lines] for pose, at in self.lines.items()}
        rows = {pose: visits for pose, visits in rows.items() if visits}
        return MeasuredArm(
            self.name,
            {pose: self.visits[pose][visits] for pose, visits in rows.items()},
            {pose: self.joints[pose] for pose in rows},
            {pose: tuple(self.directions[pose][n] for n in rows[pose]) for pose in rows if pose in self.directions},
            {pose: self.points[pose][visits] for pose, visits in rows.items()},
            {pose: tuple(self.lines[pose][n] for n in visits) for pose, visits in rows.items()},
        )


@dataclass(frozen=True, eq=False)
class JointColumns:
    """Optional columns of joint positions, in place of the names of poses.

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
    anywhere: bool = False,
    joint_columns: JointColumns | None = None,
    excluded: Collection[int] = (),
) -> tuple[MeasuredArm, ...]:
    """Read the measured points of every arm in a file.

    The header names ``x [mm]``, ``y [mm]``, ``z [mm]``; ``pose``, or every joint of the arm such as ``j1 [deg]``, or
    both; optionally ``arm``, ``visit`` and ``direction``, a word for the way in which the tool came. Readings at the
    same joint positions are visits of one pose.

    Parameters
    ----------
    path : Path
    poses : mapping of pose to (joints,) [rad or m] and (3,) [m]
        Poses that can be measured by name, and where they are commanded.
    anywhere : bool
        Whether the positions stand in the frame of an instrument that is yet to be found, however far away.
    joint_columns : JointColumns, optional
        Joint positions that may stand beside the readings.
    excluded : collection of int
        Lines of readings that are left out.

    Raises
    ------
    InputError
        With file and line: a pose that is not known, positions far from the command, rows twice, an excluded line
        without a reading.
    """
    kinds: dict[str, tuple[str, ...]] = {} if joint_columns is None else joint_columns.kinds
    kinds |= dict.fromkeys(AXES, ("length",))
    table = read_columns(path, kinds, ("arm", "pose", "visit", "direction"), AXES)
    table = table.without(excluded) if excluded else table
    points = np.stack([table.numbers[axis] for axis in AXES], axis=1)
    if not len(points):
        raise table.fault(None, "", "no rows", "measured tool points")
    arms = table.words.get("arm") or [path.stem] * len(points)
    names, joints, commanded = _commands(table, poses, joint_columns, arms)
    _refuse_repeated(table, points, arms, names)
    away = points - commanded
    if not anywhere:
        _check_far(table, points, away, names, commanded)
    ways = table.words.get("direction")
    by_arm: dict[str, dict[str, list[int]]] = {}
    for row, (arm, pose) in enumerate(zip(arms, names, strict=True)):
        by_arm.setdefault(arm, {}).setdefault(pose, []).append(row)
    out = []
    for name, rows in by_arm.items():
        came = {} if ways is None else {pose: tuple(ways[row] for row in those) for pose, those in rows.items()}
        for pose, words in came.items():
            visits_from = Counter(words)
            alone = next((word for word in words if visits_from[word] < LEAST_VISITS), None)
            if alone is not None and len(visits_from) > 1:
                row = rows[pose][words.index(alone)]
                actual = f"{pose!r} is visited once from {alone!r} by {name!r}"
                raise table.fault(row, "direction", actual, f"{LEAST_VISITS} visits from each direction at least")
        errors, readings = ({pose: every[those] for pose, those in rows.items()} for every in (away, points))
        lines = {pose: tuple(table.lines[row] for row in those) for pose, those in rows.items()}
        out.append(MeasuredArm(name, errors, {pose: joints[name, pose] for pose in rows}, came, readings, lines))
    return tuple(out)


def _commands(
    table: Columns, poses: Mapping[str, tuple[Array, Array]], joint_columns: JointColumns | None, arms: list[str]
) -> tuple[list[str], dict[tuple[str, str], Array], Array]:
    """Pose name of every row, joint positions by arm and pose, and commanded point of every row."""
    names = table.words.get("pose")
    present = [] if joint_columns is None else [name for name in joint_columns.names if name in table.numbers]
    if joint_columns is None or not present:
        if names is None:
            columns = "pose" if joint_columns is None else f"pose, or every joint: {', '.join(joint_columns.names)}"
            raise table.fault(None, "header", "no column 'pose'", columns)
        for row, pose in enumerate(names):
            if pose not in poses:
                close = ", ".join(list(poses)[:12])
                raise table.fault(row, "pose", f"the scenario has no pose {pose!r} at rest", close)
        joints = {(arm, pose): poses[pose][0] for arm, pose in zip(arms, names, strict=True)}
        return names, joints, np.array([poses[pose][1] for pose in names])
    missing = [name for name in joint_columns.names if name not in present]
    if missing:
        raise table.fault(None, "header", f"no column {missing[0]!r}", f"every joint: {', '.join(joint_columns.names)}")
    positions = np.stack([table.numbers[name] for name in joint_columns.names], axis=1)
    if names is None:
        pose_by_joints: dict[tuple[int, ...], str] = {}
        keys = [tuple(row) for row in np.round(positions / ALIKE).astype(np.int64).tolist()]
        names = [pose_by_joints.setdefault(key, f"pose {len(pose_by_joints) + 1}") for key in keys]
    rows: dict[tuple[str, str], list[int]] = {}
    for row, key in enumerate(zip(arms, names, strict=True)):
        rows.setdefault(key, []).append(row)
    joints = {key: positions[those].mean(axis=0) for key, those in rows.items()}
    at = np.array([joints[key] for key in zip(arms, names, strict=True)])
    return names, joints, joint_columns.position(at)


def _refuse_repeated(table: Columns, points: Array, arms: list[str], names: list[str]) -> None:
    """Raise an error for a visit or reading that appears twice."""
    visits, ways = table.words.get("visit"), table.words.get("direction")
    lines: dict[tuple[object, ...], int] = {}
    for row, (arm, pose) in enumerate(zip(arms, names, strict=True)):
        way = "" if ways is None else ways[row]
        key = (arm, pose, way, visits[row]) if visits is not None else (arm, pose, way, *points[row].tolist())
        if key in lines:
            same = "the same visit as" if visits is not None else "the same as"
            at = "visit" if visits is not None else ""
            raise table.fault(row, at, f"{same} line {table.lines[lines[key]]}", "every visit once")
        lines[key] = row


def _check_far(table: Columns, points: Array, away: Array, poses: list[str], commanded: Array) -> None:
    """Refuse positions far from the command: swapped columns, a wrong frame, or a wrong unit."""
    far = np.linalg.norm(away, axis=1)
    row = int(np.argmax(far))
    if far[row] <= FAR:
        return
    actual = f"{1e3 * far[row]:.4g} mm from where {poses[row]!r} is commanded"
    for order in ((0, 2, 1), (1, 0, 2), (2, 1, 0), (1, 2, 0), (2, 0, 1)):
        if np.linalg.norm(points[:, order] - commanded, axis=1).max() <= FAR:
            swapped = ", ".join(AXES[n] for n in order)
            raise table.fault(row, "x", actual, f"columns in their order: as {swapped} they would fit")
    for factor, unit in ((1e-3, "a thousandth"), (1e3, "a thousand times"), (0.0254, "inches for metres")):
        if np.linalg.norm(points * factor - commanded, axis=1).max() <= FAR:
            raise table.fault(row, "x", actual, f"the unit of the header: {unit} would fit")
    if len(points) > 3:
        turn, shift = rigid_motion(points, commanded)
        if np.linalg.norm(points @ turn.T + shift - commanded, axis=1).max() <= FAR:
            angle = np.degrees(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1)))
            fits = f"turned by {angle:.3g} deg and moved by {1e3 * float(np.linalg.norm(shift)):.4g} mm they would fit"
            remedy = "calibration: {instrument: {pose: identified}} fits the frame"
            raise table.fault(row, "x", actual, f"positions in the base frame of the arm: {fits}; {remedy}")
    raise table.fault(row, "x", actual, f"positions in the base frame, within {1e3 * FAR:g} mm of the command")
