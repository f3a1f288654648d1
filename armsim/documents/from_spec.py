"""Document types derived from the declarations of the model, and model objects built from documents."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Annotated, Any, TypeVar, cast, get_args

from pydantic import Field, create_model

from armsim.documents import units
from armsim.documents.fields import (
    Check,
    Document,
    QuantityWithKind,
    Tolerance,
    Word,
    count,
    number,
    quantity,
    quantity_with_kind,
    tolerance,
)
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.field_spec import DeclaredField, Key, Measures, declared_fields, is_nested
from armsim.sources import KeyPath, Source

T = TypeVar("T")
KINDS_BY_MEASURES: dict[str, dict[Measures, tuple[str, ...]]] = {
    "position": {"rotation": ("angle",), "translation": ("length",)},
    "position drift": {"rotation": ("angular drift",), "translation": ("linear drift",)},
    "position stiffness": {"rotation": ("angular stiffness",), "translation": ("stiffness",)},
    "position speed": {"rotation": ("angular speed",), "translation": ("speed",)},
    "resolution": {"rotation": ("bits", "counts", "angle"), "translation": ("length",)},
}
"""Accepted kinds of a quantity that is an angle or a length, by what the sensor measures."""
SCALE_NAMES: dict[Measures, str] = {
    "rotation": "a rotary scale or a joint that turns", "translation": "a linear scale or a slide",
}  # fmt: skip
ALTERNATIVE_KINDS = {
    "slope or ratio": ("slope", "ratio"), "ratio or length": ("ratio", "length"), "offset": ("length", "angle"),
    "subdivision": ("bits", "counts"),
}  # fmt: skip
"""Accepted kinds of quantities that may be stated in either of two ways."""
EVERY_VISIT = "a quantity that changes from visit to visit has mean zero; a constant part belongs under another key"


def quantity_kinds(key: Key) -> tuple[str, ...]:
    """Kinds of quantity that a field accepts, whatever the sensor measures."""
    family = KINDS_BY_MEASURES.get(key.kind)
    if family is not None:
        return tuple(dict.fromkeys(kind for sensor_kinds in family.values() for kind in sensor_kinds))
    return ALTERNATIVE_KINDS.get(key.kind, (key.kind,))


def key_check(key: Key, law: type = float) -> Check:
    """Check of a number, quantity or tolerance as its key declares it."""
    if key.kind == "number":
        return number(key.check or (lambda x: True), key.accepted)
    if key.kind == "count":
        return count(int(key.least or 0), int(key.most or 0), key.why)
    if law in (Distribution, Magnitude):
        centred = EVERY_VISIT if key.visit else key.centred
        return tolerance(
            *quantity_kinds(key), magnitude=law is Magnitude, visit=key.visit, most=key.most, centred=centred
        )
    if key.kind in KINDS_BY_MEASURES or key.kind in ALTERNATIVE_KINDS:
        return quantity_with_kind(*quantity_kinds(key), least=key.least, above=key.above, most=key.most)
    return quantity(*quantity_kinds(key), least=key.least, above=key.above, most=key.most)


def _type(field: DeclaredField) -> Any:
    """Type of a field in a document."""
    key = field.key
    if is_nested(field):
        key_type: Any = document_type(field.type)
    elif key.kind == "word":
        key_type = Word
    elif key.kind == "flag":
        key_type = bool
    elif key.kind == "choice":
        key_type = _choice(key.choices or get_args(field.type))
    elif set(get_args(field.type)) == {float}:
        key_type = _fixed_tuple(Annotated[float, key_check(key)], len(get_args(field.type)))
    else:
        key_type = Annotated[Any, key_check(key, field.type)]
    return Annotated[list[key_type], Field(min_length=int(key.least or 0))] if field.many else key_type


def _fixed_tuple(item_type: Any, number: int) -> Any:
    tuple_type: Any = tuple.__class_getitem__((item_type,) * number)
    return tuple_type


def _choice(words: tuple[Any, ...]) -> Any:
    from typing import Literal

    return Literal[words]


@lru_cache(maxsize=128)
def document_type(owner: Any) -> Any:
    """Document type of a class: one key per declared field, optional where the model has a default."""
    return extend_document(owner, owner.__name__ + "Document")


def extend_document(
    owner: type,
    name: str,
    more: dict[str, Any] | None = None,
    checks: dict[str, Any] | None = None,
    excluded: tuple[str, ...] = (),
    base: type[Document] = Document,
) -> Any:
    """Document type of a class, with additional keys and checks.

    Parameters
    ----------
    owner : type
        Class whose declared fields become keys.
    name : str
    more : dict, optional
        Additional keys: pairs of type and default, as pydantic takes them.
    checks : dict, optional
        Validators between the keys.
    excluded : tuple of str
        Fields that are stated in another document and left out here.
    base : type
    """
    fields = document_fields(owner, excluded)
    out = create_model(
        name, __base__=base, __doc__=(owner.__doc__ or "").split("\n")[0], __validators__=checks or {},
        **{**(more or {}), **fields, **(more or {})},
    )  # fmt: skip
    return cast(Any, out)


def document_fields(owner: type, excluded: tuple[str, ...] = ()) -> dict[str, Any]:
    """Pairs of type and default, as pydantic takes them, for every declared field of a class."""
    fields: dict[str, Any] = {}
    for field in declared_fields(owner):
        if field.name in excluded or field.key.kind == "constraints":
            continue
        alias = field.yaml if field.yaml != field.name else None
        default: Any = ... if field.needed else None
        field_info = Field(default, description=_sentence(field.key.meaning), alias=alias)
        fields[field.name] = (_type(field), field_info)
    return fields


def field_check(owner: type, name: str) -> Check:
    """Check of one declared field, for a document written by hand."""
    field = next(field for field in declared_fields(owner) if field.name == name)
    return key_check(field.key, field.type)


@dataclass(frozen=True)
class DocumentType:
    """Annotation metadata: a value whose document type is made at run time."""

    model: Any

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        return handler.generate_schema(self.model)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


@dataclass(frozen=True)
class Context:
    """Context of a document: source, key path, what joint and sensor measure, and the subject named in messages."""

    source: Source
    key_path: KeyPath
    measures: Measures
    subject: str
    sensor: Measures | None = None

    def child(self, *keys: str | int) -> Context:
        """Context of a key below this one."""
        return replace(self, key_path=(*self.key_path, *keys))

    def for_sensor(self) -> Context:
        """The same context with the quantities of what the sensor measures."""
        return replace(self, measures=self.sensor or self.measures)


def build(owner: Callable[..., T], document: Any, context: Context, **more: Any) -> T:
    """Build an object of a class from its document; keys that are not stated keep the default of the model.

    Parameters
    ----------
    owner : callable
        The class.
    document : Document
    context : Context
    more : Any
        Fields that are not taken from the document.

    Raises
    ------
    InputError
        A quantity that does not fit what is measured.
    """
    values: dict[str, Any] = {}
    for field in declared_fields(owner):
        entry = getattr(document, field.name, None)
        if field.name in more or entry is None:
            continue
        if field.key.only not in (None, context.measures):
            raise context.source.error(
                (*context.key_path, field.yaml),
                f"{field.yaml} {context.subject}",
                f"leave it out: it is of {SCALE_NAMES[field.key.only]}",
            )
        values[field.name] = _value(entry, field, context.child(field.yaml))
    return owner(**values, **more)


def _value(entry: Any, field: DeclaredField, context: Context) -> Any:
    if field.many and not is_nested(field):
        return tuple(entry)
    if field.many:
        return tuple(build(field.type, item, context.child(n)) for n, item in enumerate(entry))
    if is_nested(field):
        return build(field.type, entry, context.for_sensor() if field.key.of_sensor else context)
    if isinstance(entry, Tolerance | QuantityWithKind):
        accepted_kinds = KINDS_BY_MEASURES.get(field.key.kind, {}).get(context.measures, quantity_kinds(field.key))
        if entry.kind not in accepted_kinds:
            finding = f"{entry.kind} where {' or '.join(accepted_kinds)} is required, {context.subject}"
            raise context.source.error(context.key_path, finding, units.accepted_units(*accepted_kinds))
    if isinstance(entry, Tolerance):
        return entry.magnitude if field.type is Magnitude else entry.spread
    if isinstance(entry, QuantityWithKind):
        if hasattr(field.type, "from_quantity"):
            return field.type.from_quantity(entry.value, entry.kind)
        if entry.kind == "counts":
            return math.log2(entry.value)
        steps = field.key.kind == "resolution" and entry.kind == "angle"
        return math.log2(2 * math.pi / entry.value) if steps else entry.value
    return entry


def keys_present(document: Any) -> list[str]:
    """Keys that a document states, as written in the file."""
    fields = type(document).model_fields
    return [fields[name].alias or name for name in fields if name in document.model_fields_set]
