"""The page in a real Chromium, by playwright: no network but this machine, no error in its console."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from support import BROWSER, HANG, ROOT, invoke
from test_session import CATALOGUE, small

import armsim

pytestmark = pytest.mark.skipif(BROWSER is None and "CI" not in os.environ, reason="no Chromium on this machine")
GL = (
    "--no-sandbox",
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
    "--enable-unsafe-swiftshader",
    "--use-angle=swiftshader",
    "--use-gl=angle",
)
ENVIRONMENT = {key: value for key, value in os.environ.items() if not key.startswith("PYTEST")} | {
    "PYTHONPATH": str(ROOT)
}
"""Of the server: its library behaves otherwise where it believes to be tested."""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """The address of a page, and the folder of its scenario."""
    place = tmp_path_factory.mktemp("explored")
    words = [
        sys.executable,
        "-m",
        "armsim.cli.main",
        "explore",
        str(small(place)),
        "--catalogue",
        str(CATALOGUE),
        "--no-browser",
    ]
    server = subprocess.Popen(words, stderr=subprocess.PIPE, text=True, cwd=place, env=ENVIRONMENT)
    assert server.stderr is not None
    address = ""
    for line in server.stderr:
        if match := re.search(r"open (http://\S+)", line):
            address = match[1]
            break
    assert address
    yield address, place
    server.terminate()
    assert server.wait(HANG) is not None


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One Chromium for all tabs."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=BROWSER, args=list(GL))
        yield chromium
        chromium.close()


@pytest.fixture
def page(served: tuple[str, Path], browser: Any) -> Iterator[Any]:
    """A tab, whose every request and word of the console is kept."""
    tab = browser.new_page(viewport={"width": 1280, "height": 800})
    tab.wrong, tab.urls = [], []
    tab.on("console", lambda item: tab.wrong.append(item.text) if item.type == "error" else None)
    tab.on("pageerror", lambda error: tab.wrong.append(str(error)))
    tab.on("request", lambda request: tab.urls.append(request.url))
    tab.set_default_timeout(1000 * HANG / 5)  # a thing that is not there fails soon, on a slow machine too
    tab.goto(served[0])
    sampled(tab)
    yield tab
    tab.close()
    assert tab.wrong == []
    hosts = {urlsplit(url).hostname for url in tab.urls if not url.startswith(("data:", "blob:"))}
    assert hosts == {"127.0.0.1"}  # nothing is fetched from elsewhere


def named(name: str) -> str:
    return f"[data-name={name}]"


def sampled(tab: Any) -> None:
    """Wait until every arm of the scenario is sampled."""
    tab.wait_for_function("/^\\d+ arms sampled/.test(document.querySelector('[data-name=stage]')?.innerText || '')")


def number(tab: Any, name: str) -> str:
    return str(tab.inner_text(f'[data-number="{name}"]'))


def changed(tab: Any, do: Callable[[], None]) -> None:
    """Do something, and wait until the answer of another design is shown whole."""
    before = tab.get_attribute(named("stage"), "data-design")
    do()
    tab.wait_for_function(
        "(old) => { const stage = document.querySelector('[data-name=stage]'); const key = stage.dataset.design;"
        " return key && key !== old && /^\\d+ arms sampled/.test(stage.innerText) }",
        arg=before,
    )


def choose(tab: Any, place: str, what: str) -> None:
    tab.click(place)
    tab.get_by_role("option", name=what, exact=True).click()


def test_a_still_scene_is_not_drawn_again(page: Any) -> None:
    """Where the processors draw, a scene drawn twenty times a second would hold up every number."""
    frames = (
        "() => getElement(Number(document.querySelector('[data-name=arm]').id.slice(1))).renderer.info.render.frame"
    )
    later = """(last) => { window.seen = window.seen ?? []; const now = (%s)();
      window.seen = now === window.seen[0] ? [now, window.seen[1] + 1] : [now, 0]; return window.seen[1] > 30; }"""
    page.wait_for_function(later % frames, polling=50)  # thirty looks, more than a second, without a new picture
    before = page.evaluate(frames)
    page.click(named("worst"))
    page.click(named("task"))
    page.get_by_role("option", name="stations").click()
    page.wait_for_function(f"(before) => ({frames})() > before", arg=before)


def test_it_shows_what_a_run_says(page: Any, served: tuple[str, Path]) -> None:
    """Map, arm, numbers; the numbers are those of the Python API to the digit."""
    result = armsim.load(served[1] / "cell.yaml").run()
    summary = result.task("side view").summary
    for judgement in summary.judgements:
        assert number(page, judgement.statistic) == judgement.figure
    assert page.inner_text(named("verdict")) == f"requirement {result.state}"
    page.wait_for_selector(".js-plotly-plot .hm")
    assert page.locator("canvas").count() >= 1
    assert "times as large" in page.inner_text(named("scale"))
    assert "not a safety function" in page.inner_text("body")
    choose(page, named("task"), "stations")
    page.wait_for_function(
        "/^worst pose: (tray|glue|holder|camera)$/.test(document.querySelector('[data-name=at-pose]').innerText)"
    )
    choose(page, named("task"), "side view")


def test_an_encoder_moves_the_numbers_as_much_as_the_api_says(page: Any, served: tuple[str, Path]) -> None:
    study = armsim.load(served[1] / "cell.yaml")
    price = float(number(page, "price"))
    changed(page, lambda: choose(page, '[data-joint="j1"]', "disc 35 512 c"))
    reference = {"joints.j1.encoder": f"{os.path.relpath(CATALOGUE, served[1])}#disc 35 512 c"}
    summary = study.change(reference).run().task("side view").summary
    assert number(page, "95 % of errors") == summary.judgements[0].figure
    assert float(number(page, "price")) == price - 12 + 33
    changed(page, lambda: page.click(named("undo")))
    assert float(number(page, "price")) == price
    changed(page, lambda: page.click(named("redo")))
    changed(page, lambda: page.keyboard.press("Control+z"))


def test_a_typed_number_wrong_and_right(page: Any) -> None:
    page.click('[data-open="j2"]')
    field = page.locator('input[data-path="joints.j2.mounting.eccentricity"]')
    before = number(page, "95 % of errors")
    field.fill("20 kg")
    field.press("Enter")
    page.wait_for_selector(".q-field--error")
    assert number(page, "95 % of errors") == before
    changed(page, lambda: (field.fill("60 um"), field.press("Enter")))  # type: ignore[func-returns-value]
    assert page.locator(".q-field--error").count() == 0
    changed(page, lambda: page.click(named("undo")))
    assert number(page, "95 % of errors") == before


def test_a_slider_moves_it(page: Any) -> None:
    page.click('[data-open="j3"]')
    page.click('[aria-label="slide mastering of j3"]')
    page.wait_for_selector(f"{named('slider')}[aria-valuenow='8']")
    slider = page.locator(f"{named('slider')} [tabindex='0']").first
    slider.focus()
    changed(page, lambda: slider.press("ArrowRight"))
    changed(page, lambda: page.click(named("undo")))


def test_a_group_is_changed_together_pinned_and_compared(page: Any) -> None:
    page.click(named("pin"))
    page.get_by_role("button", name="its group").click()
    changed(page, lambda: choose(page, '[data-placement="j2"]', "output"))
    page.wait_for_function(
        "() => [1, 2, 3, 4].map(n => document.querySelector(`[data-placement=j${n}]`).closest('label').innerText)"
        ".map(text => text.includes('output')).join() === 'true,true,true,false'"
    )
    page.click(named("pin"))
    page.click(named("compare"))
    page.wait_for_selector("text=points")
    assert "yield" in page.inner_text("body")
    page.get_by_role("button", name="this joint").click()
    changed(page, lambda: page.click(named("undo")))


def test_pointing_at_a_pose(page: Any) -> None:
    page.click(named("worst"))
    page.wait_for_function("document.querySelector('[data-name=at-pose]').innerText.startsWith('pose: ')")
    before = page.inner_text(named("at-pose"))
    box = page.locator(".js-plotly-plot .hm").first.bounding_box()
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 0.5 * box["height"])
    page.mouse.move(box["x"] + 0.27 * box["width"], box["y"] + 0.5 * box["height"], steps=4)
    page.wait_for_function("(old) => document.querySelector('[data-name=at-pose]').innerText !== old", arg=before)


def test_longer_questions(page: Any) -> None:
    page.click(named("sweep"))
    page.fill(f"input{named('sweep-values')}", "5um..25um:3")
    page.click(named("sweep-go"))
    page.wait_for_selector("text=95 % of errors [µm]")
    page.click(named("worth"))
    page.wait_for_selector(named("halt"))
    page.click(named("halt"))
    page.wait_for_selector(named("halt"), state="detached")
    output = page.locator(named("work-error"))
    assert output.count() == 0 or output.inner_text() == "stopped"  # done before, or stopped


def test_saved_run_and_reloaded(page: Any, served: tuple[str, Path], tmp_path: Path) -> None:
    """What is saved runs to the same digits; a reload and a second tab show the design that stands."""
    changed(page, lambda: choose(page, '[data-joint="j1"]', "disc 26 512"))
    display = number(page, "95 % of errors")
    page.click(named("save"))
    page.fill(f"input{named('save-name')}", "../evil.yaml")
    page.click(named("save-go"))
    page.wait_for_selector(".q-field--error")
    page.fill(f"input{named('save-name')}", "mine.yaml")
    page.click(named("save-go"))
    page.wait_for_selector("text=saved: mine.yaml")
    process = invoke("run", served[1] / "mine.yaml", "--out", tmp_path / "out")
    assert display.replace(" µm", "") in process.stdout
    assert not (served[1].parent / "evil.yaml").exists()
    page.reload()
    sampled(page)
    assert number(page, "95 % of errors") == display
    changed(page, lambda: page.click(named("undo")))


def test_the_review_is_handed_over(page: Any, tmp_path: Path) -> None:
    page.click(named("review"))
    page.wait_for_selector(named("download"))
    with page.expect_download() as waiting:
        page.click(named("download"))
    path = tmp_path / "review.zip"
    waiting.value.save_as(path)
    shutil.unpack_archive(path, tmp_path)
    assert (tmp_path / "review" / "report.html").exists()
    assert (tmp_path / "review" / "report.pdf").exists()
    assert (tmp_path / "review" / "results.json").exists()


def test_strangers_are_refused(served: tuple[str, Path]) -> None:
    """Another host, another origin, no token: 403, and nothing of the page."""
    address = urlsplit(served[0])
    for headers, query in (
        ({"Host": "evil.example"}, f"?{address.query}"),
        ({"Origin": "http://evil.example"}, f"?{address.query}"),
        ({}, ""),
        ({}, "?token=guess"),
    ):
        request = urllib.request.Request(f"http://{address.netloc}/{query}", headers=headers)
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(request, timeout=HANG)
        assert refused.value.code == 403
        assert b"joints" not in refused.value.read()


def test_names_with_markup_are_text(tmp_path: Path, browser: Any) -> None:
    """A scenario whose name and pose are markup shows them as they are, and runs nothing."""
    path = small(tmp_path, 128)
    evil = "<img src=x onerror=window.hit=1><b>cell</b>"
    path.write_text(
        path.read_text().replace("bonding cell, small discs on all motors", evil).replace('"tray"', f'"{evil}"')
    )
    words = [sys.executable, "-m", "armsim.cli.main", "explore", str(path), "--no-browser"]
    server = subprocess.Popen(words, stderr=subprocess.PIPE, text=True, cwd=tmp_path, env=ENVIRONMENT)
    assert server.stderr is not None
    address = next(match[1] for line in server.stderr if (match := re.search(r"open (http://\S+)", line)))
    try:
        tab = browser.new_page()
        tab.set_default_timeout(1000 * HANG / 5)  # a thing that is not there fails soon, on a slow machine too
        tab.goto(address)
        sampled(tab)
        choose(tab, named("task"), "stations")
        tab.wait_for_selector("text=<b>cell</b>")
        assert tab.evaluate("window.hit") is None
        tab.close()
    finally:
        server.terminate()
        server.wait(HANG)
