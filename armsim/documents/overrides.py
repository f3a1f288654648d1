"""Overrides of a scenario: values that replace those at given paths, checked like values in files.

A path is the dotted key of a value: `joints.j2.mounting.eccentricity`, `requirement.position`, `sampling.units`,
`arm.tolerances.d`. `joints.*` means every joint, `groups.wrist` the joints of a group of the arm. An entry of a list is
named by its name, such as that of a task, or by its number if it has none. A document that a scenario refers to (an
encoder, the arm) is copied before it is changed, so that other references to it are unaffected.
"""

from __future__ import annotations

import copy
import difflib
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from armsim.documents.catalogue_document import find_entry, split_reference
from armsim.documents.former_keys import FormerKey, former_key, renaming_note, with_present_keys
from armsim.documents.source import read_named_file, read_source
from armsim.errors import InputError
from armsim.sources import KeyPath, Source

REFERENCES = ("arm", "encoder", "motor_encoder")
"""Keys that may hold the path of a document."""
NO_LOCATION = 0, 0
"""Line and column of a value that is in no file."""


def apply_changes(
    source: Source,
    changes: Mapping[str, Any],
    groups: Mapping[str, tuple[str, ...]],
    stated_in: Source,
    documents: Mapping[Path, Source],
) -> Source:
    """Copy of a scenario with changes applied.

    Every value keeps the location at which it is written: its faults are reported there, and a file that it names is
    relative to that file.

    Parameters
    ----------
    source : Source
        The scenario as it was read.
    changes : mapping of path to value
        Values as written in a file: text with a unit, a number, a list, a mapping; None removes a key.
    groups : mapping of name to joints
        Groups of the arm.
    stated_in : Source
        Scenario that states the changes; a source without data where they are in no file.
    documents : mapping of resolved path to Source
        Documents that have been read already.

    Raises
    ------
    InputError
        A path does not exist.
    """
    edit = _Edit(replace(source, data=copy.deepcopy(source.data), origins=dict(source.origins)), documents)
    notes: list[str] = []
    for path, value in changes.items():
        origin = _Origin(stated_in, ("changes", path))
        if not stated_in.data:
            source_without_location = replace(stated_in, locations={(): NO_LOCATION, (path,): NO_LOCATION})
            origin = _Origin(source_without_location, (path,), f" in {source.path}")
        for keys in _expand_path(path, edit.source.data, groups, origin):
            edit.record_origin(_set_value(edit, keys, value, origin, notes), origin.source, origin.key_path)
    return replace(edit.source, remarks=(*edit.source.remarks, *notes))


@dataclass(frozen=True)
class _Edit:
    """A scenario that is being edited, and the documents already read."""

    source: Source
    documents: Mapping[Path, Source]

    def record_origin(self, key_path: KeyPath, source: Source, written_at: KeyPath) -> None:
        """Record that the value at a key path is written elsewhere."""
        origins = self.source.origins
        for path in [path for path in origins if path[: len(key_path)] == key_path]:
            del origins[path]
        origins[key_path] = source, written_at

    def inline_reference(self, mapping: dict[str, Any], key_path: KeyPath, origin: _Origin) -> None:
        """Replace a reference by a copy of the document that it names."""
        file, name = split_reference(mapping[key_path[-1]], self.source.resolve_path(key_path, ""))  # type: ignore[index]
        document = self._document(self.source.resolve_path(key_path, file), origin.source, origin.key_path)
        if name is None:
            mapping[key_path[-1]] = copy.deepcopy(document.data)  # type: ignore[index]
            self.record_origin(key_path, document, ())
            return
        entry = find_entry(
            document,
            name,
            lambda file, source, key_path: self._document(source.resolve_path(key_path, file), source, key_path),
        )
        if entry is None:
            raise origin.error(f"no encoder named {name!r} in {document.path}", "the name of one that it holds")
        mapping[key_path[-1]] = copy.deepcopy(entry.encoder)  # type: ignore[index]
        self.record_origin(key_path, entry.catalogue, entry.key_path)
        if entry.file is not None:
            for key in entry.encoder:
                self.record_origin((*key_path, key), entry.file, (key,))

    def _document(self, path: Path, source: Source, key_path: KeyPath) -> Source:
        """A document that is named at a key, read already or now."""
        return self.documents.get(Path(os.path.realpath(path))) or read_source(
            path, read_named_file(path, source, key_path)
        )


