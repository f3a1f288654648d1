"""A volume cut open: the cuts hold the values of the map, the scene the same, and it turns in a browser without a network."""

from __future__ import annotations

import math
import os
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support import BROWSER, HANG, ROOT

import armsim
from armsim import figures
from armsim.figures import maps
from armsim.figures.volume import cuts
from armsim.report.run_folder import write_run_folder
from armsim.results import Result
from armsim.study import Study

MARGINS_ARE_EMPTY = """() => {
  const canvas = document.querySelector(".turning canvas"), {width, height} = canvas, sharp = devicePixelRatio || 1;
  const pen = canvas.getContext("2d"), rows = Math.floor(38 * sharp);
  const strips = [[0, 0, width, rows], [0, height - 2, width, 2], [0, 0, 2, height], [width - 2, 0, 2, height]];
  return strips.every(strip => pen.getImageData(...strip).data.every(level => level === 255));
}"""
"""Whether nothing is painted below the buttons of a scene, nor at its edges."""


@pytest.fixture(scope="module")
def study() -> Study:
    """A box at the edge of the reach, so that some cells cannot be reached, required what some cells keep to."""
    volume_study = armsim.load(ROOT / "scenarios" / "every-task.yaml").change(
        {
            "tasks.box.x": ["420 mm", "820 mm"],
            "tasks.box.y": ["-200 mm", "200 mm"],
            "tasks.box.z": ["0 mm", "400 mm"],
            "tasks.box.step": "100 mm",
            "requirement.position": "95 um",
        }
    )
    return volume_study.with_scenario(tasks=tuple(t for t in volume_study.scenario.tasks if t.name == "box")).with_plan(
        100, 5
    )


@pytest.fixture(scope="module")
def result(study: Study) -> Result:
    return study.run()


def test_cuts_hold_the_values_of_their_cells(result: Result) -> None:
    task = result.tasks[0]
    values = maps.on_grid(task, task.column("error.at_coverage"))
    planes = cuts(task, values)
    worst = float(np.nanmax(values))
    assert np.isnan(values).any()
    assert [plane.axis for plane in planes] == [0, 1, 2]
    positions = 1e3 * maps.in_grid(task, task.column("position"))
    for plane in planes:
        assert np.nanmax(plane.values) == worst
        assert np.all(plane.centres[:, plane.axis] == plane.at)
        for centre, corners, value in zip(plane.centres, plane.corners, plane.values, strict=True):
            assert np.allclose(corners.mean(axis=0), centre)
            assert np.ptp(corners[:, plane.axis]) == 0.0
            away = np.linalg.norm(positions - centre, axis=1)
            assert math.isnan(value) == (away.min() > 1e-3)
            if not math.isnan(value):
                assert value == task.column("error.at_coverage")[int(np.argmin(away))]


def test_what_cannot_be_reached_is_a_gap_and_never_a_value(result: Result) -> None:
    """Every face of the scene is a cell that is reached, with the value of the nearest pose in its text."""
    task = result.tasks[0]
    scene = figures.volume(result, task).scene
    assert scene is not None
    values = maps.on_grid(task, task.column("error.at_coverage"))
    planes = cuts(task, values)
    reached = sum(int((~np.isnan(plane.values)).sum()) for plane in planes)
    assert 0 < reached == len(scene.faces) < sum(len(plane.values) for plane in planes)
    positions, errors = 1e3 * maps.in_grid(task, task.column("position")), 1e6 * task.column("error.at_coverage")
    for face in scene.faces:
        nearest = int(np.argmin(np.linalg.norm(positions - face.corners.mean(axis=0), axis=1)))
        number = re.search(r": ([\d.]+) µm$", face.text)
        assert number is not None
        assert float(number[1]) == pytest.approx(errors[nearest], rel=0.01)
    assert scene.lines
    (ellipsoid,) = scene.ellipsoids
    assert np.allclose(ellipsoid.centre, positions[int(np.argmax(errors))], atol=1e-3)


