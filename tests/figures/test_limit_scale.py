"""Colours of maps on the scale of the limit, gauges, and the histogram of built arms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from support import ROOT

import armsim
from armsim import figures
from armsim.figures import style
from armsim.figures.gauges import COLOURS, LONGEST, MOST_GAUGES
from armsim.figures.limit_scale import ABOVE, LimitScale, hatch_cells
from armsim.formatting import percent
from armsim.requirement import Judgement
from armsim.results import Result


@pytest.fixture(scope="module")
def result() -> Result:
    study = armsim.load(ROOT / "scenarios" / "every-task.yaml").with_plan(units=60, visits=4)
    return study.run()


def test_a_design_at_a_tenth_of_its_limit_is_dark() -> None:
    """The same value has the same colour whatever the other cells hold, and the colour of the limit is the brightest."""
    few, many = LimitScale.of(np.array([6.0, 12.0]), 120.0), LimitScale.of(np.array([12.0, 119.0]), 120.0)
    assert few.colours(few.norm(12.0)) == many.colours(many.norm(12.0))
    brightness = [sum(few.colours(few.norm(value))[:3]) for value in np.linspace(0.0, 120.0, 25)]
    assert all(np.diff(brightness) > 0.0)
    assert not few.exceeded


def test_above_the_limit_begins_another_colour() -> None:
    scale = LimitScale.of(np.array([30.0, np.nan, 400.0]), 120.0)
    assert scale.exceeded
    below, over = (scale.colours(float(scale.norm(value)))[:3] for value in (119.99, 121.0))
    assert np.abs(np.subtract(over, to_rgb(ABOVE[0]))).max() < 0.02
    assert np.abs(np.subtract(over, below)).max() > 0.25
    assert scale.colours(float(scale.norm(400.0)))[:3] == pytest.approx(to_rgb(ABOVE[1]), abs=0.01)


def test_without_a_limit_the_values_set_the_scale() -> None:
    scale = LimitScale.of(np.array([30.0, np.nan, 400.0]), None)
    assert (scale.norm(30.0), scale.norm(400.0)) == (0.0, 1.0)
    assert scale.handles("um") == []


def test_marked_cells_alone_are_hatched() -> None:
    """Source: the pixels of two cells, one of them marked."""
    with style.style():
        out = style.Drawing(figsize=(2, 1), dpi=50, facecolor="black")
        axes = out.add_axes((0, 0, 1, 1), xlim=(0, 2), ylim=(0, 1))
        axes.set_axis_off()
        hatch_cells(axes, np.arange(3.0), np.arange(2.0), np.array([[False, True]]))
        canvas = FigureCanvasAgg(out)
        canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())[..., 0]
    assert np.all(pixels[:, :49] == 0)
    assert np.mean(pixels[:, 51:] > 0) > 0.05


def test_a_gauge_ends_at_figure_over_limit(result: Result) -> None:
    every = figures.required(result)
    rows = every[:MOST_GAUGES]
    figure = figures.gauges(result)
    bars = [bar for bar in figure.axes[0].patches if to_rgb(bar.get_facecolor()[:3]) in map(to_rgb, COLOURS.values())]
    bars = [bar for bar in bars if bar.get_y() > -1.0]
    assert len(bars) == len(rows) > 3
    assert len(every) > MOST_GAUGES  # those not drawn count too
    met = sum(one.state == "met" for _, one in every)
    assert figure.finding.startswith(f"{met} of {len(every)} criteria met")
    assert f"{len(rows)} of {len(every)} criteria" in figure.note
    for (_, one), bar in zip(reversed(rows), bars, strict=True):
        assert one.limit is not None
        assert bar.get_width() == pytest.approx(min(one.value / one.limit, LONGEST))
        assert to_rgb(bar.get_facecolor()[:3]) == to_rgb(COLOURS[one.state])
    states = [one.state for _, one in rows]
    if "not met" in states:
        assert states[0] == "not met"  # what decides stands first


def test_nothing_required_has_no_gauges(result: Result) -> None:
    def open_(one: Judgement) -> Judgement:
        return replace(one, limit=None, state="none stated")

    tasks = tuple(
        replace(task, summary=replace(task.summary, judgements=tuple(map(open_, task.summary.judgements))))
        for task in result.tasks
    )
    bare = replace(result, tasks=tasks, judgements=tuple(map(open_, result.judgements)))
    assert figures.required(bare) == []
    with pytest.raises(ValueError, match="nothing is required"):
        figures.gauges(bare)


def test_areas_of_the_histogram_are_the_shares_of_arms(result: Result) -> None:
    """Those at the left of the limit add up to the yield by the curve; a bin never lies on both sides of it."""
    task = result.task("everywhere")
    assert task.yield_curve is not None
    figure = figures.arms(result, task)
    (limit,) = {one.limit for _, one in figures.required(result) if one.criterion == "position"}
    assert limit is not None
    bars = figure.axes[0].patches
    width = np.median([bar.get_width() for bar in bars])
    areas = np.array([bar.get_height() * bar.get_width() / width for bar in bars])
    below = np.array([bar.get_x() + bar.get_width() <= 1e6 * limit * (1 + 1e-9) for bar in bars])
    above = np.array([bar.get_x() >= 1e6 * limit * (1 - 1e-9) for bar in bars])
    assert (below ^ above).all()
    curve = task.yield_curve
    expected = float(np.interp(limit, [0.0, *curve.position], [0.0, *curve.share]))
    assert areas[below].sum() / 100.0 == pytest.approx(expected, abs=0.01)
    assert areas.sum() / 100.0 == pytest.approx(curve.largest, abs=0.01)


def test_the_finding_of_the_histogram_is_that_of_the_yield(result: Result) -> None:
    task = result.task("everywhere")
    assert task.summary.yield_ is not None
    finding = figures.arms(result, task).finding
    assert f"{percent(1.0 - task.summary.yield_.value)} of built arms fail 120 µm" in finding
    assert finding != figures.yield_curve(result, task).finding  # each has a slide of its own
