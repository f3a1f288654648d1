"""Charts of the page, as plain JSON for the plotting library in the browser."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypedDict

import numpy as np

from armsim.arrays import Array
from armsim.explorer.space_map import cells_of
from armsim.explorer.view_model import Values, plain
from armsim.report.frame import Exact
from armsim.requirement import Judgement
from armsim.results import NEAR_SINGULAR
from armsim.tasks import PoseSet

SCALE = "Cividis"
"""Perceptually uniform colour scale, also for colour-blind readers and in grey."""
DIFFERENCE = "RdBu"
BASE, SECOND = "#1f77b4", "#d08a00"
MARKS = {"near-singular": ("#ffffff", "#000000"), "limit": ("#8b0000", "#ffffff")}
"""Marks on a map, each with its halo, which differs from it so much that one of the two is seen on any colour."""
MOST_BARS = 60
MOST_SHARES = 9


class Chart(TypedDict):
    """Figure of plotly (data, layout, config), and what it shows as a table with units in the header."""

    data: list[dict[str, Any]]
    layout: dict[str, Any]
    config: dict[str, Any]
    table: Exact


@dataclass(frozen=True)
class Theme:
    """Colours of text and lines, light or dark."""

    ink: str
    line: str
    faint: str
    limit: str

    @staticmethod
    def of(dark: bool) -> Theme:
        """Colours of a dark or a light page."""
        return DARK_THEME if dark else LIGHT_THEME


LIGHT_THEME = Theme("#222222", "#bbbbbb", "#e2e2e2", "#c1121f")
DARK_THEME = Theme("#e8e8e8", "#555555", "#3a3a3a", "#ff8a8a")


def layout(theme: Theme, title: str, **settings: Any) -> dict[str, Any]:
    """Layout common to all charts, with further settings."""
    return {
        "title": {"text": title, "x": 0.0, "xanchor": "left", "font": {"size": 13}, "pad": {"l": 8}},
        "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"color": theme.ink, "size": 11, "family": "Arial, sans-serif"},
        "margin": {"l": 52, "r": 8, "t": 30, "b": 38}, "hovermode": "closest", "uirevision": "constant",
        "showlegend": False, **settings,
    }  # fmt: skip


CONFIG = {"displayModeBar": False, "responsive": True, "scrollZoom": False}
UNRESPONSIVE = {**CONFIG, "responsive": False}
"""Configuration of a temporary chart: it must not wait for its container's size."""


def over_poses(
    poses: PoseSet,
    values: Values,
    conditioning: Array,
    chosen: int | None,
    theme: Theme,
    layer: int = 0,
    signed: bool = False,
    scale: tuple[float, float] | None = None,
) -> Chart:
    """Chart of a measure over the poses of a task: a map of cells, a line along a path, or bars.

    Parameters
    ----------
    poses : PoseSet
    values : Values
    conditioning : (poses,)
        Inverse condition number; poses below `NEAR_SINGULAR` are marked.
    chosen : int, optional
        Number of the highlighted pose.
    layer : int
        Layer of a volume.
    signed : bool
        Whether the values are differences, for a colour scale about zero.
    scale : (low, high), optional
        Ends of the colour scale, such as of several charts in common; those of the values where not given.

    Returns
    -------
    Chart
    """
    if poses.grid is not None:
        return _cells(poses, values, conditioning, chosen, theme, layer, signed, scale)
    count = len(poses.names)
    along = poses.along is not None
    x: list[Any] = (1e3 * poses.along).tolist() if poses.along is not None else list(poses.names)
    if not along and count > MOST_BARS:
        x = list(range(1, count + 1))
    trace: dict[str, Any] = {
        "x": x, "y": plain(values.values), "customdata": list(range(count)), "text": list(poses.names),
        "hovertemplate": "%{text}: %{y:.4g} " + values.unit + "<extra></extra>",
    }  # fmt: skip
    if along:
        trace |= {"type": "scatter", "mode": "lines", "line": {"color": BASE, "width": 2}}
    else:
        colours = [SECOND if n == chosen else BASE for n in range(count)]
        trace |= {"type": "bar", "marker": {"color": colours}}
    data = [trace]
    if values.limit is not None:
        data.append(limit_line([x[0], x[-1]], [values.limit] * 2, theme))
    axes = {
        "xaxis": {"title": {"text": "along the path [mm]" if along else ""}, "gridcolor": theme.faint},
        "yaxis": {"title": {"text": f"[{values.unit}]"}, "rangemode": "tozero", "gridcolor": theme.faint},
    }
    columns: dict[str, Sequence[Any]] = {"pose": poses.names}
    if along:
        columns["along the path [mm]"] = x
    columns[header(values.title, values.unit)] = trace["y"]
    table = table_of(columns, header("required", values.unit), values.limit)
    return {"data": data, "layout": layout(theme, values.title, **axes), "config": CONFIG, "table": table}


def header(name: str, unit: str) -> str:
    """Header of a column of a file: name and unit, in letters that every program reads."""
    return f"{name} [{unit.replace('µ', 'u')}]" if unit else name