def test_lines_of_the_requirement_lie_between_cells_that_keep_and_miss_it(result: Result) -> None:
    """Each point of a line is on an edge or diagonal between neighbours of which one is below 95 µm and one above."""
    task = result.tasks[0]
    scene = figures.volume(result, task).scene
    assert scene is not None
    positions, errors = 1e3 * maps.in_grid(task, task.column("position")), 1e6 * task.column("error.at_coverage")
    for point in np.concatenate(scene.lines):
        neighbours = errors[
            np.linalg.norm(positions - point, axis=1) <= 100.0 * 2**0.5 + 1e-6
        ]  # the diagonal of a cell
        assert neighbours.min() <= 95.0 <= neighbours.max()


def test_a_volume_of_one_layer_and_no_requirement(study: Study) -> None:
    flat = study.change({"tasks.box.z": ["200 mm", "200 mm"]})
    flat = flat.with_scenario(tasks=tuple(t for t in flat.scenario.tasks if t.name == "box"), requirement=None)
    target = flat.with_plan(50, 2).run()
    scene = figures.volume(target, target.tasks[0]).scene
    assert scene is not None
    assert len(scene.arm) > 2
    assert scene.faces
    assert not scene.lines


def test_a_slice_is_no_volume(result: Result) -> None:
    task = replace(result.tasks[0], grid=None)
    with pytest.raises(ValueError, match="is not a volume"):
        figures.volume(result, task)


@pytest.mark.skipif(BROWSER is None and "CI" not in os.environ, reason="no Chromium on this machine")
def test_it_turns_in_a_browser_and_fetches_nothing(study: Study, result: Result, tmp_path: Path) -> None:
    from playwright.sync_api import sync_playwright

    write_run_folder(tmp_path / "r", result, study.scenario, "armsim run")
    urls: list[str] = []
    wrong: list[str] = []
    options = ["--no-sandbox", "--host-resolver-rules=MAP * ~NOTFOUND"]
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=BROWSER, args=options)
        tab: Any = browser.new_page(viewport={"width": 1280, "height": 900})
        tab.set_default_timeout(1000 * HANG / 5)  # a thing that is not there fails soon, on a slow machine too
        tab.on("request", lambda request: urls.append(request.url))
        tab.on("console", lambda item: wrong.append(item.text) if item.type == "error" else None)
        tab.on("pageerror", lambda error: wrong.append(str(error)))
        tab.goto((tmp_path / "r" / "report.html").as_uri())
        tab.wait_for_selector(".turning canvas")
        view = "() => { const {azimuth, elevation, zoom} = document.querySelector('.turning').turningView; return [azimuth, elevation, zoom]; }"
        group = tab.locator(".turning").first
        group.scroll_into_view_if_needed()
        first, before = tab.evaluate(view), group.locator("canvas").screenshot()
        assert tab.evaluate(MARGINS_ARE_EMPTY), "the arm, the floor or a label touches the buttons or an edge"
        box = group.locator("canvas").bounding_box()
        x, y = box["x"] + box["width"] / 3, box["y"] + box["height"] / 3
        tab.mouse.move(x, y)
        tab.mouse.down()
        tab.mouse.move(x + 120, y + 30, steps=5)
        tab.mouse.up()
        assert tab.evaluate(view)[0] == pytest.approx(first[0] - 48.0)  # 0.4 degrees a pixel
        tab.wait_for_function(
            "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))"
        )
        assert group.locator("canvas").screenshot() != before
        group.locator("canvas").focus()  # reached by the keyboard, as the buttons are
        for key in ("ArrowUp", "ArrowLeft", "+"):
            tab.keyboard.press(key)
        turned = tab.evaluate(view)
        assert turned == pytest.approx([first[0] - 58.0, first[1] + 12.0 + 10.0, 1.25])
        tab.keyboard.press("Tab")
        tab.keyboard.press("Enter")  # the first button: turn left
        assert tab.evaluate(view)[0] == pytest.approx(turned[0] - 10.0)
        tab.keyboard.press("Home")
        assert tab.evaluate(view) == first
        assert len(group.locator("canvas").get_attribute("aria-label")) > 60
        tab.emulate_media(media="print")
        for place in tab.locator(".turning").all():
            assert place.is_hidden()
        for still in tab.locator(".plot:has(+ .turning)").all():
            assert still.is_visible()
        browser.close()
    assert wrong == []
    assert all(url.startswith(("file:", "data:", "blob:")) for url in urls)
