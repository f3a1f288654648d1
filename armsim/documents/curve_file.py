"""Files of measured error curves: angle and error, of one or several sensors, in one or both directions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from armsim.arrays import Array
from armsim.documents.csv_columns import Columns, read_columns
from armsim.physics.harmonics import HarmonicFit, fit_harmonics

UP, DOWN = ("up", "+", "+1", "1", "forward", "cw"), ("down", "-", "-1", "backward", "ccw")
LEAST_POINTS = 8
"""Minimum number of points of a curve."""
STEP_TOLERANCE = 1e-3
"""Share of a step by which equal steps may differ."""
MOST_PARTS = 50
"""Maximum number of equal steps in the smallest gap between angles: a gap of 7 deg may be 7 of 360 steps."""
MOST_STEPS = 1_000_000
"""Equal steps per turn above which angles count as irregular: the last digit of a file is a step as well."""
LARGEST_ERROR = 0.5
"""Error of a rotary sensor [rad] above which a column contains readings, not errors."""


@dataclass(frozen=True, eq=False)
class Curve:
    """Measured error curve of one sensor.

    Parameters
    ----------
    sensor : str
    rotary : bool
    angle, error : (n,) [rad or m]
        Angle or position, and reading minus truth.
    direction : (n,)
        +1, -1; 0 where it is not known.
    """

    sensor: str
    rotary: bool
    angle: Array
    error: Array
    direction: Array

    @property
    def travel(self) -> float:
        """Range of the measured angles or positions. [rad or m]"""
        return float(self.angle.max() - self.angle.min())

    @property
    def fundamental(self) -> float:
        """Order of the longest wave: one turn, or the travel of a linear scale. [rad/rad or rad/m]"""
        return 1.0 if self.rotary else 2.0 * math.pi / self.travel

    @cached_property
    def equal_steps(self) -> int | None:
        """Number of equal steps of a turn, or of the travel, on which all measured angles lie; None if there is none.

        Not every step needs to be measured: an arc in equal steps qualifies, and so do several turns.
        """
        turn = 2.0 * math.pi if self.rotary else self.travel
        positions = np.sort((self.angle - self.angle.min()) / turn % (1.0 if self.rotary else np.inf))
        gaps = np.diff(positions, append=positions[0] + 1.0 if self.rotary else [])
        gaps = gaps[gaps > 1.0 / MOST_STEPS]
        for parts in range(1, MOST_PARTS + 1) if len(gaps) else ():
            steps = round(parts / float(gaps.min()))
            if np.abs(positions * steps - np.round(positions * steps)).max() <= STEP_TOLERANCE:
                return steps
        return None

    def fit(self, orders: Sequence[int]) -> HarmonicFit:
        """Fit waves of given orders.

        Parameters
        ----------
        orders : sequence of int
            Multiples of `fundamental`.

        Raises
        ------
        IndistinguishableOrders
            The measured angles do not distinguish the orders.
        """
        waves = [order * self.fundamental for order in orders]
        return fit_harmonics(self.angle, self.error, waves, self.direction)


def read_curves(path: Path) -> tuple[Curve, ...]:
    """Read the curves of all sensors of a file, in the order of the file.

    The header names ``angle [deg]`` (or ``position [mm]`` of a linear scale) and ``error [arcsec]``; optionally
    ``sensor`` and ``direction`` (up or down).

    Raises
    ------
    InputError
        With file and line.
    """
    kinds = ("angle", "length")
    columns = read_columns(
        path, {"angle": ("angle",), "position": ("length",), "error": kinds}, ("sensor", "direction"), ("error",)
    )
    axis_names = [name for name in ("angle", "position") if name in columns.numbers]
    if len(axis_names) != 1:
        columns_read = "both angle and position" if axis_names else "neither angle nor position"
        raise columns.fault(None, "header", columns_read, "angle [deg], or position [mm] of a linear scale")
    rotary = axis_names[0] == "angle"
    if columns.kinds["error"] != ("angle" if rotary else "length"):
        raise columns.fault(
            None, "error", f"an error of {columns.kinds['error']}", "arcsec of an angle, um of a position"
        )
    positions, error = columns.numbers[axis_names[0]], columns.numbers["error"]
    if rotary and len(error) and np.abs(error).max() > LARGEST_ERROR:
        row = int(np.argmax(np.abs(error)))
        size = f"an error of {np.degrees(error[row]):.4g} deg"
        raise columns.fault(
            row, "error", size, "reading minus truth, below half a radian; does the column hold readings?"
        )
    names = columns.words.get("sensor") or [path.stem] * len(positions)
    directions = _directions(columns, len(positions))
    rows: dict[str, list[int]] = {}
    for row, name in enumerate(names):
        rows.setdefault(name, []).append(row)
    if not rows:
        raise columns.fault(None, "", "no rows", f"{LEAST_POINTS} points at least")
    return tuple(
        _sensor_curve(columns, name, rotary, np.array(lines), positions, error, directions)
        for name, lines in rows.items()
    )


def _sensor_curve(
    columns: Columns, name: str, rotary: bool, rows: Array, positions: Array, error: Array, directions: Array | None
) -> Curve:
    if len(rows) < LEAST_POINTS:
        raise columns.fault(int(rows[0]), "", f"{len(rows)} points of {name!r}", f"{LEAST_POINTS} at least")
    row_of_point: dict[tuple[float, float, float], int] = {}
    for row in rows.tolist():
        key = (float(positions[row]), float(error[row]), 0.0 if directions is None else float(directions[row]))
        if key in row_of_point:
            raise columns.fault(
                row, "", f"the same as line {columns.lines[row_of_point[key]]}", "every measurement once"
            )
        row_of_point[key] = row
    angle = positions[rows]
    if directions is None:
        steps = np.sign(np.diff(angle))
        step_directions = np.concatenate([steps[:1], steps])
        direction = (
            step_directions
            if np.any(step_directions > 0) and np.any(step_directions < 0) and _in_long_runs(step_directions)
            else np.zeros(len(rows))
        )
    else:
        direction = directions[rows]
    return Curve(name, rotary, angle, error[rows], direction)


def _in_long_runs(steps: Array) -> bool:
    """Whether the direction changes rarely rather than from step to step."""
    changes = int(np.count_nonzero(np.diff(steps[steps != 0])))
    return changes <= max(1, len(steps) // 20)


def _directions(columns: Columns, rows: int) -> Array | None:
    words = columns.words.get("direction")
    if words is None:
        return None
    out = np.zeros(rows)
    for row, word in enumerate(words):
        if word.lower() not in (*UP, *DOWN):
            raise columns.fault(row, "direction", repr(word), "up or down")
        out[row] = 1.0 if word.lower() in UP else -1.0
    return out