def displayed(unit: str) -> str:
    """Unit of a file as it is displayed: micro is written u there."""
    return f"µ{unit[1:]}" if unit in ("um", "urad", "us") else unit


def table_of(columns: Mapping[str, Sequence[Any]], limit_header: str = "", limit: float | None = None) -> Exact:
    """Table of columns by their headers, with a column of the limit where there is one."""
    rows: list[tuple[Any, ...]] = list(zip(*columns.values(), strict=True))
    if limit is None:
        return Exact(list(columns), rows)
    return Exact([*columns, limit_header], [(*row, limit) for row in rows])


def limit_line(x: list[Any], y: list[Any], theme: Theme) -> dict[str, Any]:
    """Dashed line of a limit through points."""
    line = {"color": theme.limit, "width": 2, "dash": "dash"}
    return {"type": "scatter", "mode": "lines", "x": x, "y": y, "line": line, "hoverinfo": "skip", "name": "required"}


def _cells(
    poses: PoseSet,
    values: Values,
    conditioning: Array,
    chosen: int | None,
    theme: Theme,
    layer: int,
    signed: bool,
    scale: tuple[float, float] | None,
) -> Chart:
    grid = poses.grid
    assert grid is not None  # checked by the caller
    index, cells = cells_of(poses, values.values, layer)
    reached = index >= 0
    x, y = ((1e3 * np.array(axis)).round(6).tolist() for axis in grid.centres[:2])
    finite = cells[~np.isnan(cells)]
    low, high = (float(finite.min()), float(finite.max())) if len(finite) else (0.0, 1.0)
    if scale is not None:
        low, high = scale
    elif signed:
        high = max(abs(low), abs(high)) or 1.0
        low = -high
    elif values.unit == "%":
        low, high = 0.0, max(high, 1.0)
    a, b = grid.axes[0], grid.axes[1]
    heat = {
        "type": "heatmap", "x": x, "y": y, "z": plain(cells), "customdata": index.tolist(), "zmin": low, "zmax": high,
        "colorscale": DIFFERENCE if signed else SCALE, "reversescale": signed, "hoverongaps": False,
        "colorbar": {"title": {"text": values.unit, "side": "right"}, "thickness": 12, "outlinewidth": 0, "len": 0.95},
        "hovertemplate": f"{a} %{{x:g}} mm, {b} %{{y:g}} mm: %{{z:.4g}} {values.unit}<extra></extra>",
    }  # fmt: skip
    reason_at = {
        "type": "heatmap", "x": x, "y": y, "z": plain(np.where(reached, np.nan, 1.0)), "showscale": False,
        "colorscale": [[0, theme.faint], [1, theme.faint]], "hoverinfo": "skip", "hoverongaps": False,
    }  # fmt: skip
    data: list[dict[str, Any]] = [reason_at, heat]
    if values.limit is not None and len(finite) and low < values.limit < high:
        data += limit_contour(x, y, plain(cells), values.limit)
    near_singular = reached & (conditioning[np.maximum(index, 0)] < NEAR_SINGULAR)
    rows, columns = np.nonzero(near_singular)
    if len(rows):
        data += _marks([x[k] for k in columns], [y[k] for k in rows], "x-thin", "near-singular", 7)
    if chosen is not None and np.any(index == chosen):
        row, column = (int(numbers[0]) for numbers in np.nonzero(index == chosen))
        data += _marks([x[column]], [y[row]], "circle-open", "limit", 14)
    axes = {
        "xaxis": {"title": {"text": f"{grid.axes[0]} [mm]", "standoff": 4}, "showgrid": False, "zeroline": False,
                  "constrain": "domain"},
        "yaxis": {"title": {"text": f"{grid.axes[1]} [mm]", "standoff": 4}, "showgrid": False, "zeroline": False,
                  "scaleanchor": "x"},
    }  # fmt: skip
    reached_cells = np.argwhere(reached)
    numbers_of_poses = index[reached]
    columns_of_table: dict[str, Sequence[Any]] = {
        "pose": [poses.names[number] for number in numbers_of_poses],
        header(a, "mm"): [x[column] for _, column in reached_cells],
        header(b, "mm"): [y[row] for row, _ in reached_cells],
        header(values.title, values.unit): plain(cells[reached]),
        "near-singular": ["yes" if conditioning[number] < NEAR_SINGULAR else "no" for number in numbers_of_poses],
    }
    table = table_of(columns_of_table, header("required", values.unit), values.limit)
    # the library fits axes of equal scales to another extent only in a new plot, which another setting makes
    config = {**CONFIG, "extent": [x[0], x[-1], y[0], y[-1]]}
    return {"data": data, "layout": layout(theme, values.title, **axes), "config": config, "table": table}


