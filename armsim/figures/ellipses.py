"""Error ellipses and ellipsoids in their true directions, magnified."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from matplotlib.patches import Ellipse

from armsim.arrays import Array
from armsim.figures import maps, style
from armsim.figures.turning_scene import SceneEllipsoid, TurningScene
from armsim.formatting import plural, show
from armsim.results import Result, TaskResult
from armsim.results.ellipsoids import coverage_factor, ellipsoids

ACROSS = 11
"""Largest number of ellipses drawn along each direction of a slice."""
MOST = 14
"""Largest number of ellipsoids drawn in space."""


def error_ellipses(result: Result, task: TaskResult) -> style.Drawing:
    """Ellipses of the error within the plane of a slice: the regions that hold 95 % of normal errors."""
    grid = task.grid
    assert grid is not None
    turn = np.array(grid.rotation)
    across, up = (maps.LETTERS.index(letter) for letter in grid.axes)
    index = np.array(grid.pose).reshape(len(grid.centres[1]), len(grid.centres[0]))
    stride = max(1, math.ceil(max(index.shape) / ACROSS))
    cells = [
        (i, j)
        for i in range(stride // 2, index.shape[0], stride)
        for j in range(stride // 2, index.shape[1], stride)
        if index[i, j] >= 0
    ] or [tuple(np.argwhere(index >= 0)[0])]
    covariance = turn.T @ task.column("error.covariance") @ turn
    flat = covariance[:, [[across], [up]], [across, up]]
    semi_axes, directions = ellipsoids(flat)
    longest = max(float(semi_axes[index[i, j], 0]) for i, j in cells) or 1e-12
    factor = _round(0.45 * stride * grid.step / longest)
    with style.style():
        out, axes = maps.slice_axes(task)
        for i, j in cells:
            pose = index[i, j]
            a, b = 2e3 * factor * semi_axes[pose]
            angle = math.degrees(math.atan2(directions[pose, 0, 1], directions[pose, 0, 0]))
            centre = (grid.centres[0][j] * 1e3, grid.centres[1][i] * 1e3)
            look = {"facecolor": style.COLOURS[5], "edgecolor": style.COLOURS[0], "alpha": 0.9}
            axes.add_patch(Ellipse(centre, a, b, angle=angle, **look))
            axes_text = f"semi-axes {show(semi_axes[pose, 0])} and {show(semi_axes[pose, 1])}"
            out.annotate(axes, [centre[0]], [centre[1]], texts=[f"{task.poses.names[pose]}: {axes_text}"])
        handles = maps.mark(axes, task, maps.on_grid(task, task.column("error.rms")))
        style.legend_below(axes, handles)
        title = f"{task.name}: error ellipses, magnified {factor:g} times, longest {show(longest)}"
        axes.set_title(style.wrapped(title, 62))
        style.footnote(
            out,
            f"about the mean error, {coverage_factor(2):.3f} standard deviations, which hold 95 % of normal errors in "
            f"the plane (JCGM 102); {result.units} arms × {result.visits} visits",
        )
        out.scene = _spread_ellipsoids(task).scene(task, is_addition=True)
    return out


def view(result: Result, task: TaskResult) -> style.Drawing:
    """The arm at its worst pose in space, with the error ellipsoids of poses spread over the task."""
    sample = _spread_ellipsoids(task)
    worst, numbers, semi_axes, directions = sample.worst, sample.numbers, sample.semi_axes, sample.directions
    position, arm, size, longest, factor = sample.position, sample.arm, sample.size, sample.longest, sample.factor
    u, v = np.meshgrid(np.linspace(0, 2 * np.pi, 25), np.linspace(0, np.pi, 13))
    sphere = np.stack([np.cos(u) * np.sin(v), np.sin(u) * np.sin(v), np.cos(v)], axis=-1)
    with style.style():
        out = style.Drawing(figsize=(6.4, 5.2), layout="constrained")
        axes = out.add_subplot(projection="3d")
        for n, (half, turn, ellipse_centre) in enumerate(zip(semi_axes, directions, position, strict=True)):
            points = ellipse_centre + (sphere * (1e3 * factor * half)) @ turn
            colour = style.REQUIREMENT if numbers[n] == worst else style.COLOURS[0]
            axes.plot_surface(*np.moveaxis(points, -1, 0), color=colour, alpha=0.55, linewidth=0, rasterized=True)
        axes.plot(*arm.T, color="#222222", linewidth=2.4, marker="o", markersize=4)
        axes.scatter(*position.T, color="#222222", s=3)
        out.annotate(axes, *position.T, texts=sample.texts(task))
        low, high = np.concatenate([arm, position]).min(axis=0), np.concatenate([arm, position]).max(axis=0)
        middle, half_size = (low + high) / 2, 0.55 * size
        for set_limits, centre in zip((axes.set_xlim, axes.set_ylim, axes.set_zlim), middle, strict=True):
            set_limits(centre - half_size, centre + half_size)
        axes.set_box_aspect((1, 1, 1))
        axes.set(xlabel="x [mm]", ylabel="y [mm]", zlabel="z [mm]")
        title = f"{task.name}: error ellipsoids, magnified {factor:g} times, longest {show(longest)}"
        style.titled(out, title)
        style.footnote(
            out,
            f"red: worst pose, {task.poses.names[worst]}, at which the arm is drawn; {coverage_factor(3):.3f} "
            f"standard deviations, which hold 95 % of normal errors (JCGM 102); {len(numbers)} of "
            f"{plural(len(task.poses), 'pose')}, evenly spaced in the order of the task",
        )
        out.scene = sample.scene(task)
    return out


class _SpreadEllipsoids(NamedTuple):
    """Ellipsoids at poses spread over a task, and the arm at its worst pose.

    Parameters
    ----------
    worst : int
        Number of the worst pose.
    numbers : list of int
        Numbers of the poses.
    semi_axes : (poses, 3) [m]
    directions : (poses, 3, 3)
        One unit vector per row.
    position : (poses, 3) [mm]
    arm : (points, 3) [mm]
    size : float [mm]
        Largest extent of arm and poses.
    longest : float [m]
        Longest semi-axis.
    factor : float
        Magnification.
    """

    worst: int
    numbers: list[int]
    semi_axes: Array
    directions: Array
    position: Array
    arm: Array
    size: float
    longest: float
    factor: float

    def texts(self, task: TaskResult) -> list[str]:
        """Pose and longest semi-axis of every ellipsoid."""
        pairs = zip(self.numbers, self.semi_axes, strict=True)
        return [f"{task.poses.names[n]}: longest semi-axis {show(half[0])}" for n, half in pairs]

    def scene(self, task: TaskResult, is_addition: bool = False) -> TurningScene:
        """The same for a page, in which it turns."""
        axes = 1e3 * self.factor * self.semi_axes[:, :, None] * self.directions
        rows = zip(self.position, axes, self.texts(task), self.numbers, strict=True)
        items = [SceneEllipsoid(centre, axis, text, n == self.worst) for centre, axis, text, n in rows]
        return TurningScene(self.arm, items, is_addition=is_addition)


def _spread_ellipsoids(task: TaskResult) -> _SpreadEllipsoids:
    """Ellipsoids at poses that are evenly spaced in the order of a task, the worst pose among them."""
    count = min(MOST, len(task.poses))
    worst = int(np.argmax(task.column("error.at_coverage")))
    numbers = sorted({worst, *np.linspace(0, len(task.poses) - 1, count).astype(int).tolist()})
    semi_axes, directions = ellipsoids(task.column("error.covariance")[numbers])
    position = task.column("position")[numbers] * 1e3
    arm = np.array(task.skeleton) * 1e3
    size = float(np.ptp(np.concatenate([arm, position]), axis=0).max()) or 1.0  # an arm without length is a point
    longest = float(semi_axes.max()) or 1e-12
    # large enough to see the shape, small enough that neighbours stay apart
    distances = np.linalg.norm(position[:, None] - position[None], axis=2)
    spacing = float(np.median(np.sort(distances, axis=1)[:, 1])) if len(position) > 1 else size
    factor = _round(max(min(0.1 * size, 0.5 * spacing), 0.02 * size) / (1e3 * longest))
    return _SpreadEllipsoids(worst, numbers, semi_axes, directions, position, arm, size, longest, factor)


def _round(value: float) -> float:
    """The next lower of 1, 2, 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (5.0, 2.0, 1.0) if step * power <= value * (1 + 1e-9))
