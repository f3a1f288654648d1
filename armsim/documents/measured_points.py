"""A file of measured tool points: where one arm, or several, came to at named poses, visit by visit."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from armsim.arrays import Array
from armsim.documents.csv_columns import Columns, read_columns

LEAST_VISITS = 2
"""Visits of a pose: one tells no scatter."""
FAR = 0.05
"""Distance from the command beyond which columns, units or frames are taken to be wrong. [m]"""
AXES = ("x", "y", "z")


@dataclass(frozen=True, eq=False)
class MeasuredArm:
    """One arm.

    Parameters
    ----------
    name : str
    visits : mapping of pose to (visits, 3) [m]
        Attained less commanded position in the base frame.
    directions : mapping of pose to words
        From where every visit came; no entry where that is not told.
    points : mapping of pose to (visits, 3) [m]
        As they were read, in the frame of the instrument.
    """

    name: str
    visits: dict[str, Array]
    directions: dict[str, tuple[str, ...]] = field(default_factory=dict)
    points: dict[str, Array] = field(default_factory=dict)

    def by_direction(self, pose: str) -> dict[str, Array]:
        """Visits of a pose by the direction from which they came, (visits, 3) each. [m]"""
        words = np.array(self.directions.get(pose, ()))
        return {word: self.visits[pose][words == word] for word in dict.fromkeys(words.tolist())}


def read_points(path: Path, commanded: Mapping[str, Array], anywhere: bool = False) -> tuple[MeasuredArm, ...]:
    """Every arm of a file.

    The header names ``pose``, ``x [mm]``, ``y [mm]``, ``z [mm]`` in the base frame; optionally ``arm``, ``visit`` and
    ``direction``, a word for the way in which the tool came.

    Parameters
    ----------
    path : Path
    commanded : mapping of pose to (3,) [m]
        Poses that can be measured, and where they are commanded.
    anywhere : bool
        Whether the positions stand in the frame of an instrument that is yet to be found, however far away.

    Raises
    ------
    InputError
        With file and line: a pose that is not known, one visited once, positions far from the command, rows twice.
    """
    own = read_columns(path, dict.fromkeys(AXES, ("length",)), ("arm", "pose", "visit", "direction"), ("pose", *AXES))
    poses = own.words["pose"]
    points = np.stack([own.numbers[axis] for axis in AXES], axis=1)
    arms, visits = own.words.get("arm") or [path.stem] * len(poses), own.words.get("visit")
    ways = own.words.get("direction")
    if not poses:
        raise own.fault(None, "", "no rows", "measured tool points")
    seen: dict[tuple[object, ...], int] = {}
    for row, (arm, pose) in enumerate(zip(arms, poses, strict=True)):
        if pose not in commanded:
            close = ", ".join(list(commanded)[:12])
            raise own.fault(row, "pose", f"the scenario has no pose {pose!r} at rest", close)
        way = "" if ways is None else ways[row]
        key = (arm, pose, way, visits[row]) if visits is not None else (arm, pose, way, *points[row].tolist())
        if key in seen:
            same = "the same visit as" if visits is not None else "the same as"
            at = "visit" if visits is not None else ""
            raise own.fault(row, at, f"{same} line {own.lines[seen[key]]}", "every visit once")
        seen[key] = row
    away = points - np.array([commanded[pose] for pose in poses])
    if not anywhere:
        _check_far(own, points, away, poses, commanded)
    by_arm: dict[str, dict[str, list[int]]] = {}
    for row, (arm, pose) in enumerate(zip(arms, poses, strict=True)):
        by_arm.setdefault(arm, {}).setdefault(pose, []).append(row)
    out = []
    for name, rows in by_arm.items():
        for pose, those in rows.items():
            if len(those) < LEAST_VISITS:
                found = f"{pose!r} is visited once by {name!r}"
                raise own.fault(those[0], "pose", found, f"{LEAST_VISITS} visits at least")
        came = {} if ways is None else {pose: tuple(ways[row] for row in those) for pose, those in rows.items()}
        for pose, words in came.items():
            visits_from = Counter(words)
            alone = next((word for word in words if visits_from[word] < LEAST_VISITS), None)
            if alone is not None:
                row = rows[pose][words.index(alone)]
                found = f"{pose!r} is visited once from {alone!r} by {name!r}"
                raise own.fault(row, "direction", found, f"{LEAST_VISITS} visits from each direction at least")
        errors, readings = ({pose: every[those] for pose, those in rows.items()} for every in (away, points))
        out.append(MeasuredArm(name, errors, came, readings))
    return tuple(out)


def _check_far(own: Columns, points: Array, away: Array, poses: list[str], commanded: Mapping[str, Array]) -> None:
    """Positions far from the command: columns swapped, a frame turned or moved, a unit mistaken."""
    far = np.linalg.norm(away, axis=1)
    row = int(np.argmax(far))
    if far[row] <= FAR:
        return
    found = f"{1e3 * far[row]:.4g} mm from where {poses[row]!r} is commanded"
    wanted = np.array([commanded[pose] for pose in poses])
    for order in ((0, 2, 1), (1, 0, 2), (2, 1, 0), (1, 2, 0), (2, 0, 1)):
        if np.linalg.norm(points[:, order] - wanted, axis=1).max() <= FAR:
            swapped = ", ".join(AXES[n] for n in order)
            raise own.fault(row, "x", found, f"columns in their order: as {swapped} they would fit")
    for factor, unit in ((1e-3, "a thousandth"), (1e3, "a thousand times"), (0.0254, "inches for metres")):
        if np.linalg.norm(points * factor - wanted, axis=1).max() <= FAR:
            raise own.fault(row, "x", found, f"the unit of the header: {unit} would fit")
    if len(points) > 3:
        turn, shift, left = _rigid(points, wanted)
        if left <= FAR:
            angle = np.degrees(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1)))
            fits = f"turned by {angle:.3g} deg and moved by {1e3 * float(np.linalg.norm(shift)):.4g} mm they would fit"
            stated = "calibration: {instrument: {pose: identified}} fits the frame"
            raise own.fault(row, "x", found, f"positions in the base frame of the arm: {fits}; {stated}")
    raise own.fault(row, "x", found, f"positions in the base frame, within {1e3 * FAR:g} mm of the command")


def _rigid(points: Array, wanted: Array) -> tuple[Array, Array, float]:
    """The turn and shift that bring points onto others best, and the largest distance left.

    References
    ----------
    .. [1] Kabsch, Acta Cryst. A32 (1976) 922.
    """
    here, there = points - points.mean(axis=0), wanted - wanted.mean(axis=0)
    left, _, right = np.linalg.svd(here.T @ there)
    sign = np.sign(np.linalg.det(left @ right))
    turn = (left @ np.diag([1.0, 1.0, sign]) @ right).T
    shift = wanted.mean(axis=0) - turn @ points.mean(axis=0)
    distance = np.linalg.norm(points @ turn.T + shift - wanted, axis=1).max()
    return turn, shift, float(distance)
