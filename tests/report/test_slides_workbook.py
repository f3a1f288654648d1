"""Slides say a finding each with its figure and the caution; a workbook lies beside them where it is asked for."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from pptx import Presentation
from support import ROOT, invoke

from armsim.cli import options
from armsim.report.slides import height_of
from armsim.results import Result


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    out = tmp_path_factory.mktemp("deck") / "r"
    words = ("--units", "100", "--visits", "3", "--slides", "--workbook", "--out", out)
    process = invoke("run", ROOT / "scenarios" / "track-cell.yaml", *words, pictures=True)
    assert process.returncode in (0, 1, 4), process.stderr
    return out, Result.from_json((out / "results.json").read_bytes())


def test_a_workbook_is_among_the_files_of_a_run(written: tuple[Path, Result]) -> None:
    names = openpyxl.load_workbook(written[0] / "budget.xlsx").sheetnames
    assert names == ["summary", "inputs", "1 stations", "price"]


def test_a_finding_a_slide(written: tuple[Path, Result]) -> None:
    deck = Presentation(str(written[0] / "slides.pptx"))
    assert deck.slide_width / deck.slide_height == pytest.approx(16 / 9, rel=1e-3)
    slides = list(deck.slides)
    assert len(slides) > 4
    for n, slide in enumerate(slides):
        texts = [shape.text_frame.text for shape in slide.shapes if shape.has_text_frame]
        assert any("not a safety function" in text for text in texts)
        pictures = [shape for shape in slide.shapes if shape.shape_type == 13]
        assert len(pictures) == (0 if n == 0 else 1)
        for picture in pictures:
            assert picture.left >= 0
            assert picture.left + picture.width <= deck.slide_width
            assert picture.top + picture.height <= deck.slide_height
            assert len(picture._element.nvPicPr.cNvPr.get("descr")) > 20
    titles = [slide.shapes[1].text_frame.text for slide in slides[1:]]
    assert len(set(titles)) == len(titles)
    assert all(len(title) > 10 for title in titles)
    boxes = sorted((item.top, item.top + height_of_box(item)) for item in slides[0].shapes)
    assert all(end <= begin for (_, end), (begin, _) in pairwise(boxes))  # no text runs into another


def height_of_box(shape: Any) -> int:
    """What its text takes by the estimate of the deck, or its own height where that is more."""
    run = shape.text_frame.paragraphs[0].runs[0]
    needed = height_of(shape.text_frame.text, int(run.font.size.pt), bool(run.font.bold))
    return max(shape.height, int(914_400 * (needed - 0.1)))


@pytest.mark.parametrize(("library", "extra"), [("pptx", "slides"), ("openpyxl", "workbook")])
def test_without_its_library_it_says_what_to_install(library: str, extra: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(options, "find_spec", lambda name: None if name == library else 1)
    process = invoke("run", ROOT / "scenarios" / "track-cell.yaml", f"--{extra}", pictures=True)
    assert process.returncode == 2
    assert f"pip install 'armsim[{extra}]'" in process.stderr
