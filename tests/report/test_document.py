"""The review document: true to the result, whole in a browser, typeset on both papers, and not broken by odd input."""

import json
import math
import os
import re
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pypdfium2 as pdfium
import pytest
from blank_figures import blank_figure
from page_measures import fills, overlaps, smallest_letters
from support import BROWSER, HANG, ROOT

import armsim
from armsim.decide import what_if
from armsim.documents.load import load_options, load_scenario
from armsim.formatting import percent, rounding_as_zero, show, show_interval
from armsim.model.effects import effects
from armsim.report.document import (
    Block,
    Bullets,
    Folded,
    Listing,
    Picture,
    ReviewDocument,
    Row,
    Section,
    Table,
    Text,
    in_rows,
)
from armsim.report.drawing import begin, finish
from armsim.report.frame import Column, Frame, unitless
from armsim.report.html import scene_script
from armsim.report.manifest import Sample, manifest_of
from armsim.report.pdf import write_pdf
from armsim.report.pictures import Extras
from armsim.report.review import NO_HELPERS
from armsim.report.run_folder import write_run_folder
from armsim.report.run_review import run_review
from armsim.report.verdict import deciding_task
from armsim.results import Contribution, Result
from armsim.results.pose_table import PoseTable
from armsim.run_options import RunOptions
from armsim.scenario import Scenario
from armsim.study import Study

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
MANIFEST: dict[str, Any] = {
    "armsim": "0", "python": "3", "packages": {}, "platform": "here", "time": "2020-01-02T03:04:05+00:00", "seed": 7,
    "units": 1, "visits": 1, "command": "armsim run", "inputs": [],
}  # fmt: skip


@pytest.fixture(scope="module")
def every() -> tuple[Scenario, Result]:
    study = armsim.load(ROOT / "scenarios" / "every-task.yaml").with_plan(units=150, visits=5)
    return study.scenario, study.run()


