"""The page in a real Chromium, by playwright: no network but this machine, no error in its console."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
import yaml
from support import BROWSER, HANG, ROOT, invoke
from test_session import CATALOGUE, small

import armsim
from armsim.explorer import recent, tour
from armsim.explorer.session_file import read_session_file
from armsim.requirement import deciding_judgement

pytestmark = pytest.mark.skipif(BROWSER is None and "CI" not in os.environ, reason="no Chromium on this machine")
AXE = Path(os.environ.get("HTML_CHECKERS", "")) / "node_modules" / "axe-core" / "axe.min.js"
"""File of axe-core, which `.ci/run` installs."""
GL = (
    "--no-sandbox",
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
    "--enable-unsafe-swiftshader",
    "--use-angle=swiftshader",
    "--use-gl=angle",
    "--disable-gpu-compositing",  # the page put together by the processors: by the software of the GPU it takes nine times as long
)
ENVIRONMENT = {key: value for key, value in os.environ.items() if not key.startswith("PYTEST")} | {
    "PYTHONPATH": str(ROOT)
}
"""Of the server: its library behaves otherwise where it believes to be tested."""
BLANK_FIGURES = """
import sys
from armsim.cli.main import main
from armsim.report import drawing
def blank(path, figure):
    path.with_name(path.name + ".svg").write_text('<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"/>')
    return ()
