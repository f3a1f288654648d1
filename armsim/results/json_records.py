"""Records as plain values, and their schema."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from pydantic import TypeAdapter

DIALECT = "https://json-schema.org/draft/2020-12/schema"
"""Of JSON Schema."""


@lru_cache(maxsize=16)
def _adapter(owner: Any) -> TypeAdapter[Any]:
    return TypeAdapter(owner)


def plain(record: Any) -> dict[str, Any]:
    """A record as plain values for JSON, its format first."""
    owner: Any = type(record)
    data: dict[str, Any] = _adapter(owner).dump_python(record, mode="json", by_alias=True)
    return {"format": data.pop("format"), **data}


def schema_of_record(owner: type) -> dict[str, Any]:
    """JSON Schema of a record."""
    own: dict[str, Any] = _adapter(owner).json_schema(mode="serialization", by_alias=True)
    return own
