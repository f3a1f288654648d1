"""CSV tables of a run: one row per item, units in the header."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from pathlib import Path

from armsim.formatting import ARCSECOND, percent, rounding_as_zero
from armsim.report.frame import Exact
from armsim.requirement.requirement import coverage_of
from armsim.results import JointBudget, Result, TaskResult
from armsim.results.poses import BIAS, Interval, PoseResult

UM = 1e6
MOTION = (
    "encoder|encoder", "speed|speed [rad/s or m/s]", "shaft_speed|speed of the shaft [rad/s or m/s]",
    "shaft_speed_limit|its limit [rad/s or m/s]", "frequency|frequency of the signals [Hz]",
    "frequency_limit|its limit [Hz]", "step|speed by one step [rad/s or m/s]",
    "step_filtered|after the filter [rad/s or m/s]", "noise|noise [rad/s or m/s]",
    "ripple_p50|ripple in half of the arms [1]", "ripple_p95|ripple in 95 % of the arms [1]",
    "smoothness|ripple and noise [1]", "slowest|slowest smooth speed [rad/s or m/s]", "lag|lag [rad or m]",
    "jitter|jitter [rad or m]",
)  # fmt: skip
"""Fields of a motion and their headers."""
SHARES = ["task", "pose", "owner", "cause", "share of mean square error [1]", "of it the same on every arm [1]"]
JOINTS = [
    "joint", "encoder", "placement", "resolution [bit]", "step [arcsec or um]",
    "standard uncertainty [arcsec or um]", "accuracy part [arcsec or um]", "repeatability part [arcsec or um]",
    "worst case [arcsec or um]",
]  # fmt: skip
TERMS = [
    "owner", "term", "cause", "life", "shape",
    "standard uncertainty [arcsec, um, or urad for link angles]", "worst case [same unit]",
]  # fmt: skip
MEASURES = [
    "task", "measure", "what", "clause of ISO 9283:1998", "where", "p50 over arms [um]", "p95 over arms [um]",
    "p95 low [um]", "p95 high [um]",
]  # fmt: skip
UNREACHABLE = ["task", "pose", "x [mm]", "y [mm]", "z [mm]", "reason"]


def run_tables(result: Result) -> dict[str, Exact]:
    """Tables of a run for files: poses, shares, joints, terms, measures, unreachable poses."""
    tables = {
        "poses": Exact(
            _pose_header(result), (_pose_row(result, task, pose) for task in result.tasks for pose in task.poses)
        ),
        "shares": Exact(SHARES, _share_rows(result)),
        "joints": Exact(JOINTS, [_joint_row(name, budget) for name, budget in result.joints.items()]),
        "terms": Exact(TERMS, _term_rows(result)),
        "measures": Exact(
            MEASURES, [row for task in result.tasks for row in (*_measure_rows(task), *_test_rows(task))]
        ),
        "near-singular": Exact(
            ["task", "pose"], [[task.name, name] for task in result.tasks for name in task.near_singular]
        ),
        "unreachable": Exact(UNREACHABLE, _lost_rows(result)),
    }
    if result.motion:
        named = [field.split("|") for field in MOTION]
        motion_rows = [[name, *(getattr(motion, key) for key, _ in named)] for name, motion in result.motion.items()]
        tables["motion"] = Exact(["joint", *(text for _, text in named)], motion_rows)
    return tables


def _share_rows(result: Result) -> Iterator[list[object]]:
    for task in result.tasks:
        rows = zip(task.poses.names, task.poses.contributions, task.poses.column("bias_shares"), strict=True)
        for name, parts, bias in rows:
            for pair, share, bias_share in zip(task.poses.share_names, parts.tolist(), bias.tolist(), strict=True):
                if pair != BIAS:
                    yield [task.name, name, *pair, share, bias_share]


def _joint_row(name: str, budget: JointBudget) -> list[object]:
    sizes = budget.step, budget.rms, budget.rms_accuracy, budget.rms_repeatability, budget.limit
    factor = _factor(budget)
    return [name, budget.encoder, budget.placement, budget.resolution_bits, *(size * factor for size in sizes)]


def _term_rows(result: Result) -> Iterator[list[object]]:
    joints = ((name, _factor(budget), term) for name, budget in result.joints.items() for term in budget.terms)
    error_motions = (
        (name, UM, motion.term) for name, budget in result.joints.items() for motion in budget.error_motions
    )
    for owner, factor, term in (*joints, *error_motions, *(("links", UM, term) for term in result.links)):
        yield [owner, term.name, term.cause, term.life, term.shape, term.rms * factor, term.limit * factor]


def _lost_rows(result: Result) -> Iterator[list[object]]:
    for task in result.tasks:
        for point in task.unreachable:
            yield [task.name, point.name, *(1e3 * v for v in rounding_as_zero(point.position)), point.reason]


def _measure_rows(task: TaskResult) -> list[list[object]]:
    return [
        [
            task.name,
            measure.name,
            measure.what,
            measure.clause,
            measure.where,
            *_figures(measure.p50, measure.p95, measure.p95_interval),
        ]
        for measure in task.measures
    ]


def _test_rows(task: TaskResult) -> list[list[object]]:
    """Rows of the measures that an acceptance test would report."""
    test = task.acceptance
    if test is None:
        return []
    what, pose_names = f"as reported by a test of {test.cycles} visits per pose", "; ".join(test.poses)
    return [
        [
            task.name,
            f"{name} reported by a test",
            what,
            clause,
            pose_names,
            *_figures(spread.p50, spread.p95, spread.p95_interval),
        ]
        for name, clause, spread in (("AP", "7.2.1", test.accuracy), ("RP", "7.2.2", test.repeatability))
    ]


def _figures(p50: float | None, p95: float | None, ends: Interval | None) -> list[object]:
    return _scaled([p50, p95, *(ends or (None, None))])


def _pose_header(result: Result) -> list[str]:
    joints = [f"{name} [{'deg' if budget.unit == 'rad' else 'mm'}]" for name, budget in result.joints.items()]
    return [
        "task", "pose", *joints, "x [mm]", "y [mm]", "z [mm]",
        "mean x [um]", "mean y [um]", "mean z [um]", "std x [um]", "std y [um]", "std z [um]",
        "rms [um]", "p50 [um]", "p95 [um]", "p95 low [um]", "p95 high [um]", "p99 [um]", "max [um]",
        *(f"{percent(coverage_of(result.requirement))} of errors{end} [um]" for end in ("", ", low", ", high")),
        "orientation rms [urad]", "orientation p95 [urad]",
        f"{percent(coverage_of(result.requirement))} of orientation errors [urad]",
        "AP p50 [um]", "AP p95 [um]", "RP p50 [um]", "RP p95 [um]",
        "orientation AP p95 [urad]", "orientation RP p95 [urad]",
        "ellipsoid a [um]", "ellipsoid b [um]", "ellipsoid c [um]",
        "conditioning [1]", "along the path [mm]", "first order rms [um]", "first order agrees",
    ]  # fmt: skip


def _pose_row(result: Result, task: TaskResult, pose: PoseResult) -> list[object]:
    e, ap, rp = pose.error, pose.accuracy, pose.repeatability
    interval = e.p95_interval or (None, None)
    scales = [math.degrees(1) if budget.unit == "rad" else 1e3 for budget in result.joints.values()]
    joints = [q * scale for q, scale in zip(pose.joints, scales, strict=True)]
    lengths = [e.rms, e.p50, e.p95, *interval, e.p99, e.max]
    units = [ap.p50, ap.p95, rp.p50, rp.p95]
    return [
        task.name, pose.name, *joints, *(1e3 * v for v in rounding_as_zero(pose.position)),
        *(v * UM for v in rounding_as_zero(e.mean)), *(e.covariance[i][i] ** 0.5 * UM for i in range(3)),
        *_scaled(lengths), *_scaled([e.at_coverage, *(e.at_coverage_interval or (None, None))]),
        pose.orientation_error.rms * 1e6, pose.orientation_error.p95 * 1e6,
        pose.orientation_error.at_coverage * 1e6,
        *_scaled(units),
        *_scaled([pose.orientation_accuracy.p95, pose.orientation_repeatability.p95]),
        *_scaled(e.ellipsoid.semi_axes), pose.conditioning, *_scaled([pose.along], 1e3),
        pose.first_order.rms * UM, pose.first_order.validation[0].verdict,
    ]  # fmt: skip


def _scaled(values: Sequence[float | None], factor: float = UM) -> list[object]:
    return ["" if v is None else v * factor for v in values]


def _factor(budget: JointBudget) -> float:
    return ARCSECOND.factor if budget.unit == "rad" else UM


RUN_BY_SPREADSHEETS = ("=", "+", "-", "@", "\t", "\r")
LARGE = 10_000
"""Number of rows from which a table is also written as Parquet, where pyarrow is installed."""


def cell(value: object) -> object:
    """Value for a CSV cell; text that a spreadsheet would run as a formula is prefixed by an apostrophe."""
    return f"'{value}" if isinstance(value, str) and value.startswith(RUN_BY_SPREADSHEETS) else value


def write_table(path: Path, table: Exact) -> None:
    """Write rows under a header as CSV, numbers to nine digits; a long table also as Parquet."""
    header, rows = table
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow([cell(name) for name in header])
        count = 0
        for row in rows:
            writer.writerow([f"{v:.9g}" if isinstance(v, float) else cell(v) for v in row])
            count += 1
    if count >= LARGE:
        _write_parquet(path, header)


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
