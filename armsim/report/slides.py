"""Slides of a review: one finding per slide with figure, caption and disclaimer, all text editable."""

from __future__ import annotations

import math
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from armsim.disclaimer import LINE
from armsim.report.document import Block, Picture, ReviewDocument, Row, Table
from armsim.report.drawing import rasterize

WIDTH, HEIGHT = 13.333, 7.5
"""Size of a slide, 16:9. [inch]"""
MARGIN, TOP, FOOT = 0.6, 1.35, 0.9
"""Margins around, above and below a figure. [inch]"""
CAUTION = 0.42
"""Height of the line of caution at the foot. [inch]"""
TITLE, TEXT, SMALL = 26, 14, 10
"""Font sizes. [pt]"""


def write_slides(path: Path, document: ReviewDocument) -> None:
    """Write the slides of a document; the files of its pictures are found relative to it."""
    from pptx import Presentation
    from pptx.util import Inches

    deck: Any = Presentation()
    deck.slide_width, deck.slide_height = Inches(WIDTH), Inches(HEIGHT)
    _first(deck, document)
    pictures = list(_pictures(document))
    with tempfile.TemporaryDirectory(prefix="armsim-") as temporary:
        folder = Path(temporary)
        for picture in pictures:
            shutil.copy(path.parent / picture.file, folder / f"{picture.name}.svg")
        if pictures:
            rasterize(folder, [picture.name for picture in pictures])
        for picture in pictures:
            _slide(deck, picture.finding, picture.caption, folder / f"{picture.name}.png")
    deck.save(str(path))


def _pictures(document: ReviewDocument) -> Iterator[Picture]:
    """All pictures without duplicates, those of the first page first."""
    names: set[str] = set()
    front = document.front
    gauges = () if front is None or front.gauges is None else (front.gauges,)
    blocks: list[Block] = [*gauges, *(() if front is None else front.pictures)]
    for section in document.sections:
        blocks += section.blocks
    for block in blocks:
        for picture in block.blocks if isinstance(block, Row) else (block,):
            if isinstance(picture, Picture) and picture.name not in names:
                names.add(picture.name)
                yield picture


def _blank(deck: Any) -> Any:
    slide = deck.slides.add_slide(deck.slide_layouts[6])
    _write(slide, f"Results are {LINE}.", MARGIN, HEIGHT - CAUTION, WIDTH - 2 * MARGIN, 0.3, SMALL)
    return slide


def _write(
    slide: Any, text: str, x: float, y: float, width: float, height: float, size: int, bold: bool = False
) -> None:
    from pptx.util import Inches, Pt

    frame = slide.shapes.add_textbox(Inches(x), Inches(y), Inches(width), Inches(height)).text_frame
    frame.word_wrap = True
    for n, line in enumerate(text.split("\n")):
        paragraph = frame.paragraphs[0] if n == 0 else frame.add_paragraph()
        run = paragraph.add_run()
        run.text = line
        run.font.size, run.font.bold = Pt(size), bold


def _first(deck: Any, document: ReviewDocument) -> None:
    slide = _blank(deck)
    high = max(0.9, height_of(document.title, TITLE + 8, bold=True))
    _write(slide, document.title, MARGIN, 0.5, WIDTH - 2 * MARGIN, high, TITLE + 8, bold=True)
    at, subtitle = 0.6 + high, f"{document.subtitle}; {document.date}"
    high = max(0.4, height_of(subtitle, TEXT))
    _write(slide, subtitle, MARGIN, at, WIDTH - 2 * MARGIN, high, TEXT)
    front = document.front
    if front is not None:
        at += high + 0.2
        texts = ((front.question, TEXT, False), (front.answer, TITLE - 6, True), (_tasks(front.table), TEXT, False))
        for text, size, bold in texts:
            high = height_of(text, size, bold)
            _write(slide, text, MARGIN, at, WIDTH - 2 * MARGIN, high, size, bold)
            at += high + 0.15
        items = [f"• {item}" for item in (*front.key_facts, *front.advice, *front.notes)]
        while items and at + height_of("\n".join(items), TEXT) > HEIGHT - CAUTION:
            items.pop()  # the page that decides has them all
        if items:
            text = "\n".join(items)
            _write(slide, text, MARGIN, at, WIDTH - 2 * MARGIN, height_of(text, TEXT), TEXT)


def _tasks(tasks: Table) -> str:
    """Rows of a table as lines of headers and cells."""
    lines = []
    for row in tasks.rows:
        cells = [f"{name} {cell.text}" for name, cell in zip(tasks.headers[1:], row[1:], strict=True) if cell.text]
        lines.append(f"{row[0].text}: {'; '.join(cells)}")
    return "\n".join(lines)


def height_of(text: str, size: int, bold: bool = False) -> float:
    """Height of a text over the width of a slide, for any common font. [inch]"""
    room = (WIDTH - 2 * MARGIN) * 72.0 / (size * (0.68 if bold else 0.6))
    lines = sum(max(1, math.ceil(len(line) / room)) for line in text.split("\n"))
    return lines * 1.25 * size / 72.0 + 0.1


def _slide(deck: Any, finding: str, caption: str, picture: Path) -> None:
    from pptx.util import Inches

    slide = _blank(deck)
    _write(slide, finding, MARGIN, 0.35, WIDTH - 2 * MARGIN, 0.9, TITLE, bold=True)
    shape = slide.shapes.add_picture(str(picture), Inches(MARGIN), Inches(TOP))
    room = WIDTH - 2 * MARGIN, HEIGHT - TOP - FOOT - 0.5
    share = min(room[0] / shape.width.inches, room[1] / shape.height.inches)
    shape.width, shape.height = Inches(share * shape.width.inches), Inches(share * shape.height.inches)
    shape.left = Inches((WIDTH - shape.width.inches) / 2)
    alt = shape._element.nvPicPr.cNvPr
    alt.set("descr", f"{finding}. {caption}")
    _write(slide, caption, MARGIN, HEIGHT - FOOT - 0.35, WIDTH - 2 * MARGIN, 0.6, TEXT - 2)
