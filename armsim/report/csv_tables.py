"""CSV tables of a run: frames whose columns have the units of files, written row by row."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from armsim.arrays import Array
from armsim.formatting import ARCSECOND, Unit, percent, rounding_as_zero
from armsim.report.frame import BARE, FILE_UNITS, Column, Exact, Frame, words
from armsim.requirement.requirement import coverage_of
from armsim.results import Measure, Result, TaskResult
from armsim.results.ellipsoids import ellipsoids
from armsim.results.pose_table import PoseTable
from armsim.results.poses import BIAS, VERDICTS, UnitQuantiles

COVARIANCES = "covariances"
"""Table that other programs read: always as Parquet too, where pyarrow is installed."""
CHUNK = 1024
"""Poses whose rows are made at a time, so that memory stays bounded."""
UM, URAD, SHARE = FILE_UNITS["m"], FILE_UNITS["rad"], FILE_UNITS["1"]
MM, DEGREE, HERTZ = Unit("mm", 1e3), Unit("deg", math.degrees(1)), Unit("Hz", 1.0)
AREA = Unit("um^2", 1e12)
AT_JOINT, SPEED = Unit("arcsec or um", 1.0), Unit("rad/s or m/s", 1.0)
"""Units of columns whose rows have a unit each."""
MOTION = (
    ("encoder", "encoder", BARE), ("speed", "speed", SPEED), ("speed of the shaft", "shaft_speed", SPEED),
    ("its limit", "shaft_speed_limit", SPEED), ("frequency of the signals", "frequency", HERTZ),
    ("its limit", "frequency_limit", HERTZ), ("speed by one step", "step", SPEED),
    ("after the filter", "step_filtered", SPEED), ("noise", "noise", SPEED),
    ("ripple in half of the arms", "ripple_p50", SHARE), ("ripple in 95 % of the arms", "ripple_p95", SHARE),
    ("ripple and noise", "smoothness", SHARE), ("slowest smooth speed", "slowest", SPEED),
    ("lag", "lag", Unit("rad or m", 1.0)), ("jitter", "jitter", Unit("rad or m", 1.0)),
)  # fmt: skip
"""Columns of the motion of a joint: name, field, unit."""
FIGURES = (
    ("rms", "error.rms", UM), ("p50", "error.p50", UM), ("p95", "error.p95", UM), ("p99", "error.p99", UM),
    ("max", "error.max", UM), ("COVERAGE of errors", "error.at_coverage", UM),
    ("orientation rms", "orientation_error.rms", URAD), ("orientation p95", "orientation_error.p95", URAD),
    ("COVERAGE of orientation errors", "orientation_error.at_coverage", URAD),
    ("AP p50", "accuracy.p50", UM), ("AP p95", "accuracy.p95", UM),
    ("RP p50", "repeatability.p50", UM), ("RP p95", "repeatability.p95", UM),
    ("orientation AP p95", "orientation_accuracy.p95", URAD),
    ("orientation RP p95", "orientation_repeatability.p95", URAD),
)  # fmt: skip
"""Columns of figures at a pose: name, figure of the table of poses, unit."""
WITH_INTERVAL = ("error.p95", "error.at_coverage")
"""Figures whose interval has columns too."""


def run_tables(result: Result) -> dict[str, Exact]:
    """Tables of a run for files: poses, covariances, shares, joints, terms, measures, unreachable poses."""
    near_singular = [(task.name, name) for task in result.tasks for name in task.near_singular]
    tables = {
        "poses": _streamed(result, lambda task, part: _poses_frame(result, task, part)),
        COVARIANCES: _streamed(result, _covariances_frame),
        "shares": _streamed(result, _shares_frame),
        "joints": _joints_frame(result).exact,
        "terms": _terms_frame(result).exact,
        "measures": _measures_frame(result).exact,
        "near-singular": _from_rows(near_singular, [("task", BARE), ("pose", BARE)]).exact,
        "unreachable": _unreachable_frame(result).exact,
    }
    if result.motion:
        rows = list(result.motion.values())
        columns = (number(name, [getattr(row, field) for row in rows], unit) for name, field, unit in MOTION)
        tables["motion"] = Frame((words("joint", result.motion), *columns)).exact
    return tables


def number(
    name: str, values: Iterable[Any], unit: Unit = BARE, intervals: Iterable[Sequence[float]] | None = None
) -> Column:
    """Column of a file: numbers in SI, or in the unit of their row; None or nan where undefined."""
    ends = None if intervals is None else tuple(None if _undefined(pair[0]) else tuple(pair) for pair in intervals)
    numbers = tuple(None if _undefined(value) else value for value in values)
    return Column(name, numbers, ends, file_unit=unit, shown_in="file")  # type: ignore[arg-type]  # pairs


def _undefined(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))


def _from_rows(rows: Iterable[Sequence[Any]], columns: Sequence[tuple[str, Unit]]) -> Frame:
    """Frame of rows, by name and unit of its columns."""
    values = list(zip(*rows, strict=True)) or [()] * len(columns)
    return Frame(tuple(number(name, part, unit) for (name, unit), part in zip(columns, values, strict=True)))


def _streamed(result: Result, frame_of: Callable[[TaskResult, PoseTable], Frame]) -> Exact:
    """Rows of all poses of all tasks, some poses at a time."""

    def rows() -> Iterator[Sequence[object]]:
        for task in result.tasks:
            for start in range(0, len(task.poses), CHUNK):
                yield from frame_of(task, task.poses[start : start + CHUNK]).exact.rows

    first = result.tasks[0]
    return Exact(frame_of(first, first.poses.without_rows()).exact.header, rows())


def _covariances_frame(task: TaskResult, part: PoseTable) -> Frame:
    """Mean and covariance of the error of the tool point, attained minus commanded, for use as data elsewhere."""
    covariance = part.column("error.covariance")
    entries = [(row, column) for row in range(3) for column in range(row, 3)]
    return Frame(
        (
            words("task", [task.name] * len(part)),
            words("pose", part.names),
            words("error of", ["tool point"] * len(part)),
            words("frame", ["base"] * len(part)),
            *_components("mean ", part.column("error.mean"), UM),
            *(number(f"{'xyz'[a]}{'xyz'[b]}", covariance[:, a, b].tolist(), AREA) for a, b in entries),
        )
    )


def _shares_frame(task: TaskResult, part: PoseTable) -> Frame:
    scatter = [n for n, pair in enumerate(part.share_names) if pair != BIAS]
    names = [part.share_names[n] for n in scatter]
    return Frame(
        (
            words("task", [task.name] * len(part) * len(names)),
            words("pose", [name for name in part.names for _ in names]),
            words("owner", [owner for owner, _ in names] * len(part)),
            words("cause", [cause for _, cause in names] * len(part)),
            number("share of mean square error", part.contributions[:, scatter].ravel().tolist(), SHARE),
            number("of it the same on every arm", part.column("bias_shares")[:, scatter].ravel().tolist(), SHARE),
        )
    )


def _poses_frame(result: Result, task: TaskResult, part: PoseTable) -> Frame:
    coverage = percent(coverage_of(result.requirement))
    joints = part.column("joints").T
    units = [DEGREE if budget.unit == "rad" else MM for budget in result.joints.values()]
    covariance = part.column("error.covariance")
    semi_axes = ellipsoids(covariance)[0].T
    verdicts = part.rows["first_order"]["validation"]["verdict"][:, 0]
    return Frame(
        (
            words("task", [task.name] * len(part)),
            words("pose", part.names),
            *(number(name, q.tolist(), unit) for name, q, unit in zip(result.joints, joints, units, strict=True)),
            *_components("", part.column("position"), MM),
            *_components("mean ", part.column("error.mean"), UM),
            *(number(f"std {axis}", np.sqrt(covariance[:, n, n]).tolist(), UM) for n, axis in enumerate("xyz")),
            *(_figure(part, name.replace("COVERAGE", coverage), path, unit) for name, path, unit in FIGURES),
            *(number(f"ellipsoid {name}", axis.tolist(), UM) for name, axis in zip("abc", semi_axes, strict=True)),
            _figure(part, "conditioning", "conditioning", SHARE),
            _figure(part, "along the path", "along", MM),
            _figure(part, "first order rms", "first_order.rms", UM),
            words("first order agrees", [VERDICTS[int(verdict)] for verdict in verdicts.tolist()]),
        )
    )


def _figure(part: PoseTable, name: str, path: str, unit: Unit) -> Column:
    """Column of a figure of the table of poses."""
    intervals = part.column(f"{path}_interval").tolist() if path in WITH_INTERVAL else None
    return number(name, part.column(path).tolist(), unit, intervals)


def _components(before: str, vectors: Array, unit: Unit) -> Iterator[Column]:
    """Columns of the components of vectors, shape (poses, 3), each without the rounding errors of the others."""
    rows = [rounding_as_zero(vector) for vector in vectors.tolist()]
    return (number(f"{before}{axis}", [row[n] for row in rows], unit) for n, axis in enumerate("xyz"))


def _joints_frame(result: Result) -> Frame:
    rows = []
    for name, budget in result.joints.items():
        sizes = budget.step, budget.rms, budget.rms_accuracy, budget.rms_repeatability, budget.limit
        factor = _factor(budget.unit)
        rows.append(
            (name, budget.encoder, budget.placement, budget.resolution_bits, *(size * factor for size in sizes))
        )
    names = "step", "standard uncertainty", "accuracy part", "repeatability part", "worst case"
    of_joint = [("joint", BARE), ("encoder", BARE), ("placement", BARE), ("resolution", Unit("bit", 1.0))]
    return _from_rows(rows, [*of_joint, *((name, AT_JOINT) for name in names)])


def _terms_frame(result: Result) -> Frame:
    terms = [
        *((name, _factor(budget.unit), term) for name, budget in result.joints.items() for term in budget.terms),
        *((name, UM.factor, motion.term) for name, budget in result.joints.items() for motion in budget.error_motions),
        *(("links", UM.factor, term) for term in result.links),
    ]
    rows = (
        (owner, term.name, term.cause, term.life, term.shape, term.rms * factor, term.limit * factor)
        for owner, factor, term in terms
    )
    names = "owner", "term", "cause", "life", "shape"
    size = Unit("arcsec, um, or urad for link angles", 1.0)
    sizes = [("standard uncertainty", size), ("worst case", Unit("same unit", 1.0))]
    return _from_rows(rows, [*((name, BARE) for name in names), *sizes])


def _factor(unit: str) -> float:
    return ARCSECOND.factor if unit == "rad" else UM.factor


def _unreachable_frame(result: Result) -> Frame:
    rows = (
        (task.name, point.name, *rounding_as_zero(point.position), point.reason)
        for task in result.tasks
        for point in task.unreachable
    )
    return _from_rows(rows, [("task", BARE), ("pose", BARE), ("x", MM), ("y", MM), ("z", MM), ("reason", BARE)])


def _measures_frame(result: Result) -> Frame:
    """Measures of all tasks, and those that an acceptance test would report."""
    rows: list[tuple[tuple[str, ...], UnitQuantiles | Measure]] = []
    for task in result.tasks:
        rows += [((task.name, m.name, m.what, m.clause, m.where), m) for m in task.measures]
        test = task.acceptance
        if test is not None:
            description, poses = f"as reported by a test of {test.cycles} visits per pose", "; ".join(test.poses)
            rows.append(((task.name, "AP reported by a test", description, "7.2.1", poses), test.accuracy))
            rows.append(((task.name, "RP reported by a test", description, "7.2.2", poses), test.repeatability))
    names = ("task", "measure", "what", "clause of ISO 9283:1998", "where")
    identifying = _from_rows([identifier for identifier, _ in rows], [(name, BARE) for name in names])
    intervals = [spread.p95_interval or (math.nan, math.nan) for _, spread in rows]
    medians = number("p50 over arms", [spread.p50 for _, spread in rows], UM)
    return Frame(
        (*identifying.columns, medians, number("p95 over arms", [spread.p95 for _, spread in rows], UM, intervals))
    )


RUN_BY_SPREADSHEETS = ("=", "+", "-", "@", "\t", "\r")
LARGE = 10_000
"""Number of rows from which a table is also written as Parquet, where pyarrow is installed."""


def cell(value: object) -> object:
    """Value for a CSV cell; text that a spreadsheet would run as a formula is prefixed by an apostrophe."""
    return f"'{value}" if isinstance(value, str) and value.startswith(RUN_BY_SPREADSHEETS) else value


def write_table(path: Path, table: Exact) -> None:
    """Write rows under a header as CSV, numbers to nine digits; a long table and covariances also as Parquet."""
    with path.open("w", newline="", encoding="utf-8") as file:
        count = write_rows(file, table)
    if count >= LARGE or path.stem == COVARIANCES:
        _write_parquet(path, table.header)


def write_rows(file: TextIO, table: Exact) -> int:
    """Write rows under a header as CSV, numbers to nine digits, to an open file; return how many."""
    writer = csv.writer(file)
    writer.writerow([cell(name) for name in table.header])
    count = 0
    for row in table.rows:
        writer.writerow([f"{v:.9g}" if isinstance(v, float) else cell(v) for v in row])
        count += 1
    return count


def _write_parquet(path: Path, header: Sequence[str]) -> None:
    """Write the table also as Parquet, in batches so that memory stays bounded."""
    try:
        import pyarrow as arrow
        import pyarrow.csv as arrow_csv
        import pyarrow.parquet as parquet
    except ImportError:  # the extra `parquet` is not installed: the CSV holds the same
        return
    numbers = {name: arrow.float64() if "[" in name else arrow.string() for name in header}
    options = arrow_csv.ConvertOptions(column_types=numbers)
    with (
        arrow_csv.open_csv(path, convert_options=options) as reader,
        parquet.ParquetWriter(path.with_suffix(".parquet"), reader.schema) as out,
    ):
        for batch in reader:
            out.write_batch(batch)
