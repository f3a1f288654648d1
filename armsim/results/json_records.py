"""Records as plain values, and their schema."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Annotated, Any, TypeVar

from pydantic import Field, PlainSerializer, TypeAdapter
from pydantic_core import CoreSchema, PydanticOmit, core_schema

DIALECT = "https://json-schema.org/draft/2020-12/schema"
"""Dialect of JSON Schema."""


class _Opaque:
    """Marker of a field left out of records: its type is neither validated nor in the schema."""

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        return core_schema.any_schema()

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> Any:
        raise PydanticOmit


T = TypeVar("T")
NotInRecord = Annotated[T, _Opaque(), Field(exclude=True)]
"""A field of a result class that is not part of its record in JSON."""


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


Finite = Annotated[float, PlainSerializer(_finite, return_type=float | None)]
"""A number that is null in JSON if it is not finite."""


@lru_cache(maxsize=16)
def _adapter(record_type: Any) -> TypeAdapter[Any]:
    return TypeAdapter(record_type)


def record_as_dict(record: Any) -> dict[str, Any]:
    """A record as plain values for JSON, its format first."""
    record_type: Any = type(record)
    data: dict[str, Any] = _adapter(record_type).dump_python(record, mode="json", by_alias=True)
    return {"format": data.pop("format"), **data}


def schema_of_record(record_type: Any) -> dict[str, Any]:
    """JSON Schema of a record."""
    schema: dict[str, Any] = _adapter(record_type).json_schema(mode="serialization", by_alias=True)
    return schema
