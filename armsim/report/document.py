"""Building blocks of a review document, which `html` and `pdf` typeset."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Literal

from armsim.disclaimer import LINE

Tone = Literal["plain", "good", "open", "bad", "soft", "strong"]


@dataclass(frozen=True)
class Text:
    """A paragraph."""

    text: str
    tone: Tone = "plain"
    kind: Literal["text"] = "text"


@dataclass(frozen=True)
class Bullets:
    """A list of sentences."""

    items: tuple[str, ...]
    kind: Literal["bullets"] = "bullets"


@dataclass(frozen=True)
class Cell:
    """Text of a table cell, and the number by which it is sorted, if any."""

    text: str
    value: float | None = None


@dataclass(frozen=True)
class Table:
    """Table of rows under headers; the columns numbered in ``words`` hold text, the others numbers."""

    headers: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    words: tuple[int, ...] = (0,)
    title: str = ""
    kind: Literal["table"] = "table"


@dataclass(frozen=True)
class Spot:
    """Text at a point of a picture, as shares of its width from the left and its height from the top."""

    x: float
    y: float
    text: str


@dataclass(frozen=True)
class Picture:
    """Figure: its finding, caption, file relative to the document, and values at some points.

    ``wide`` ones take the whole width; others are set two side by side. ``scene`` is the file of a scene that can be
    turned on a page.
    """

    name: str
    finding: str
    caption: str
    file: str
    spots: tuple[Spot, ...] = ()
    wide: bool = False
    scene: str = ""
    kind: Literal["picture"] = "picture"


@dataclass(frozen=True)
class Listing:
    """Text of a file."""

    title: str
    text: str
    kind: Literal["listing"] = "listing"


@dataclass(frozen=True)
class Folded:
    """Blocks of detail, folded on a page, printed under a small heading."""

    title: str
    blocks: tuple[Block, ...]
    kind: Literal["folded"] = "folded"


@dataclass(frozen=True)
class Row:
    """Blocks side by side."""

    blocks: tuple[Block, ...]
    kind: Literal["row"] = "row"


Block = Text | Bullets | Table | Picture | Listing | Folded | Row


@dataclass(frozen=True)
class Section:
    """Numbered section; ``anchor`` is its link target."""

    title: str
    anchor: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Front:
    """First page: question, answer, evidence, recommendations and notes.

    Parameters
    ----------
    question, answer : str
    tone : str
        Tone of the answer.
    sentences : tuple of str
    table : Table
        Every task in a line.
    pictures : tuple of Picture
        At most three, the first of them the largest.
    advice : tuple of str
        Strongest recommendations.
    notes : tuple of str
    key_facts : tuple of str
        Sentences repeated on slides.
    gauges : Picture, optional
        Every criterion with its limit.
    design : Table, optional
        What is built: the sensors, their places and prices.
    """

    question: str
    answer: str
    tone: Tone
    sentences: tuple[str, ...]
    table: Table
    pictures: tuple[Picture, ...]
    advice: tuple[str, ...]
    notes: tuple[str, ...]
    key_facts: tuple[str, ...] = ()
    gauges: Picture | None = None
    design: Table | None = None

    @property
    def section(self) -> Section:
        """Content of the first page as an ordinary section."""
        texts = (
            Text(self.question, "soft"),
            Text(self.answer, self.tone),
            *(Text(sentence) for sentence in self.sentences),
        )
        lists = (Bullets(self.advice), Bullets(self.notes))
        pictures = (*(() if self.gauges is None else (self.gauges,)), *self.pictures)
        tables = (self.table, *(() if self.design is None else (self.design,)))
        return Section("The question and the answer", "answer", (*texts, *tables, *pictures, *lists))


@dataclass(frozen=True)
class ReviewDocument:
    """Complete review document.

    ``running`` is the running title at the head of every page, ``date`` beside it, ``caution`` under the title.
    ``front`` is the page that decides, where there is one; ``appendix`` what few ask for.
    """

    title: str
    subtitle: str
    running: str
    date: str
    sections: tuple[Section, ...]
    caution: str = f"Results are {LINE}."
    front: Front | None = None
    appendix: tuple[Section, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Document as a dictionary for a template."""
        return asdict(self)

    @property
    def all_sections(self) -> tuple[Section, ...]:
        """All sections: first page, body, appendix."""
        front = () if self.front is None else (self.front.section,)
        return (*front, *self.sections, *self.appendix)

    @property
    def scenes(self) -> bool:
        """Whether any picture has a three-dimensional scene."""
        blocks = (block for section in self.all_sections for block in section.blocks)
        flat = (part for block in blocks for part in (block.blocks if isinstance(block, Row | Folded) else (block,)))
        return any(isinstance(part, Picture) and bool(part.scene) for part in flat)


def in_rows(blocks: Iterable[Block]) -> tuple[Block, ...]:
    """Arrange consecutive narrow pictures two in a row."""
    out: list[Block] = []
    waiting: Picture | None = None
    for block in blocks:
        narrow = isinstance(block, Picture) and not block.wide
        if waiting is not None:
            if narrow:
                out.append(Row((waiting, block)))
                waiting = None
                continue
            out.append(waiting)
            waiting = None
        if isinstance(block, Picture) and narrow:
            waiting = block
        else:
            out.append(block)
    return (*out, waiting) if waiting is not None else tuple(out)
