"""Paths through a JSON Schema."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

Node = dict[str, Any]


def alternatives(node: Node, definitions: Node) -> list[Node]:
    """Alternatives of a schema: its references are resolved and its unions expanded."""
    if "$ref" in node:
        return alternatives(definitions[node["$ref"].rpartition("/")[2]], definitions)
    for key in ("anyOf", "oneOf"):
        if key in node:
            return [option for child in node[key] for option in alternatives(child, definitions)]
    return [node]


def child_schemas(nodes: Sequence[Node], step: str | int, definitions: Node) -> list[Node]:
    """Schemas of a key, or of the items of a list, in any of the given schemas."""
    out: list[Node] = []
    for option in (option for node in nodes for option in alternatives(node, definitions)):
        if isinstance(step, int):
            child = option.get("items")
        elif step in option.get("properties", {}):
            child = option["properties"][step]
        else:
            child = option.get("additionalProperties")
        if isinstance(child, dict):
            out.append(child)
    return out
