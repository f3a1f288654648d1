"""Every document of a decision begins with a page that decides: question, answer, table, pictures, what to keep in mind."""

from __future__ import annotations

import html
from pathlib import Path

import pypdfium2 as pdfium
import pytest
from support import COARSE, ROOT, few_discs, invoke

DEMO, BASE, WRIST = (ROOT / "scenarios" / f"bonding-cell{end}.yaml" for end in ("", "-base", "-wrist"))
MEASURED = ROOT / "scenarios" / "measured"
FEW = ("--units", "128", "--visits", "3")
CALIBRATED = (
    "calibration={instrument: {std: 10 um}, poses: {candidates: 60, count: 30}, identify: {zeros: true, links: true}}"
)
COMMANDS = {
    "compare": (("compare", DEMO, BASE, WRIST, *FEW), "Where they differ"),
    "select": (("select", DEMO, "--catalogue", "few discs", *COARSE, *FEW), "The design and its price"),
    "verify": (("verify", MEASURED / "cell-poses.yaml", "--measured", MEASURED / "arm-17.csv"), "Pose by pose"),
    "calibrate": (("calibrate", DEMO, *COARSE, "--set", CALIBRATED, *FEW), "Before and after"),
}


@pytest.mark.parametrize(("name", "paper"), [*((name, "letter") for name in COMMANDS), ("verify", "a4")])
def test_the_first_page_decides(name: str, paper: str, tmp_path: Path) -> None:
    words, then = COMMANDS[name]
    words = tuple(few_discs(tmp_path) if word == "few discs" else word for word in words)
    process = invoke(*words, "--paper", paper, "--out", tmp_path / "r", pictures=True)
    assert process.returncode in (0, 1, 4), process.stderr
    document = pdfium.PdfDocument(tmp_path / "r" / "report.pdf")
    pages = [" ".join(page.get_textpage().get_text_bounded().split()) for page in document]
    assert "The question: " in pages[0]
    assert "Keep in mind" in pages[0] or "Keep in mind" not in " ".join(pages)
    assert "not a safety function" in pages[0]
    assert then not in pages[0]
    assert any(f"1 {title}" in pages[1] for title in ("The designs", then, "The measured arms", "Where to measure")), (
        pages[1][:300]
    )
    objects = [get_object for get_object in document[0].get_objects() if get_object.type in (1, 2, 3, 5)]
    assert len(objects) > 20  # pictures are drawn on it
    page = (tmp_path / "r" / "report.html").read_text()
    assert 'class="front"' in page
    assert html.escape("The question: ") in page
