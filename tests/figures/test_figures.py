"""Figures are drawn from results alone, and their titles say what the results say."""

from dataclasses import replace
from functools import partial
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure
from support import ROOT

import armsim
from armsim import figures
from armsim.figures import maps
from armsim.formatting import show
from armsim.report.drawing import DOCUMENT, Planned, draw_one
from armsim.report.gallery import figures_of
from armsim.report.pictures import Extras
from armsim.results import Result, TaskResult
from armsim.results.pose_table import PoseTable


@pytest.fixture(scope="module")
def result() -> Result:
    study = armsim.load(ROOT / "scenarios" / "every-task.yaml").with_plan(units=60, visits=4)
    return study.run()


def titles(figure: Figure) -> str:
    title = figure.get_suptitle() if hasattr(figure, "get_suptitle") else ""
    return " ".join([title, *(axes.get_title(loc) for axes in figure.axes for loc in ("left", "center"))])


def check_drawing(figure: Figure) -> None:
    figure.canvas.draw()


def test_every_kind_of_task_is_there(result: Result) -> None:
    assert {task.kind for task in result.tasks} == {"poses", "iso-poses", "path", "slice", "volume", "cloud"}


@pytest.mark.parametrize("measure", ["error", "accuracy", "repeatability", "orientation"])
def test_maps_of_a_slice(result: Result, measure: str) -> None:
    task = result.task("tilted")
    figure = figures.error_map(result, task, measure)  # type: ignore[arg-type]
    column = {
        "error": "error.at_coverage",
        "accuracy": "accuracy.p95",
        "repeatability": "repeatability.p95",
        "orientation": "orientation_error.p95",
    }[measure]
    worst = float(np.nanmax(task.column(column)))
    assert (f"{worst * 1e6:.3g} urad" if measure == "orientation" else show(worst)) in titles(figure).replace("\n", " ")
    check_drawing(figure)


def test_every_figure_says_what_it_shows(result: Result) -> None:
    """Its finding is the title on pages and slides, which take it off the picture."""
    every = list(figures_of(result, Extras()))
    assert len(every) > 20
    for planned in every:
        figure = planned.draw()
        assert len(figure.finding) > 10, planned.name


def test_contributions_add_up(result: Result) -> None:
    """Source: shares of a pose sum to one."""
    task = result.task("tilted")
    from armsim.figures.contribution_maps import share_by_owner

    np.testing.assert_allclose(sum(share_by_owner(task).values()), 1.0, rtol=1e-9)
    check_drawing(figures.dominant_joint(result, task))
    check_drawing(figures.group_share(result, task))


def test_ellipses_lie_in_the_plane_of_the_slice(result: Result) -> None:
    """Source: variance along a direction of the plane, by the covariance in the base frame."""
    task = result.task("tilted")
    figure = figures.error_ellipses(result, task)
    (axes,) = (axes for axes in figure.axes if axes.patches)
    factor = float(titles(figure).split("magnified ")[1].split(" times")[0])
    assert task.grid is not None
    first = axes.patches[0]
    x, y = np.array(first.center) / 1e3  # type: ignore[attr-defined]
    column = int(np.argmin(np.abs(np.array(task.grid.centres[0]) - x)))
    row = int(np.argmin(np.abs(np.array(task.grid.centres[1]) - y)))
    pose = task.grid.pose[row * len(task.grid.centres[0]) + column]
    angle = np.radians(first.angle)  # type: ignore[attr-defined]
    turn = np.array(task.grid.rotation)
    along = turn @ np.array([np.cos(angle), np.sin(angle), 0.0])
    variance = along @ task.column("error.covariance")[pose] @ along
    assert first.width / 2e3 / factor == pytest.approx(2.4477 * np.sqrt(variance), rel=1e-3)  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", ["stations", "acceptance", "bead", "box", "everywhere"])
def test_views_in_space(result: Result, name: str) -> None:
    check_drawing(figures.view(result, result.task(name)))


def test_a_path_and_its_reversals(result: Result) -> None:
    task = result.task("bead")
    figure = figures.path_error(result, task)
    assert task.reversals
    lower = figure.axes[1]
    dotted = {line.get_xdata()[0] for line in lower.lines if line.get_linestyle() == ":"}  # type: ignore[index]
    assert dotted == {turn.along * 1e3 for turn in task.reversals}
    check_drawing(figure)
    with pytest.raises(ValueError, match="not a path"):
        figures.path_error(result, result.task("box"))


def test_layers_and_distributions(result: Result) -> None:
    check_drawing(figures.layers(result, result.task("box")))
    for name in ("box", "everywhere"):
        figure = figures.distribution(result, result.task(name))
        check_drawing(figure)
        values = np.sort(result.task(name).column("error.at_coverage"))
        line = figure.axes[0].lines[1]
        np.testing.assert_allclose(np.asarray(line.get_ydata())[-1], 100.0)
        np.testing.assert_allclose(np.asarray(line.get_xdata()) / np.asarray(line.get_xdata())[-1], values / values[-1])
    with pytest.raises(ValueError, match="not a volume"):
        figures.layers(result, result.task("tilted"))
    with pytest.raises(ValueError, match="not a slice"):
        figures.error_map(result, result.task("box"))


def with_hole(task: TaskResult) -> TaskResult:
    """The slice with its first cell unreachable and its second near-singular."""
    assert task.grid is not None
    values = task.poses.rows[1:].copy()
    table = PoseTable(task.poses.names[1:], task.poses.share_names, values)
    table.column("conditioning")[:] = 0.5
    table.column("conditioning")[0] = 1e-4
    grid = replace(task.grid, pose=tuple(n - 1 for n in task.grid.pose))
    return replace(task, poses=table, grid=grid)


def test_what_cannot_be_reached_and_what_is_near_singular_is_marked(result: Result) -> None:
    task = with_hole(result.task("tilted"))
    figure = figures.error_map(result, task)
    labels = [text.get_text() for axes in figure.axes if axes.get_legend() for text in axes.get_legend().get_texts()]
    assert "cannot be reached" in labels
    assert "near-singular (1 pose)" in labels
    assert np.isnan(maps.on_grid(task, task.column("error.rms"))).sum() == 1


def test_settings_of_matplotlib_are_left_alone(result: Result) -> None:
    before = dict(mpl.rcParams)
    figures.view(result, result.task("box"))
    figures.error_map(result, result.task("tilted"))
    assert dict(mpl.rcParams) == before


@pytest.mark.filterwarnings("error")
def test_axes_keep_their_room_at_half_a_page(result: Result, tmp_path: Path) -> None:
    """Long entries of a legend stand in one column: in two they leave no room for the axes, as matplotlib warns."""
    (tmp_path / DOCUMENT).mkdir()
    for task in result.tasks:
        draw_one(tmp_path, Planned("population", "population", "", partial(figures.population, result, task)))
