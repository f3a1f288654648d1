"""A volume cut open at its worst cell, with the requirement and the arm: a picture and an interactive scene."""

from __future__ import annotations

from typing import Any, NamedTuple

import matplotlib as mpl
import numpy as np
from contourpy import contour_generator
from matplotlib.lines import Line2D
from mpl_toolkits.mplot3d.art3d import Poly3DCollection

from armsim.arrays import Array
from armsim.figures import maps, style
from armsim.figures.limit_scale import LimitScale
from armsim.figures.turning_scene import SceneEllipsoid, SceneFace, TurningScene
from armsim.formatting import show, significant
from armsim.results import MapQuantity, Result, TaskResult
from armsim.results.ellipsoids import ellipsoids

ARM, LOST = "#222222", "#d9d9d9"
ELLIPSOID = 0.08
"""Longest semi-axis of the ellipsoid of a scene, as a share of the arm."""
SHARE = 0.08
"""Margin around the arm and the cells, as a share of their size."""
ASIDE = 35.0
"""Azimuth between the line of sight and the arm, so that it does not hide the planes. [deg]"""


class Cut(NamedTuple):
    """A plane of cells through the worst cell of a volume.

    Parameters
    ----------
    axis : int
        Index of the axis normal to the plane: 0, 1, 2 for x, y, z.
    at : float [mm]
        Position of the plane along that axis.
    corners : (cells, 4, 3) [mm]
    centres : (cells, 3) [mm]
    values : (cells,)
        Values in the unit shown; nan in cells that cannot be reached.
    shape : tuple of int
        Number of cells along the two directions of the plane.
    """

    axis: int
    at: float
    corners: Array
    centres: Array
    values: Array
    shape: tuple[int, int]


def volume(result: Result, task: TaskResult, measure: MapQuantity = "error") -> style.Drawing:
    """Three cuts through the worst cell of a volume, the requirement as a line, the arm at its worst pose.

    Raises
    ------
    ValueError
        The task is not a volume.
    """
    cells = maps.cell_measure(result, task, measure, 3)
    factor, unit, limit = cells.factor, cells.unit, cells.limit
    planes = cuts(task, cells.values * factor)
    arm = maps.in_grid(task, np.array(task.skeleton)) * 1e3
    scale = LimitScale.of(cells.values * factor, None if limit is None else limit * factor)
    norm, colours = scale.norm, scale.colours
    corners = np.concatenate([plane.corners for plane in planes])
    values = np.concatenate([plane.values for plane in planes])
    with style.style():
        out = style.Drawing(figsize=(6.4, 5.2), layout="constrained")
        axes = out.add_subplot(projection="3d", computed_zorder=False)
        faces = np.where(np.isnan(values)[:, None], mpl.colors.to_rgba(LOST, 0.5), colours(norm(values)))
        axes.add_collection3d(Poly3DCollection(list(corners), facecolors=faces, edgecolors=faces, linewidths=0.2))
        handles = [Line2D([], [], color=ARM, marker="o", markersize=4, label="arm at the worst pose")]
        if limit is not None and float(np.nanmin(values)) < limit * factor < float(np.nanmax(values)):
            for plane in planes:
                _requirement(axes, plane, limit * factor)
            required = f"required {limit * factor:.4g} {unit}"
            handles.append(Line2D([], [], color=style.REQUIREMENT, label=required))
        axes.plot(*arm.T, color="white", linewidth=4.5, solid_capstyle="round", zorder=6)
        axes.plot(*arm.T, color=ARM, linewidth=2.2, marker="o", markersize=4, zorder=7)
        everything = np.concatenate([corners.reshape(-1, 3), arm])
        low, high = everything.min(axis=0), everything.max(axis=0)
        margin = SHARE * float((high - low).max())
        axes.set(xlim=(low[0] - margin, high[0] + margin), ylim=(low[1] - margin, high[1] + margin))
        axes.set_zlim(low[2] - margin, high[2] + margin)
        axes.set_box_aspect(tuple(high - low + 2 * margin), zoom=1.1)
        axes.set(xlabel="x [mm]", ylabel="y [mm]", zlabel="z [mm]")
        axes.view_init(elev=24, azim=_view_azimuth(planes, arm))
        centres = np.concatenate([plane.centres for plane in planes])
        reachable = ~np.isnan(values)
        out.annotate(axes, *centres[reachable].T, texts=[
            f"x {x:g} mm, y {y:g} mm, z {z:g} mm: {significant(value)} {unit}"
            for (x, y, z), value in zip(centres[reachable], values[reachable], strict=True)
        ])  # fmt: skip
        bar = mpl.cm.ScalarMappable(norm, colours)
        scale.mark(out.colorbar(bar, ax=axes, shrink=0.7, pad=0.12, label=f"{cells.label} [{unit}]"))
        style.titled(out, cells.finding)
        style.legend_below(axes, handles)
        lost_note = "; grey: cannot be reached" if np.isnan(values).any() else ""
        cut_text = ", ".join(f"{maps.LETTERS[plane.axis]} {plane.at:g} mm" for plane in planes)
        style.footnote(
            out,
            f"cut at {cut_text}, through the worst of {len(task.poses)} poses{lost_note}; {result.units} arms × "
            f"{result.visits} visits",
        )
        out.scene = _scene(task, cells, scale, planes, arm)
    return out


