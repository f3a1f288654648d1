"""The catalogue document: encoders, mountings and placements for the joints, with prices."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import Field

from armsim.documents.catalogue_table import MOST_ENCODERS, WHY_MOST
from armsim.documents.fields import Document, Word, count, limited_list, quantity
from armsim.documents.from_spec import DocumentType, field_check
from armsim.documents.joint_document import MountingDocument, Reference
from armsim.model.joint import FittingPrice, Placement
from armsim.sources import KeyPath, Source

Price = Annotated[float, field_check(FittingPrice, "mounting")]


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
    mounting: Annotated[Any, DocumentType(MountingDocument)] = None


class JointLimitsDocument(Document):
    """Limits of a joint on its sensor."""

    diameter: Annotated[float | None, quantity("length", least=0.0)] = None
    interface: Word | None = None
    placements: Annotated[tuple[Placement, ...] | None, Field(min_length=1)] = None
    mountings: Annotated[tuple[Word, ...] | None, Field(min_length=1)] = None


class GroupLimitsDocument(Document):
    """Limits of a group of joints."""

    types: Annotated[int, count(1, 10**6, "there are no more encoders")]


Names = Annotated[list[Word], Field(min_length=2, max_length=100)]
EXACTLY_TWO = Field(min_length=2, max_length=2)
Pair = Annotated[list[Word], EXACTLY_TWO] | Annotated[dict[Word, Word], EXACTLY_TWO]


class LimitsDocument(Document):
    """Limits of the arm on its sensors.

    ``same_encoder``: joints that take the same encoder. ``same_family``: joints that take encoders of one family, in
    sizes of their own. ``modules``: joints that are one module, with the same encoder,
    mounting and placement. ``incompatible``: two encoders that may not both be in the
    arm, as a list of their names, or at two joints, as a mapping of joint to encoder.
    """

    mass: Annotated[float | None, quantity("mass", least=0.0)] = None
    types: Annotated[int | None, count(1, 10**6, "there are no more encoders")] = None
    groups: dict[Word, GroupLimitsDocument] = {}  # noqa: RUF012  a pydantic default is copied
    same_encoder: Annotated[list[Names], Field(max_length=100)] = []  # noqa: RUF012
    same_family: Annotated[list[Names], Field(max_length=100)] = []  # noqa: RUF012
    modules: Annotated[list[Names], Field(max_length=100)] = []  # noqa: RUF012
    incompatible: Annotated[list[Pair], Field(max_length=100)] = []  # noqa: RUF012
    joints: dict[Word, JointLimitsDocument] = {}  # noqa: RUF012


class CatalogueDocument(Document):
    """Encoders, ways of assembling, placements, limits.

    Without mountings every joint keeps its own, at its price; without placements likewise. ``motor_encoders`` names the
    encoders that may be the second sensor, on the motor, with placement both; without it a joint keeps its own.
    """

    kind: Literal["catalogue"]
    name: Word
    encoders: Annotated[list[EntryDocument], *limited_list(MOST_ENCODERS, WHY_MOST)]
    mountings: Annotated[list[MountingClassDocument], *limited_list(100, "each is tried with every encoder")] = []  # noqa: RUF012
    placements: Annotated[dict[Placement, Price], Field(min_length=1)] = {}  # noqa: RUF012
    motor_encoders: list[Word] = []  # noqa: RUF012
    arms: Annotated[int, count(1, 10**6, "a series of robots is no larger")] = 1
    limits: LimitsDocument = LimitsDocument()


ENTRY_ENCODER_KEYS = ("diameter", "mass", "interface")
"""Keys of an entry that describe the encoder; they apply if its own document does not state them."""
AS_IT_IS = "as it is"
"""Name of the mounting that a joint has in the scenario."""
REFERENCE_MARK = "#"
"""Separator between the file of a catalogue and the name of one of its encoders: ``discs.yaml#disc 26``."""


def split_reference(reference: str, folder: Path) -> tuple[str, str | None]:
    """Split a reference into a file and the name of an encoder in it; None where the file itself is meant.

    File names may contain the mark: the reference is split where its first part is an existing file, otherwise at the
    first mark.
    """
    if REFERENCE_MARK not in reference or (folder / reference).is_file():
        return reference, None
    ends = [n for n, letter in enumerate(reference) if letter == REFERENCE_MARK]
    end = next((n for n in ends if (folder / reference[:n]).is_file()), ends[0])
    return reference[:end], " ".join(reference[end + 1 :].split())


def encoder_name(encoder: Any, catalogue: Path, sources: Mapping[str, Source]) -> str:
    """Name of an encoder that a catalogue contains or refers to.

    Parameters
    ----------
    encoder : dict or str
        The document itself, or its path relative to the catalogue.
    catalogue : Path
    sources : mapping of resolved path to Source
        Files read.
    """
    document = (
        encoder
        if isinstance(encoder, dict)
        else sources[os.path.realpath(Path(os.path.realpath(catalogue)).parent / encoder)].data
    )
    return " ".join(str(document["name"]).split())


class CatalogueEntry(NamedTuple):
    """Entry of a catalogue with its encoder.

    Parameters
    ----------
    catalogue : Source
    key_path : key path
        Of the encoder, or of its reference, in the catalogue.
    encoder : dict
        Document of the encoder.
    file : Source, optional
        File of the encoder; None where it is written in the catalogue.
    """

    catalogue: Source
    key_path: KeyPath
    encoder: dict[str, Any]
    file: Source | None = None

    @property
    def encoder_location(self) -> tuple[Source, KeyPath]:
        """Source in which the encoder is written, and its key path there."""
        return (self.catalogue, self.key_path) if self.file is None else (self.file, ())


def find_entry(source: Source, name: str, read: Callable[[str, Source, KeyPath], Source]) -> CatalogueEntry | None:
    """Catalogue entry of the encoder with a given name; None if there is none.

    Parameters
    ----------
    source : Source
        The catalogue.
    name : str
    read : callable
        Reads an encoder that is in a file of its own, named at a key path of the catalogue.
    """
    entries = source.data.get("encoders")
    encoders = [
        (("encoders", number, "encoder"), entry.get("encoder"))
        for number, entry in enumerate(entries if isinstance(entries, list) else ())
        if isinstance(entry, dict)
    ]
    for key_path, encoder in encoders:
        if isinstance(encoder, dict) and " ".join(str(encoder.get("name")).split()) == name:
            return CatalogueEntry(source, key_path, encoder)
    for key_path, reference in encoders:
        if isinstance(reference, str) and reference:
            file = read(reference, source, key_path)
            if " ".join(str(file.data.get("name")).split()) == name:
                return CatalogueEntry(source, key_path, file.data, file)
    return None
