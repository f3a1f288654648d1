"""Sensitivity, what-if, trade-off and sweep leave a review as every command does: page, PDF, and the answer of the JSON."""

from __future__ import annotations

import csv
import hashlib
import html
import json
import re
from pathlib import Path
from typing import Any

import pypdfium2 as pdfium
import pytest
from support import COARSE, ROOT, few_discs, invoke

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
FEW = ("--units", "200", "--visits", "3", *COARSE)
PATH = "joints.j2.mounting.eccentricity"
COMMANDS: dict[str, tuple[object, ...]] = {
    "sensitivity": ("sensitivity", DEMO, *FEW),
    "what-if": ("what-if", DEMO, *FEW),
    "trade-off": ("trade-off", DEMO, "--catalogue", "few discs", *FEW),
    "sweep": ("run", DEMO, "--sweep", f"{PATH}=5um..60um:4", *FEW),
}


@pytest.fixture(scope="module", params=COMMANDS)
def written(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path, str]:
    """Name of the command, its folder, and what it printed."""
    folder = tmp_path_factory.mktemp("review") / "r"
    words = tuple(few_discs(folder.parent) if word == "few discs" else word for word in COMMANDS[request.param])
    process = invoke(*words, "--out", folder, pictures=True)
    assert process.returncode in (0, 1, 4), process.stderr
    return request.param, folder, process.stdout


def text_of(page: Path) -> str:
    unitless = re.sub(r"<[^>]+>", " ", re.sub(r"(?s)<style.*?</style>|<script.*?</script>", "", page.read_text()))
    return " ".join(html.unescape(unitless).split())


def largest(rows: list[dict[str, Any]], key: str, gain: bool) -> dict[str, Any]:
    """The row with the largest change that is resolved: 0 lies outside of its interval."""
    resolved = [row for row in rows if row[key]["interval"][0] > 0 or row[key]["interval"][1] < 0]
    return min(resolved, key=lambda row: row[key]["value"] if gain else -abs(row[key]["value"]))


def expected(name: str, record: dict[str, Any], answer: str) -> list[str]:
    """What the answer must say, from the JSON alone."""
    if name == "trade-off":
        return [f"costs {record['cheapest']:g}"]
    if name == "sweep":
        states: dict[str, set[str]] = {}
        for point in record["points"]:
            states.setdefault(point["value"], set()).update(task["state"] for task in point["tasks"])
        ranks = ["not met", "not resolved", "met"]
        worst = {value: min(item, key=ranks.index) for value, item in states.items()}
        assert answer.lower().startswith(next(iter(worst.values())))
        assert all(state in answer.lower() for state in worst.values())
        return [next(iter(worst)), list(worst)[-1]]
    task = next(task for task in ("side view", "stations") if f"at {task}" in answer or f"of {task}" in answer)
    rows = [row for row in record["rows" if name == "what-if" else "lines"] if row["task"] == task]
    if name == "what-if":
        best = largest(rows, "at_coverage", True)
        return [best["what"], f"{-1e6 * best['at_coverage']['value']:.0f}"]
    best = largest(rows, "tenth_less", False)
    words = [
        key.replace("_", " ") for key in best["path"].split(".")[1:] if not key.isdigit() and key != "transmission"
    ]
    return [*words, f"{abs(1e6 * best['tenth_less']['value']):.1f}"]


def test_page_and_pdf_answer_first(written: tuple[str, Path, str]) -> None:
    name, folder, printed = written
    page = text_of(folder / "report.html")
    pages = [
        " ".join(item.get_textpage().get_text_bounded().split()) for item in pdfium.PdfDocument(folder / "report.pdf")
    ]
    answer = re.search(
        r'<p class="(?:good|open|bad|strong) verdict"[^>]*>(.*?)</p>', (folder / "report.html").read_text()
    )
    assert answer is not None
    sentence = html.unescape(answer[1])
    assert re.match(r"(Met|Not met|Not resolved)\b", sentence)
    assert "The question: " in page
    assert "The question: " in pages[0]
    assert sentence[:40] in pages[0]
    record = json.loads((folder / f"{name}.json").read_text())
    for text in expected(name, record, sentence):
        assert text in sentence
    assert " ".join(sentence.split()) in " ".join(printed.split())  # the terminal says the same


def test_the_review_is_whole(written: tuple[str, Path, str]) -> None:
    """Tables, figures, cautions, assumptions, inputs with their hashes, what to type to make it again."""
    name, folder, _ = written
    page = text_of(folder / "report.html")
    for title in ("Cautions", "Assumptions and omissions", "Inputs as read", "References", "Provenance"):
        assert title in page
    assert "not a safety function" in page
    digest = hashlib.sha256(DEMO.read_bytes()).hexdigest()
    assert digest in page
    manifest = json.loads((folder / "manifest.json").read_text())
    assert digest in [row["sha256"] for row in manifest["inputs"]]
    assert (manifest["units"], manifest["visits"]) == (200, 3)
    assert manifest["command"].startswith("armsim run" if name == "sweep" else f"armsim {name}")
    assert "--units 200" in manifest["command"]
    assert list((folder / "figures").glob("*.svg"))
    assert "<figure" in (folder / "report.html").read_text()


def test_a_table_shows_the_numbers_of_its_file(written: tuple[str, Path, str]) -> None:
    """The first numeric cell of every row of the first page is the number of the CSV, to the digits shown."""
    name, folder, _ = written
    with (folder / "tables" / f"{name}.csv").open() as file:
        rows = list(csv.DictReader(file))
    source = (folder / "report.html").read_text()
    table = re.search(r"(?s)<table>.*?</table>", source)
    assert table is not None
    headers = [html.unescape(text) for text in re.findall(r"<button[^>]*>(.*?)</button>", table[0])]
    column = next(text for text in headers if text.endswith("[µm]"))
    exact = [float(row[column.replace("µ", "u")]) for row in rows]
    display = re.findall(r"(?s)<tr>(.*?)</tr>", table[0])[1:]
    assert display
    for row in display:
        cells = [html.unescape(text) for text in re.findall(r"<td[^>]*>(.*?)</td>", row)]
        text = cells[headers.index(column)].split()[0]
        places = len(text.partition(".")[2])
        assert any(abs(value - float(text)) <= 0.5001 * 10.0**-places for value in exact), (column, text)
