"""A volume cut open: the cuts hold the values of the map, the scene the same, and it turns in a browser without a network."""

from __future__ import annotations

import math
import os
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
    scene = figures.volume(result, result.tasks[0]).scene
    assert scene is not None
    surfaces = [item for item in scene["data"] if item["type"] == "surface"]
    assert len(surfaces) == 3
    gaps = 0
    for surface in surfaces:
        z, values = np.array(surface["z"], dtype=float), np.array(surface["surfacecolor"], dtype=float)
        assert np.array_equal(np.isnan(z), np.isnan(values))
        gaps += int(np.isnan(z).sum())
    assert gaps > 0
    (limit,) = (item for item in scene["data"] if item["type"] == "isosurface")
    assert limit["isomin"] == limit["isomax"] == pytest.approx(95.0)
    unreached = np.array(maps.on_grid(result.tasks[0], result.tasks[0].column("error.at_coverage")))
    assert np.isnan(np.array(limit["value"], dtype=float)).sum() == 0
    assert np.all(np.array(limit["value"])[np.isnan(unreached).ravel()] > 95.0)


def test_a_volume_of_one_layer_and_no_requirement(study: Study) -> None:
    flat = study.change({"tasks.box.z": ["200 mm", "200 mm"]})
    flat = flat.with_scenario(tasks=tuple(t for t in flat.scenario.tasks if t.name == "box"), requirement=None)
    target = flat.with_plan(50, 2).run()
    scene = figures.volume(target, target.tasks[0]).scene
    assert scene is not None
    assert [part["type"] for part in scene["data"]] == ["surface", "scatter3d"]


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
    options = ["--no-sandbox", "--host-resolver-rules=MAP * ~NOTFOUND", "--enable-unsafe-swiftshader"]
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=BROWSER, args=[*options, "--use-angle=swiftshader"])
        tab: Any = browser.new_page(viewport={"width": 1280, "height": 900})
        tab.set_default_timeout(1000 * HANG / 5)  # a thing that is not there fails soon, on a slow machine too
        tab.on("request", lambda request: urls.append(request.url))
        tab.on("console", lambda item: wrong.append(item.text) if item.type == "error" else None)
        tab.on("pageerror", lambda error: wrong.append(str(error)))
        tab.goto((tmp_path / "r" / "report.html").as_uri())
        tab.wait_for_selector(".turning canvas")
        tab.wait_for_function("document.querySelector('.turning').previousElementSibling.hidden")
        camera = "() => JSON.stringify(document.querySelector('.turning')._fullLayout.scene._scene.getCamera().eye)"
        before = tab.evaluate(camera)
        tab.locator(".turning").scroll_into_view_if_needed()
        box = tab.locator(".turning").bounding_box()
        x, y = box["x"] + box["width"] / 3, box["y"] + box["height"] / 3
        tab.mouse.move(x, y)
        tab.mouse.down()
        tab.mouse.move(x + 120, y + 30, steps=5)
        tab.mouse.up()
        tab.wait_for_function(f"(before) => ({camera})() !== before", arg=before)
        tab.emulate_media(media="print")
        assert tab.locator(".turning").is_hidden()
        assert tab.locator(".plot:has(+ .turning)").is_visible()
        browser.close()
    assert wrong == []
    assert all(url.startswith(("file:", "data:", "blob:")) for url in urls)
