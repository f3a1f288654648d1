"""The manual: its pages lead where they say, search finds, and what it tells to type and write does what it says."""

from __future__ import annotations

import html
import json
import os
import re
import shlex
import tomllib
from collections.abc import Iterator
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from unittest import mock

import pytest
from support import BROWSER, HANG, ROOT, invoke

import armsim
from armsim.documents import check_file
from armsim.documents.former_keys import FORMER_KEYS
from armsim.report.manual_figures import lesson_figure
from armsim.report.manual_pages import manual_pages

MANUAL = ROOT / "armsim" / "manual"
STEP = re.compile(
    r"<!-- file: (\S+) -->\n```yaml\n(.*?)```|^```bash\n(.*?)^```|^```text\n(.*?)^```", re.DOTALL | re.MULTILINE
)


class Links(HTMLParser):
    """Targets of the links of a page, its anchors, and what it fetches."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.targets: list[str] = []
        self.anchors: set[str] = set()
        self.fetched: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = {key: value or "" for key, value in attrs}
        if tag == "a":
            self.targets.append(values["href"])
        if "id" in values:
            assert values["id"] not in self.anchors, values["id"]
            self.anchors.add(values["id"])
        if "src" in values or tag == "link":
            self.fetched.append(values.get("src") or values["href"])


@pytest.fixture(autouse=True, scope="module")
def _without_figures() -> Iterator[None]:
    """Figures of the gallery take three seconds; a slow test has them all, another some."""
    with mock.patch("armsim.report.manual_pages.lesson_figure", return_value=""):
        yield


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("manual") / "pages"
    process = invoke("manual", "--out", folder, "--no-browser")
    assert process.returncode == 0, process.stderr
    assert process.stdout.strip() == str(folder / "index.html")
    return folder


def test_every_link_leads_to_a_heading(written: Path) -> None:
    pages = {path.name: Links(path.read_text()) for path in written.glob("*.html")}
    assert len(pages) == len(list(MANUAL.glob("*.md"))) + 4  # commands, Python, results.json, words: made from the code
    for name, page in pages.items():
        for target in page.targets:
            file, _, anchor = target.partition("#")
            if "://" not in target:
                assert not anchor or anchor in pages[file or name].anchors, (name, target)
                assert not file or file in pages, (name, target)
        assert page.fetched == ["passages.js"]  # nothing from a network


def test_a_listing_of_a_file_is_headed_by_its_name(written: Path) -> None:
    """A reader must know what to save it as."""
    for page in MANUAL.glob("*.md"):
        body = (written / f"{page.stem}.html").read_text()
        for name in re.findall(r"<!-- file: (\S+) -->", page.read_text()):
            assert re.search(rf'<p class="file">{re.escape(name)}</p>\s*<pre>', body), (page.name, name)


def test_a_lesson_is_drawn_with_its_scale() -> None:
    """Source: the answers of the lessons, by hand: 1 mrad, (e/R)^2/2, a step of 79 arcsec over sqrt(12), a link."""
    assert "±206 arcsec over 360°, every visit repeats it</figure>" in lesson_figure("eccentricity")
    assert "±0.103 arcsec over 360°" in lesson_figure("two-heads")
    assert "±45.7 arcsec over 360°, anew at every visit" in lesson_figure("quantisation")
    assert lesson_figure("warm-link") == ""


def test_every_lesson_with_an_error_of_its_joint_has_a_figure() -> None:
    """In the page; a polyline turns as often as its order says. Source: zeros of a sine."""
    with mock.patch("armsim.report.manual_pages.lesson_figure", lesson_figure):
        page = next(page for page in manual_pages(()) if page.name == "gallery")
    assert page.body.count("<figure") > 45
    assert "nan" not in page.body
    heights = [float(y) - 22 for y in re.findall(r"\d,([\d.]+)", lesson_figure("two-heads").partition("<polyline")[2])]
    assert sum(before * after < 0 for before, after in pairwise(heights)) in (3, 4)


def test_the_changes_begin_with_this_version() -> None:
    """One version: that of the package, of the newest heading, and before the end of every former key."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    headings = re.findall(r"^## (\S+)$", (MANUAL / "changes.md").read_text(), re.MULTILINE)
    assert headings[0] == project["version"]
    versions = [tuple(map(int, heading.split("."))) for heading in headings]
    assert versions == sorted(versions, reverse=True)
    text = " ".join((MANUAL / "changes.md").read_text().split())
    for key in FORMER_KEYS:
        assert f"`{key.present}`" in text, key.present
        assert f"`{key.name}`" in text, key.name


