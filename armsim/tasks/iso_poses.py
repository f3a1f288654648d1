"""The five poses of the acceptance test of ISO 9283, in an inclined plane of a cube."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from armsim.arrays import Array
from armsim.errors import RunError
from armsim.field_spec import key
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations
from armsim.results import Unreachable
from armsim.results.poses import vector
from armsim.tasks.base import PointProgress, PoseConstraints, PoseSet, Task, constraints_field, name_field, no_progress
from armsim.tasks.inverse import Failure, Solver

INSET = 0.1
"""Distance of the outer poses from the corners, in diagonals of the plane. ISO 9283:1998 6.8."""
PLANES = {"a": ("y", 1), "b": ("x", 1), "c": ("y", -1), "d": ("x", -1)}
"""Direction parallel to the plane, and whether the plane rises (1) or falls (-1) along the other one."""
STEPS = 8
"""Centres tried along x and z, and halvings of the edge, to find the largest cube."""


VARIED_POSES = ("P1", "P2", "P4")
"""Poses at which the direction of approach is varied. ISO 9283:1998."""


@dataclass(frozen=True)
class Cube:
    """A test cube."""

    centre: tuple[float, float, float] = key(..., "length", "centre of the cube, in the base frame")
    edge: float = key(..., "length", "edge of the cube", least=0.0, above=True)


@dataclass(frozen=True)
class IsoPoses(Task):
    """P1 in the middle of a diagonal plane of a cube, P2 to P5 towards its corners; the tool keeps one orientation."""

    kind = "iso-poses"
    must_reach = True
    has_named_poses = True
    name: str = name_field()
    cube: Cube | None = key(
        None,
        "part",
        "cube in which the poses lie; without it the largest that the arm reaches, centred on y = 0 of the base",
    )
    plane: Literal["a", "b", "c", "d"] = key(
        "a", "choice", "a: parallel to y, rising with x; b: parallel to x, rising with y; c and d: the same, falling"
    )
    constraints: PoseConstraints = constraints_field()

    def poses_of_varied_direction(self, names: Sequence[str]) -> list[int]:
        return [number for number, name in enumerate(names) if name in VARIED_POSES]

    def find(self, arm: Arm, progress: PointProgress = no_progress) -> PoseSet:
        solver = Solver(arm, self.constraints)
        cube = self.cube or self._largest_cube(arm, solver, progress)
        joints, names, unreachable = [], [], []
        seeds = solver.starts()
        for number, point in enumerate(self.points(np.array(cube.centre), cube.edge), start=1):
            q = solver.solve(self.constraints.command_at(vector(point)), seeds)
            if isinstance(q, Failure):
                unreachable.append(Unreachable(f"P{number}", vector(point), q.reason))
                continue
            names.append(f"P{number}")
            joints.append(q)
            seeds = [q, *seeds]
        constraint = self.constraints.command_at((0.0, 0.0, 0.0)).constraint
        configurations = Configurations(np.array(joints).reshape(len(joints), len(arm.joints)))
        pairs = ((names.index("P2"), names.index("P4")),) if {"P2", "P4"} <= set(names) else ()
        return PoseSet(
            tuple(names), configurations, tuple(unreachable), pairs=pairs, constraints=(constraint,) * len(names)
        )

    def points(self, centre: Array, edge: float) -> Array:
        """P1 to P5, shape (5, 3). [m]"""
        parallel, rise = PLANES[self.plane]
        along, across = (1, 0) if parallel == "y" else (0, 1)
        half_edge_along, half_diagonal_across = np.zeros(3), np.zeros(3)
        half_edge_along[along] = edge / 2
        half_diagonal_across[across], half_diagonal_across[2] = edge / 2, rise * edge / 2
        corners = [
            half_edge_along + half_diagonal_across,
            -half_edge_along + half_diagonal_across,
            -half_edge_along - half_diagonal_across,
            half_edge_along - half_diagonal_across,
        ]
        return np.array([centre, *(centre + (1 - 2 * INSET) * corner for corner in corners)])

    def _largest_cube(self, arm: Arm, solver: Solver, progress: PointProgress) -> Cube:
        """The largest reachable cube among those on a grid of centres in front of the arm."""
        largest, best_centre = 0.0, None
        centres = [
            np.array([x * arm.reach, 0.0, z * arm.reach])
            for x in np.linspace(0.2, 0.8, STEPS)
            for z in np.linspace(-0.3, 0.7, STEPS)
        ]
        for number, centre in enumerate(centres):
            progress(number, len(centres))
            if not self._fits(solver, centre, largest * 1.02 + 1e-3):
                continue
            low, high = largest * 1.02 + 1e-3, arm.reach
            for _ in range(STEPS):
                middle = 0.5 * (low + high)
                low, high = (middle, high) if self._fits(solver, centre, middle) else (low, middle)
            largest, best_centre = low, centre
        if best_centre is None:
            raise RunError(
                f"task {self.name!r}: no cube is found that the arm reaches with this orientation of the tool"
            )
        step = 1e-3
        edge = max(step, np.floor(largest / step) * step)  # whole millimetres: what a test would be run with
        return Cube(vector(best_centre), float(edge))

    def _fits(self, solver: Solver, centre: Array, edge: float) -> bool:
        corners = [centre + edge / 2 * np.array([a, b, c]) for a in (1, -1) for b in (1, -1) for c in (1, -1)]
        seeds = solver.starts()[:4]
        for point in [*self.points(centre, edge), *corners]:
            if np.linalg.norm(point) > solver.arm.reach:
                return False
            q = solver.solve(self.constraints.command_at(vector(point)), seeds)
            if isinstance(q, Failure):
                return False
            seeds = [q, *seeds[-4:]]
        return True
