"""Kinds of documents, and reading a file of a kind."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any

from armsim.documents.arm_document import ArmDocument
from armsim.documents.catalogue_document import CatalogueDocument
from armsim.documents.encoder_document import EncoderDocument
from armsim.documents.fields import Document
from armsim.documents.scenario_document import ScenarioDocument, SpecificationDocument
from armsim.documents.source import read_source
from armsim.sources import KeyPath, Source

DOCUMENT_TYPES: dict[str, type[Document]] = {
    "arm": ArmDocument,
    "encoder": EncoderDocument,
    "scenario": ScenarioDocument,
    "specification": SpecificationDocument,
    "catalogue": CatalogueDocument,
}


def read_kind(path: Path, kind: str, raw: bytes | None = None) -> Source:
    """Read a document that must be of a kind.

    Parameters
    ----------
    path : Path
    kind : str
        One of `KINDS`.
    raw : bytes, optional
        Content of the file, where it has been read already.

    Returns
    -------
    Source

    Raises
    ------
    InputError
        The file cannot be read, or is of another kind.
    """
    source = read_source(path, raw)
    document_kind(source.data, source, (), kind)
    return source


def document_kind(data: dict[str, Any], source: Source, key_path: KeyPath, expected: str | None = None) -> str:
    """Kind of a document, which must be known and, where one is expected, that one.

    Parameters
    ----------
    data : dict
        The document.
    source, key_path : Source, key path
        Its place, for error messages.
    expected : str, optional

    Returns
    -------
    str

    Raises
    ------
    InputError
        The kind is missing, unknown, or another one.
    """
    kind = data.get("kind")
    accepted = expected or ", ".join(DOCUMENT_TYPES)
    if kind is None:
        close = difflib.get_close_matches("kind", [str(key) for key in data], n=1)
        finding = f"missing; found {close[0]!r}" if close else "missing"
        raise source.error((*key_path, "kind"), finding, f"kind: {accepted}")
    if not isinstance(kind, str) or kind not in ([expected] if expected else DOCUMENT_TYPES):
        raise source.error((*key_path, "kind"), f"{kind!r}", accepted)
    return str(kind)
