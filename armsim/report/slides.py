"""Slides of a review for a board, from the answer to what is not known, in placeholders of the layouts."""

from __future__ import annotations

import copy
import math
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from armsim.report.document import Block, Front, Picture, ReviewDocument, Row, Section, Table
from armsim.report.drawing import rasterize

WIDTH, HEIGHT = 13.333, 7.5
"""Size of a slide, 16:9. [inch]"""
WIDER = WIDTH / 10.0
"""Width over that of the 4:3 template."""
MARGIN, TOP, FOOT = 0.6, 1.45, 0.55
"""Margins beside the content, above it, and below it. [inch]"""
CAPTION = 0.75
"""Height of a caption. [inch]"""
TITLE, SMALL_TITLE, TEXT, SMALL_TEXT, SMALL = 24, 20, 18, 14, 11
"""Font sizes. [pt]"""
LONG_TITLE = 120
"""Characters of a title from which it is set smaller."""
MOST = 10
"""Most slides of a deck."""
MOST_ROWS = 12
"""Most rows of a table on a slide."""
RESOLUTION = 220.0
"""Pixels per inch of a picture, which is shown at up to twice its size."""
TITLE_SLIDE, CONTENT, TITLE_ONLY, PICTURE = 0, 1, 5, 8
"""Layouts of the template."""
FOOTER_KINDS = (15, 13)
"""Kinds of placeholders that a layout has and a new slide lacks: footer, slide number."""


@dataclass(frozen=True)
class Slide:
    """A slide: title, texts, picture or table, and what its speaker says."""

    title: str
    texts: tuple[str, ...] = ()
    picture: Picture | None = None
    table: Table | None = None
    notes: str = ""


def outline(document: ReviewDocument) -> tuple[Slide, ...]:
    """Slides after the title: answer, figures of the first page, design, options, what is not known, appendix."""
    front = document.front
    if front is None:
        return tuple(_figures(islice(_pictures(document.sections, set()), MOST - 1), "appendix"))
    shown_names = {picture.name for picture in front.pictures}
    slides = [_answer(front), *_figures(front.pictures, "evidence")]
    if front.design is not None:
        slides.append(Slide("What is built, and what each joint contributes", table=front.design))
    options = next((section for section in document.sections if section.anchor == "recommendations"), None)
    if options is not None:
        for slide in islice(_options(options), 1):
            slides.append(slide)
            shown_names |= {slide.picture.name} if slide.picture is not None else set()
    if front.advice:
        slides.append(Slide("Recommendation: what gains most", front.advice, notes="Each change is made alone."))
    slides.append(_unknown(front))
    remaining_pictures = islice(_pictures(document.sections, shown_names), max(0, MOST - 1 - len(slides)))
    return (*slides, *_figures(remaining_pictures, "appendix"))


def _answer(front: Front) -> Slide:
    notes = "\n".join((front.answer, front.question, *front.sentences, *front.key_facts, *_lines(front.table)))
    if front.gauges is None:
        return Slide(front.answer, (front.question, *front.key_facts), notes=notes)
    title, _, doubt = front.answer.partition("; ")
    texts = (f"{doubt[:1].upper()}{doubt[1:]}", front.question) if doubt else (front.question,)
    return Slide(title, texts, front.gauges, notes=notes)


def _figures(pictures: Sequence[Picture] | Iterator[Picture], part: str) -> Iterator[Slide]:
    for picture in pictures:
        notes = f"{part.capitalize()}: {picture.finding}.\nHow it is made: {picture.caption}"
        yield Slide(picture.finding, (picture.caption,), picture, notes=notes)


def _options(section: Section) -> Iterator[Slide]:
    """Slides of the section of recommendations: its figures, else its tables."""
    yield from _figures(_pictures((section,), set()), "options")
    for block in section.blocks:
        if isinstance(block, Table):
            yield Slide(block.title or section.title, table=block)


def _unknown(front: Front) -> Slide:
    texts = (*front.sentences, *front.notes)
    notes = "The report lists all assumptions, every cause that is taken as zero, and the inputs with their hashes."
    return Slide("What is not known", texts, notes=notes)


def _pictures(sections: Sequence[Section], known_names: set[str]) -> Iterator[Picture]:
    """Pictures of sections that have not been seen."""
    names = set(known_names)
    blocks: list[Block] = [block for section in sections for block in section.blocks]
    for block in blocks:
        for picture in block.blocks if isinstance(block, Row) else (block,):
            if isinstance(picture, Picture) and picture.name not in names:
                names.add(picture.name)
                yield picture