@dataclass(frozen=True)
class _Origin:
    """Source and key path at which a change is written; ``scenario`` is what it changes, where no file states it."""

    source: Source
    key_path: KeyPath
    scenario: str = ""

    def error(self, finding: str, accepted: str) -> InputError:
        """Error at this key."""
        return self.source.error(self.key_path, finding, accepted)

    def unknown_name(self, key: str, names: list[str], what: str) -> InputError:
        """Error: a part of the path names no key, entry or joint."""
        close = difflib.get_close_matches(key, names, n=1)
        hint = f"did you mean {close[0]!r}? " if close else ""
        return self.error(f"no {what} {key!r}{self.scenario}", f"{hint}{', '.join(names)}")


def _expand_path(
    path: str, data: dict[str, Any], groups: Mapping[str, tuple[str, ...]], origin: _Origin
) -> Iterator[list[str]]:
    """Paths to which a path with a star or a group expands."""
    first, *remaining = path.split(".")
    if first == "groups":
        if not remaining or remaining[0] not in groups:
            raise origin.unknown_name(remaining[0] if remaining else "", list(groups), "group")
        for joint in groups[remaining[0]]:
            yield ["joints", joint, *remaining[1:]]
    elif first == "joints" and remaining and remaining[0] == "*":
        joints = data.get("joints", {})
        if not isinstance(joints, dict):
            raise origin.error(f"joints is {str(joints)[:60]!r}, which has no parts", "a path to a value")
        for joint in list(joints):
            yield ["joints", joint, *remaining[1:]]
    else:
        yield [first, *remaining]


def _set_value(edit: _Edit, keys: list[str], value: Any, origin: _Origin, notes: list[str]) -> KeyPath:
    """Set a value and return its key path, entries of lists by their numbers; former names of keys are noted."""

    def on_renamed(_: KeyPath, former: FormerKey) -> None:
        notes.append(renaming_note(".".join(keys), former))

    node: Any = edit.source.data
    key_path: list[str | int] = list(keys)
    for number, key in enumerate(keys[:-1]):
        if isinstance(node, list):
            names = [str(entry.get("name", n)) if isinstance(entry, dict) else None for n, entry in enumerate(node)]
            if key not in names:
                raise origin.unknown_name(key, [name for name in names if name is not None], "entry")
            key_path[number] = names.index(key)
            node = node[names.index(key)]
            continue
        key_path[number] = key = _present_key(tuple(key_path[:number]), key, on_renamed)
        if number == 1 and keys[0] == "joints" and key not in node:
            raise origin.unknown_name(key, list(node), "joint")
        if key in REFERENCES and isinstance(node.get(key), str):
            edit.inline_reference(node, tuple(key_path[: number + 1]), origin)
        child = node.setdefault(key, {})
        if not isinstance(child, dict | list):
            finding = f"{'.'.join(keys[: number + 1])} is {str(child)[:60]!r}, which has no parts"
            raise origin.error(finding, "a path to a value")
        node = child
    if isinstance(node, list):
        raise origin.error("an entry of a list", "a path to a key of that entry")
    key_path[-1] = key = _present_key(tuple(key_path[:-1]), keys[-1], on_renamed)
    if value is None:
        if key not in node:
            raise origin.unknown_name(key, [str(name) for name in node], "stated key")
        del node[key]
    else:
        node[key] = with_present_keys(copy.deepcopy(value), tuple(key_path), on_renamed)
    return tuple(key_path)


def _present_key(parent_path: KeyPath, name: str, on_renamed: Callable[[KeyPath, FormerKey], None]) -> str:
    """Present name of a key of a path."""
    former = former_key(parent_path, name)
    if former is None:
        return name
    on_renamed((*parent_path, name), former)
    return former.present
