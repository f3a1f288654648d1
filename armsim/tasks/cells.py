"""Cells of a slice or a volume, solved outward from cell to neighbouring cell."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from itertools import product

import numpy as np

from armsim.arrays import Array
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations
from armsim.model.envelope import Envelope
from armsim.results import Grid, Unreachable
from armsim.results.poses import matrix, vector
from armsim.tasks.base import PointProgress, PoseConstraints, PoseSet
from armsim.tasks.inverse import Failure, Solver

AXES = {"x": 0, "y": 1, "z": 2}
BEYOND_REACH = "beyond the reach of the arm"
CELL_STARTS = 64
"""Starts tried on a cell without a solved neighbour before it counts as out of reach."""
MOST_CELLS = 100_000
"""Largest number of cells of one task: a grid of some 300 by 300."""
Cell = tuple[int, ...]
Ends = tuple[float, float]


@dataclass(frozen=True)
class Cells:
    """A grid of cells in a frame.

    Parameters
    ----------
    axes : str
        Two or three of ``xyz``, the directions of the grid.
    centres : tuple of arrays [m]
        Centres of the cells along each direction.
    step : float
        Edge of a cell. [m]
    level : float
        Coordinate along the normal of two directions. [m]
    frame : (4, 4)
        Frame of the grid in the base frame.
    """

    axes: str
    centres: tuple[Array, ...]
    step: float
    level: float
    frame: Array

    def point(self, cell: Cell) -> Array:
        """Centre of a cell in the base frame, shape (3,). [m]"""
        position = np.full(3, self.level)
        for letter, centres, index in zip(self.axes, self.centres, cell, strict=True):
            position[AXES[letter]] = centres[index]
        return np.asarray(self.frame[:3, :3] @ position + self.frame[:3, 3])

    def label(self, cell: Cell) -> str:
        """Name of a cell: its coordinates along the directions of the grid."""
        along = zip(self.axes, self.centres, cell, strict=True)
        return ", ".join(f"{letter} {round(centres[index] * 1e3, 6) + 0.0:.6g} mm" for letter, centres, index in along)

    def find(self, arm: Arm, constraints: PoseConstraints, progress: PointProgress) -> PoseSet:
        """Poses of the cells that the arm reaches, the unreachable cells, and the grid of both."""
        solved, failed = self._flood(arm, constraints, progress)
        order = sorted(solved)
        number = {cell: i for i, cell in enumerate(order)}
        # the first direction runs fastest
        shape = [len(centres) for centres in self.centres]
        all_cells = (cell[::-1] for cell in product(*(range(n) for n in shape[::-1])))
        grid = Grid(
            self.axes,
            self.level,
            self.step,
            tuple(tuple(centres.tolist()) for centres in self.centres),
            tuple(number.get(cell, -1) for cell in all_cells),
            vector(self.frame[:3, 3]),
            matrix(self.frame[:3, :3]),
        )
        unreachable = tuple(
            Unreachable(self.label(cell), vector(self.point(cell)), failed[cell]) for cell in sorted(failed)
        )
        joints = np.array([solved[cell] for cell in order]).reshape(len(order), len(arm.joints))
        return PoseSet(tuple(self.label(cell) for cell in order), Configurations(joints), unreachable, grid)

    def _flood(
        self, arm: Arm, constraints: PoseConstraints, progress: PointProgress
    ) -> tuple[dict[Cell, Array], dict[Cell, str]]:
        """Solve cells outward from the first solvable one; then search for regions not connected to it.

        Returns
        -------
        solved : mapping of cell to (joints,) [rad or m]
        failed : mapping of cell to reason
        """
        solver = Solver(arm, constraints)
        starts = solver.starts()[:CELL_STARTS]
        solved: dict[Cell, Array] = {}
        cells: list[Cell] = list(product(*(range(len(centres)) for centres in self.centres)))
        commands = {cell: constraints.command_at(vector(self.point(cell))) for cell in cells}
        points = np.array([command.xyz for command in commands.values()]).reshape(-1, 3)
        distance = dict(zip(cells, np.linalg.norm(points, axis=1).tolist(), strict=True))
        within_reach = Envelope.from_arm(arm).contains(points)
        failed = {cell: BEYOND_REACH for cell, reachable in zip(cells, within_reach, strict=True) if not reachable}
        # begin at half the reach, where an arm has most postures
        cells.sort(key=lambda cell: (round(abs(distance[cell] - 0.5 * arm.reach), 9), cell))
        for cell in cells:
            if cell in solved or cell in failed:
                continue
            start = solver.solve(commands[cell], starts)
            if isinstance(start, Failure):
                failed[cell] = start.reason
                continue
            solved[cell] = start
            queue = deque([cell])
            while queue:
                current = queue.popleft()
                for neighbour in self._neighbours(current):
                    if neighbour in solved or failed.get(neighbour) == BEYOND_REACH:
                        continue
                    q = solver.follow(commands[neighbour], solved[current])
                    if q is not None:
                        failed.pop(neighbour, None)
                        solved[neighbour] = q
                        queue.append(neighbour)
                progress(len(solved) + len(failed), len(cells))
        return solved, failed

    def _neighbours(self, cell: Cell) -> list[Cell]:
        out = []
        for axis, centres in enumerate(self.centres):
            for step in (1, -1):
                if 0 <= cell[axis] + step < len(centres):
                    out.append((*cell[:axis], cell[axis] + step, *cell[axis + 1 :]))
        return out


def cell_centres(ends: Ends, step: float) -> Array:
    """Centres of the cells between two ends: whole multiples of the step. [m]"""
    lo, hi = int(np.ceil(ends[0] / step - 1e-9)), int(np.floor(ends[1] / step + 1e-9))
    return np.asarray(np.arange(lo, hi + 1) * step, dtype=float)


def cell_count(ends: list[Ends], step: float) -> float:
    """Approximate number of cells, computed without creating them."""
    out = 1.0
    for low, high in ends:
        out *= (high - low) / step + 1
    return out
