"""Slides answer the question in the order of a board; a workbook lies beside them where it is asked for."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import openpyxl
import pytest
from pptx import Presentation
from pptx.enum.shapes import PP_PLACEHOLDER
from support import ROOT, invoke

from armsim.cli import options
from armsim.report.slides import height_of
from armsim.report.verdict import headline
from armsim.results import Result


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    out = tmp_path_factory.mktemp("deck") / "r"
    words = ("--units", "100", "--visits", "3", "--slides", "--workbook", "--out", out)
    process = invoke("run", ROOT / "scenarios" / "track-cell.yaml", *words, pictures=True)
    assert process.returncode in (0, 1, 4), process.stderr
    return out, Result.from_json((out / "results.json").read_bytes())


def test_a_workbook_is_among_the_files_of_a_run(written: tuple[Path, Result]) -> None:
    book = openpyxl.load_workbook(written[0] / "budget.xlsx")
    assert book.sheetnames == [
        "requirement", "inputs", "what-if", "1 stations", "joints", "price", "poses", "how to read",
    ]  # fmt: skip
    for sheet in book:
        assert sheet.protection.sheet  # formulas are locked, inputs alone are not
        for cell in (cell for row in sheet.iter_rows() for cell in row):
            assert cell.protection.locked != cell.fill.fgColor.rgb.endswith("FFF2CC"), cell.coordinate
    assert [len(book[name]._charts) for name in ("joints", "what-if")] == [1, 1]


def test_the_deck_is_presented_unedited(written: tuple[Path, Result]) -> None:
    """Question, answer, evidence, design, options, advice, what is not known; texts in placeholders, with numbers and notes."""
    deck = Presentation(str(written[0] / "slides.pptx"))
    assert deck.slide_width / deck.slide_height == pytest.approx(16 / 9, rel=1e-3)
    slides = list(deck.slides)
    titles = [slide.shapes.title.text_frame.text for slide in slides]
    assert 6 < len(slides) <= 10
    assert len(set(titles)) == len(titles)
    assert headline(written[1]).startswith(titles[1])
    assert headline(written[1]) in slides[1].notes_slide.notes_text_frame.text
    assert "What is not known" in titles
    assert any(title.startswith("Recommendation") for title in titles)
    for slide in slides:
        kinds = [shape.placeholder_format.type for shape in slide.placeholders]
        assert PP_PLACEHOLDER.SLIDE_NUMBER in kinds
        footers = [shape for shape in slide.placeholders if shape.placeholder_format.type == PP_PLACEHOLDER.FOOTER]
        assert "not a safety function" in footers[0].text_frame.text
        assert len(slide.notes_slide.notes_text_frame.text) > 20
        assert all(shape.is_placeholder or shape.has_table for shape in slide.shapes)
        assert not [shape for shape in slide.placeholders if shape.has_text_frame and not shape.text_frame.text]


def test_nothing_on_a_slide_overlaps(written: tuple[Path, Result]) -> None:
    """Boxes of titles, pictures, tables and texts lie on the slide and beside each other; every picture says what it shows."""
    deck = Presentation(str(written[0] / "slides.pptx"))
    pictures = 0
    for slide in deck.slides:
        boxes = [(one.left, one.top, one.left + one.width, one.top + one.height) for one in slide.shapes]
        assert all(box[0] >= 0 and box[1] >= 0 for box in boxes)
        assert all(box[2] <= deck.slide_width and box[3] <= deck.slide_height for box in boxes)
        for one, other in combinations(boxes, 2):
            assert (
                one[2] <= other[0]
                or other[2] <= one[0]
                or one[3] <= other[1]
                or other[3] <= one[1]
                or is_foot(one, other)
            )
        for shape in slide.shapes:
            descriptions = shape._element.xpath(".//p:nvPicPr/p:cNvPr/@descr")
            pictures += len(descriptions)
            assert all(len(text) > 20 for text in descriptions)
            if shape.has_text_frame:
                texts = [paragraph.text for paragraph in shape.text_frame.paragraphs]
                size = shape.text_frame.paragraphs[0].font.size
                assert size is None or height_of(texts, int(size.pt)) <= shape.height / 914_400 + 0.5, texts
    assert pictures > 3


def is_foot(one: tuple[int, ...], other: tuple[int, ...]) -> bool:
    """Whether both boxes are those of footer and number, which the layout sets on one line."""
    return one[1] == other[1] and one[1] > 6.8 * 914_400


@pytest.mark.parametrize(("library", "extra"), [("pptx", "slides"), ("openpyxl", "workbook")])
def test_without_its_library_it_says_what_to_install(library: str, extra: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(options, "find_spec", lambda name: None if name == library else 1)
    process = invoke("run", ROOT / "scenarios" / "track-cell.yaml", f"--{extra}", pictures=True)
    assert process.returncode == 2
    assert f"pip install 'armsim[{extra}]'" in process.stderr
