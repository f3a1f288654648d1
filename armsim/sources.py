"""Input files with the position of every key."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from armsim.errors import InputError, Problem

KeyPath = tuple[str | int, ...]


@dataclass(frozen=True)
class Source:
    """Input document.

    Parameters
    ----------
    path : Path
    data : dict
        Plain Python values.
    locations : mapping of key path to (line, column)
        Counted from 1.
    sha256 : str
        Checksum of the bytes read.
    text : str
        As it was read.
    origins : mapping of key path to (source, key path)
        Sources of values that were merged into ``data`` from other files.
    folder : Path, optional
        Folder to which the file names in it are relative; by default that of ``path``.
    columns : mapping of key path to str
        Headers of the columns that state values, where the file is a table.
    remarks : tuple of str
        Warnings of its reader: assumptions, and parts that are not read.
    """

    path: Path
    data: dict[str, Any]
    locations: dict[KeyPath, tuple[int, int]] = field(repr=False)
    sha256: str
    text: str = field(default="", repr=False)
    origins: dict[KeyPath, tuple[Source, KeyPath]] = field(default_factory=dict, repr=False)
    folder: Path | None = None
    columns: dict[KeyPath, str] = field(default_factory=dict, repr=False)
    remarks: tuple[str, ...] = ()

    @property
    def merged_sources(self) -> tuple[Source, ...]:
        """Other files whose values are merged into this one."""
        return tuple(source for source, _ in self.origins.values())

    def origin(self, path: Sequence[str | int]) -> tuple[Source, KeyPath]:
        """Source in which a value is written, and its key path there."""
        if self.origins:
            for size in range(len(path), 0, -1):
                if tuple(path[:size]) in self.origins:
                    source, path_there = self.origins[tuple(path[:size])]
                    return source.origin((*path_there, *path[size:]))
        return self, tuple(path)

    def resolve_path(self, path: Sequence[str | int], name: str) -> Path:
        """Path of a file named at a key, relative to the file in which the name is written.

        Symbolic links of that file are resolved first.
        """
        source, _ = self.origin(path)
        folder = Path(os.path.realpath(source.path)).parent if source.folder is None else source.folder
        return folder / name

    def problem(self, path: Sequence[str | int], actual: str, accepted: str = "") -> Problem:
        """Problem at a key path, located at the longest part of the path that the file contains."""
        source, path_there = self.origin(path)
        if source is not self:
            return source.problem(path_there, actual, accepted)
        known_path: KeyPath = ()
        location = self.locations.get((), (1, 1))
        keys_shown: list[str] = []
        for step in path:
            if (*known_path, step) in self.locations:
                known_path = (*known_path, step)
                location = self.locations[known_path]
                keys_shown.append(str(step))
        if path and path[-1] not in known_path[-1:] and isinstance(path[-1], str):
            keys_shown.append(path[-1])
        key = ".".join(keys_shown)
        if known_path in self.columns:
            key = (
                self.columns[known_path] if len(known_path) == len(path) else f"{self.columns[known_path]}: {path[-1]}"
            )
        return Problem(str(self.path), location[0], location[1], key, actual, accepted)

    def error(self, path: Sequence[str | int], actual: str, accepted: str = "") -> InputError:
        """Exception for a problem at a key path."""
        return InputError(self.problem(path, actual, accepted))
