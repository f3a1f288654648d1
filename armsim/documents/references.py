"""File names in changes, rewritten relative to another folder."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from armsim.documents.schema import document_schema
from armsim.documents.schema_path import Node, alternatives, child_schemas

PATH_FORMAT = "path"
"""Format of file names in the schemas of the documents."""


def relative_name(file: Path, folder: Path) -> str:
    """Name of a file relative to a folder; symbolic links in both paths are resolved, as in reading."""
    return os.path.relpath(Path(os.path.realpath(file.parent)) / file.name, os.path.realpath(folder))


def rebase_files(changes: Mapping[str, Any], old_folder: Path, new_folder: Path) -> dict[str, Any]:
    """Changes by path, with file names that are relative to ``old_folder`` made relative to ``new_folder``."""
    schema = document_schema("scenario")
    definitions: Node = schema["$defs"]

    def rebase(value: Any, nodes: list[Node]) -> Any:
        if isinstance(value, dict):
            return {key: rebase(inner, child_schemas(nodes, str(key), definitions)) for key, inner in value.items()}
        if isinstance(value, list):
            return [rebase(inner, child_schemas(nodes, number, definitions)) for number, inner in enumerate(value)]
        options = [option for node in nodes for option in alternatives(node, definitions)]
        is_path = isinstance(value, str) and any(option.get("format") == PATH_FORMAT for option in options)
        return relative_name(old_folder / value, new_folder) if is_path else value

    out = {}
    for path, value in changes.items():
        nodes, keys = [schema], path.split(".")
        for step in ["joints", *keys[1:]] if keys[0] == "groups" else keys:
            # the entry of a list is addressed by its name
            nodes = child_schemas(nodes, step, definitions) or child_schemas(nodes, 0, definitions)
        out[path] = rebase(value, nodes)
    return out
