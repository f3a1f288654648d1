"""Reference of the manual that is made from the code: what Python offers, and the parts of results.json."""

from __future__ import annotations

import dataclasses
import inspect
from collections.abc import Callable, Iterator
from typing import Any

from armsim.field_spec import declared_fields

Section = tuple[str, str]
"""A heading, and the text below it."""
SCALARS = {"number": "number", "integer": "whole number", "string": "text", "boolean": "true or false", "null": "null"}
"""Types of a JSON Schema, in words."""


def python_sections() -> Iterator[Section]:
    """Every public name of the package: signature, docstring, and of a class its fields and methods.

    Yields
    ------
    Section
    """
    import armsim

    for name in sorted(armsim.__all__, key=str.lower):
        value = getattr(armsim, name)
        if callable(value):
            yield (
                f"armsim.{name}",
                "\n\n".join(_class_parts(value) if inspect.isclass(value) else _function_parts(value)),
            )


def _function_parts(function: Callable[..., Any]) -> Iterator[str]:
    """Signature and docstring of a function."""
    yield f"{function.__name__}{_signature(function)}"
    yield inspect.getdoc(function) or ""


def _class_parts(owner: type) -> Iterator[str]:
    """Docstring of a class, its fields, and its public methods."""
    text = inspect.getdoc(owner) or ""
    yield text
    if dataclasses.is_dataclass(owner) and "Parameters\n" not in text:
        meanings = {field.name: f"{field.key.meaning} ({field.key.kind})" for field in declared_fields(owner)}
        lines = [_field_line(field, meanings.get(field.name, "")) for field in dataclasses.fields(owner)]
        yield "\n".join(["Fields", "------", *lines])
    for name, member in inspect.getmembers(owner):
        function = inspect.unwrap(getattr(member, "__func__", member))
        if not name.startswith("_") and inspect.isfunction(function) and function.__module__.startswith("armsim"):
            yield "\n".join([f"{name}{_signature(member)}", *_indented(inspect.getdoc(member) or "")])


def _field_line(field: dataclasses.Field[Any], meaning: str) -> str:
    optional = field.default is not dataclasses.MISSING or field.default_factory is not dataclasses.MISSING
    start = f"{field.name} : {field.type}{', optional' if optional else ''}"
    return f"{start}\n    {meaning}" if meaning else start


def _signature(function: Callable[..., Any]) -> str:
    """Parameters of a function with their types, as they are written."""
    parameters = [
        f"{'*' if parameter.kind is parameter.VAR_POSITIONAL else ''}{parameter.name}"
        + (f": {parameter.annotation}" if parameter.annotation is not parameter.empty else "")
        for parameter in inspect.signature(function).parameters.values()
        if parameter.name not in ("self", "cls")
    ]
    return f"({', '.join(parameters)})"


def _indented(text: str) -> list[str]:
    return [f"    {line}".rstrip() for line in text.splitlines()]


def results_sections() -> Iterator[Section]:
    """Every part of results.json: its meaning, and its keys with their types.

    Yields
    ------
    Section
    """
    from armsim.results import Result

    schema = Result.schema()
    for name, part in {"Result": schema, **schema["$defs"]}.items():
        keys = [f"{key}: {_type(value)}" for key, value in part.get("properties", {}).items()]
        if keys:
            yield name, "\n".join([part.get("description", ""), "", "Keys", "----", *keys]).strip()


def _type(schema: dict[str, Any]) -> str:
    """Type of a JSON Schema in words; parts by their name."""
    if "anyOf" in schema:
        return " or ".join(dict.fromkeys(_type(part) for part in schema["anyOf"]))
    if "$ref" in schema:
        return str(schema["$ref"]).rpartition("/")[2]
    if "const" in schema or "enum" in schema:
        return " | ".join(map(str, schema.get("enum", [schema.get("const")])))
    if "prefixItems" in schema:
        return f"[{', '.join(_type(part) for part in schema['prefixItems'])}]"
    if schema.get("type") == "array":
        return f"list of {_type(schema['items'])}" if "items" in schema else "list"
    if schema.get("type") == "object":
        values = schema.get("additionalProperties")
        return f"mapping of name to {_type(values)}" if isinstance(values, dict) else "mapping"
    return SCALARS.get(str(schema.get("type")), "any")