def _lines(table: Table) -> list[str]:
    """Rows of a table as sentences of headers and cells."""
    lines = []
    for row in table.rows:
        cells = [f"{name} {cell.text}" for name, cell in zip(table.headers[1:], row[1:], strict=True) if cell.text]
        lines.append(f"{row[0].text}: {'; '.join(cells)}")
    return lines


def write_slides(path: Path, document: ReviewDocument) -> None:
    """Write the slides of a document; the files of its pictures are found relative to it."""
    from pptx import Presentation
    from pptx.enum.text import PP_ALIGN

    deck: Any = Presentation()
    _set_up(deck)
    slides = outline(document)
    cover = _new(deck, TITLE_SLIDE, document.title, document.caution)
    cover.placeholders[1].text_frame.text = f"{document.subtitle}\n{document.date}"
    for paragraph in cover.placeholders[1].text_frame.paragraphs:
        _sized(paragraph, TEXT)
        paragraph.alignment = PP_ALIGN.LEFT
    _set_notes(
        cover, f"{document.title}: {document.subtitle}. The report has all figures, tables, inputs and references."
    )
    pictures = {slide.picture.name: slide.picture for slide in slides if slide.picture is not None}
    with tempfile.TemporaryDirectory(prefix="armsim-") as temporary:
        folder = Path(temporary)
        for picture in pictures.values():
            shutil.copy(path.parent / picture.file, folder / f"{picture.name}.svg")
        rasterize(folder, list(pictures), RESOLUTION)
        for slide in slides:
            _write(deck, slide, folder, document.caution)
    deck.save(str(path))


def _set_up(deck: Any) -> None:
    """Make the 4:3 template 16:9, its titles left, its places as wide as the slide."""
    from pptx.util import Inches

    deck.slide_width, deck.slide_height = Inches(WIDTH), Inches(HEIGHT)
    for layout in (deck.slide_master, *deck.slide_layouts):
        for shape in layout.shapes:
            if shape._element.xpath(".//a:xfrm"):
                shape.left, shape.width = int(shape.left * WIDER), int(shape.width * WIDER)
    wide = WIDTH - 2 * MARGIN
    room = HEIGHT - TOP - FOOT
    layouts = deck.slide_layouts
    for layout in (layouts[CONTENT], layouts[TITLE_ONLY], layouts[PICTURE]):
        _set_box(layout.placeholders[0], MARGIN, 0.25, wide, TOP - 0.45)
    _set_box(layouts[TITLE_SLIDE].placeholders[0], MARGIN, 1.6, wide, 1.8)
    _set_box(layouts[TITLE_SLIDE].placeholders[1], MARGIN, 3.6, wide, 2.0)
    _set_box(layouts[CONTENT].placeholders[1], MARGIN, TOP, wide, room)
    _set_box(layouts[PICTURE].placeholders[1], MARGIN, TOP, wide, room - CAPTION)
    _set_box(layouts[PICTURE].placeholders[2], MARGIN, HEIGHT - FOOT - CAPTION, wide, CAPTION)
    for layout in layouts:
        for shape in layout.placeholders:
            if shape.placeholder_format.type == FOOTER_KINDS[0]:
                _set_box(shape, MARGIN, HEIGHT - FOOT, wide - 1.2, 0.4)
            elif shape.placeholder_format.type == FOOTER_KINDS[1]:
                _set_box(shape, WIDTH - MARGIN - 1.0, HEIGHT - FOOT, 1.0, 0.4)


def _set_box(shape: Any, x: float, y: float, width: float, height: float) -> None:
    from pptx.util import Inches

    shape.left, shape.top, shape.width, shape.height = Inches(x), Inches(y), Inches(width), Inches(height)


def _new(deck: Any, number: int, title: str, footer: str) -> Any:
    """A slide of a layout, with its title, footer and number."""
    from pptx.enum.text import PP_ALIGN

    layout = deck.slide_layouts[number]
    slide = deck.slides.add_slide(layout)
    for shape in layout.placeholders:
        if shape.placeholder_format.type in FOOTER_KINDS:
            slide.shapes._spTree.append(copy.deepcopy(shape._element))
    for shape in slide.placeholders:
        if shape.placeholder_format.type == FOOTER_KINDS[0]:
            shape.text_frame.text = footer
            _sized(shape.text_frame.paragraphs[0], SMALL)
            shape.text_frame.paragraphs[0].alignment = PP_ALIGN.LEFT
    slide.shapes.title.text_frame.text = title
    paragraph = slide.shapes.title.text_frame.paragraphs[0]
    paragraph.alignment = PP_ALIGN.LEFT
    size = SMALL_TITLE if len(title) > LONG_TITLE else TITLE
    _sized(paragraph, size + 8 if number == TITLE_SLIDE else size, True)
    return slide


