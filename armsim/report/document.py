"""What a review document is made of; `page` and `pdf` set the same content."""

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
    """What stands in a table, and by what it is sorted: the number, or the text where there is none."""

    text: str
    value: float | None = None


@dataclass(frozen=True)
class Table:
    """Rows under headers; the columns numbered in ``words`` hold words, the others numbers."""

    headers: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    words: tuple[int, ...] = (0,)
    title: str = ""
    kind: Literal["table"] = "table"


@dataclass(frozen=True)
class Spot:
    """What stands at a place of a picture, as shares of its width from the left and of its height from the top."""

    x: float
    y: float
    text: str


@dataclass(frozen=True)
class Picture:
    """A figure: its finding, how to read it, its file beside the document, and values at some of its places.

    ``wide`` ones take the whole width; of others two stand side by side. ``scene`` is the file of a scene that can be
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
    """A file as it was read."""

    title: str
    text: str
    kind: Literal["listing"] = "listing"


@dataclass(frozen=True)
class Folded:
    """What only few want to read: folded away on a page, printed under a small heading."""

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
    """A numbered part; ``anchor`` is how it is linked to."""

    title: str
    anchor: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Front:
    """The page that decides: the question, the answer, what it rests on, what to do, what to keep in mind.

    Parameters
    ----------
    asked, answer : str
    tone : str
        Of the answer.
    sentences : tuple of str
    table : Table
        Every task in a line.
    pictures : tuple of Picture
        At most three, the first of them the largest.
    advice : tuple of str
        Strongest recommendations.
    notes : tuple of str
    key_facts : tuple of str
        Of the sentences those that a slide repeats.
    """

    asked: str
    answer: str
    tone: Tone
    sentences: tuple[str, ...]
    table: Table
    pictures: tuple[Picture, ...]
    advice: tuple[str, ...]
    notes: tuple[str, ...]
    key_facts: tuple[str, ...] = ()

    @property
    def section(self) -> Section:
        """The same one after the other."""
        said = (
            Text(self.asked, "soft"),
            Text(self.answer, self.tone),
            *(Text(sentence) for sentence in self.sentences),
        )
        lists = (Bullets(self.advice), Bullets(self.notes))
        return Section("The question and the answer", "answer", (*said, self.table, *self.pictures, *lists))


@dataclass(frozen=True)
class ReviewDocument:
    """The whole.

    ``running`` stands at the head of every printed page, ``date`` beside it, ``caution`` under the title. ``front`` is
    the page that decides, where there is one; ``appendix`` what few ask for.
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
        """For a template."""
        return asdict(self)

    @property
    def whole(self) -> tuple[Section, ...]:
        """Everything that is said: the front as a section, the body, the appendix."""
        front = () if self.front is None else (self.front.section,)
        return (*front, *self.sections, *self.appendix)

    @property
    def scenes(self) -> bool:
        """Whether any picture has a scene."""
        blocks = (block for section in self.whole for block in section.blocks)
        flat = (part for block in blocks for part in (block.blocks if isinstance(block, Row | Folded) else (block,)))
        return any(isinstance(part, Picture) and bool(part.scene) for part in flat)


def table(headers: tuple[str, ...], rows: list[list[Cell | str]], words: int = 1, title: str = "") -> Table:
    """A table whose cells may be given as plain words."""
    cells = tuple(tuple(cell if isinstance(cell, Cell) else Cell(cell) for cell in row) for row in rows)
    return Table(headers, cells, tuple(range(words)), title)


def in_rows(blocks: Iterable[Block]) -> tuple[Block, ...]:
    """The blocks, with pictures that follow each other and are not wide two in a row."""
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
