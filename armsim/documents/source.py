"""Sources: data, and line and column of every key, so that faults are reported with them.

A document is a YAML file; a catalogue may also be a table, recognised by the suffix of its name.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from armsim.documents.catalogue_table import is_table, read_table
from armsim.documents.files import LARGEST_FILE, Unreadable, read_bytes
from armsim.documents.former_keys import FormerKey, renaming_note, with_present_keys
from armsim.documents.grammar import read_text
from armsim.errors import InputError, Problem
from armsim.sources import KeyPath, Source


def read_source(path: Path, raw: bytes | None = None) -> Source:
    """Read a document safely: of YAML no tags, no code, bounded in size, depth and aliases.

    Parameters
    ----------
    path : Path
    raw : bytes, optional
        Content of the file, where it has been read already.

    Raises
    ------
    InputError
        The file is missing, is not UTF-8, is neither YAML nor a table or exceeds a bound.
    """
    name = str(path)

    def fault(line: int, column: int, finding: str, accepted: str, key: str = "") -> InputError:
        return InputError(Problem(name, line, column, key, finding, accepted))

    try:
        raw = read_bytes(path) if raw is None else raw
    except Unreadable as error:
        raise fault(0, 0, error.actual, error.accepted) from error
    if is_table(path):
        return read_table(path, raw)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise fault(line, 1, f"byte {error.start} is not UTF-8", "a text file in UTF-8") from error
    data, locations = read_text(text, fault)
    if not isinstance(data, dict):
        raise fault(1, 1, "not a mapping", "keys with values, the first of them 'kind:'")
    return _with_table(_with_present_keys(Source(Path(name), data, locations, hashlib.sha256(raw).hexdigest(), text)))


def _with_present_keys(source: Source) -> Source:
    """Document under the present names of its keys, with a remark on every former one."""
    former: dict[KeyPath, FormerKey] = {}
    data = with_present_keys(source.data, (), former.__setitem__)
    if not former:
        return source
    remarks = tuple(
        renaming_note(f"{source.path}:{source.locations[key_path][0]}", key) for key_path, key in former.items()
    )
    locations = {_present_path(key_path, former): location for key_path, location in source.locations.items()}
    return replace(source, data=data, locations=locations, remarks=remarks)


def _present_path(path: KeyPath, former: Mapping[KeyPath, FormerKey]) -> KeyPath:
    """Key path under the present names; ``former`` maps key paths whose last key has its former name."""
    out: KeyPath = ()
    for step in path:
        key = former.get((*out, step))
        out = (*out, step if key is None else key.present)
    return out


def _with_table(source: Source) -> Source:
    """Catalogue with the encoders of the table that it names in their place; any other document unchanged.

    Raises
    ------
    InputError
        The table cannot be read, or a fault in it.
    """
    name, key_path = source.data.get("encoders"), ("encoders",)
    if source.data.get("kind") != "catalogue" or not isinstance(name, str) or not is_table(Path(name)):
        return source
    path = source.resolve_path(key_path, name)
    table = read_table(path, read_named_file(path, source, key_path))
    data = {**source.data, "encoders": table.data["encoders"]}
    return replace(source, data=data, origins={key_path: (table, key_path)}, remarks=(*source.remarks, *table.remarks))


def read_named_file(path: Path, source: Source, key_path: KeyPath, largest: int = LARGEST_FILE) -> bytes:
    """Read a file that a document names.

    Raises
    ------
    InputError
        The file cannot be read; the error points to the line that names it.
    """
    try:
        return read_bytes(path, largest)
    except Unreadable as error:
        accepted = f"{error.accepted}; the path is relative to the file that names it"
        raise source.error(key_path, f"{error.actual}: {path}", accepted) from error
