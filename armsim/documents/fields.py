"""Field types of documents: quantities and tolerances, with messages that say what is accepted."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, NamedTuple

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from armsim.documents import units
from armsim.errormodel.distributions import MAY_HAVE_MEAN, Distribution, DistributionName, Magnitude

LIMIT_LAWS: tuple[DistributionName, ...] = ("uniform", "triangular", "arcsine", "fixed")
STD_LAWS: tuple[DistributionName, ...] = ("normal", "rayleigh")


@dataclass(frozen=True, eq=False)
class Check:
    """Annotation metadata: a function that reads and checks the value, and its JSON Schema."""

    read: Callable[[Any], Any]
    schema: dict[str, Any]

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: Any) -> dict[str, Any]:
        return self.schema


class Document(BaseModel):
    """A mapping of known keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, defer_build=True)


class QuantityWithKind(NamedTuple):
    """A quantity whose kind depends on its key: SI value and kind."""

    value: float
    kind: str


class Tolerance(NamedTuple):
    """A tolerance as read: law, direction where one is stated [rad], kind of quantity."""

    spread: Distribution
    phase: float | None
    kind: str

    @property
    def magnitude(self) -> Magnitude:
        """The tolerance as a size with a direction."""
        return Magnitude(self.spread, self.phase)


def invalid(finding: str, accepted: str) -> PydanticCustomError:
    """Exception of a validator: the actual and the accepted value."""
    return PydanticCustomError("armsim", "{found}", {"found": finding, "accepted": accepted})


def _read(value: Any, kinds: tuple[str, ...]) -> QuantityWithKind:
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        raise invalid(f"{_excerpt(value)} is not a number with a unit", units.accepted_units(*kinds))
    if not isinstance(value, str):
        raise invalid(f"bare number {value} without a unit", units.accepted_units(*kinds))
    for kind in kinds:
        try:
            out = QuantityWithKind(units.read_quantity(value, kind), kind)
        except ValueError:
            continue
        if abs(out.value) > units.LARGEST_BY_KIND.get(kind, units.LARGEST_NUMBER):
            raise invalid(
                f"{value!r} is out of range", f"{kind} of at most {units.LARGEST_BY_KIND[kind]:g} in SI units"
            )
        return out
    try:
        units.read_quantity(value, *kinds)
    except ValueError as error:
        raise invalid(str(error), units.accepted_units(*kinds)) from error
    raise AssertionError("unreachable: one kind accepts exactly what all kinds accept")


def _check_bounds(
    size: QuantityWithKind, least: float | None, above: bool, most: float | None, raw: Any = None
) -> float:
    value = size.value
    text = f"{value:g}" if raw is None else _excerpt(raw)
    if least is not None and (value < least or (above and value == least)):
        raise invalid(f"{text} is too small", f"{'more than' if above else 'at least'} {_bound(least, size.kind)}")
    if most is not None and value > most:
        raise invalid(f"{text} is too large", f"at most {_bound(most, size.kind)}")
    return value


def _bound(value: float, kind: str) -> str:
    """A bound in the customary unit of its kind."""
    if not value:
        return "0"
    unit = units.DIMENSIONS[kind][1][0]
    return f"{value / (units.si_factor(unit, kind) or 1.0):.4g} {unit}"


def quantity(*kinds: str, least: float | None = None, above: bool = False, most: float | None = None) -> Check:
    """Check that reads a number with a unit.

    Parameters
    ----------
    kinds : str
        Accepted kinds of quantity.
    least, most : float, optional
        Bounds in the SI unit.
    above : bool
        Whether the value must exceed ``least``.

    Returns
    -------
    Check
        Its ``read`` returns a float in the SI unit.
    """
    return Check(lambda value: _check_bounds(_read(value, kinds), least, above, most, value), _schema(kinds))


def quantity_with_kind(
    *kinds: str, least: float | None = None, above: bool = False, most: float | None = None
) -> Check:
    """Check that reads a `Measured`, whose kind is compared once the joint is known; ``most`` is of the first kind."""

    def read(value: Any) -> QuantityWithKind:
        out = _read(value, kinds)
        _check_bounds(out, least, above, most if out.kind == kinds[0] else None, value)
        return out

    return Check(read, _schema(kinds))


