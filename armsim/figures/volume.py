"""A volume cut open at its worst cell, with the requirement and the arm: a picture and an interactive scene."""

from __future__ import annotations

from typing import Any, NamedTuple

import matplotlib as mpl
import numpy as np
from matplotlib.lines import Line2D
from mpl_toolkits.mplot3d.art3d import Poly3DCollection

from armsim.arrays import Array
from armsim.figures import maps, style
from armsim.figures.limit_scale import LimitScale
from armsim.formatting import significant
from armsim.results import MapQuantity, Result, TaskResult

ARM, LOST = "#222222", "#d9d9d9"
STEPS = 65
"""Colours of the scale of a scene."""
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
    at = np.array([plane.at for plane in planes])
    to_arm = arm.mean(axis=0) - at
    straight = float(np.degrees(np.arctan2(to_arm[1], to_arm[0]))) if np.any(to_arm[:2]) else -90.0
    return straight + ASIDE


def _scene(
    task: TaskResult, cells: maps.CellMeasure, scale: LimitScale, planes: tuple[Cut, ...], arm: Array
) -> dict[str, Any]:
    """Scene for plotly.js: cuts, the surface on which the requirement is just met, the arm."""
    grid = task.grid
    assert grid is not None
    values = cells.values * cells.factor
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    least, most = float(scale.norm.vmin or 0.0), float(scale.norm.vmax or 0.0)
    steps = np.linspace(0.0, 1.0, STEPS)
    step_colours = [mpl.colors.to_hex(scale.colours(scale.norm(least + step * (most - least)))) for step in steps]
    flat_light = {"ambient": 1.0, "diffuse": 0.0, "specular": 0.0, "fresnel": 0.0}  # colours are values
    colourscale = [[step, colour] for step, colour in zip(steps.tolist(), step_colours, strict=True)]
    look = {"cmin": least, "cmax": most, "colorscale": colourscale, "showscale": False, "lighting": flat_light}
    data: list[dict[str, Any]] = []
    for plane in planes:
        x, y = (np.round(plane.centres[:, k].reshape(plane.shape), 3).tolist() for k in range(2))
        z = _plain(np.where(np.isnan(plane.values), np.nan, plane.centres[:, 2]).reshape(plane.shape))  # a gap
        colours = _plain(plane.values.reshape(plane.shape))
        name = f"cut at {maps.LETTERS[plane.axis]} {plane.at:g} mm"
        if min(plane.shape) > 1:
            flat = {"x": x, "y": y, "z": z}
            hover = f"x %{{x:g}}, y %{{y:g}}, z %{{z:g}} mm<br>%{{surfacecolor:.4g}} {cells.unit}<extra></extra>"
            data.append({"type": "surface", **flat, "surfacecolor": colours, **look, "name": name, "showlegend": True,
                         "hovertemplate": hover, "contours": {k: {"highlight": False} for k in "xyz"}})  # fmt: skip
    if data:
        bar = {"title": {"text": f"[{cells.unit}]"}, "len": 0.7, "x": 1.0}
        data[0] |= {"showscale": True, "colorbar": bar}
    limit = None if cells.limit is None else cells.limit * cells.factor
    if limit is not None and low < limit < high and min(values.shape) > 1:
        z, y, x = np.meshgrid(*(np.array(along) * 1e3 for along in grid.centres[::-1]), indexing="ij")
        outside = 2 * high  # unreachable cells do not meet the requirement
        data.append({
            "type": "isosurface", "x": np.round(x.ravel(), 3).tolist(), "y": np.round(y.ravel(), 3).tolist(),
            "z": np.round(z.ravel(), 3).tolist(), "value": _plain(np.where(np.isnan(values), outside, values).ravel()),
            "isomin": limit, "isomax": limit, "surface": {"count": 1}, "caps": {k: {"show": False} for k in "xyz"},
            "colorscale": [[0, style.REQUIREMENT], [1, style.REQUIREMENT]], "showscale": False, "opacity": 0.35,
            "name": f"required {limit:.4g} {cells.unit} is just met", "showlegend": True, "hoverinfo": "name",
        })  # fmt: skip
    x, y, z = (np.round(arm[:, k], 3).tolist() for k in range(3))
    look = {"line": {"color": ARM, "width": 8}, "marker": {"color": ARM, "size": 4}, "hoverinfo": "name"}
    name = "arm at the worst pose"
    data.append({"type": "scatter3d", "mode": "lines+markers", "x": x, "y": y, "z": z, "name": name, **look})
    titles = {f"{k}axis": {"title": {"text": f"{k} [mm]"}} for k in "xyz"}
    azimuth = np.radians(_view_azimuth(planes, arm))
    camera = {"eye": {"x": 1.9 * float(np.cos(azimuth)), "y": 1.9 * float(np.sin(azimuth)), "z": 0.9}}
    layout = {
        "scene": {"aspectmode": "data", "camera": camera, **titles}, "margin": dict.fromkeys("lrtb", 0), "height": 560,
        "paper_bgcolor": "#ffffff", "font": {"color": "#1b1f24"}, "legend": {"orientation": "h", "y": 0.0},
    }  # fmt: skip
    return {"data": data, "layout": layout}


def _plain(values: Array) -> Any:
    """Nested lists of numbers to four digits, None for nan."""
    return [_plain(row) for row in values] if values.ndim > 1 else [
        None if np.isnan(value) else float(f"{value:.4g}") for value in values
    ]  # fmt: skip