def _sized(paragraph: Any, size: int, bold: bool = False) -> None:
    from pptx.util import Pt

    paragraph.font.size, paragraph.font.bold = Pt(size), bold


def _set_notes(slide: Any, text: str) -> None:
    slide.notes_slide.notes_text_frame.text = text


def _write(deck: Any, slide: Slide, folder: Path, footer: str) -> None:
    number = PICTURE if slide.picture is not None else TITLE_ONLY if slide.table is not None else CONTENT
    page = _new(deck, number, slide.title, footer)
    _set_notes(page, slide.notes or "\n".join(_lines(slide.table) if slide.table is not None else slide.texts))
    if slide.picture is not None:
        _set_picture(page, slide, folder / f"{slide.picture.name}.png")
    elif slide.table is not None:
        _set_table(page, slide.table)
    else:
        _fill(page.placeholders[1], slide.texts, HEIGHT - TOP - FOOT)


def _set_picture(page: Any, slide: Slide, file: Path) -> None:
    """Place the whole picture into the layout's place for one, as large as fits, and its caption below."""
    assert slide.picture is not None
    placeholder = page.placeholders[1]
    box = placeholder.left, placeholder.top, placeholder.width, placeholder.height
    picture = placeholder.insert_picture(str(file))
    picture.crop_left = picture.crop_right = picture.crop_top = picture.crop_bottom = 0.0
    width, height = picture.image.size
    share = min(box[2] / width, box[3] / height)
    picture.width, picture.height = int(share * width), int(share * height)
    picture.left = box[0] + (box[2] - picture.width) // 2
    picture.top = box[1] + (box[3] - picture.height) // 2
    picture._element.nvPicPr.cNvPr.set("descr", f"{slide.picture.finding}. {slide.picture.caption}")
    _fill(page.placeholders[2], slide.texts, CAPTION, SMALL_TEXT)


def _fill(shape: Any, texts: Sequence[str], height: float, largest: int = TEXT) -> None:
    """Put a paragraph per text into a placeholder, in the largest size in which they fit."""
    size = next((size for size in (largest, largest - 2, SMALL_TEXT, 12) if height_of(texts, size) <= height), SMALL)
    frame = shape.text_frame
    for n, text in enumerate(texts):
        paragraph = frame.paragraphs[0] if n == 0 else frame.add_paragraph()
        paragraph.text = text
        _sized(paragraph, size)


def _set_table(page: Any, table: Table) -> None:
    """Set a table as one that can be edited, its first rows where it has many."""
    from pptx.enum.text import PP_ALIGN
    from pptx.util import Inches

    rows = [[*table.headers], *([cell.text for cell in row] for row in table.rows[:MOST_ROWS])]
    size = (len(rows), len(table.headers))
    wide = WIDTH - 2 * MARGIN
    shape = page.shapes.add_table(*size, Inches(MARGIN), Inches(TOP), Inches(wide), Inches(0.38 * len(rows)))
    longest = [max(15, *(len(row[n]) for row in rows)) for n in range(len(table.headers))]
    for n, column in enumerate(shape.table.columns):
        column.width = Inches(wide * longest[n] / sum(longest))
    for n, row in enumerate(rows):
        for k, text in enumerate(row):
            paragraph = shape.table.cell(n, k).text_frame.paragraphs[0]
            paragraph.text = text
            _sized(paragraph, SMALL_TEXT, n == 0)
            paragraph.alignment = PP_ALIGN.LEFT if k in table.words else PP_ALIGN.RIGHT


def height_of(texts: Sequence[str], size: int) -> float:
    """Height of paragraphs over the width of a slide, for any common font. [inch]"""
    room = (WIDTH - 2 * MARGIN - 0.6) * 72.0 / (size * 0.56)
    lines = sum(max(1, math.ceil(len(text) / room)) for text in texts)
    return (1.2 * lines + 0.4 * len(texts)) * size / 72.0 + 0.1