def test_every_cause_is_one_step_from_its_equation() -> None:
    """From the table of effects, by its key."""
    pages = {page.name: page for page in manual_pages(())}
    table = (MANUAL / "effects.md").read_text().partition("<!-- effects -->")[2].partition("<!-- end of effects -->")[0]
    keys = re.findall(r"(?:arm|encoder|joint|scenario) `([^`]+)`", table)
    assert len(keys) > 60
    explained = {passage.heading: passage for passage in pages["words"].passages}
    for key in keys:
        assert f'words.html#{explained[key].anchor}"><code>{key}</code>' in pages["effects"].body, key
        assert "in the code: armsim." in explained[key].text, key
    assert "(e/R) sin t" in explained["mounting.eccentricity"].text


def test_the_reference_has_every_public_name_and_part_of_a_result() -> None:
    """Source: what the package exports, the schema of results.json, and the declared fields of an encoder."""
    pages = {page.name: page for page in manual_pages(())}
    python = {passage.heading: passage.text for passage in pages["python-reference"].passages}
    assert set(python) - {"Python, every name"} == {f"armsim.{name}" for name in armsim.__all__ if name[0] != "_"}
    assert all(len(text) > 30 for heading, text in python.items() if heading.startswith("armsim."))
    assert "signal periods per turn (count)" in python["armsim.Encoder"]
    assert "with_plan(units: int | None" in python["armsim.Study"]
    schema = armsim.Result.schema()
    results = {passage.heading: passage.text for passage in pages["results-reference"].passages}
    assert {name for name, part in schema["$defs"].items() if "properties" in part} < set(results)
    assert "p95_interval: [number, number] or null" in results["ErrorStatistics"]


def test_the_reference_has_every_command_with_its_options(written: Path) -> None:
    """Source: what each command prints for `--help`, and the exit codes that README tells."""
    page = html.unescape((written / "commands-reference.html").read_text())
    texts = re.findall(r'<h2 id="armsim-([a-z-]+)">armsim \1</h2>\n<pre><code>(.*?)</code>', page, re.DOTALL)
    printed = {name: invoke(name, "--help").stdout for name, _ in texts}
    assert list(printed) == re.findall(
        r"^  ([a-z-]+)  ", invoke("--help").stdout.partition("Commands:")[2], re.MULTILINE
    )
    for name, text in texts:  # with defaults and bounds, wherever the lines end
        options = "".join(text.partition("Options:")[2].split())
        assert options, name
        assert options == "".join(printed[name].partition("Options:")[2].split()), name
    readme = " ".join((ROOT / "README.md").read_text().partition("Exit codes: ")[2].split()).partition(". ")[0]
    codes = dict(re.findall(r"(?:^|<code>)(\d)  ([^<\n]+)", page, re.MULTILINE))
    assert readme == "; ".join(f"{code} {codes[code]}" for code in "01234")
    assert readme in " ".join((MANUAL / "commands.md").read_text().split())


def test_an_earlier_manual_is_replaced_and_nothing_else(written: Path, tmp_path: Path) -> None:
    assert invoke("manual", "--out", written, "--no-browser").returncode == 0
    (tmp_path / "notes.txt").write_text("mine")
    process = invoke("manual", "--out", tmp_path, "--no-browser")
    assert process.returncode == 2
    assert "holds other things than a result: notes.txt" in process.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_the_sheets_are_read_as_they_are_printed(tmp_path: Path) -> None:
    text = (MANUAL / "sheets.md").read_text()
    steps = [(name, content) for name, content, *_ in STEP.findall(text) if name]
    assert len(steps) == text.count("```yaml") == 5
    for name, content in steps:
        (tmp_path / name).write_text(content)
        encoder = check_file(tmp_path / name)
        assert encoder.name in content  # type: ignore[union-attr]


def follow(page: str, folder: Path) -> tuple[list[tuple[str, int]], str]:
    """Write every file and type every command of a page, in their order; every line that it shows must be printed.

    Commands in `sh` blocks are not for this: a cluster has a test of its own, as has what does not end.

    Returns
    -------
    list of tuple of str and int
        Commands and their exit codes.
    str
        All that was printed, blanks single.
    """
    codes: list[tuple[str, int]] = []
    printed = everything = ""
    for name, content, typed, output in STEP.findall((MANUAL / page).read_text()):
        if name:
            (folder / name).write_text(content)
        for line in output.splitlines():
            assert " ".join(line.split()) in printed, line
        printed = printed if output else ""
        for line in typed.splitlines():
            program, *words = shlex.split(line)
            if program == "cd":
                folder = folder / words[0]
                continue
            process = invoke(*words, cwd=folder)
            codes.append((words[0], process.returncode))
            assert "Traceback" not in process.stderr
            printed += " ".join(f"{process.stdout} {process.stderr}".split())
        everything += printed
    return codes, everything