def cuts(task: TaskResult, values: Array) -> tuple[Cut, ...]:
    """The three planes of cells through the worst one, of values of shape (z, y, x)."""
    grid = task.grid
    assert grid is not None
    centres = [np.array(along) * 1e3 for along in grid.centres]
    half = grid.step * 1e3 / 2
    worst = np.unravel_index(int(np.nanargmax(values)), values.shape)[::-1]
    out = []
    for axis in range(3):
        first, second = (direction for direction in range(3) if direction != axis)
        a, b = np.meshgrid(centres[first], centres[second], indexing="ij")
        middle = np.empty((a.size, 3))
        middle[:, first], middle[:, second], middle[:, axis] = a.ravel(), b.ravel(), centres[axis][worst[axis]]
        corners = np.repeat(middle[:, None], 4, axis=1)
        corners[:, :, first] += half * np.array([-1.0, 1.0, 1.0, -1.0])
        corners[:, :, second] += half * np.array([-1.0, -1.0, 1.0, 1.0])
        cells = np.moveaxis(values.transpose(2, 1, 0), axis, 0)[worst[axis]]
        out.append(Cut(axis, float(centres[axis][worst[axis]]), corners, middle, cells.ravel(), a.shape))
    return tuple(out)


def _requirement(axes: Any, cut: Cut, limit: float) -> None:
    """Draw the contour of a plane on which the requirement is just met."""
    values = cut.values.reshape(cut.shape)
    if min(cut.shape) < 2 or not np.nanmin(values) < limit < np.nanmax(values):
        return
    coordinates = [cut.centres[:, axis].reshape(cut.shape) for axis in range(3)]
    coordinates[cut.axis] = np.ma.masked_invalid(values)
    look = {"levels": [limit], "colors": style.REQUIREMENT, "linewidths": 1.8, "zorder": 5}
    axes.contour(*coordinates, zdir=maps.LETTERS[cut.axis], offset=cut.at, **look)


def _view_azimuth(planes: tuple[Cut, ...], arm: Array) -> float:
    """Azimuth of a view in which the arm is in front of the planes. [deg]"""
    plane_positions = np.array([plane.at for plane in planes])
    to_arm = arm.mean(axis=0) - plane_positions
    straight = float(np.degrees(np.arctan2(to_arm[1], to_arm[0]))) if np.any(to_arm[:2]) else -90.0
    return straight + ASIDE


def _scene(
    task: TaskResult, cells: maps.CellMeasure, scale: LimitScale, planes: tuple[Cut, ...], arm: Array
) -> TurningScene:
    """Scene for the page: cuts, lines on which the requirement is just met, the arm and the ellipsoid at its tool."""
    faces, lines = [], []
    limit = None if cells.limit is None else cells.limit * cells.factor
    for plane in planes:
        for corners, (x, y, z), value in zip(plane.corners, plane.centres, plane.values, strict=True):
            if not np.isnan(value):  # what cannot be reached is a gap
                colour = mpl.colors.to_hex(scale.colours(scale.norm(value)))
                text = f"x {x:g} mm, y {y:g} mm, z {z:g} mm: {significant(value)} {cells.unit}"
                faces.append(SceneFace(corners, colour, text))
        if limit is not None and min(plane.shape) > 1:
            lines += _limit_lines(plane, limit)
    worst = int(np.argmax(task.column("error.at_coverage")))
    half, turn = (part[0] for part in ellipsoids(task.column("error.covariance")[[worst]]))
    grid = task.grid
    assert grid is not None
    size = ELLIPSOID * float(np.ptp(arm, axis=0).max() or 1.0)
    axes = size * half[:, None] / (float(half.max()) or 1.0) * (turn @ np.array(grid.rotation))
    text = f"{task.poses.names[worst]}, worst pose: longest semi-axis {show(half[0])}"
    return TurningScene(
        arm, (SceneEllipsoid(arm[-1], axes, text, True),), faces, lines, _view_azimuth(planes, arm), is_addition=True
    )


def _limit_lines(cut: Cut, limit: float) -> list[Array]:
    """Lines of a plane on which the requirement is just met."""
    first, second = (axis for axis in range(3) if axis != cut.axis)
    a, b = (cut.centres[:, axis].reshape(cut.shape) for axis in (first, second))
    out = []
    for line in contour_generator(a, b, np.ma.masked_invalid(cut.values.reshape(cut.shape))).lines(limit):
        points = np.full((len(line), 3), cut.at)
        points[:, [first, second]] = line
        out.append(points)
    return out
