"""What is known at each pose, and the table that holds it for many poses in little room. SI units.

Field names are the contract of results.json; an undefined number (an interval from one unit) is null there and nan in
a column.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, get_args, overload

import numpy as np

from armsim.arrays import Array
from armsim.results.ellipsoids import ellipsoids

if TYPE_CHECKING:
    from pydantic_core import CoreSchema

Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]
Interval = tuple[float, float]
Verdict = Literal["agrees", "differs", "undecided"]
VERDICTS: tuple[Verdict, ...] = get_args(Verdict)
BIAS = ("bias", "mean")
"""Owner and cause of the share of the mean."""


@dataclass(frozen=True)
class Ellipsoid:
    """Ellipsoid about the mean error that holds 95 % of normal errors: semi-axes [m], longest first, and directions."""

    semi_axes: Vector
    directions: Matrix


@dataclass(frozen=True)
class ErrorStatistics:
    """Error of the tool point at one pose, units and visits pooled. Quantiles are of its length.

    ``at_coverage`` is the quantile at the coverage of the requirement (95 % without one). Intervals are at 95 %.
    ``at_coverage_doubt`` is twice the standard deviation of that quantile as batches of units find it (JCGM 101:2008
    7.9.4), null but in a run with a tolerance.
    """

    mean: Vector
    covariance: Matrix
    rms: float
    rms_interval: Interval | None
    p50: float
    p95: float
    p99: float
    max: float
    p95_interval: Interval | None
    at_coverage: float
    at_coverage_interval: Interval | None
    at_coverage_doubt: float | None
    ellipsoid: Ellipsoid


@dataclass(frozen=True)
class OrientationStatistics:
    """Angle of the orientation error at one pose, units and visits pooled. [rad]"""

    rms: float
    p95: float


@dataclass(frozen=True)
class UnitQuantiles:
    """Quantiles over built units of a figure that every unit has, with 95 % intervals."""

    p50: float | None
    p95: float | None
    p50_interval: Interval | None
    p95_interval: Interval | None


@dataclass(frozen=True)
class Validation:
    """Coverage intervals of first order and Monte Carlo held against each other, JCGM 101:2008 clause 8.

    ``difference`` is the distance between those interval ends, over the three coordinates, that decide; ``tolerance``
    the numerical tolerance; ``sampling`` the 95 % half-width of the difference from sampling alone, null where the
    sample cannot tell. The verdict is ``undecided`` where sampling is too coarse.
    """

    digits: int
    difference: float
    tolerance: float
    sampling: float | None
    verdict: Verdict


@dataclass(frozen=True)
class FirstOrder:
    """Propagation through the Jacobian of the same terms. ``validation``: to two digits, then to one."""

    mean: Vector
    rms: float
    covariance: Matrix
    validation: tuple[Validation, ...]


@dataclass(frozen=True)
class PoseResult:
    """All that is known at one pose. Shares are of E|dp|^2, by owner and cause; with ``bias`` they sum to 1.

    ``bias_shares`` tell what makes the bias: the part of each owner and cause along the mean error. They sum to the
    share of the bias; what works against it is negative. ``visit_share`` is the share of what differs from visit to
    visit. ``accuracy`` and ``repeatability`` are what a unit has, over visits without number; ``integration`` is half
    of the 95 % interval of the integration of RP, which the intervals of ``repeatability`` contain [m].

    On a path ``accuracy`` and ``repeatability`` are taken in the plane across it, ``along`` is the length of the path
    up to here [m] and ``first_unit`` the mean error of the first built unit [m]. ``conditioning`` is the smallest
    singular value of the Jacobian over the largest, lengths in reaches of the arm: 0 in a singular posture.
    """

    name: str
    joints: tuple[float, ...]
    position: Vector
    error: ErrorStatistics
    orientation_error: OrientationStatistics
    accuracy: UnitQuantiles
    repeatability: UnitQuantiles
    orientation_accuracy: UnitQuantiles
    orientation_repeatability: UnitQuantiles
    visit_share: float
    conditioning: float
    along: float | None
    first_unit: Vector | None
    first_order: FirstOrder
    shares: dict[str, dict[str, float]]
    bias_shares: dict[str, dict[str, float]] = field(default_factory=dict)
    integration: float = 0.0


_FIGURES = {
    "position": 3,
    "error.mean": 3, "error.covariance": 9, "error.rms": 1, "error.rms_interval": 2,
    "error.p50": 1, "error.p95": 1, "error.p99": 1, "error.max": 1, "error.p95_interval": 2,
    "error.at_coverage": 1, "error.at_coverage_interval": 2, "error.at_coverage_doubt": 1,
    "orientation_error.rms": 1, "orientation_error.p95": 1,
    "accuracy.p50": 1, "accuracy.p95": 1, "accuracy.p50_interval": 2, "accuracy.p95_interval": 2,
    "repeatability.p50": 1, "repeatability.p95": 1, "repeatability.p50_interval": 2, "repeatability.p95_interval": 2,
    "integration": 1,
    "orientation_accuracy.p50": 1, "orientation_accuracy.p95": 1,
    "orientation_accuracy.p50_interval": 2, "orientation_accuracy.p95_interval": 2,
    "orientation_repeatability.p50": 1, "orientation_repeatability.p95": 1,
    "orientation_repeatability.p50_interval": 2, "orientation_repeatability.p95_interval": 2,
    "visit_share": 1, "conditioning": 1, "along": 1, "first_unit": 3,
    "first_order.mean": 3, "first_order.rms": 1, "first_order.covariance": 9, "first_order.validation": 10,
}  # fmt: skip
"""Figures of a pose and the numbers that each takes; joints and shares, whose count differs from arm to arm, follow."""


@dataclass(frozen=True, eq=False)
class PoseTable(Sequence[PoseResult]):
    """Poses as rows of numbers; a `PoseResult` is made when one is asked for.

    Parameters
    ----------
    names : tuple of str
    share_names : tuple of (owner, cause)
        The bias last.
    values : (poses, width)
    """

    names: tuple[str, ...]
    share_names: tuple[tuple[str, str], ...]
    values: Array

    @staticmethod
    def width(joints: int, shares: int) -> int:
        """Numbers that a pose takes."""
        return sum(_FIGURES.values()) + joints + 2 * shares

    @staticmethod
    def empty(names: Sequence[str], share_names: Sequence[tuple[str, str]], joints: int) -> PoseTable:
        """A table to be filled; nan everywhere."""
        width = PoseTable.width(joints, len(share_names))
        return PoseTable(tuple(names), tuple(share_names), np.full((len(names), width), np.nan))

    @cached_property
    def columns(self) -> dict[str, Array]:
        """Views of all figures by dotted name, shape (poses, numbers)."""
        out, at = {}, 0
        shares = len(self.share_names)
        rest = self.values.shape[1] - sum(_FIGURES.values()) - 2 * shares
        for path, size in {**_FIGURES, "joints": rest, "shares": shares, "bias_shares": shares}.items():
            out[path] = self.values[:, at : at + size]
            at += size
        return out

    def column(self, path: str) -> Array:
        """One figure over all poses, shape (poses,) or (poses, numbers)."""
        values = self.columns[path]
        if path.endswith("covariance"):
            return values.reshape(len(values), 3, 3)
        return values[:, 0] if _FIGURES.get(path) == 1 else values

    def share(self, owner: str, cause: str) -> Array:
        """Share of one cause over all poses, shape (poses,); zero where nothing has it."""
        if (owner, cause) not in self.share_names:
            return np.zeros(len(self))
        return self.columns["shares"][:, self.share_names.index((owner, cause))]

    def none(self) -> PoseTable:
        """The same table without a row."""
        return PoseTable((), self.share_names, self.values[:0])

    def __len__(self) -> int:
        return len(self.names)

    @overload
    def __getitem__(self, index: int) -> PoseResult: ...
    @overload
    def __getitem__(self, index: slice) -> PoseTable: ...
    def __getitem__(self, index: int | slice) -> PoseResult | PoseTable:
        if isinstance(index, slice):
            return PoseTable(self.names[index], self.share_names, self.values[index])
        return self._pose(self.names[index], {path: column[index].tolist() for path, column in self.columns.items()})

    def __iter__(self) -> Iterator[PoseResult]:
        return (self[index] for index in range(len(self)))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, PoseTable):
            return NotImplemented
        same = self.names == other.names and (self.share_names == other.share_names or not self.names)
        return same and np.array_equal(self.values, other.values, equal_nan=True)

    def _pose(self, name: str, row: dict[str, list[float]]) -> PoseResult:
        def one(path: str) -> float:
            return row[path][0]

        def maybe(path: str) -> float | None:
            value = row[path][0]
            return None if value != value else value

        def both(path: str) -> Interval | None:
            low, high = row[path]
            return None if low != low else (low, high)

        def units(path: str) -> UnitQuantiles:
            ends = both(f"{path}.p50_interval"), both(f"{path}.p95_interval")
            return UnitQuantiles(maybe(f"{path}.p50"), maybe(f"{path}.p95"), *ends)

        shares: dict[str, dict[str, float]] = {}
        for (owner, cause), share in zip(self.share_names, row["shares"], strict=True):
            shares.setdefault(owner, {})[cause] = share
        bias_shares: dict[str, dict[str, float]] = {}
        for (owner, cause), share in zip(self.share_names, row["bias_shares"], strict=True):
            if share:
                bias_shares.setdefault(owner, {})[cause] = share
        semi_axes, directions = ellipsoids(np.array(row["error.covariance"]).reshape(3, 3))
        judged, first = row["first_order.validation"], row["first_unit"]
        return PoseResult(
            name=name,
            joints=tuple(row["joints"]),
            position=vector(row["position"]),
            error=ErrorStatistics(
                mean=vector(row["error.mean"]),
                covariance=matrix(row["error.covariance"]),
                rms=one("error.rms"),
                rms_interval=both("error.rms_interval"),
                p50=one("error.p50"),
                p95=one("error.p95"),
                p99=one("error.p99"),
                max=one("error.max"),
                p95_interval=both("error.p95_interval"),
                at_coverage=one("error.at_coverage"),
                at_coverage_interval=both("error.at_coverage_interval"),
                at_coverage_doubt=maybe("error.at_coverage_doubt"),
                ellipsoid=Ellipsoid(vector(semi_axes), matrix(directions)),
            ),
            orientation_error=OrientationStatistics(one("orientation_error.rms"), one("orientation_error.p95")),
            accuracy=units("accuracy"),
            repeatability=units("repeatability"),
            orientation_accuracy=units("orientation_accuracy"),
            orientation_repeatability=units("orientation_repeatability"),
            visit_share=one("visit_share"),
            conditioning=one("conditioning"),
            along=maybe("along"),
            first_unit=None if first[0] != first[0] else vector(first),
            first_order=FirstOrder(
                vector(row["first_order.mean"]),
                one("first_order.rms"),
                matrix(row["first_order.covariance"]),
                (_comparison(judged[:5]), _comparison(judged[5:])),
            ),
            shares=shares,
            bias_shares=bias_shares,
            integration=one("integration"),
        )

    @staticmethod
    def of(poses: Iterable[PoseResult]) -> PoseTable:
        """The table of poses made one by one, as they are read from a file."""
        rows = tuple(poses)
        known: dict[tuple[str, str], None] = {}
        for pose in rows:
            known.update({(owner, cause): None for owner, causes in pose.shares.items() for cause in causes})
        out = PoseTable.empty([pose.name for pose in rows], list(known), len(rows[0].joints) if rows else 0)
        for number, pose in enumerate(rows):
            for path, column in out.columns.items():
                if path in ("shares", "bias_shares"):
                    own: dict[str, dict[str, float]] = getattr(pose, path)
                    column[number] = [own.get(owner, {}).get(cause, 0.0) for owner, cause in known]
                elif path == "first_order.validation":
                    column[number] = [x for c in pose.first_order.validation for x in comparison_numbers(c)]
                else:
                    value: Any = pose
                    for part in path.split("."):
                        value = getattr(value, part)
                    column[number] = np.nan if value is None else np.ravel(value)
        return out

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: Any) -> CoreSchema:
        from pydantic_core import core_schema

        rows = handler.generate_schema(tuple[PoseResult, ...])
        out = core_schema.plain_serializer_function_ser_schema(tuple, return_schema=rows)
        return core_schema.no_info_after_validator_function(cls.of, rows, serialization=out)


def comparison_numbers(comparison: Validation) -> list[float]:
    """A comparison as five numbers."""
    sampling = np.nan if comparison.sampling is None else comparison.sampling
    code = VERDICTS.index(comparison.verdict)
    return [comparison.digits, comparison.difference, comparison.tolerance, sampling, code]


def _comparison(numbers: list[float]) -> Validation:
    digits, difference, tolerance, sampling, code = numbers
    known = None if sampling != sampling else sampling
    return Validation(int(digits), difference, tolerance, known, VERDICTS[int(code)])


def vector(values: Any) -> Vector:
    """Three floats."""
    return (float(values[0]), float(values[1]), float(values[2]))


def matrix(values: Any) -> Matrix:
    """Three rows of three floats, from nine in any shape."""
    flat = np.ravel(values)
    return (vector(flat[:3]), vector(flat[3:6]), vector(flat[6:]))
