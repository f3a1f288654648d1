"""Validation errors of pydantic as problems in the terms of the documents."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from functools import lru_cache
from typing import Any, ParamSpec, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from armsim.documents.schema_path import Node, alternatives, child_schemas
from armsim.errors import MOST_LISTED, InputError, Problem
from armsim.sources import KeyPath, Source

P = ParamSpec("P")
T = TypeVar("T")

ACCEPTED = {
    "model_type": "a mapping of keys",
    "dict_type": "a mapping of keys",
    "model_attributes_type": "a mapping of keys",
    "list_type": "a list",
    "tuple_type": "a list",
    "string_type": "text",
    "string_too_short": "text of at least {min_length} characters",
    "string_too_long": "text of at most {max_length} characters",
    "too_short": "at least {min_length} of them",
    "too_long": "at most {max_length} of them",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
}
"""Text of what is accepted, by pydantic's type of error."""


def validate(model: type[BaseModel], data: Any, source: Source, key_path: KeyPath) -> Any:
    """Validate data against a document type.

    Raises
    ------
    InputError
        All faults, each with its place.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise InputError(*problems(error, model, source, key_path)) from error


def problems(error: ValidationError, model: type[BaseModel], source: Source, key_path: KeyPath = ()) -> list[Problem]:
    """All faults of a document with position, actual and accepted value."""
    details = error.errors(include_url=False)
    return [_problem(detail, model, source, key_path, n < MOST_LISTED) for n, detail in enumerate(details)]


def _problem(
    detail: ErrorDetails, model: type[BaseModel], source: Source, key_path: KeyPath, with_hint: bool
) -> Problem:
    """One fault; ``with_hint`` adds the known key closest to an unknown one, which takes time to find."""
    full_path = _without_tags((*key_path, *detail["loc"]), source.data)
    context: dict[str, Any] = detail.get("ctx", {})
    kind = detail["type"]
    if kind == "armsim":
        return source.problem(full_path, str(context["found"]), str(context["accepted"]))
    if kind == "extra_forbidden":
        names = _siblings(model, (*detail["loc"][:-1], ""))
        close = difflib.get_close_matches(str(detail["loc"][-1]), names, n=1, cutoff=0.6) if with_hint else []
        hint = f"did you mean {close[0]!r}? " if close else ""
        return source.problem(full_path, "unknown key", f"{hint}known keys: {', '.join(names)}")
    if kind == "missing" and isinstance(detail["loc"][-1], int):
        return source.problem(full_path[:-1], "too few values", f"at least {detail['loc'][-1] + 1}")
    if kind == "missing":
        return source.problem(full_path, "missing", "the key must be given")
    if kind in ("literal_error", "union_tag_invalid"):
        accepted = context.get("expected") or context.get("expected_tags", "")
        finding = repr(context["tag"]) if "tag" in context else repr(detail["input"])
        key = str(context.get("discriminator", "")).strip("'")
        return source.problem((*full_path, key) if key else full_path, f"{finding[:60]} is not accepted", str(accepted))
    if kind == "union_tag_not_found":
        key = str(context["discriminator"]).strip("'")
        return source.problem((*full_path, key), "missing", "the key must be given")
    finding = "no value" if detail["input"] is None else f"{repr(detail['input'])[:60]} is not accepted"
    return source.problem(full_path, finding, ACCEPTED.get(kind, detail["msg"]).format(**context))


def _without_tags(loc: KeyPath, data: Any) -> KeyPath:
    """Key path without the tags of unions, which name the kind of a list item and are no keys."""
    out: list[str | int] = []
    tagged = False
    for step in loc:
        if tagged and isinstance(data, dict) and data.get("kind") == step:
            tagged = False
            continue
        out.append(step)
        tagged = isinstance(step, int)
        try:
            data = data[step]
        except (KeyError, IndexError, TypeError):
            data = None
    return tuple(out)


@lru_cache(maxsize=64)
def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema()


@lru_cache(maxsize=1024)
def _siblings(model: type[BaseModel], loc: KeyPath) -> list[str]:
    """Known keys that the schema allows where an unknown key is stated."""
    schema = _schema(model)
    definitions = schema.get("$defs", {})
    nodes: list[Node] = [schema]
    for step in loc[:-1]:
        children = child_schemas(nodes, step, definitions)
        # a part that is no key is the tag of a union: keep the options that it names
        tagged = [option for node in nodes for option in alternatives(node, definitions) if _tagged(option, str(step))]
        nodes = children or tagged or nodes
    names: list[str] = []
    for node in nodes:
        for option in alternatives(node, definitions):
            names += option.get("properties", {})
    return list(dict.fromkeys(names))


def _tagged(option: dict[str, Any], tag: str) -> bool:
    return any(
        tag == prop.get("const") or tag in prop.get("enum", ()) for prop in option.get("properties", {}).values()
    )


class Faults:
    """Collector of faults, so that all are reported together."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def collect(self, function: Callable[P, T], *arguments: P.args, **keywords: P.kwargs) -> T | None:
        """Call a function; on bad input record its problems and return None."""
        try:
            return function(*arguments, **keywords)
        except InputError as error:
            self.problems += error.problems
            return None

    def error(self) -> InputError:
        """Error with all problems in the order of their locations; a fault in a file
        that is referred to twice counts once."""
        first = {(p.file, p.line, p.column, p.key.rpartition(".")[2], p.actual): p for p in reversed(self.problems)}
        return InputError(*reversed(first.values()))