def tolerance(
    *kinds: str, magnitude: bool = False, visit: bool = False, most: float | None = None, centred: str = ""
) -> Check:
    """Check that reads a `Tolerance`.

    Parameters
    ----------
    kinds : str
        Accepted kinds of quantity.
    magnitude : bool
        Whether only the absolute value counts, so that a Rayleigh law and a phase are accepted.
    visit : bool
        Whether it is drawn anew at every visit: uniform and normal laws only.
    most : float, optional
        Largest limit for which the physics holds, in the SI unit.
    centred : str
        Reason why it can have no mean; empty where it can.
    """
    laws = [d for d in (*LIMIT_LAWS, *STD_LAWS) if magnitude or d != "rayleigh"]
    if visit:
        laws = ["uniform", "normal"]

    def read(value: Any) -> Tolerance:
        out = _tolerance(value, kinds, laws, magnitude, centred)
        if most is not None and out.spread.limit > most:
            raise invalid(
                f"{_excerpt(value)} is too large",
                f"a limit of at most {_bound(most, out.kind)}: beyond it the model fails",
            )
        return out

    return Check(read, _tolerance_schema(kinds, laws, magnitude, not centred))


SIZE_SUFFIXES: tuple[tuple[str, float, bool], ...] = (
    (r"peak[ -]to[ -]peak|p-?p", 0.5, True), (r"rms|1 ?sigma", 1.0, False), (r"2 ?sigma", 1 / 2, False),
    (r"3 ?sigma", 1 / 3, False),
)  # fmt: skip
"""Suffixes of a size on data sheets: pattern, factor to the scale of the law, and whether that scale is the limit
(True) or the standard deviation."""
_PLUS_MINUS = re.compile(r"(?:\+-|\+/-|±) ?(?=[\d.])")
_SIZE = re.compile(rf"(.{{1,60}}?) ({'|'.join(pattern for pattern, _, _ in SIZE_SUFFIXES)})")


def _sheet_size(value: Any, kinds: tuple[str, ...], laws: list[DistributionName]) -> tuple[QuantityWithKind, bool]:
    """Size of a tolerance in the notation of data sheets, and whether it is a limit."""
    text = value.strip() if isinstance(value, str) else ""
    sign = _PLUS_MINUS.match(text)
    size_match = None if sign else _SIZE.fullmatch(text)
    if size_match is None:
        return _read(text[sign.end() :] if sign else value, kinds), True
    share, is_limit = next(
        (share, is_limit) for pattern, share, is_limit in SIZE_SUFFIXES if re.fullmatch(pattern, size_match[2])
    )
    if not is_limit and "normal" not in laws:
        raise invalid(f"{_excerpt(value)}, but no normal law is accepted here", units.accepted_units(*kinds))
    size = _read(size_match[1], kinds)
    return QuantityWithKind(share * size.value, size.kind), is_limit


def is_bare(value: Any) -> bool:
    """Whether a tolerance is written as a bare number with a unit, which does not show that it is one."""
    text = value.strip() if isinstance(value, str) else ""
    return bool(text) and _PLUS_MINUS.match(text) is None and _SIZE.fullmatch(text) is None


def _tolerance(
    value: Any, kinds: tuple[str, ...], laws: list[DistributionName], magnitude: bool, centred: str
) -> Tolerance:
    mean_form = "" if centred else "mean: X, "
    form = f"X, {{{mean_form}limit: X, distribution: ...}} or {{{mean_form}std: X, distribution: ...}}, with X "
    form += units.accepted_units(*kinds)
    if not isinstance(value, dict):
        size, is_limit = _sheet_size(value, kinds, laws)
        _check_bounds(size, 0.0, False, None, value)
        return Tolerance(Distribution("uniform" if is_limit else "normal", size.value), None, size.kind)
    if centred and "mean" in value:
        raise invalid("'mean' of a tolerance that can have none", f"leave it out: {centred}")
    known_keys = (
        {"limit", "std", "distribution"} | ({"phase"} if magnitude else set()) | (set() if centred else {"mean"})
    )
    unknown_keys = sorted(set(value) - known_keys)
    if unknown_keys:
        raise invalid(f"unknown key {unknown_keys[0]!r} of a tolerance", ", ".join(sorted(known_keys)))
    if ("limit" in value) == ("std" in value):
        raise invalid("a tolerance needs exactly one of 'limit' and 'std'", form)
    is_limit = "limit" in value
    size = _read(value["limit" if is_limit else "std"], kinds)
    _check_bounds(size, 0.0, False, None)
    admissible_laws = [law for law in laws if law in (LIMIT_LAWS if is_limit else STD_LAWS)]
    if "mean" in value:
        admissible_laws = [law for law in admissible_laws if law in MAY_HAVE_MEAN]
    law = value.get("distribution", admissible_laws[0])
    if law not in admissible_laws:
        statement = f"a {'limit' if is_limit else 'std'}{' with a mean' if 'mean' in value else ''}"
        raise invalid(f"distribution {_excerpt(law)} of {statement}", ", ".join(admissible_laws))
    phase = _read(value["phase"], ("angle",)).value if "phase" in value else None
    if "mean" not in value:
        return Tolerance(Distribution(law, size.value), phase, size.kind)
    mean = _read(value["mean"], kinds)
    if mean.kind != size.kind:
        raise invalid(
            f"a mean that is of {_with_article(mean.kind)}, of a tolerance of {_with_article(size.kind)}", "both alike"
        )
    spread = Distribution(law, size.value, mean.value)
    if magnitude and spread.centre and mean.value * (1 + 1e-12) < spread.limit - abs(mean.value):
        accepted = "a mean that is no less than the limit, or than three standard deviations: a size is not negative"
        raise invalid(f"{_excerpt(value['mean'])} as the mean of a size that then reaches below zero", accepted)
    return Tolerance(spread, phase, size.kind)


