"""A plane of the workspace, cell by cell."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from armsim.model.arm import Arm
from armsim.results import Grid, Unreachable
from armsim.spreads import Array
from armsim.tasks.base import Advance, Command, PoseSet, quiet
from armsim.tasks.inverse import Failure, solve, starts

AXES = {"x": 0, "y": 1, "z": 2}
BEYOND = "beyond the reach of the arm"
FIRST_STARTS = 16
"""Starts tried on each cell until one is solved."""
MOST_CELLS = 100_000
"""Cells of one slice: a grid of 300 by 300 and more."""
LATER_STARTS = 4
"""Starts tried on each cell that the first region did not touch."""
Cell = tuple[int, int]


@dataclass(frozen=True)
class Slice:
    """Cells of a plane, the tool held in one direction.

    Parameters
    ----------
    name : str
    plane : str
        ``xy``, ``xz`` or ``yz`` of the base frame; the first letter runs across the map.
    at : float
        Coordinate along the normal. [m]
    step : float
        Edge of a cell. [m]
    tool : (3,), optional [rad]
        Roll, pitch, yaw of the tool; free where not given.
    first, second : (2,), optional [m]
        Ends along the two directions of the plane; the reach of the arm where not given.
    near : (joints,), optional
        Joint positions near which the first cell is solved: it picks the branch of elbow and wrist.
    """

    name: str
    plane: str
    at: float
    step: float
    tool: tuple[float, float, float] | None = None
    first: tuple[float, float] | None = None
    second: tuple[float, float] | None = None
    near: tuple[float, ...] | None = None
    kind: str = "slice"

    def count(self, arm: Arm) -> float:
        """How many cells it has, without making them."""
        return math.prod((high - low) / self.step + 1 for low, high in self._ends(arm))

    def coordinates(self, arm: Arm) -> tuple[Array, Array]:
        """Centres of the cells along the two directions, whole steps from zero. [m]"""
        first, second = (cells(ends, self.step) for ends in self._ends(arm))
        return first, second

    def _ends(self, arm: Arm) -> tuple[tuple[float, float], tuple[float, float]]:
        reach = (-arm.reach, arm.reach)
        return self.first or reach, self.second or reach

    def find(self, arm: Arm, advance: Advance = quiet) -> PoseSet:
        first, second = self.coordinates(arm)
        solved, failed = self._flood(arm, first, second, advance)
        reached = sorted(solved)
        number = {cell: i for i, cell in enumerate(reached)}
        grid = Grid(
            self.plane,
            self.at,
            self.step,
            tuple(first.tolist()),
            tuple(second.tolist()),
            tuple(tuple(number.get((i, j), -1) for j in range(len(first))) for i in range(len(second))),
        )
        unreachable = tuple(
            Unreachable(self._label(point := self._point(first, second, cell)), point, failed[cell])
            for cell in sorted(failed)
        )
        names = tuple(self._label(self._point(first, second, cell)) for cell in reached)
        joints = np.array([solved[cell] for cell in reached]).reshape(len(reached), len(arm.joints))
        return PoseSet(names, joints, unreachable, grid)

    def _flood(
        self, arm: Arm, first: Array, second: Array, advance: Advance
    ) -> tuple[dict[Cell, Array], dict[Cell, str]]:
        """Solve cells outward from the first that can be solved; then look for regions that this did not touch."""
        fresh = starts(arm, None if self.near is None else np.array(self.near))[:FIRST_STARTS]
        later = fresh[:LATER_STARTS]
        solved: dict[Cell, Array] = {}
        failed: dict[Cell, str] = {}
        everywhere = [(i, j) for i in range(len(second)) for j in range(len(first))]
        distance = {cell: float(np.linalg.norm(self._point(first, second, cell))) for cell in everywhere}
        failed.update({cell: BEYOND for cell in everywhere if distance[cell] > arm.reach + 1e-9})
        # begin where an arm is most at home, half way out
        everywhere.sort(key=lambda cell: (round(abs(distance[cell] - 0.5 * arm.reach), 9), cell))
        for cell in everywhere:
            if cell in solved or cell in failed:
                continue
            start = solve(arm, self._command(first, second, cell), later if solved else fresh)
            if isinstance(start, Failure):
                failed[cell] = start.reason
                continue
            solved[cell] = start
            queue = deque([cell])
            while queue:
                here = queue.popleft()
                for there in _neighbours(here, len(second), len(first)):
                    if there in solved or failed.get(there) == BEYOND:
                        continue
                    q = solve(arm, self._command(first, second, there), [solved[here]])
                    if not isinstance(q, Failure):
                        failed.pop(there, None)
                        solved[there] = q
                        queue.append(there)
                advance(len(solved) + len(failed), len(everywhere))
        return solved, failed

    def _point(self, first: Array, second: Array, cell: Cell) -> tuple[float, float, float]:
        point = [self.at] * 3
        point[AXES[self.plane[0]]] = float(first[cell[1]])
        point[AXES[self.plane[1]]] = float(second[cell[0]])
        return (point[0], point[1], point[2])

    def _command(self, first: Array, second: Array, cell: Cell) -> Command:
        return Command(self._point(first, second, cell), self.tool)

    def _label(self, point: tuple[float, float, float]) -> str:
        return ", ".join(f"{letter} {point[AXES[letter]] * 1e3:.6g} mm" for letter in self.plane)


def cells(ends: tuple[float, float], step: float) -> Array:
    """Centres of the cells between two ends: whole multiples of the step. [m]"""
    lo, hi = int(np.ceil(ends[0] / step - 1e-9)), int(np.floor(ends[1] / step + 1e-9))
    return np.asarray(np.arange(lo, hi + 1) * step, dtype=float)


def _neighbours(cell: Cell, rows: int, columns: int) -> list[Cell]:
    i, j = cell
    around = [(i, j + 1), (i + 1, j), (i, j - 1), (i - 1, j)]
    return [(a, b) for a, b in around if 0 <= a < rows and 0 <= b < columns]
