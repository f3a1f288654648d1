"""Compact table of the results of many poses: one structured array with a record per pose.

The record type is derived from the fields of `PoseResult`: a number for a float, nan where it is undefined; a nested
record for a dataclass. Joints and shares, whose number differs between arms, are separate fields.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple, get_args, get_type_hints, overload

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array, tupled
from armsim.results.poses import (
    BIAS,
    VERDICTS,
    Ellipsoid,
    Interval,
    Matrix,
    PoseResult,
    Validation,
    ValidationVerdict,
    Vector,
)  # fmt: skip

if TYPE_CHECKING:
    from pydantic_core import CoreSchema

Rows = NDArray[np.void]
SHARES: dict[str, tuple[int, ...]] = {"shares": (), "bias_shares": (), "cause_means": (3,)}
"""Fields of a row with an entry per owner and cause, and the shape of each entry."""
VALIDATIONS = 2
"""Number of validations per pose: to two digits, and to one."""
_NUMBERS: dict[Any, tuple[Any, ...]] = {
    float: ("f8",), int: ("f8",), Vector: ("f8", (3,)), Matrix: ("f8", (3, 3)), Interval: ("f8", (2,)),
    ValidationVerdict: ("f8",), tuple[Validation, ...]: (None, (VALIDATIONS,)),
}  # fmt: skip
"""Array type of a field by its Python type; a verdict is stored as its number."""


@lru_cache(maxsize=16)
def _fields_of(owner: Any) -> tuple[tuple[str, Any], ...]:
    """Names and types (without None) of the fields stored in a row; an ellipsoid follows from the covariance."""
    hints = get_type_hints(owner)
    out = []
    for field in fields(owner):
        parts = get_args(hints[field.name])
        kind = next(iter(parts)) if type(None) in parts else hints[field.name]
        if kind is not Ellipsoid and field.name not in ("name", "joints", *SHARES):
            out.append((field.name, kind))
    return tuple(out)


@lru_cache(maxsize=16)
def _record(owner: Any) -> np.dtype[np.void]:
    parts: list[Any] = []
    for name, kind in _fields_of(owner):
        number, *shape = _NUMBERS.get(kind, (None,))
        parts.append((name, number or _record(Validation if shape else kind), *shape))
    return np.dtype(parts)


def row_type(joints: int, shares: int) -> np.dtype[np.void]:
    """Structured data type of a row, for numbers of joints and shares."""
    fields_type = _record(PoseResult)
    parts: list[Any] = [(name, fields_type[name]) for name in fields_type.names or ()]
    return np.dtype(
        [*parts, ("joints", "f8", (joints,)), *((name, "f8", (shares, *shape)) for name, shape in SHARES.items())]
    )


@lru_cache(maxsize=64)
def column_names(kind: Any, prefix: str = "") -> tuple[str, ...]:
    """Dotted names of all figures of records of a type, records within them included."""
    out: list[str] = []
    for name in kind.names:
        out.append(f"{prefix}{name}")
        item_type = kind[name].base  # a field may hold several records per pose
        if item_type.names is not None:
            out += column_names(item_type, f"{prefix}{name}.")
    return tuple(out)


@dataclass(frozen=True, eq=False)
class PoseTable(Sequence[PoseResult]):
    """Poses as records; indexing builds a `PoseResult`.

    Parameters
    ----------
    names : tuple of str
    share_names : tuple of (owner, cause)
        Owner and cause of every share, the bias last.
    rows : (poses,)
        Records of the type that `row_type` returns.
    """

    names: tuple[str, ...]
    share_names: tuple[tuple[str, str], ...]
    rows: Rows

    @staticmethod
    def empty(names: Sequence[str], share_names: Sequence[tuple[str, str]], joints: int) -> PoseTable:
        """Table to be filled, with nan everywhere."""
        rows = np.empty(len(names), row_type(joints, len(share_names)))
        rows.view("f8")[:] = np.nan
        return PoseTable(tuple(names), tuple(share_names), rows)

    def column(self, path: str) -> Array:
        """One figure over all poses, by dotted name: a view of shape (poses, ...)."""
        view = self._views.get(path)
        if view is None:
            out: Any = self.rows
            for field in path.split("."):
                out = out[field]
            view = self._views[path] = np.asarray(out)
        return view

    def __getstate__(self) -> dict[str, Any]:
        """Fields alone: the cache of views may grow in another thread while the table is pickled."""
        return {"names": self.names, "share_names": self.share_names, "rows": self.rows}

    @cached_property
    def _views(self) -> dict[str, Array]:
        return {}

    def share(self, owner: str, cause: str) -> Array:
        """Share of one cause of one owner in the scatter at each pose, shape (poses,); zero without that cause."""
        if (owner, cause) not in self.share_names:
            return np.zeros(len(self))
        return self.column("shares")[:, self.share_names.index((owner, cause))]

    @property
    def contributions(self) -> Array:
        """Contribution of each owner and cause to the mean square error, as shares of shape (poses, names).

        The share of the scatter plus the share in the square of the mean error, which all arms have in common; the
        latter is negative where a cause reduces the mean. They sum to 1; the entry of the bias is zero, as it is
        attributed to its causes.
        """
        is_scatter = np.array([name != BIAS for name in self.share_names])
        return np.where(is_scatter, self.column("shares") + self.column("bias_shares"), 0.0)

    def share_indices(self, owner: str | None = None, cause: str | None = None) -> list[int]:
        """Indices among the names of the shares of an owner, of a cause, or of both; the bias is never included."""
        return [
            n
            for n, name in enumerate(self.share_names)
            if name != BIAS and owner in (None, name[0]) and cause in (None, name[1])
        ]

    def mean_over_task(self, shares: Array) -> Array:
        """Mean over the poses of shares of shape (poses, ...), weighted by the mean square error."""
        weight = self.column("first_order.rms") ** 2
        total = float(weight.sum())
        return np.tensordot(weight, shares, 1) / total if total else np.zeros(shares.shape[1:])

    def rms_without(
        self, pose: int, owner: str | None = None, cause: str | None = None, remaining: float = 0.0
    ) -> float:
        """First-order rms error at a pose with the errors of an owner, a cause, or both scaled by ``remaining``. [m]"""
        return self.rms_without_shares(pose, self.share_indices(owner, cause), remaining)

    def rms_without_shares(self, pose: int, indices: Sequence[int], remaining: float = 0.0) -> float:
        """First-order rms error at a pose with the errors of some shares scaled by ``remaining``. [m]

        With s the share of these errors in the scatter and m their mean, the mean square falls by (1 - remaining^2) s,
        and the mean error vector by (1 - remaining) m.
        """
        index = list(indices)
        square = float(self.column("first_order.rms")[pose]) ** 2
        mean = self.column("first_order.mean")[pose]
        mean_left = mean - (1.0 - remaining) * self.column("cause_means")[pose, index].sum(axis=0)
        scatter = (1.0 - remaining**2) * float(self.column("shares")[pose, index].sum())
        return math.sqrt(max(0.0, square * (1.0 - scatter) + float(mean_left @ mean_left - mean @ mean)))

    @property
    def numbers(self) -> Array:
        """Rows as a plain array of floats, shape (poses, numbers)."""
        return np.ascontiguousarray(self.rows).view("f8").reshape(len(self.rows), -1)

    def read_only(self) -> PoseTable:
        """The same rows, of which no array can be written to."""
        rows = self.rows.view()
        rows.flags.writeable = False
        return PoseTable(self.names, self.share_names, rows)

    def without_rows(self) -> PoseTable:
        """The same table without a row."""
        return PoseTable((), self.share_names, self.rows[:0])

    def __len__(self) -> int:
        return len(self.names)

    @overload
    def __getitem__(self, index: int) -> PoseResult: ...
    @overload
    def __getitem__(self, index: slice) -> PoseTable: ...
    def __getitem__(self, index: int | slice) -> PoseResult | PoseTable:
        if isinstance(index, slice):
            return PoseTable(self.names[index], self.share_names, self.rows[index])
        row = self.rows[index]
        shares: dict[str, dict[str, dict[str, Any]]] = {name: {} for name in SHARES}
        parts = zip(self.share_names, *(row[name].tolist() for name in SHARES), strict=True)
        for (owner, cause), share, bias_share, mean in parts:
            shares["shares"].setdefault(owner, {})[cause] = share
            if any(mean):  # a cause without a mean has no share in the bias
                shares["bias_shares"].setdefault(owner, {})[cause] = bias_share
                shares["cause_means"].setdefault(owner, {})[cause] = tuple(mean)
        joints = tuple(row["joints"].tolist())
        values = {"name": self.names[index], "joints": joints, **shares}
        pose: PoseResult = _build(PoseResult, row.item(), values)
        return pose

    def __iter__(self) -> Iterator[PoseResult]:
        return (self[index] for index in range(len(self)))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, PoseTable):
            return NotImplemented
        same = self.names == other.names and (self.share_names == other.share_names or not self.names)
        return same and np.array_equal(self.numbers, other.numbers, equal_nan=True)

    @staticmethod
    def from_poses(poses: Iterable[PoseResult]) -> PoseTable:
        """Table of single pose results, as read from a file."""
        results = tuple(poses)
        share_names: dict[tuple[str, str], None] = {}
        for pose in results:
            share_names.update({(owner, cause): None for owner, causes in pose.shares.items() for cause in causes})
        out = PoseTable.empty(
            [pose.name for pose in results], list(share_names), len(results[0].joints) if results else 0
        )
        for row, pose in zip(out.rows, results, strict=True):
            fill(row, pose)
            row["joints"] = pose.joints
            for name, shape in SHARES.items():
                by_owner: dict[str, dict[str, Any]] = getattr(pose, name)
                row[name] = [by_owner.get(owner, {}).get(cause, np.zeros(shape)) for owner, cause in share_names]
        return out

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: Any) -> CoreSchema:
        from pydantic_core import core_schema

        rows = handler.generate_schema(tuple[PoseResult, ...])
        out = core_schema.plain_serializer_function_ser_schema(tuple, return_schema=rows)
        return core_schema.no_info_after_validator_function(cls.from_poses, rows, serialization=out)


class _FieldReader(NamedTuple):
    """Reading of a field from a record: the function that converts it, and whether nan means None."""

    name: str
    read: Callable[[Any], Any]
    optional: bool


@lru_cache(maxsize=16)
def _field_readers(owner: Any) -> tuple[_FieldReader, ...]:
    hints = get_type_hints(owner)
    return tuple(
        _FieldReader(name, _reader(kind), type(None) in get_args(hints[name])) for name, kind in _fields_of(owner)
    )


def _reader(kind: Any) -> Callable[[Any], Any]:
    if kind is ValidationVerdict:
        return lambda code: VERDICTS[int(code)]
    if kind in (float, int):
        return kind  # type: ignore[no-any-return]
    if kind in _NUMBERS and _NUMBERS[kind][0] is not None:
        return lambda array: tupled(array.tolist())
    if kind in _NUMBERS:
        return lambda parts: tuple(_build(Validation, part.item(), {}) for part in parts)
    if "ellipsoid" in get_type_hints(kind):
        index = [name for name, _ in _fields_of(kind)].index("covariance")
        return lambda values: _build(kind, values, {"ellipsoid": Ellipsoid.from_covariance(values[index])})
    return lambda values: _build(kind, values, {})


def _build(owner: Any, values: tuple[Any, ...], extra: dict[str, Any]) -> Any:
    """Object of a class from a record, given as a tuple in the order of its fields."""
    for part, value in zip(_field_readers(owner), values, strict=False):
        if part.optional and np.isnan(value if isinstance(value, float) else value.flat[0]):
            extra[part.name] = None
        else:
            extra[part.name] = part.read(value)
    return owner(**extra)


def fill(row: Any, result: Any) -> None:
    """Write a `PoseResult`, or a part of one, into its place in a record."""
    owner: Any = type(result)
    for name, kind in _fields_of(owner):
        value = getattr(result, name)
        if kind is ValidationVerdict:
            row[name] = VERDICTS.index(value)
        elif kind == tuple[Validation, ...]:
            for part, validation in zip(row[name], value, strict=True):
                fill(part, validation)
        elif kind in _NUMBERS:
            row[name] = np.nan if value is None else value
        else:
            fill(row[name], value)