def _with_article(kind: str) -> str:
    return f"{'an' if kind[0] in 'aeiou' else 'a'} {kind}"


def count(least: int = 1, most: int = 1_000_000, why: str = "") -> Check:
    """Check of a whole number; ``why`` is the reason for its upper bound, for the message."""
    accepted = f"a whole number from {least} to {most}{': ' if why else ''}{why}"

    def check(value: Any) -> int:
        if isinstance(value, float) and value.is_integer():  # 1e3
            value = int(value)
        if (
            isinstance(value, bool)
            or not isinstance(value, int)
            or value < least
            or (most is not None and value > most)
        ):
            raise invalid(f"{_excerpt(value)} is not accepted", accepted)
        return int(value)

    return Check(check, {"type": "integer", "minimum": least, "maximum": most})


def number(check: Callable[[float], bool], accepted: str) -> Check:
    """Check of a bare number of at most a million that passes ``check``."""

    def read(value: Any) -> float:
        is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not is_number or not abs(value) <= 1e6 or not check(value):
            raise invalid(f"{_excerpt(value)} is not accepted", f"{accepted}, at most a million")
        return float(value)

    return Check(read, {"type": "number", "description": accepted})


LONGEST_NAME = 100
"""Maximum length of a name, for which figures and tables have room."""


def _word(value: Any) -> Any:
    """Normalise a name to one line: a folded scalar of YAML ends in a newline."""
    return " ".join(value.split()) if isinstance(value, str) else value


Word = Annotated[str, Field(min_length=1, max_length=LONGEST_NAME), BeforeValidator(_word)]


def limited_list(most: int, why: str) -> tuple[Any, BeforeValidator]:
    """Annotations of a field for a list of 1 to ``most`` items; ``why`` is the reason for the bound, for messages."""

    def check(value: Any) -> Any:
        if isinstance(value, list | dict) and len(value) > most:
            raise invalid(f"{len(value)} of them", f"at most {most}: {why}")
        return value

    return Field(min_length=1, max_length=most), BeforeValidator(check)


FilePath = Annotated[str, Field(min_length=1, max_length=4096, json_schema_extra={"format": "path"})]
"""Path of a file, relative to the file that names it."""


def _excerpt(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _schema(kinds: tuple[str, ...], sheet_forms: bool = False) -> dict[str, Any]:
    """JSON Schema of a quantity; with ``sheet_forms`` also in the notation of data sheets."""
    sign, size = (
        (r"(?:(?:\+-|\+/-|±) ?)?", rf"(?: (?:{'|'.join(size_pattern for size_pattern, _, _ in SIZE_SUFFIXES)}))?")
        if sheet_forms
        else ("", "")
    )
    return {
        "type": "string",
        "pattern": rf"^\s*{sign}{units.pattern(*kinds)}{size}\s*$",
        "description": units.accepted_units(*kinds),
        "examples": [f"1 {units.DIMENSIONS[kinds[0]][1][0]}"],
    }


def _tolerance_schema(
    kinds: tuple[str, ...], laws: list[DistributionName], magnitude: bool, mean: bool
) -> dict[str, Any]:
    size = _schema(kinds)
    forms: list[dict[str, Any]] = [_schema(kinds, sheet_forms=True)]
    for key, family in (("limit", LIMIT_LAWS), ("std", STD_LAWS)):
        admissible_laws = [law for law in laws if law in family]
        if admissible_laws:
            properties: dict[str, Any] = {key: size, "distribution": {"enum": admissible_laws}}
            if magnitude:
                properties["phase"] = _schema(("angle",))
            if mean:
                properties["mean"] = size
            forms.append({"type": "object", "properties": properties, "required": [key], "additionalProperties": False})
    return {"anyOf": forms}
