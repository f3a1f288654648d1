"""Charts of the results of jobs: sweeps, compared designs, the population of built arms."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from armsim.criteria import smallest_limit
from armsim.decide import Comparison
from armsim.decide.sweep import Sweep
from armsim.decide.sweep_map import SweepMap
from armsim.explorer import charts, view_model
from armsim.explorer.charts import Chart, Theme, header
from armsim.explorer.session import Session
from armsim.formatting import unit_for
from armsim.requirement import Judgement
from armsim.results import Result, TaskResult


def charts_of(result: Any, session: Session, theme: Theme) -> Iterator[Chart]:
    """Charts of a result; none where its tables say all."""
    if isinstance(result, Sweep):
        for criterion in result.criteria:
            yield charts.sweep_chart(result.unit, result.judgements_by_task(criterion), theme, result.path)
    elif isinstance(result, SweepMap):
        for criterion in result.sweeps[0].criteria:
            for name in result.sweeps[0].judgements_by_task(criterion):
                yield sweep_map_chart(result, name, criterion, theme)
    elif isinstance(result, Result):
        for task in result.tasks:
            if task.yield_curve is not None:
                yield arms_chart(result, task, theme)
    elif isinstance(result, Comparison):
        yield from _small_multiples(result, session, theme)
        yield from _differences(result, session, theme)


def _small_multiples(comparison: Comparison, session: Session, theme: Theme) -> Iterator[Chart]:
    """Maps of every compared design, of one task on one scale of colours."""
    for number, poses in enumerate(session.poses):
        tasks = [result.tasks[number] for result in comparison.results]
        if poses.grid is None or any(len(task.poses) != len(poses.names) for task in tasks):
            continue
        columns = [1e6 * np.asarray(task.column("error.at_coverage")) for task in tasks]
        limit = smallest_limit(comparison.results[0].required_at(tasks[0].name), False, "error")
        scale = min(map(np.min, columns)), max(map(np.max, columns))
        for result, task, column in zip(comparison.results, tasks, columns, strict=True):
            values = view_model.Values(
                column, "µm", None if limit is None else 1e6 * limit, f"{task.name}: {result.scenario}"
            )
            conditioning = np.asarray(task.column("conditioning"))
            yield charts.over_poses(poses, values, conditioning, None, theme, scale=(float(scale[0]), float(scale[1])))


def _differences(comparison: Comparison, session: Session, theme: Theme) -> Iterator[Chart]:
    names = [task.name for task in comparison.results[0].tasks]
    for row in comparison.differences:
        poses = session.poses[names.index(row.task)]
        cells = poses.grid is not None and len(poses.grid.axes) == 2
        if cells and len(row.values) == len(poses.names):
            title = f"{row.task}: {row.scenario} less {comparison.results[0].scenario}"
            values = view_model.Values(1e6 * row.values, "µm", None, title)
            yield charts.over_poses(poses, values, np.ones(len(row.values)), None, theme, signed=True)


def sweep_map_chart(sweep_map: SweepMap, task: str, criterion: str, theme: Theme) -> Chart:
    """Map of a criterion of a task over two numbers, with its limit."""
    rows: list[list[Judgement]] = sweep_map.judgements(task, criterion)
    first, second = sweep_map, sweep_map.sweeps[0]
    display = max(
        (judgement for row in rows for judgement in row), key=lambda judgement: abs(judgement.value)
    ).display_unit
    z = [[display.factor * judgement.value for judgement in row] for row in rows]
    x, y = [point.number for point in second.points], [float(value.split()[0]) for value in first.values]
    heat = {
        "type": "heatmap", "x": x, "y": y, "z": z, "colorscale": charts.SCALE,
        "colorbar": {"title": {"text": display.name, "side": "right"}, "thickness": 12, "outlinewidth": 0},
        "hovertemplate": f"%{{x:g}}, %{{y:g}}: %{{z:.4g}} {display.name}<extra></extra>",
    }  # fmt: skip
    limit = rows[0][0].limit
    data: list[dict[str, Any]] = [heat]
    if limit is not None and np.min(z) < display.factor * limit < np.max(z):
        data += charts.limit_contour(x, y, z, display.factor * limit)
    unit = first.values[0].partition(" ")[2]
    axes = {
        "xaxis": {"title": {"text": _axis(second.path, second.unit)}, "showgrid": False},
        "yaxis": {"title": {"text": _axis(first.path, unit)}, "showgrid": False},
    }
    title = f"{task}: {rows[0][0].statistic}"
    pairs = [(second, first, z[row][column]) for row, first in enumerate(y) for column, second in enumerate(x)]
    columns = dict(zip(
        (header(second.path, second.unit), header(first.path, unit), header(title, display.name)),
        zip(*pairs, strict=True), strict=True,
    ))  # fmt: skip
    scaled = None if limit is None else display.factor * limit
    table = charts.table_of(columns, header("required", display.name), scaled)
    layout = charts.layout(theme, title, **axes)
    return {"data": data, "layout": layout, "config": charts.UNRESPONSIVE, "table": table}


def _axis(path: str, unit: str) -> str:
    return f"{path} [{charts.displayed(unit)}]" if unit else path


def arms_chart(result: Result, task: TaskResult, theme: Theme) -> Chart:
    """Histogram of the built arms by the smallest position requirement that each passes, with the limit."""
    from armsim.figures.population_figures import ArmHistogram

    curve = task.yield_curve
    assert curve is not None  # checked by the caller
    limit = smallest_limit(result.required_at(task.name), task.follows_path, "error")
    histogram = ArmHistogram.from_curve(curve, limit)
    unit = unit_for([float(max(curve.position))])
    ends = unit.factor * histogram.edges
    bars = {
        "type": "bar", "x": (0.5 * (ends[:-1] + ends[1:])).tolist(), "y": histogram.heights.tolist(),
        "width": np.diff(ends).tolist(),
        "marker": {"color": [charts.SECOND if fails else charts.BASE for fails in histogram.beyond_limit]},
        "hovertemplate": "%{customdata:.3g} % of arms<extra></extra>", "customdata": histogram.portions.tolist(),
    }  # fmt: skip
    data: list[dict[str, Any]] = [bars]
    if limit is not None:
        data.append(charts.limit_line([unit.factor * limit] * 2, [0.0, float(histogram.heights.max())], theme))
    axes = {
        "xaxis": {"title": {"text": f"{histogram.label} [{unit.name}]"}, "gridcolor": theme.faint},
        "yaxis": {"title": {"text": "built arms [%]"}, "rangemode": "tozero", "gridcolor": theme.faint},
        "bargap": 0,
    }
    columns = {
        header(f"{histogram.label}, from", unit.name): ends[:-1].tolist(),
        header(f"{histogram.label}, to", unit.name): ends[1:].tolist(),
        header("built arms", "%"): histogram.portions.tolist(),
    }
    table = charts.table_of(columns, header("required", unit.name), None if limit is None else unit.factor * limit)
    layout = charts.layout(theme, task.name, **axes)
    return {"data": data, "layout": layout, "config": charts.UNRESPONSIVE, "table": table}