drawing.save_figure = blank
sys.argv[0] = "armsim"
main()
"""
"""The command, which saves figures blank: to lay them out takes nine tenths of the time of a review."""
MARKUP = "<img src=x onerror=window.hit=1><b>cell</b>"


@contextmanager
def server_of(folder: Path, *words: object) -> Iterator[str]:
    """The address of a page, by the command in a folder; at the end the server is interrupted and ends with 0."""
    command = [sys.executable, "-c", BLANK_FIGURES, "explore", "--no-browser", *words]
    server = subprocess.Popen(
        [str(word) for word in command], stderr=subprocess.PIPE, text=True, cwd=folder, env=ENVIRONMENT
    )
    assert server.stderr is not None
    lines: list[str] = []
    try:
        for line in server.stderr:
            lines.append(line)
            if match := re.search(r"open (http://\S+)", line):
                yield match[1]
                break
        else:
            raise AssertionError("".join(lines))
    finally:
        server.send_signal(signal.SIGINT)
        ending = server.stderr.read()
        assert server.wait(HANG) == 0, ending
        assert ending.startswith("ended")


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """The address of a page, and the folder of its scenario, of which the name and a pose are markup."""
    place = tmp_path_factory.mktemp("explored")
    path = small(place)
    text = path.read_text().replace("bonding cell, small discs on all motors", MARKUP).replace('"tray"', f'"{MARKUP}"')
    path.write_text(text)
    tour.remember()
    with server_of(place, path, "--catalogue", CATALOGUE) as address:
        yield address, place


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One Chromium for all tabs."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=BROWSER, args=list(GL))
        yield chromium
        chromium.close()


def opened(browser: Any, address: str) -> Any:
    """A tab, whose every request and word of the console is kept, with every arm sampled.

    The first one waits for the kernels that the server compiles.
    """
    tab = watched(browser)
    tab.goto(address)
    sampled(tab)
    tab.set_default_timeout(1000 * HANG / 5)  # a thing that is not there fails soon, on a slow machine too
    return tab


def watched(browser: Any) -> Any:
    """A tab of a browser or of one of its contexts, whose every request and word of the console is kept."""
    tab = browser.new_page()
    tab.set_viewport_size({"width": 1280, "height": 800})
    tab.wrong, tab.urls, tab.used = [], [], False
    tab.on("console", lambda item: tab.wrong.append(item.text) if item.type == "error" else None)
    tab.on("pageerror", lambda error: tab.wrong.append(str(error)))
    tab.on("request", lambda request: tab.urls.append(request.url))
    tab.set_default_timeout(1000 * HANG)
    return tab


@pytest.fixture(scope="module")
def tab(served: tuple[str, Path], browser: Any) -> Iterator[Any]:
    """One tab for all tests: a page takes some seconds to be built."""
    tab = opened(browser, served[0])
    yield tab
    tab.close()
    hosts = {urlsplit(url).hostname for url in tab.urls if not url.startswith(("data:", "blob:"))}
    assert hosts == {"127.0.0.1"}  # nothing is fetched from elsewhere


@pytest.fixture
def page(tab: Any) -> Iterator[Any]:
    """The tab at the design as read; a test leaves it so, or the next one begins with the page built anew."""
    if tab.used:
        tab.reload()
        sampled(tab)
    tab.used = True
    yield tab
    assert tab.wrong == []
    while not tab.is_disabled(named("undo")):
        changed(tab, lambda: tab.click(named("undo")))
    tab.used = False


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


FRAMES = "() => getElement(Number(document.querySelector('[data-name=arm]').id.slice(1))).renderer.info.render.frame"
STILL = f"""(last) => {{ window.seen = window.seen ?? []; const now = ({FRAMES})();
  window.seen = now === window.seen[0] ? [now, window.seen[1] + 1] : [now, 0]; return window.seen[1] > 30; }}"""


def test_it_shows_what_a_run_says(page: Any, served: tuple[str, Path]) -> None:
    """Map, arm, numbers; the numbers are those of the Python API to the digit. A still scene is not drawn again.

    Where the processors draw, a scene drawn twenty times a second would hold up every number.
    """
    result = armsim.load(served[1] / "cell.yaml").run()
    assert "token" not in page.url
    summary = result.task("side view").summary
    for judgement in summary.judgements:
        assert number(page, judgement.statistic) == judgement.figure
    decisive = deciding_judgement([judgement for _, judgement in result.named_judgements])
    verdict = page.inner_text(named("verdict"))
    assert verdict.startswith(f"requirement {result.state}: {decisive.statistic} {decisive.figure} of ")
    page.wait_for_selector(".js-plotly-plot .hm")
    assert page.locator("canvas").count() >= 1
    assert "times as large" in page.inner_text(named("scale"))
    assert "not a safety function" in page.inner_text("body")
    page.wait_for_function(STILL, polling=50)  # thirty looks, more than a second, without a new picture
    before = page.evaluate(FRAMES)
    page.click('[data-task="stations"]')
    page.wait_for_function(
        "/^worst pose: (<img.*|glue|holder|camera)$/.test(document.querySelector('[data-name=at-pose]').innerText)"
    )
    page.wait_for_function(f"(before) => ({FRAMES})() > before", arg=before)
    page.click(named("pose"))
    page.get_by_role("option", name=MARKUP).click()
    page.wait_for_function(
        "(name) => document.querySelector('[data-name=at-pose]').innerText === `pose: ${name}`", arg=MARKUP
    )
    choose(page, named("task"), "side view")
    page.wait_for_selector(".js-plotly-plot .hm")
    assert MARKUP in page.inner_text("header")
    assert page.evaluate("window.hit") is None  # names are text, and run nothing


def test_an_encoder_moves_the_numbers_as_much_as_the_api_says(page: Any, served: tuple[str, Path]) -> None:
    """Undo and redo by keys, wherever the focus is: here in the selector that was used."""
    study = armsim.load(served[1] / "cell.yaml")
    price = float(number(page, "price").split()[0])
    changed(page, lambda: choose(page, '[data-joint="j1"]', "disc 35 512 c"))
    reference = {"joints.j1.encoder": f"{os.path.relpath(CATALOGUE, served[1])}#disc 35 512 c"}
    summary = study.change(reference).run().task("side view").summary
    assert number(page, "95 % of errors") == summary.judgements[0].figure
    assert float(number(page, "price").split()[0]) == price - 12 + 33
    assert page.evaluate("document.activeElement.tagName") == "INPUT"
    changed(page, lambda: page.keyboard.press("Control+z"))
    assert float(number(page, "price").split()[0]) == price
    changed(page, lambda: page.keyboard.press("Control+Shift+z"))
    changed(page, lambda: page.keyboard.press("Meta+z"))
    changed(page, lambda: page.click(named("redo")))
    changed(page, lambda: page.click(named("undo")))
    assert float(number(page, "price").split()[0]) == price


def test_a_typed_number_wrong_and_right(page: Any) -> None:
    """In a text that is being typed, the keys undo what was typed, and not the design."""
    page.click('[data-open="j2"]')
    field = page.locator('input[data-path="joints.j2.mounting.eccentricity"]')
    before = number(page, "95 % of errors")
    field.fill("20 kg")
    field.press("Enter")
    page.wait_for_selector(".q-field--error")
    assert number(page, "95 % of errors") == before
    changed(page, lambda: (field.fill("60 um"), field.press("Enter")))  # type: ignore[func-returns-value]
    assert page.locator(".q-field--error").count() == 0
    # what is typed while the answer of the change before is still on its way stays
    changed(page, lambda: (field.fill("70 um"), field.press("Enter"), field.fill("80 um")))  # type: ignore[func-returns-value]
    page.wait_for_selector('[data-back="joints.j2.mounting.eccentricity"]')
    assert field.input_value() == "80 um"
    changed(page, lambda: field.press("Enter"))
    changed(page, lambda: (field.fill("60 um"), field.press("Enter")))  # type: ignore[func-returns-value]
    design = page.get_attribute(named("stage"), "data-design")
    field.press_sequentially("1")
    field.press("Control+z")
    page.wait_for_function("(field) => field.value === '60 um'", arg=field.element_handle())
    assert page.get_attribute(named("stage"), "data-design") == design
    for _ in range(4):
        changed(page, lambda: page.click(named("undo")))
    assert number(page, "95 % of errors") == before


def test_a_slide_is_one_step(page: Any) -> None:
    page.click('[data-open="j3"]')
    page.click('[aria-label="slide mastering of j3"]')
    page.wait_for_selector(f"{named('slider')}[aria-valuenow='8']")
    box = page.locator(f"{named('slider')} .q-slider__track").bounding_box()
    middle = box["y"] + 0.5 * box["height"]
    before = page.get_attribute(named("stage"), "data-design")
    page.mouse.move(box["x"] + 0.33 * box["width"], middle)
    page.mouse.down()
    for part in (0.4, 0.5, 0.6):
        changed(page, lambda part=part: page.mouse.move(box["x"] + part * box["width"], middle))  # type: ignore[misc]
    page.mouse.up()
    slider = page.locator(f"{named('slider')} [tabindex='0']").first
    slider.focus()
    slid = page.get_attribute(named("stage"), "data-design")
    changed(page, lambda: slider.press("ArrowRight"))
    changed(page, lambda: page.click(named("undo")))
    assert page.get_attribute(named("stage"), "data-design") == slid
    changed(page, lambda: page.click(named("undo")))
    assert page.get_attribute(named("stage"), "data-design") == before
    page.fill(f"input{named('search')}", "eccentricity")
    page.wait_for_selector(
        named("slider"), state="hidden"
    )  # it stands at its field, mastering, which is not among them
    assert page.locator('[data-path="joints.j3.mounting.eccentricity"]').is_visible()
    page.fill(f"input{named('search')}", "")
    page.click('[aria-label="close the slider"]')


def test_a_group_is_changed_together_pinned_and_compared(page: Any) -> None:
    page.click(named("pin"))
    page.get_by_role("button", name="its group").click()
    page.wait_for_selector(f"{named('reach')} >> text=j1, j2, j3 (base)")  # it says where, before it is done
    changed(page, lambda: choose(page, '[data-placement="j2"]', "output"))
    page.wait_for_function(
        "() => [1, 2, 3, 4].map(n => document.querySelector(`[data-placement=j${n}]`).closest('label').innerText)"
        ".map(text => text.includes('output')).join() === 'true,true,true,false'"
    )
    page.click(named("pin"))
    page.click(named("compare"))
    result = page.get_by_role("dialog", name="result", exact=True)
    result.get_by_text("points").first.wait_for()
    assert "yield" in result.inner_text()
    page.get_by_role("button", name="this joint").click()
    changed(page, lambda: page.click('[data-back="joints.j2.placement"]'))
    page.wait_for_selector('[data-back="joints.j2.placement"]', state="detached")
    assert page.locator('[data-back="joints.j1.placement"]').inner_text().endswith("placement: back to motor")
    changed(page, lambda: page.click(named("undo")))
    changed(page, lambda: page.click(named("undo")))
    page.wait_for_selector(named("moved-on"))  # the comparison was started with the other design shown
    page.click('[aria-label="close the result"]')


def test_pointing_at_a_pose(page: Any) -> None:
    """Pointing previews, a click holds, and the worst pose is followed again when asked; the scene goes dark too."""

    def titled(title: str) -> None:
        page.wait_for_function(
            "(title) => document.querySelector('[data-name=at-pose]').innerText.startsWith(title)", arg=title
        )

    titled("worst pose: ")
    box = page.locator(".js-plotly-plot .hm").first.bounding_box()
    x, y = box["x"] + 0.27 * box["width"], box["y"] + 0.5 * box["height"]
    page.mouse.move(x - 5, y)
    page.mouse.move(x, y, steps=4)
    titled("preview: ")
    previewed = page.inner_text(named("at-pose")).removeprefix("preview: ")
    page.mouse.click(x, y)
    titled(f"pose: {previewed}")
    page.mouse.move(5, 5)
    changed(page, lambda: choose(page, '[data-placement="j1"]', "output"))
    titled(f"pose: {previewed}")
    page.click(named("worst"))
    titled("worst pose: ")
    ground = "getElement(Number(document.querySelector('[data-name=arm]').id.slice(1))).ground"
    backgrounds = [page.evaluate(f"{ground} ?? ''")]
    for _ in range(2):
        page.click(named("contrast"))
        page.wait_for_function(f"(last) => {ground} && {ground} !== last", arg=backgrounds[-1])
        backgrounds.append(page.evaluate(ground))
    assert backgrounds[1] != backgrounds[2]


def exported(page: Any, place: str, form: str, name: str = "") -> bytes:
    """Content of the file that the first figure of a place is exported to; ``name`` is to be in its name."""
    page.locator(f"{place}{named('export')}").first.click()
    with page.expect_download() as waiting:
        page.get_by_role("menuitem", name=form, exact=True).click()
    page.wait_for_selector(".q-menu", state="detached")
    assert name in waiting.value.suggested_filename
    assert waiting.value.suggested_filename.endswith(f".{form.lower()}")
    return Path(waiting.value.path()).read_bytes()


def test_figures_are_exported_as_they_are_shown(page: Any, served: tuple[str, Path]) -> None:
    """The table has the values of the API with their units; names of files tell the design."""
    before = page.inner_text(named("scale"))
    changed(page, lambda: choose(page, '[data-placement="j1"]', "output"))
    study = armsim.load(served[1] / "cell.yaml").change({"joints.j1.placement": "output"})
    page.wait_for_function("(old) => document.querySelector('[data-name=scale]').innerText !== old", arg=before)
    name = "cell-j1-price-j1-placement-output"
    header, *rows = csv.reader(exported(page, ".map-pane ", "CSV", name).decode().splitlines())
    assert header[:4] == ["pose", "x [mm]", "z [mm]", "side view: 95 % of errors [um]"]
    assert (header[-1], {row[-1] for row in rows}) == ("required [um]", {"120"})
    table = study.run().task("side view").poses
    errors = dict(zip(table.names, 1e6 * np.asarray(table.column("error.at_coverage")), strict=True))
    assert {row[0]: float(row[3]) for row in rows} == pytest.approx(errors)
    picture = exported(page, ".map-pane ", "SVG", name).decode()
    assert picture.startswith("<svg")
    assert "side view: 95 % of errors" in picture
    assert exported(page, "[aria-label=contributions] ", "PNG", name).startswith(b"\x89PNG")
    header, *rows = csv.reader(exported(page, "[aria-label=contributions] ", "CSV").decode().splitlines())
    assert header == ["joint", "cause", "share [%]"]
    assert sum(float(row[2]) for row in rows) == pytest.approx(100.0, abs=0.5)
    assert len(exported(page, ".scene-pane ", "PNG", name)) > 10_000  # the arm, and no empty picture


def test_longer_questions(page: Any) -> None:
    """A result tells its design, is dimmed when another one is shown, and leads back to it."""
    page.click(named("sweep"))
    page.fill(f"input{named('sweep-values')}", "7")
    page.click(named("sweep-go"))
    page.wait_for_selector(
        "text=no FROM..TO and COUNT in '7'"
    )  # where it is typed, and in no words of the command line
    page.fill(f"input{named('sweep-values')}", "5um..25um:3")
    page.click(named("sweep-go"))
    page.wait_for_selector("text=95 % of errors [µm]")
    assert page.inner_text(named("result-of")) == "sweep: as read"
    design = page.get_attribute(named("stage"), "data-design")
    changed(page, lambda: choose(page, '[data-placement="j1"]', "output"))
    page.wait_for_selector(f".past {named('open-result')}")
    changed(page, lambda: page.click(named("return")))
    assert page.get_attribute(named("stage"), "data-design") == design
    page.wait_for_selector(named("moved-on"), state="detached")
    page.click(named("sweep"))
    page.fill(f"input{named('sweep-second')}", "joints.j2.mastering")
    page.fill(f"input{named('sweep-values')}", "5um..25um:2")
    page.fill(f"input{named('sweep-others')}", "5arcsec..20arcsec:2")
    page.click(named("sweep-go"))
    page.wait_for_selector("text=of 4 pairs of")
    page.wait_for_selector(".figures .heatmaplayer .hm")
    assert len(exported(page, ".figures ", "CSV").decode().splitlines()) == 1 + 4
    page.click(named("arms"))
    page.wait_for_selector("text=of built arms fail")
    page.wait_for_selector("text=none is assumed")
    page.click('[aria-label="close the result"]')
    page.click(named("worth"))
    page.wait_for_selector(named("halt"))
    page.click(named("halt"))
    page.wait_for_selector(named("halt"), state="detached")
    output = page.locator(named("work-error"))
    assert output.count() == 0 or output.inner_text() == "stopped"  # done before, or stopped
    page.wait_for_function(CLOSE_RESULTS, polling=200)


CLOSE_RESULTS = """() => {
    const buttons = [...document.querySelectorAll('[aria-label="close the result"]')].filter(one => one.offsetParent);
    buttons.forEach(one => one.click());
    return buttons.length === 0;
}"""
"""Closes what is open, until nothing is: the drawer is drawn anew while its result comes in."""


def test_an_open_answer_is_resolved_from_its_drawer(page: Any) -> None:
    """300 arms leave the cheapest set open; the button starts the search that goes on until it is not."""
    page.click(named("cheapest"))
    page.wait_for_selector(named("resolve"), timeout=1000 * HANG)
    assert "not resolved" in page.inner_text(".printout")
    page.click(named("resolve"))
    page.wait_for_selector(named("halt"))
    page.wait_for_function(
        "document.querySelector('[data-name=progress]').innerText.startsWith('find cheapest, resolved')"
    )
    page.click(named("halt"))
    page.wait_for_selector(named("halt"), state="detached")
    page.wait_for_function(CLOSE_RESULTS, polling=200)


def test_saved_run_and_reloaded(page: Any, served: tuple[str, Path], tmp_path: Path) -> None:
    """What is saved runs to the same digits; a reload and a second tab show the design that stands.

    A file that changes on disk is told, and is gone on with or read again.
    """
    changed(page, lambda: choose(page, '[data-joint="j1"]', "disc 26 512"))
    display = number(page, "95 % of errors")
    page.click(named("save"))
    page.fill(f"input{named('save-name')}", "../evil.yaml")
    page.click(named("save-go"))
    page.wait_for_selector(".q-field--error")
    page.fill(f"input{named('save-name')}", "mine.yaml")
    page.click(named("save-go"))
    page.wait_for_selector("text=saved: mine.yaml")
    page.fill(f"textarea{named('note')}", "as agreed")
    page.click(named("save"))
    page.fill(f"input{named('save-name')}", "mine-session.yaml")
    page.click(named("save-session"))
    page.wait_for_selector("text=saved: mine-session.yaml")
    content = read_session_file(served[1] / "mine-session.yaml")
    assert content.scenario.samefile(served[1] / "cell.yaml")
    assert (content.current.note, len(content.current.design.changes)) == ("as agreed", 1)
    process = invoke("run", served[1] / "mine.yaml", "--out", tmp_path / "out")
    assert display.replace(" µm", "") in process.stdout
    assert not (served[1].parent / "evil.yaml").exists()
    path = served[1] / "cell.yaml"
    text = path.read_text()
    path.write_text(f"{text}\n# a word more\n")
    page.wait_for_selector(named("files-changed"))
    page.click(named("command"))
    page.wait_for_selector("text=changed on disk since it was read")
    page.click(named("go-on"))
    page.wait_for_selector(named("files-changed"), state="hidden")
    path.write_text(text)
    page.reload()
    sampled(page)
    assert number(page, "95 % of errors") == display
    page.click('[aria-label="change the limit of 95 % of errors"]')
    page.fill(f"input{named('limit-text')}", "71 um")
    changed(page, lambda: page.press(f"input{named('limit-text')}", "Enter"))
    page.wait_for_selector(".number >> text=of 71.0 µm")
    assert number(page, "95 % of errors") == display  # another limit, the same errors
    slider = page.locator(f"{named('limit-slider')} [tabindex='0']").first
    slider.focus()
    changed(page, lambda: slider.press("ArrowLeft"))
    page.wait_for_function("Number.parseFloat(document.querySelector('input[data-name=limit-text]').value) < 71")
    assert page.inner_text(named("verdict")).startswith("requirement not met")


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


WIDTHS = (1920, 1280, 1024, 768, 390)


def audit(tab: Any, place: str = "html") -> None:
    """Look for serious violations in a part of the page. Source: axe-core, read from disk."""
    if not AXE.is_file():
        assert "CI" not in os.environ, "no axe-core in HTML_CHECKERS"
        return
    tab.evaluate(AXE.read_text(encoding="utf-8"))
    tab.wait_for_function("document.getAnimations().every((one) => one.playState !== 'running')")
    script = "(place) => axe.run(place, {resultTypes: ['violations']}).then((audit) => audit.violations)"
    violations = tab.evaluate(script, place)
    serious = [item for item in violations if item["impact"] in ("serious", "critical")]
    assert [(item["id"], [node["html"][:200] for node in item["nodes"][:3]]) for item in serious] == []


def test_an_audit_finds_no_serious_violation(page: Any) -> None:
    """Light and dark, with a joint unfolded, the editor of a limit and a result open; no width scrolls sideways."""
    page.click('[data-open="j2"]')
    page.wait_for_selector('[data-path="joints.j2.mastering"]')
    page.click('[aria-label="change the limit of 95 % of errors"]')
    page.wait_for_function("document.querySelector('input[data-name=limit-text]').value === '120 um'")
    page.click(named("arms"))
    page.wait_for_selector("text=of built arms fail")
    for is_dark in (False, True):
        if is_dark:
            page.click(named("contrast"))
            page.wait_for_selector("body.body--dark")
        audit(page)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 800})
        page.wait_for_function(f"innerWidth === {width} && document.documentElement.scrollWidth === {width}")
        page.wait_for_function("document.querySelector('.drawer').scrollWidth <= innerWidth")
    page.set_viewport_size({"width": 1280, "height": 800})
    page.wait_for_function(CLOSE_RESULTS, polling=200)
    page.click(named("contrast"))
    page.click('[data-open="j2"]')


def test_a_first_visit_and_a_server_that_is_started_again(browser: Any, tmp_path: Path) -> None:
    """List, tour, calibration; a page whose server ended says what to do, and follows once the new one is opened."""
    path = small(tmp_path, 64)
    content = yaml.safe_load(path.read_text())
    content["tasks"] = content["tasks"][:1]
    calibration = {
        "instrument": {"std": "20 um"},
        "poses": {"candidates": 12, "count": 8},
        "identify": {"zeros": True},
    }
    path.write_text(json.dumps({**content, "name": "with calibration", "calibration": calibration}))
    recent.remember(path)
    tour.seen_file().unlink(missing_ok=True)
    context = browser.new_context()  # tabs of one browser, which share their cookies
    tab = watched(context)
    with server_of(tmp_path) as address:
        tab.goto(address)
        tab.wait_for_selector("text=Open a scenario")
        audit(tab)
        tab.get_by_role("button", name="cell.yaml").first.click()
        tab.wait_for_selector(named("tour"))
        audit(tab, named("tour"))
        titles = set()
        for _ in tour.STEPS:
            titles.add(tab.inner_text(f"{named('tour')} [role=heading]"))
            assert tab.locator(".toured").count() == 1
            tab.keyboard.press("Enter")  # the button has the focus
            tab.wait_for_function(
                "(titles) => !titles.includes(document.querySelector('[data-name=tour] [role=heading]')?.innerText)",
                arg=list(titles),
            )
        assert titles == {title for _, title, _ in tour.STEPS}
        tab.wait_for_selector(".toured", state="detached")
        tab.reload()
        sampled(tab)
        assert tab.locator(named("tour")).count() == 0
        tab.click(named("tour-again"))
        tab.wait_for_selector(named("tour"))
        tab.keyboard.press("Escape")
        tab.wait_for_selector(named("tour"), state="detached")
        tab.click(named("calibrate"))
        tab.wait_for_selector(f"{named('result-of')} >> text=calibrate: as read")
        tab.wait_for_selector(".printout table")
        assert tab.wrong == []
    tab.wait_for_selector("text=Start it again and open the address that it prints: armsim explore --no-browser")
    port = urlsplit(address).port
    changes = "--set", "sampling={units: 64, visits: 2, seed: 3}", "--set", f"calibration={json.dumps(calibration)}"
    with server_of(tmp_path, "--demo", *changes, "--port", port) as address:
        other = watched(context)
        other.goto(address)
        for page in (other, tab):
            page.wait_for_selector("text=small discs on all motors")
            page.wait_for_function("document.querySelector('[data-name=verdict]').innerText.startsWith('requirement ')")
        assert other.locator(named("calibrate")).count() == 1  # what it was opened with counts
        assert other.wrong == []
    context.close()


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