def test_the_ten_minutes_are_as_told(tmp_path: Path) -> None:
    """Every file is written and every command typed, in their order."""
    codes, _ = follow("start.md", tmp_path)
    assert codes == [("new", 0), ("check", 0), ("check", 0), ("run", 1), ("run", 0), ("compare", 0)]
    for folder, size in (("result", 277e-6), ("centred", 105e-6)):  # as told: some 277 and 105 um
        record = json.loads((tmp_path / "my-arm" / folder / "results.json").read_text())
        low, high = record["tasks"][1]["summary"]["p95_interval"]
        assert low < size < high
    assert (tmp_path / "my-arm" / "result" / "report.html").exists()


def test_the_whole_decision_is_as_told(tmp_path: Path) -> None:
    """Numbers shown are lines that its commands print; those in sentences follow from them."""
    codes, printed = follow("whole-decision.md", tmp_path)
    assert codes == [("new", 0), ("check", 0), ("compare", 0), ("select", 4), ("run", 0)]
    folder = tmp_path / "examples"
    for document in re.findall(r"^\| `(\S+)`", (MANUAL / "whole-decision.md").read_text(), re.MULTILINE):
        assert (folder / document).read_bytes().startswith(b"%PDF"), document
    assert (folder / "selected" / "bom.csv").exists()
    selection = json.loads((folder / "selected" / "selection.json").read_text())
    result = armsim.read(folder / "board" / "results.json")  # one price: searched, written, run. Source: the catalogue
    assert selection["price"] == sum(row["price"] for row in selection["design"]) == 5 * 12 + 120 + 20
    assert result.price == sum(result.prices.values()) == selection["price"]
    assert "35 µm below the 100 µm required" in printed


def test_the_answers_of_how_to_are_as_told(tmp_path: Path) -> None:
    """Files are written and commands typed; what does not end, and a cluster, have tests of their own."""
    codes, _ = follow("how-to.md", tmp_path)
    assert codes == [("new", 0), ("check", 0), ("check", 0), ("run", 0), ("run", 0)]
    text = (MANUAL / "how-to.md").read_text()
    for typed in re.findall(r"^```sh\n(.*?)^```", text, re.DOTALL | re.MULTILINE):
        for line in typed.splitlines():
            if line.startswith("armsim "):
                assert set(re.findall(r"--[a-z-]+", line)) <= set(
                    re.findall(r"--[a-z-]+", invoke(line.split()[1], "--help").stdout)
                )
    for name in re.findall(r"^(# yaml-language-server: .*)$", text, re.MULTILINE):
        assert (tmp_path / "my-arm" / "scenario.yaml").read_text().startswith(name)


def test_the_python_is_as_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("scenarios", "configs"):
        (tmp_path / name).symlink_to(ROOT / name)
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"```python\n(.*?)```", (MANUAL / "python.md").read_text(), re.DOTALL)
    names: dict[str, object] = {}
    for block in blocks:
        exec(compile(block, "python.md", "exec"), names)
    printed = capsys.readouterr().out
    assert "('home', 'same')" in printed or "['home', 'same']" in printed
    assert len(blocks) == 9
    assert "name: finer disc" in printed
    assert "name: two links" in printed
    assert (tmp_path / "mine.png").read_bytes()[:4] == b"\x89PNG"


def test_the_page_about_python_is_a_notebook_too(written: Path) -> None:
    """The cells of code are the listings, in their order, which another test runs. Source: the page; nbformat."""
    import nbformat

    book = nbformat.read(written / "python.ipynb", as_version=4)
    nbformat.validate(book)
    blocks = re.findall(r"```python\n(.*?)```", (MANUAL / "python.md").read_text(), re.DOTALL)
    assert [cell.source for cell in book.cells if cell.cell_type == "code"] == [block.strip("\n") for block in blocks]
    assert book.cells[0].source.startswith("# From Python")
    assert "```python" not in "".join(cell.source for cell in book.cells)


@pytest.mark.skipif(BROWSER is None and "CI" not in os.environ, reason="no Chromium on this machine")
def test_search_finds_a_key(written: Path) -> None:
    """In a browser, from a file, without a server."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        page = play.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"]).new_page()
        page.set_default_timeout(1000 * HANG / 5)
        page.goto((written / "index.html").as_uri())
        page.fill("#search", "lost motion")
        page.wait_for_selector("#hits a")
        assert "transmission.lost_motion" in page.locator("#hits a").all_inner_texts()
        page.locator("#hits a", has_text="transmission.lost_motion").first.click()
        page.wait_for_url("**/words.html#transmission-lost-motion")
        page.fill("#search", "no such word anywhere")
        page.wait_for_selector("text=nothing found")