def limit_contour(x: list[float], y: list[float], z: Any, limit: float) -> list[dict[str, Any]]:
    """Contour of a limit on a map, over its halo."""
    contour = {
        "type": "contour", "x": x, "y": y, "z": z, "showscale": False, "hoverinfo": "skip",
        "contours": {"type": "constraint", "operation": "=", "value": limit}, "fillcolor": "rgba(0,0,0,0)",
    }  # fmt: skip
    colour, halo = MARKS["limit"]
    return [{**contour, "line": {"color": halo, "width": 5.5}}, {**contour, "line": {"color": colour, "width": 2.5}}]


def _marks(x: list[float], y: list[float], symbol: str, kind: str, size: int) -> list[dict[str, Any]]:
    """Marks over their halo."""
    out = []
    for colour, width in zip(MARKS[kind][::-1], (5, 2), strict=True):
        marker = {"symbol": symbol, "color": colour, "size": size, "line": {"width": width, "color": colour}}
        out.append({"type": "scatter", "mode": "markers", "x": x, "y": y, "marker": marker, "hoverinfo": "skip"})
    return out


def contributions(rows: Sequence[tuple[str, str, float]], theme: Theme) -> Chart:
    """Bar chart of the largest shares of joints and causes, the largest on top."""
    largest = list(rows[:MOST_SHARES])[::-1]
    names = [f"{owner}: {cause}" for owner, cause, _ in largest]
    sizes = [100.0 * share for _, _, share in largest]
    trace = {
        "type": "bar", "orientation": "h", "x": sizes,
        "y": [name if len(name) < 34 else f"{name[:32]}…" for name in names],
        "marker": {"color": BASE}, "text": [f"{size:.3g} %" for size in sizes], "textposition": "auto",
        "hovertext": names, "hovertemplate": "%{hovertext}: %{x:.3g} %<extra></extra>",
    }  # fmt: skip
    horizontal = layout(
        theme, "", margin={"l": 4, "r": 4, "t": 2, "b": 22}, bargap=0.25,
        xaxis={"gridcolor": theme.faint, "ticksuffix": " %"},
        yaxis={"automargin": True, "tickfont": {"size": 10}, "ticksuffix": "  "},
    )  # fmt: skip
    table = Exact(("joint", "cause", header("share", "%")), [(o, cause, 100.0 * share) for o, cause, share in rows])
    return {"data": [trace], "layout": horizontal, "config": CONFIG, "table": table}


def sweep_chart(unit: str, lines: Mapping[str, Sequence[tuple[float, Judgement]]], theme: Theme, title: str) -> Chart:
    """Chart of a sweep: a criterion against a number in a unit, per task, with its interval and its limit."""
    data: list[dict[str, Any]] = []
    judgements = [judgement for rows in lines.values() for _, judgement in rows]
    display = max(judgements, key=lambda judgement: abs(judgement.value)).display_unit
    for n, (name, rows) in enumerate(lines.items()):
        colour = (BASE, SECOND, "#2f8f6b", "#7a6fb0")[n % 4]
        x = [number for number, _ in rows]
        ends = [judgement.interval or (judgement.value, judgement.value) for _, judgement in rows]
        middle = np.array([judgement.value for _, judgement in rows])
        low, high = np.array(ends).T
        data.append({"type": "scatter", "x": x + x[::-1], "fill": "toself",
                     "y": plain(display.factor * high) + plain(display.factor * low)[::-1],
                     "fillcolor": colour, "opacity": 0.2, "line": {"width": 0}, "hoverinfo": "skip",
                     "showlegend": False})  # fmt: skip
        data.append({"type": "scatter", "mode": "lines+markers", "x": x, "y": plain(display.factor * middle),
                     "name": name, "line": {"color": colour}, "showlegend": True})  # fmt: skip
    limits = {rows[0][1].limit for rows in lines.values()} - {None}
    x = [number for number, _ in next(iter(lines.values()))]
    data += [limit_line([x[0], x[-1]], [display.factor * limit] * 2, theme) for limit in limits if limit is not None]
    axes = {
        "xaxis": {"title": {"text": f"[{displayed(unit)}]" if unit else ""}, "gridcolor": theme.faint},
        "yaxis": {"title": {"text": f"{judgements[0].statistic} [{display.name}]"}, "rangemode": "tozero",
                  "gridcolor": theme.faint},
        "legend": {"orientation": "h", "y": -0.25}, "showlegend": True,
    }  # fmt: skip
    figure, unit_name = judgements[0].statistic, display.name
    names = ("task", header(title, unit), header(figure, unit_name))
    ends_names = (header(f"{figure}, {end}", unit_name) for end in ("low", "high"))
    table = Exact(
        (*names, *ends_names, header("required", unit_name)),
        [
            (name, number, *_scaled(display.factor, judgement))
            for name, rows in lines.items()
            for number, judgement in rows
        ],
    )
    return {"data": data, "layout": {**layout(theme, title), **axes}, "config": UNRESPONSIVE, "table": table}


def _scaled(factor: float, judgement: Judgement) -> tuple[float | None, ...]:
    """Value, ends of its interval and limit; None where there is none."""
    low, high = judgement.interval or (None, None)
    return tuple(None if value is None else factor * value for value in (judgement.value, low, high, judgement.limit))
