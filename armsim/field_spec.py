"""Declarations of model fields: quantity, meaning, bounds, and the error that a field causes.

YAML keys and their checks, the JSON Schema, the objects built from a document, what a review lists as modelled and as
taken as zero, and the table of effects all follow from these declarations.
"""

from __future__ import annotations

import dataclasses
import inspect
from collections.abc import Callable, Iterator
from dataclasses import MISSING, dataclass
from functools import lru_cache
from numbers import Integral
from typing import Any, Literal, get_args, get_type_hints

from armsim.causes import Cause

Measures = Literal["rotation", "translation"]


@dataclass(frozen=True)
class Key:
    """Declaration of a field, to which one key of a document corresponds.

    Parameters
    ----------
    kind : str
        Kind of quantity, such as ``length``; ``position``, ``position drift``, ``position stiffness`` and
        ``resolution`` are angles or lengths, depending on what the sensor measures; ``number``, ``count``, ``word``.
    meaning : str
        What the field means, in words that a new engineer knows.
    cause : Cause, optional
        Cause of error that the field states; None if it states none.
    effect : str
        Effect of the error, in words.
    physics : callable, optional
        The function that makes its terms; its docstring has the equation, what is neglected and the source.
    least, most : float, optional
        Bounds in the SI unit.
    above : bool
        Whether ``least`` itself is excluded.
    why : str
        Reason of a bound, stated in its message.
    check, accepted : callable, str
        For a bare number: whether it is accepted, and the text of what is accepted.
    choices : tuple of str
        Accepted words, if they are fewer than the type allows.
    only : str
        ``rotation`` or ``translation``, if the field applies to that kind of motion alone.
    needs : tuple of str
        Fields of the encoder without which the field has no meaning.
    most_of_radius : float, optional
        Largest limit over the radius of the track.
    alias : str
        Key of the document, if it differs from the name of the field.
    required : bool
        Whether a document must state it, though the model has a default.
    visit : bool
        Whether a tolerance is drawn anew at every visit, which few distributions support.
    silent : bool
        Whether the values under this field cause no error themselves.
    centred : str
        Reason why a tolerance of this field cannot have a mean; empty if it can.
    one_sided : str
        Name of a one-sided quantity, such as ``a rise``, whose bare size may be meant as its value and not as a
        tolerance.
    of_sensor : bool
        Whether its quantities are those of the motion that the sensor measures, if the joint moves in another way.
    """

    kind: str
    meaning: str
    cause: Cause | None = None
    effect: str = ""
    physics: Callable[..., Any] | None = None
    least: float | None = None
    most: float | None = None
    above: bool = False
    why: str = ""
    check: Callable[[float], bool] | None = None
    accepted: str = ""
    choices: tuple[str, ...] = ()
    only: Measures | None = None
    needs: tuple[str, ...] = ()
    most_of_radius: float | None = None
    alias: str = ""
    required: bool = False
    visit: bool = False
    silent: bool = False
    centred: str = ""
    one_sided: str = ""
    of_sensor: bool = False

    @property
    def source(self) -> str:
        """First reference of the physics function; empty where there is none."""
        text = inspect.getdoc(self.physics) or ""
        _, _, listed = text.partition(".. [1] ")
        return " ".join(listed.split("\n.. [")[0].split()).rstrip(".")


def key(default: Any, kind: str, meaning: str, *, cause: Cause | None = None, **more: Any) -> Any:
    """Dataclass field with a declaration; ``default`` of ``...`` means no default."""
    default_arguments = {} if default is ... else {"default": default}
    return dataclasses.field(**default_arguments, metadata={"key": Key(kind, meaning, cause, **more)})


@dataclass(frozen=True)
class DeclaredField:
    """Field of a class with its declaration.

    ``type`` is the type of its value, without None, and of one item if it is a tuple; ``many`` says whether it is a
    tuple; ``needed`` whether a document must state it.
    """

    name: str
    key: Key
    type: Any
    many: bool
    default: Any
    needed: bool

    @property
    def yaml(self) -> str:
        """Key in a document."""
        return self.key.alias or self.name


def declared_fields(owner: Any) -> tuple[DeclaredField, ...]:
    """DeclaredField fields of a dataclass type, in order."""
    return _declared_fields(owner)


@lru_cache(maxsize=128)
def _declared_fields(owner: Any) -> tuple[DeclaredField, ...]:
    hints = get_type_hints(owner)
    out = []
    for field in dataclasses.fields(owner):
        if "key" not in field.metadata:
            continue
        kind = hints[field.name]
        members = [member for member in get_args(kind) if member is not type(None)]
        if type(None) in get_args(kind) and len(members) == 1:
            kind = members[0]
        many = len(get_args(kind)) == 2 and get_args(kind)[1] is Ellipsis
        declaration: Key = field.metadata["key"]
        needed = declaration.required or field.default is MISSING
        out.append(
            DeclaredField(field.name, declaration, get_args(kind)[0] if many else kind, many, field.default, needed)
        )
    return tuple(out)


def refuse_out_of_bounds(owner: Any) -> None:
    """Check the numbers of an object against the bounds of its declarations.

    Raises
    ------
    ValueError
        A count is not a whole number, or a number is out of its bounds; states its key, the number and what is
        accepted.
    """
    for field in declared_fields(type(owner)):
        value, declaration = getattr(owner, field.name), field.key
        if declaration.kind == "count" and (isinstance(value, bool) or not isinstance(value, Integral)):
            raise ValueError(f"{field.yaml}: {value!r}; accepted: a whole number")
        if isinstance(value, bool) or not isinstance(value, int | float):
            continue
        low = declaration.least is not None and (
            value < declaration.least or (declaration.above and value == declaration.least)
        )
        if low or (declaration.most is not None and value > declaration.most):
            least = (
                ""
                if declaration.least is None
                else f"{'above' if declaration.above else 'at least'} {declaration.least:g}"
            )
            most = "" if declaration.most is None else f"at most {declaration.most:g}"
            raise ValueError(f"{field.yaml}: {value!r}; accepted: {', '.join(part for part in (least, most) if part)}")


def is_nested(field: DeclaredField) -> bool:
    """Whether a field holds an object with declared fields."""
    return dataclasses.is_dataclass(field.type) and bool(declared_fields(field.type))


def walk(owner: type, prefix: str = "") -> Iterator[tuple[str, DeclaredField]]:
    """Iterate over the declared fields of a class and its nested classes, with dotted keys."""
    for field in declared_fields(owner):
        if is_nested(field) and not field.key.silent:
            if field.key.cause:
                yield prefix + field.yaml, field
            yield from walk(field.type, f"{prefix}{field.yaml}.")
        else:
            yield prefix + field.yaml, field


def stated_causes(owner: Any) -> Iterator[tuple[str, Key]]:
    """Iterate over dotted key and declaration of the causes that an object states as non-zero."""
    for field in declared_fields(type(owner)):
        value = getattr(owner, field.name)
        if value is None or field.key.silent:
            continue
        if field.key.cause and value != field.default and _size(value):
            yield field.yaml, field.key
        if is_nested(field) and not field.many:
            yield from ((f"{field.yaml}.{path}", nested_key) for path, nested_key in stated_causes(value))


def _size(value: Any) -> Any:
    """Size of a quantity: whether a distribution is non-zero, or the length of a list."""
    for name in ("spread", "nonzero"):
        value = getattr(value, name, value)
    return len(value) if isinstance(value, tuple) else value
