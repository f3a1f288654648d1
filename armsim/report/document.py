"""What a review document is made of; `page` and `pdf` set the same content."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

from armsim.caution import LINE

Tone = Literal["plain", "good", "bad", "soft", "strong"]


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
    """Rows under headers; the first ``words`` columns hold words, the others numbers."""

    headers: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    words: int = 1
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
    """A figure: its finding, how to read it, its file beside the document, and values at some of its places."""

    name: str
    finding: str
    caption: str
    file: str
    spots: tuple[Spot, ...] = ()
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


Block = Text | Bullets | Table | Picture | Listing | Folded


@dataclass(frozen=True)
class Section:
    """A numbered part; ``anchor`` is how it is linked to."""

    title: str
    anchor: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class ReviewDocument:
    """The whole.

    ``running`` stands at the head of every printed page, ``date`` beside it, ``caution`` under the title.
    """

    title: str
    subtitle: str
    running: str
    date: str
    sections: tuple[Section, ...]
    caution: str = f"Results are {LINE}."

    def to_dict(self) -> dict[str, Any]:
        """For a template."""
        return asdict(self)


def table(headers: tuple[str, ...], rows: list[list[Cell | str]], words: int = 1, title: str = "") -> Table:
    """A table whose cells may be given as plain words."""
    cells = tuple(tuple(cell if isinstance(cell, Cell) else Cell(cell) for cell in row) for row in rows)
    return Table(headers, cells, words, title)
