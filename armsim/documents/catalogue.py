"""The catalogue document: what may be chosen for the joints, and what it costs."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from armsim.documents.declared import As, of
from armsim.documents.fields import Document, Word, at_most, count, quantity
from armsim.documents.joint import MountingDocument, Reference
from armsim.model.joint import Fitting

Placement = Literal["motor", "output"]
Price = Annotated[float, of(Fitting, "mounting")]


class EntryDocument(Document):
    """One encoder that can be bought."""

    encoder: Reference
    diameter: Annotated[float | None, quantity("length", least=0.0)] = None
    mass: Annotated[float, quantity("mass", least=0.0)] = 0.0
    interface: Word | None = None
    stock: Annotated[int | None, count(0, 10**9, "no store holds more")] = None


class MountingClassDocument(Document):
    """A way of assembling: finer costs more."""

    name: Word
    price: Price = 0.0
    mounting: Annotated[Any, As(MountingDocument)] = None


class JointLimitsDocument(Document):
    """What a joint takes."""

    diameter: Annotated[float | None, quantity("length", least=0.0)] = None
    interface: Word | None = None
    placements: Annotated[tuple[Placement, ...] | None, Field(min_length=1)] = None
    mountings: Annotated[tuple[Word, ...] | None, Field(min_length=1)] = None


class LimitsDocument(Document):
    """What the arm takes."""

    mass: Annotated[float | None, quantity("mass", least=0.0)] = None
    types: Annotated[int | None, count(1, 10**6, "there are no more encoders")] = None
    joints: dict[Word, JointLimitsDocument] = {}  # noqa: RUF012  a pydantic default is copied


class CatalogueDocument(Document):
    """Encoders, ways of assembling, placements, limits."""

    kind: Literal["catalogue"]
    name: Word
    encoders: Annotated[list[EntryDocument], *at_most(1000, "each is tried at every joint")]
    mountings: Annotated[list[MountingClassDocument], *at_most(100, "each is tried with every encoder")]
    placements: Annotated[dict[Placement, Price], Field(min_length=1)]
    limits: LimitsDocument = LimitsDocument()
