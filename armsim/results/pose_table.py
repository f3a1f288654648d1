"""The table that holds what is known of many poses in little room: one structured array, a record per pose.

The record follows from the fields of `PoseResult`: a number for a float, nan where it is undefined; a record within
the record for a part. Joints and shares, whose count differs from arm to arm, are fields of their own.
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
from armsim.results.poses import BIAS, VERDICTS, Ellipsoid, Interval, Matrix, PoseResult, Validation, Vector, Verdict

if TYPE_CHECKING:
    from pydantic_core import CoreSchema

Rows = NDArray[np.void]
SHARES: dict[str, tuple[int, ...]] = {"shares": (), "bias_shares": (), "cause_means": (3,)}
"""Fields that a row holds by owner and cause, and the shape of each entry."""
JUDGED = 2
"""Validations of a pose: to two digits, and to one."""
_NUMBERS: dict[Any, tuple[Any, ...]] = {
    float: ("f8",), int: ("f8",), Vector: ("f8", (3,)), Matrix: ("f8", (3, 3)), Interval: ("f8", (2,)),
    Verdict: ("f8",), tuple[Validation, ...]: (None, (JUDGED,)),
}  # fmt: skip
"""How a field is held; a verdict by its number."""


@lru_cache(maxsize=16)
def _held(owner: Any) -> tuple[tuple[str, Any], ...]:
    """Fields of a class that a row holds, with their types, None stripped; an ellipsoid follows from the covariance."""
    hints = get_type_hints(owner)
    out = []
    for own in fields(owner):
        parts = get_args(hints[own.name])
        kind = next(iter(parts)) if type(None) in parts else hints[own.name]
        if kind is not Ellipsoid and own.name not in ("name", "joints", *SHARES):
            out.append((own.name, kind))
    return tuple(out)


@lru_cache(maxsize=16)
def _record(owner: Any) -> np.dtype[np.void]:
    parts: list[Any] = []
    for name, kind in _held(owner):
        number, *shape = _NUMBERS.get(kind, (None,))
        parts.append((name, number or _record(Validation if shape else kind), *shape))
    return np.dtype(parts)


def record(joints: int, shares: int) -> np.dtype[np.void]:
    """Type of a row."""
    own = _record(PoseResult)
    parts: list[Any] = [(name, own[name]) for name in own.names or ()]
    return np.dtype(
        [*parts, ("joints", "f8", (joints,)), *((name, "f8", (shares, *shape)) for name, shape in SHARES.items())]
    )


@dataclass(frozen=True, eq=False)
class PoseTable(Sequence[PoseResult]):
    """Poses as records; a `PoseResult` is made when one is asked for.

    Parameters
    ----------
    names : tuple of str
    share_names : tuple of (owner, cause)
        The bias last.
    rows : (poses,)
        Records, as `record`.
    """

    names: tuple[str, ...]
    share_names: tuple[tuple[str, str], ...]
    rows: Rows

    @staticmethod
    def empty(names: Sequence[str], share_names: Sequence[tuple[str, str]], joints: int) -> PoseTable:
        """A table to be filled; nan everywhere."""
        rows = np.empty(len(names), record(joints, len(share_names)))
        rows.view("f8")[:] = np.nan
        return PoseTable(tuple(names), tuple(share_names), rows)

    def column(self, path: str) -> Array:
        """One figure over all poses, by dotted name: a view of shape (poses, ...)."""
        known = self._views.get(path)
        if known is None:
            out: Any = self.rows
            for part in path.split("."):
                out = out[part]
            known = self._views[path] = np.asarray(out)
        return known

    def __getstate__(self) -> dict[str, Any]:
        """Its fields alone: views are made anew, and may be made while another thread hands the table over."""
        return {"names": self.names, "share_names": self.share_names, "rows": self.rows}

    @cached_property
    def _views(self) -> dict[str, Array]:
        return {}

    def share(self, owner: str, cause: str) -> Array:
        """Share of the scatter of one cause over all poses, shape (poses,); zero where nothing has it."""
        if (owner, cause) not in self.share_names:
            return np.zeros(len(self))
        return self.column("shares")[:, self.share_names.index((owner, cause))]

    @property
    def contributions(self) -> Array:
        """What every owner and cause makes of the mean square error, shape (poses, names).

        Their scatter, and their part in the square of the mean, which all arms share: negative where they work against
        it. They sum to 1; the bias, which is thereby given to what makes it, has none.
        """
        scatter = np.array([name != BIAS for name in self.share_names])
        return np.where(scatter, self.column("shares") + self.column("bias_shares"), 0.0)

    def members(self, owner: str | None = None, cause: str | None = None) -> list[int]:
        """Places, among the names of the shares, of an owner, of a cause, or of both; the bias is none of them."""
        return [
            n
            for n, name in enumerate(self.share_names)
            if name != BIAS and owner in (None, name[0]) and cause in (None, name[1])
        ]

    def over_task(self, shares: Array) -> Array:
        """Shares over all poses, each counted by its mean square error, from shares of shape (poses, ...)."""
        weight = self.column("first_order.rms") ** 2
        total = float(weight.sum())
        return np.tensordot(weight, shares, 1) / total if total else np.zeros(shares.shape[1:])

    def rms_without(self, pose: int, owner: str | None = None, cause: str | None = None, left: float = 0.0) -> float:
        """Error at a pose by first order with a part of it times ``left``: of an owner, of a cause, or of both. [m]

        With the scatter s and the mean m of that part, its square is less by (1 - left^2) s, and the mean of all turns
        by the vector (1 - left) m: more than its share where it has a mean, and less where it does not.
        """
        part = self.members(owner, cause)
        square = float(self.column("first_order.rms")[pose]) ** 2
        mean = self.column("first_order.mean")[pose]
        turned = mean - (1.0 - left) * self.column("cause_means")[pose, part].sum(axis=0)
        scatter = (1.0 - left**2) * float(self.column("shares")[pose, part].sum())
        return math.sqrt(max(0.0, square * (1.0 - scatter) + float(turned @ turned - mean @ mean)))

    @property
    def numbers(self) -> Array:
        """All numbers of all rows, each of which is a float, shape (poses, numbers)."""
        return np.ascontiguousarray(self.rows).view("f8").reshape(len(self.rows), -1)

    def none(self) -> PoseTable:
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
        named: dict[str, dict[str, dict[str, Any]]] = {name: {} for name in SHARES}
        parts = zip(self.share_names, *(row[name].tolist() for name in SHARES), strict=True)
        for (owner, cause), share, part, mean in parts:
            named["shares"].setdefault(owner, {})[cause] = share
            if any(mean):  # what has no mean has no part in it
                named["bias_shares"].setdefault(owner, {})[cause] = part
                named["cause_means"].setdefault(owner, {})[cause] = tuple(mean)
        joints = tuple(row["joints"].tolist())
        own = {"name": self.names[index], "joints": joints, **named}
        made: PoseResult = _object(PoseResult, row.item(), own)
        return made

    def __iter__(self) -> Iterator[PoseResult]:
        return (self[index] for index in range(len(self)))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, PoseTable):
            return NotImplemented
        same = self.names == other.names and (self.share_names == other.share_names or not self.names)
        return same and np.array_equal(self.numbers, other.numbers, equal_nan=True)

    @staticmethod
    def of(poses: Iterable[PoseResult]) -> PoseTable:
        """The table of poses made one by one, as they are read from a file."""
        made = tuple(poses)
        known: dict[tuple[str, str], None] = {}
        for pose in made:
            known.update({(owner, cause): None for owner, causes in pose.shares.items() for cause in causes})
        out = PoseTable.empty([pose.name for pose in made], list(known), len(made[0].joints) if made else 0)
        for row, pose in zip(out.rows, made, strict=True):
            fill(row, pose)
            row["joints"] = pose.joints
            for name, shape in SHARES.items():
                own: dict[str, dict[str, Any]] = getattr(pose, name)
                row[name] = [own.get(owner, {}).get(cause, np.zeros(shape)) for owner, cause in known]
        return out

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: Any) -> CoreSchema:
        from pydantic_core import core_schema

        rows = handler.generate_schema(tuple[PoseResult, ...])
        out = core_schema.plain_serializer_function_ser_schema(tuple, return_schema=rows)
        return core_schema.no_info_after_validator_function(cls.of, rows, serialization=out)


class _Part(NamedTuple):
    """How a field is read from a record: by a function of its own, and whether nan stands for None."""

    name: str
    read: Callable[[Any], Any]
    optional: bool


@lru_cache(maxsize=16)
def _plan(owner: Any) -> tuple[_Part, ...]:
    hints = get_type_hints(owner)
    return tuple(_Part(name, _reader(kind), type(None) in get_args(hints[name])) for name, kind in _held(owner))


def _reader(kind: Any) -> Callable[[Any], Any]:
    if kind is Verdict:
        return lambda code: VERDICTS[int(code)]
    if kind in (float, int):
        return kind  # type: ignore[no-any-return]
    if kind in _NUMBERS and _NUMBERS[kind][0] is not None:
        return lambda array: tupled(array.tolist())
    if kind in _NUMBERS:
        return lambda parts: tuple(_object(Validation, part.item(), {}) for part in parts)
    if "ellipsoid" in get_type_hints(kind):
        at = [name for name, _ in _held(kind)].index("covariance")
        return lambda values: _object(kind, values, {"ellipsoid": Ellipsoid.of(values[at])})
    return lambda values: _object(kind, values, {})


def _object(owner: Any, values: tuple[Any, ...], more: dict[str, Any]) -> Any:
    """What a record, as a tuple in the order of its fields, holds as an object."""
    for part, value in zip(_plan(owner), values, strict=False):
        if part.optional and np.isnan(value if isinstance(value, float) else value.flat[0]):
            more[part.name] = None
        else:
            more[part.name] = part.read(value)
    return owner(**more)


def fill(row: Any, made: Any) -> None:
    """Write a `PoseResult`, or a part of one, into its place in a record."""
    owner: Any = type(made)
    for name, kind in _held(owner):
        value = getattr(made, name)
        if kind is Verdict:
            row[name] = VERDICTS.index(value)
        elif kind == tuple[Validation, ...]:
            for part, own in zip(row[name], value, strict=True):
                fill(part, own)
        elif kind in _NUMBERS:
            row[name] = np.nan if value is None else value
        else:
            fill(row[name], value)
