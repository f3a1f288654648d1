"""Values of a measure where the poses are in space: a cut of coloured cells, or coloured points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.explorer.view_model import Values
from armsim.model.arm import Arm
from armsim.tasks import PoseSet

POINT = 0.06
"""Size of a point, relative to the size of the task and its arm."""
MOST_POSES = 200
"""Most poses of a task that decide what is in view, evenly spread."""


@dataclass(frozen=True, eq=False)
class SpaceMap:
    """Map of a measure in the base frame.

    Parameters
    ----------
    relative : (rows, columns) or (poses,)
        Values from 0 to 1 of the colour scale; nan where there is no pose.
    corners : (2, 2, 3), optional [m]
        Corners of a cut: rows along its second direction, columns along its first.
    points : (poses, 3) [m]
        Points of poses without cells.
    size : float [m]
        Size of a point.
    """

    relative: Array
    corners: Array | None
    points: Array
    size: float


def cells_of(poses: PoseSet, values: Array, layer: int) -> tuple[NDArray[np.int64], Array]:
    """Numbers of the poses of the cells of a slice, or of a layer of a volume, and their values.

    Returns
    -------
    index : (rows, columns)
        First direction along the columns; -1 where a cell cannot be reached.
    cells : (rows, columns)
        nan where a cell cannot be reached.
    """
    grid = poses.grid
    assert grid is not None  # checked by the callers
    index, cells = grid.pose_index, grid.cells(values)
    if index.ndim == 3:
        layer = min(layer, len(index) - 1)
        return index[layer], cells[layer]
    return index, cells


def space_map(poses: PoseSet, values: Values, positions: Array, layer: int) -> SpaceMap:
    """Map of a measure where its poses are.

    Parameters
    ----------
    poses : PoseSet
    values : Values
    positions : (poses, 3) [m]
        Tool points.
    layer : int
        Layer of a volume.
    """
    size = POINT * max(float(np.ptp(positions, axis=0).max()), 0.5)
    grid = poses.grid
    if grid is None:
        return SpaceMap(_relative(values.values), None, positions, size)
    cells = cells_of(poses, values.values, layer)[1]
    third = grid.at if len(grid.centres) == 2 else grid.centres[2][min(layer, len(grid.centres[2]) - 1)]
    ends = [(axis[0] - grid.step / 2.0, axis[-1] + grid.step / 2.0) for axis in grid.centres[:2]]
    rotation, origin = np.array(grid.rotation), np.array(grid.origin)
    normal = next(letter for letter in "xyz" if letter not in grid.axes[:2])
    corners = np.zeros((2, 2, 3))
    for row in range(2):
        for column in range(2):
            point = {grid.axes[0]: ends[0][column], grid.axes[1]: ends[1][row], normal: third}
            corners[row, column] = origin + rotation @ np.array([point[letter] for letter in "xyz"])
    return SpaceMap(_relative(cells), corners, positions, size)


def points_in_view(arm: Arm, poses: PoseSet) -> Array:
    """Points of the arm at the poses of a task, which the view has to hold. [m]

    Returns
    -------
    (n, 3)
    """
    joints = poses.configurations.joints
    chosen = joints[np.unique(np.linspace(0, len(joints) - 1, MOST_POSES).round().astype(int))]
    points: Array = np.asarray(arm.postures(chosen).points).reshape(-1, 3)
    return points


def _relative(values: Array) -> Array:
    finite = values[~np.isnan(values)]
    if not len(finite):
        return np.zeros_like(values)
    low, high = float(finite.min()), float(finite.max())
    return (values - low) / ((high - low) or 1.0)
