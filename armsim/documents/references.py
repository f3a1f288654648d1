"""File names in changes, rewritten relative to another folder."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from armsim.documents.schema import schema_of
from armsim.documents.schema_path import Node, alternatives, below

PATH = "path"
"""Format of file names in the schemas of the documents."""


def relative_name(file: Path, to: Path) -> str:
    """Name of a file relative to a folder; symbolic links in both paths are resolved, as in reading."""
    return os.path.relpath(Path(os.path.realpath(file.parent)) / file.name, os.path.realpath(to))


def rebase_files(changes: Mapping[str, Any], old_folder: Path, new_folder: Path) -> dict[str, Any]:
    """Changes by path, with file names that are relative to ``resolve_path`` made relative to ``new_folder``."""
    schema = schema_of("scenario")
    definitions: Node = schema["$defs"]

    def rebased(value: Any, nodes: list[Node]) -> Any:
        if isinstance(value, dict):
            return {key: rebased(inner, below(nodes, str(key), definitions)) for key, inner in value.items()}
        if isinstance(value, list):
            return [rebased(inner, below(nodes, number, definitions)) for number, inner in enumerate(value)]
        options = [option for node in nodes for option in alternatives(node, definitions)]
        is_path = isinstance(value, str) and any(option.get("format") == PATH for option in options)
        return relative_name(old_folder / value, new_folder) if is_path else value

    out = {}
    for path, value in changes.items():
        nodes, keys = [schema], path.split(".")
        for part in ["joints", *keys[1:]] if keys[0] == "groups" else keys:
            # the entry of a list is addressed by its name
            nodes = below(nodes, part, definitions) or below(nodes, 0, definitions)
        out[path] = rebased(value, nodes)
    return out