@pytest.fixture(scope="module")
def written(every: tuple[Scenario, Result], tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("document") / "r"
    write_run_folder(out, every[1], every[0], "armsim run every-task.yaml")
    return out


def document_type(result: Result) -> ReviewDocument:
    """The document of a result, without figures."""
    return run_review(result, ()).document({}, MANIFEST)


def blocks(document: ReviewDocument) -> Iterator[Block]:
    waiting: list[Block] = [one for section in document.all_sections for one in section.blocks]
    while waiting:
        one = waiting.pop(0)
        yield one
        if isinstance(one, Folded):
            waiting = [*one.blocks, *waiting]


def words(result: Result) -> str:
    """All text of the document of a result, without figures."""
    out = []
    for one in blocks(document_type(result)):
        if isinstance(one, Table):
            out += [one.title, *one.headers, *(cell.text for row in one.rows for cell in row)]
        elif isinstance(one, Text):
            out.append(one.text)
        elif one.kind == "bullets":
            out += one.items
    return "\n".join(out)


def test_the_parts_come_in_the_order_of_a_review(every: tuple[Scenario, Result]) -> None:
    document = document_type(every[1])
    titles = [section.anchor for section in document.all_sections]
    anchors = "answer arm joints workspace population contributions recommendations cautions notes"
    assert (
        titles
        == f"{anchors} other-tasks terms poses agreement assumptions inputs references provenance glossary".split()
    )
    planned = run_review(every[1], ()).figures
    body = [one.name for one in planned if one.anchor in ("workspace", "population", "contributions")]
    number = 1 + [task.name for task in every[1].tasks].index(deciding_task(every[1]).name)
    assert body  # of seven tasks the body shows the one that decides, the appendix all others
    assert all(name.startswith(f"{number}-") for name in body)
    others = {one.name.partition("-")[0] for one in planned if one.anchor == "other-tasks"}
    assert others == {str(n) for n in range(1, 8) if n != number}
    assert document.front is not None
    assert document.front.tone in ("good", "bad")
    assert document.front.advice


def scaled(result: Result, path: str, factor: float) -> Result:
    """A result with one figure of every pose changed."""
    tasks = []
    for task in result.tasks:
        table = PoseTable(task.poses.names, task.poses.share_names, task.poses.rows.copy())
        table.column(path)[:] = table.column(path) * factor
        tasks.append(replace(task, poses=table))
    return replace(result, tasks=tuple(tasks))


UNITS = {"nm": 1e-9, "µm": 1e-6, "mm": 1e-3, "m": 1.0, "arcsec": math.pi / 648_000, "bit": 1.0}


def cell(result: Result, title: str, row: str, header: str) -> float:
    """The number that stands in a table, in SI units."""
    for one in blocks(document_type(result)):
        if (
            isinstance(one, Table)
            and one.title.startswith(title)
            and any(item.startswith(header) for item in one.headers)
        ):
            column = next(n for n, item in enumerate(one.headers) if item.startswith(header))
            for cells in one.rows:
                if row in cells[0].text.split(", "):
                    unit = one.headers[column].rpartition("[")[2].rstrip("]")
                    return float(cells[column].text.split()[0]) * UNITS[unit]
    raise AssertionError((title, row, header))


@pytest.mark.parametrize(
    ("path", "header", "read"),
    [
        ("error.at_coverage", "95 % of errors", lambda pose: pose.error.at_coverage),
        ("error.max", "largest", lambda pose: pose.error.max),
        ("error.rms", "rms", lambda pose: pose.error.rms),
        ("accuracy.p95", "AP", lambda pose: pose.accuracy.p95),
        ("repeatability.p95", "RP", lambda pose: pose.repeatability.p95),
    ],
)
def test_a_changed_pose_changes_the_page(every: tuple[Scenario, Result], path: str, header: str, read: Any) -> None:
    for result in (every[1], Result.from_json(scaled(every[1], path, 1.371).to_json())):
        expected = read(result.task("stations").pose("tray"))
        assert cell(result, "stations", "tray", header) == pytest.approx(expected, rel=5e-3)


def test_a_changed_summary_changes_the_page(every: tuple[Scenario, Result]) -> None:
    result = every[1]
    task = max(result.tasks, key=lambda item: item.summary.at_coverage)
    old = task.summary
    assert old.yield_ is not None
    result_value = replace(old.yield_, value=0.4321, interval=(0.41, 0.45))
    made_of = (Contribution("j1", "disc tilt", 0.5, 0.27), Contribution("j2", "mastering", 0.23, 0.0))
    changed = {"position": {"value": 987e-6, "state": "not met"}, "yield": {"value": 0.4321, "interval": (0.41, 0.45)}}
    judgements = tuple(replace(judgement, **changed.get(judgement.criterion, {})) for judgement in old.judgements)
    causes = {part.cause: part.share for part in made_of}
    new = replace(
        old, at_coverage=987e-6, yield_=result_value, contributions=made_of, causes=causes, judgements=judgements,
        state="not met",
    )  # fmt: skip
    other = replace(
        result, tasks=tuple(replace(item, summary=new) if item.name == task.name else item for item in result.tasks)
    )
    text = words(Result.from_json(other.to_json()))
    for expected in (
        "987 µm",
        "43.2 % (41.0 to 45.0) of arms pass",
        "disc tilt 77 %",
        "27 % the same on every arm",
        "Not met: 95 % of errors lie within 987",
    ):
        assert expected in text
        assert expected not in words(result)


def test_a_changed_joint_changes_the_page(every: tuple[Scenario, Result]) -> None:
    result = every[1]
    sheet = replace(result.joints["j2"], rms=123.4e-6, encoder="another disc")
    changed = replace(result, joints={**result.joints, "j2": sheet})
    assert cell(changed, "", "j2", "standard uncertainty") == pytest.approx(123.4e-6, rel=2e-3)
    assert "another disc (motor)" in words(changed)


def test_numbers_carry_units(every: tuple[Scenario, Result]) -> None:
    """A number in a table, or its header, has a unit, but for counts, ratios, clauses and prices, which have none."""
    unitless = re.compile(r"^[+-]?\d[\d.]*$")
    free = {"agree", "differ", "undecided", "clause", "price", "lever arm"}
    for one in blocks(document_type(every[1])):
        if isinstance(one, Table):
            for row in one.rows:
                for header, cell in zip(one.headers, row, strict=True):
                    reference = header in free | {"poses"} or header.endswith("]")
                    assert reference or cell.text == "0" or not unitless.match(cell.text), (
                        one.title,
                        header,
                        cell.text,
                    )


def test_rounding_follows_the_uncertainty() -> None:
    """JCGM 100:2008 7.2.6: 10.057 62 ohm with 27 milliohm is given as 10.058 ohm; two digits at most. From memory."""
    assert show_interval(10.05762, (10.05762 - 0.027, 10.05762 + 0.027)) == "10.058 m (10.031 to 10.085)"
    assert show_interval(114.236e-6, (111.5e-6, 116.9e-6)) == "114.2 µm (111.5 to 116.9)"


def test_without_a_requirement_it_serves_still(every: tuple[Scenario, Result]) -> None:
    scenario, _ = every
    result = Study(replace(scenario, requirement=None)).with_plan(units=20, visits=2).run()
    text = words(result)
    assert "No requirement is stated" in text
    assert "none stated" in text
    assert "of errors lie within" in text


def test_every_cause_of_the_scenarios_is_known() -> None:
    for path in sorted((ROOT / "scenarios").rglob("*.yaml")):
        if "kind: scenario" in path.read_text():
            causes = {
                cause for term in load_scenario(path).machine.terms for cause in term.cause.parts or (term.cause,)
            }
            assert causes <= {effect.cause for effect in effects()}, path.name


def test_extras_stand_in_the_document(tmp_path: Path) -> None:
    ready, options = load_options(DEMO, ROOT / "configs" / "catalogues" / "discs.yaml")
    study = Study(ready).with_plan(units=60, visits=2)
    study = study.with_scenario(tasks=ready.tasks[:1])
    few = replace(options, joints=tuple(joint[:3] for joint in options.joints))
    extras = Extras(what_if(study, RunOptions(1)), armsim_trade_off(study, few))
    with mock.patch("armsim.report.drawing.save_figure", blank_figure):
        write_run_folder(tmp_path / "r", study.run(), study.scenario, "armsim run", extras=extras)
    page = (tmp_path / "r" / "report.html").read_text()
    assert "are Pareto-optimal by first order" in page
    assert "the changes that gain most" in page
    assert (tmp_path / "r" / "figures" / "trade-off.svg").exists()
    assert json.loads((tmp_path / "r" / "what-if.json").read_text())["format"] == "armsim-what-if/2"


def armsim_trade_off(study: Study, options: Any) -> Any:
    from armsim.decide import trade_off

    return trade_off(study, options, RunOptions(1))


PROBE = """
<script>
addEventListener("load", () => {
  const plots = [...document.querySelectorAll("figure")];
  const seen = plots.map(f => { if (f.querySelector(".turning:not([hidden])")) return true; const i = f.querySelector("img"); return i.complete && i.naturalWidth > 0 && i.getBoundingClientRect().height > 50; });
  const anchors = [...document.querySelectorAll("a[href^='#']")].map(a => document.getElementById(a.hash.slice(1)) !== null);
  const alts = plots.map(f => f.querySelector("img").alt.length > 20);
  const head = document.querySelector("section table th:nth-child(3) button"); head.click();
  const told = [...document.querySelectorAll(".plot")].filter(p => !p.hidden && p.querySelector("script")).map(p => {
    const spot = JSON.parse(p.querySelector("script").textContent)[0], box = p.querySelector("img").getBoundingClientRect();
    p.dispatchEvent(new PointerEvent("pointermove", {clientX: box.left + spot[0] * box.width, clientY: box.top + spot[1] * box.height}));
    return p.querySelector(".told").textContent.length > 0 && !p.querySelector(".told").hidden;
  });
  const outside = [...document.querySelectorAll("[src],[href]")].map(e => e.src || e.href).filter(u => /^https?:/.test(u));
  const wide = document.documentElement.scrollWidth <= innerWidth + 1;
  document.body.dataset.probe = JSON.stringify({errors: window.faults, seen, anchors, alts, told, outside, wide, sorted: head.parentElement.getAttribute("aria-sort")});
});
</script></body>"""
LISTEN = "<head><script>window.faults=[];addEventListener('error',e=>faults.push(e.message),true);console.error=(...a)=>faults.push(a.join(' '));</script>"


def in_browser(page: Path, folder: Path, *more: str) -> dict[str, Any]:
    if BROWSER is None:
        if os.environ.get("CI"):
            pytest.fail("no headless browser: the page would go untested")
        pytest.skip("no headless browser on this machine")
    probe = folder / "probe.html"
    probe.write_text(page.read_text().replace("<head>", LISTEN, 1).replace("</body>", PROBE, 1))
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    options += [f"--user-data-dir={folder / 'profile'}", "--virtual-time-budget=8000", "--window-size=1000,900", *more]
    process = subprocess.run(
        [BROWSER, *options, "--dump-dom", probe.as_uri()], capture_output=True, timeout=HANG, check=False
    )
    actual = re.search(r'data-probe="([^"]*)"', process.stdout.decode())
    assert actual is not None, process.stderr.decode()[-2000:]
    answer: dict[str, Any] = json.loads(actual[1].replace("&quot;", '"').replace("&amp;", "&"))
    return answer


def sound(probe: dict[str, Any]) -> None:
    assert probe["errors"] == []
    assert probe["seen"]
    assert all(probe["seen"])
    assert all(probe["alts"])
    assert probe["anchors"]
    assert all(probe["anchors"])
    assert probe["told"]
    assert all(probe["told"])
    assert probe["outside"] == []
    assert probe["wide"]
    assert probe["sorted"] == "ascending"


@pytest.mark.parametrize("more", [(), ("--blink-settings=preferredColorScheme=0",)])
def test_the_page_is_whole_in_a_browser(written: Path, tmp_path: Path, more: tuple[str, ...]) -> None:
    sound(in_browser(written / "report.html", tmp_path, *more))


def checker(name: str) -> Path:
    """A checker of pages below the folder that HTML_CHECKERS names (`npm install vnu-jar axe-core`)."""
    file = Path(os.environ.get("HTML_CHECKERS", "nowhere")) / "node_modules" / name
    if not file.exists():
        if os.environ.get("CI"):
            pytest.fail(f"no {name}: the page would go unchecked")
        pytest.skip(f"no {name} below the folder HTML_CHECKERS")
    return file


def test_the_page_is_valid_html(written: Path) -> None:
    """By the checker of the W3C."""
    words = ["java", "-jar", str(checker("vnu-jar/build/dist/vnu.jar")), "--errors-only", str(written / "report.html")]
    process = subprocess.run(words, capture_output=True, timeout=HANG, check=False)
    assert process.stderr.decode() == ""
    assert process.returncode == 0


@pytest.mark.parametrize(("scheme", "width"), [("light", 1400), ("dark", 800)])
def test_the_page_is_accessible(written: Path, scheme: Any, width: int) -> None:
    """By axe-core: contrast, names, alternative texts, order of headings, in both schemes, wide and narrow."""
    from playwright.sync_api import sync_playwright

    script = checker("axe-core/axe.min.js")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        tab = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
        tab.goto((written / "report.html").as_uri())
        tab.add_script_tag(path=str(script))
        tab.evaluate("document.querySelectorAll('details').forEach(folded => { folded.open = true; })")
        violations = tab.evaluate("axe.run().then(answer => answer.violations.map(one => [one.id, one.nodes[0].html]))")
        browser.close()
    assert violations == []


def test_the_page_stands_alone_and_is_small(written: Path) -> None:
    page = (written / "report.html").read_text()
    assert page.count(scene_script()) == 1
    assert len(page.encode()) < 5e6
    assert not re.search(r'(?:src|href)="(?!data:|#)', page)
    assert "not a safety function" in page


def test_print_is_not_below_eight_points(written: Path) -> None:
    """No figure is wider than the text of A4 less margins of 20 mm, so that its 8 pt are not made smaller."""
    style = (ROOT / "armsim" / "figures" / "armsim.mplstyle").read_text()
    sizes = [float(size) for size in re.findall(r"(?:fontsize|labelsize|titlesize|font\.size): ([\d.]+)", style)]
    for path in (ROOT / "armsim" / "figures").glob("*.py"):
        sizes += [float(size) for size in re.findall(r"(?:fontsize|labelsize)=([\d.]+)", path.read_text())]
    assert min(sizes) >= 8
    for picture in (written / "figures").glob("*.svg"):
        width = re.search(r'width="([\d.]+)pt"', picture.read_text())
        assert width is not None
        assert float(width[1]) <= 170 / 25.4 * 72, picture.name


def pages(path: Path) -> tuple[pdfium.PdfDocument, list[str]]:
    book = pdfium.PdfDocument(path)
    return book, [page.get_textpage().get_text_range() for page in book]


@pytest.mark.parametrize(("paper", "size"), [("a4", (595.28, 841.89)), ("letter", (612.0, 792.0))])
def test_the_pdf_is_typeset(
    every: tuple[Scenario, Result], written: Path, tmp_path: Path, paper: Any, size: tuple[float, float]
) -> None:
    """Sizes of paper in points: ISO 216, ANSI/ASME Y14.1."""
    file = written / "report.pdf"
    if paper != "a4":  # the same without its figures, which were drawn for the other
        file = tmp_path / "report.pdf"
        manifest = manifest_of(every[1], Sample.of(every[1]), every[0].sources, "armsim run x.yaml")
        write_pdf(file, run_review(every[1], every[0].sources).document({}, manifest), paper)
    book, texts = pages(file)
    assert book[0].get_size() == pytest.approx(size, abs=0.6)
    first, second, body = texts[0], texts[1], [n for n, text in enumerate(texts) if "cause by cause" in text]
    assert "et at the" in first or "ot met:" in first  # the answer, whole, on the page that decides
    assert "To gain most" in first
    assert "Keep in mind" in first
    assert "The arm and its sensors" not in first
    assert "The arm and its sensors" in second
    assert "Provenance" in second  # the contents stand right after the page that decides
    assert body[0] == 1  # and nowhere else
    for number, text in enumerate(texts, start=1):
        assert f"{number} / {len(texts)}" in text
        if number > 1:
            assert every[1].scenario in text
    full = "\n".join(texts)
    assert show(every[1].requirement.position) in full  # type: ignore[union-attr]
    assert "not a safety function" in full
    for number in range(len(book)):  # every page holds something
        assert book[number].render(scale=0.2).to_pil().convert("L").getextrema()[0] < 200


def odd(tmp_path: Path) -> Path:
    """Twelve joints, a hundred poses, names that are long, in other scripts, and look like markup of all kinds."""
    name = r"_a_ sehr langer Name $\frac{$ #let {{x}} \\ %s 接着セル <b>&amp;</b> خلية"
    joints = "\n".join(
        f"    - {{name: achse-nummer-{n}-der-langen-kette, type: revolute, d: 50 mm, a: 60 mm, alpha: {90 if n % 2 else -90} deg,"
        f" range: [-170 deg, 170 deg]}}"
        for n in range(1, 13)
    )
    (tmp_path / "arm.yaml").write_text(
        f"kind: arm\nname: '{name}'\nkinematics:\n  convention: standard-dh\n  joints:\n{joints}\n", encoding="utf-8"
    )
    (tmp_path / "encoder.yaml").write_text(
        "kind: encoder\nname: '=HYPERLINK($_{\\rm x}$) エンコーダ mit einem Namen, der nicht aufhören will'\nmeasures: rotation\n"
        "signal_periods: 512\ninterpolation: 12 bit\ntrack_radius: 13 mm\ngraduation_error: 5 arcsec\nprice: 3\n",
        encoding="utf-8",
    )
    fitted = "\n".join(
        f"  achse-nummer-{n}-der-langen-kette: {{encoder: encoder.yaml, placement: output, mounting: {{eccentricity: 5 um}}}}"
        for n in range(1, 13)
    )
    poses = "\n".join(
        f"      - {{name: 'Station Nr. {n} 位置', joints: [{', '.join(f'{(7 * n + 11 * k) % 90} deg' for k in range(12))}]}}"
        for n in range(100)
    )
    (tmp_path / "scenario.yaml").write_text(
        f"kind: scenario\nname: '{name}'\narm: arm.yaml\njoints:\n{fitted}\ntasks:\n  - kind: poses\n"
        f"    name: '{name} 2'\n    poses:\n{poses}\nsampling: {{units: 1, visits: 1, seed: 1}}\n",
        encoding="utf-8",
    )
    return tmp_path / "scenario.yaml"


def test_odd_input_does_not_break_it(tmp_path: Path) -> None:
    study = armsim.load(odd(tmp_path))
    write_run_folder(tmp_path / "r", study.run(), study.scenario, "armsim run scenario.yaml")
    page = (tmp_path / "r" / "report.html").read_text()
    assert "<b>&amp;amp;" not in page.split("<pre>")[0]
    assert "&lt;b&gt;" in page
    _, texts = pages(tmp_path / "r" / "report.pdf")
    assert len(texts) > 5
    sound(in_browser(tmp_path / "r" / "report.html", tmp_path))


def test_yield_curve_is_that_of_the_population(every: tuple[Scenario, Result]) -> None:
    """At the position that is required the curve is the yield itself; it never falls. Source: the yield."""
    result = every[1]
    assert result.requirement is not None
    for task in result.tasks:
        curve, judged = task.yield_curve, task.summary.yield_
        assert curve is not None
        assert judged is not None
        at = curve.position.index(result.requirement.position)
        assert curve.share[at] == judged.value
        assert (curve.low[at], curve.high[at]) == pytest.approx(judged.interval)
        assert list(curve.share) == sorted(curve.share)
        assert curve.share[-1] == curve.largest
        assert percent(curve.largest)


def test_rounding_beside_a_number_prints_as_nothing() -> None:
    """A coordinate of 1.8e-25 mm is rounding: common practice, no source."""
    assert rounding_as_zero([0.78, 1.8e-28, -0.1]) == [0.78, 0.0, -0.1]
    assert rounding_as_zero([0.0, 0.0]) == [0.0, 0.0]
    assert rounding_as_zero([1e-9, 1e-12]) == [1e-9, 1e-12]


def test_no_place_is_told_by_its_rounding() -> None:
    """Joints that stand at zero but for the solver's last digits: on the demo j4 stood at -1.578e-14 deg. Common practice,
    no source."""
    study = armsim.load(ROOT / "scenarios" / "bonding-cell.yaml").with_plan(units=20, visits=2)
    places = [text for text in words(study.run()).splitlines() if "tool point at" in text]
    assert places
    assert not [text for text in places if re.search(r"\de-(?:09|1\d|2\d)\b", text)]


def test_the_review_of_the_demo_is_as_long_as_a_board_reads(tmp_path: Path) -> None:
    """One page that decides, six of body at most, then the appendix; on both papers, whatever the number of joints."""
    study = armsim.load(DEMO).with_plan(units=200, visits=5)
    result = study.run()
    review = run_review(result, study.scenario.sources)
    pictures = finish(begin(tmp_path / "figures", review.figures, NO_HELPERS))
    document = review.document(
        pictures, manifest_of(result, Sample.of(result), study.scenario.sources, "armsim run x.yaml")
    )
    for paper in ("a4", "letter"):
        write_pdf(tmp_path / f"{paper}.pdf", document, paper)  # type: ignore[arg-type]
        _, texts = pages(tmp_path / f"{paper}.pdf")
        appendix = next(
            n for n, text in enumerate(texts) if n > 1 and re.search(r"^A (Notes|Error budget)", text, re.M)
        )
        assert "To gain most" in texts[0]
        assert "Keep in mind" in texts[0]
        assert appendix - 1 <= 6
        sound_pages(tmp_path / f"{paper}.pdf")


def sound_pages(path: Path) -> None:
    """Every page but the last is two thirds full, no letter is smaller than 8 pt, no text runs into another."""
    assert min(fills(path)[:-1]) >= 2 / 3
    assert min(smallest_letters(path)) > 7.99
    assert list(overlaps(path)) == []


def test_pictures_stand_two_in_a_row() -> None:
    narrow = [Picture(str(n), "", "", "") for n in range(3)]
    wide = Picture("w", "", "", "", wide=True)
    text = Text("x")
    assert in_rows([*narrow, wide, narrow[0], text]) == (Row((narrow[0], narrow[1])), narrow[2], wide, narrow[0], text)


def test_no_heading_is_alone_at_the_end_of_a_page(tmp_path: Path) -> None:
    """Headings, small headings and titles of tables over every kind of block, at 150 places on pages."""
    rng = np.random.default_rng(1)
    (tmp_path / "p.svg").write_text('<svg xmlns="http://www.w3.org/2000/svg" width="300" height="200"/>')
    picture = Picture("p", "a finding", "a caption", "p.svg")
    frames = [Frame((Column("word", ("row",) * n), unitless("number", [12.5] * n)), "a table") for n in (3, 60)]
    kinds: list[Block] = [
        *(frame.table() for frame in frames),
        Listing("x", "a line\n" * 12),
        Bullets(("an item",) * 2),
        picture,
        Row((picture,) * 2),
    ]
    kinds += [Folded("a small heading", (kind,)) for kind in kinds]
    sections = []
    for block in rng.integers(len(kinds), size=150).tolist():
        filler = [Text("filler " * int(count)) for count in rng.choice([1, 30], size=rng.integers(25))]
        sections.append(Section("A heading", "h", (kinds[block], *filler)))
    write_pdf(tmp_path / "r.pdf", ReviewDocument("t", "s", "t", "2026-01-01", tuple(sections)))
    _, texts = pages(tmp_path / "r.pdf")
    lines = [[line for line in text.splitlines() if line and "safety function" not in line] for text in texts]
    last = [page[-1].strip() for page in lines if page]
    assert len(last) > 50
    assert not [line for line in last if line.endswith(("heading", "a table", "word number"))]
