"""What the page says of an answer: numbers with their intervals, values over the poses, contributions, the arm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.assessment import state_of_all
from armsim.criteria import CRITERIA, first_order_quantile
from armsim.explorer.session import Shown
from armsim.formatting import percent, show, show_interval
from armsim.model.arm import Arm
from armsim.report.document import Tone
from armsim.report.verdict import TONES, largest_causes
from armsim.requirement.requirement import Requirement, coverage_of, required_at
from armsim.results import NEAR_SINGULAR
from armsim.results.ellipsoids import ellipsoids
from armsim.tasks import PoseSet

AT_COVERAGE = "error.at_coverage"
COLUMNS = {
    "AP, 95 % of arms": "accuracy.p95", "RP, 95 % of arms": "repeatability.p95",
    "orientation, 95 %": "orientation_error.p95",
}  # fmt: skip
MEANINGS = {
    "position": "At each pose this share of the errors of the tool point, over built arms and visits, lies within it.",
    "AP": "How far the mean of many visits lies from the command (ISO 9283), in 95 % of built arms.",
    "repeatability": "Radius about their mean within which the visits lie (ISO 9283), in this share of built arms.",
    "yield": "Share of built arms that keep to the requirement at every pose of the task.",
    "parts": "Causes that make most of the mean square error over the task, with what all arms share.",
    "price": "Of all sensors, fitted, in the cost units of the catalogue.",
}  # fmt: skip


@dataclass(frozen=True)
class Number:
    """A number of the answer: what it is, its text, what is required, whether it keeps to that."""

    name: str
    text: str
    wanted: str
    tone: Tone
    meaning: str


@dataclass(frozen=True, eq=False)
class Values:
    """Values over the poses of a task, in a unit to be read.

    Parameters
    ----------
    values : (poses,)
        nan what is not known yet.
    unit : str
    limit : float, optional
        What is required, in the unit.
    title : str
    """

    values: Array
    unit: str
    limit: float | None
    title: str


def stage(shown: Shown | None) -> str:
    """How much is known, in words."""
    if shown is None:
        return "working…"
    if not shown.answer.units:
        return "first order, no arm sampled yet"
    whole = shown.study.scenario.plan.units
    return f"{shown.answer.units} of {whole} arms sampled" if not shown.whole else f"{whole} arms sampled"


def numbers(shown: Shown, task: int) -> list[Number]:
    """Every criterion of a task beside its limit, AP, and the price."""
    scenario, judged = shown.study.scenario, shown.answer.judged
    out: list[Number] = []
    if judged:
        for own in judged[task].summary.judgements:
            tone, meaning = TONES[own.state], MEANINGS.get(own.criterion, "")
            out.append(Number(own.statistic, own.figure, own.shown_limit, tone, meaning))
        table = judged[task].table
        ap = table.column("accuracy.p95")
        at = int(np.argmax(ap))
        ends = table.column("accuracy.p95_interval")[at]
        interval = None if np.isnan(ends).any() else (float(ends[0]), float(ends[1]))
        out.insert(1, Number("AP, 95 % of arms", show_interval(float(ap[at]), interval), "", "plain", MEANINGS["AP"]))
        causes = largest_causes(judged[task].summary.causes)
        out.append(Number("largest parts", causes, "", "plain", MEANINGS["parts"]))
    else:
        required = required_at(scenario.requirement, scenario.tasks[task].name)
        for criterion in CRITERIA:
            if not criterion.shown(required, scenario.tasks[task].is_path):
                continue
            value = criterion.first_order(required, shown.answer.tables[task])
            text = "…" if value is None else f"≈ {show(value)}"
            out.append(Number(criterion.statistic(required), text, "", "plain", MEANINGS.get(criterion.name, "")))
        out.insert(1, Number("AP, 95 % of arms", "…", "", "plain", MEANINGS["AP"]))
        out.append(Number("largest parts", "…", "", "plain", MEANINGS["parts"]))
    out.append(Number("price", f"{scenario.machine.price:g}", "", "plain", MEANINGS["price"]))
    return out


def verdict(shown: Shown | None) -> tuple[str, Tone]:
    """Whether the requirement is met at every task, in words."""
    if shown is None or shown.study.scenario.requirement is None:
        return "", "plain"
    if not shown.answer.judged:
        return "to be sampled", "plain"
    state = state_of_all(shown.answer.judged)
    return f"requirement {state}", TONES[state]


def first_order(shown: Shown, task: int) -> Array:
    """Quantile of the error at every pose by first order, of a normal law, shape (poses,). [m]"""
    return first_order_quantile(shown.answer.tables[task], coverage_of(shown.study.scenario.requirement))


def columns(requirement: Requirement | None) -> dict[str, str]:
    """Columns of a table of poses by what they are called on the page; the errors at the coverage first."""
    return {f"{percent(coverage_of(requirement))} of errors": AT_COVERAGE, **COLUMNS}


def measures(arm: Arm, requirement: Requirement | None) -> list[str]:
    """What can be looked at over the poses."""
    return [*columns(requirement), *(f"share of {name}" for name in [*arm.groups, *arm.names, "links"])]


def values(shown: Shown, task: int, measure: str) -> Values:
    """A measure over the poses of a task."""
    table, required = shown.answer.tables[task], shown.study.scenario.requirement
    name = shown.study.scenario.tasks[task].name
    if measure.startswith("share of "):
        owner = measure.removeprefix("share of ")
        arm = shown.study.scenario.machine.arm
        members = arm.groups.get(owner, (owner,))
        mine = [n for n, (own, _) in enumerate(table.share_names) if own in members]
        part = table.contributions[:, mine].sum(axis=1)
        return Values(100.0 * part, "%", None, f"{name}: {measure} in the mean square error")
    limit = None
    path = columns(required)[measure]
    if path == AT_COVERAGE:
        column = table.column(path) if shown.answer.units else first_order(shown, task)
        limit = None if required is None else required.of(name).position
    else:
        column = table.column(path)
        limit = required.repeatability if measure.startswith("RP") and required is not None else None
    angular = measure.startswith("orientation")
    factor, unit = (1e6, "µrad") if angular else (1e6, "µm")
    scaled = np.asarray(column, dtype=float) * factor
    return Values(scaled, unit, None if limit is None else limit * factor, f"{name}: {measure}")


def shares(shown: Shown, task: int, pose: int | None) -> list[tuple[str, str, float]]:
    """Owner, cause and share in the mean square error, at a pose or over all of a task, the largest first."""
    table = shown.answer.tables[task]
    parts = table.over_task(table.contributions) if pose is None else table.contributions[pose]
    rows = [(owner, cause, float(share)) for (owner, cause), share in zip(table.share_names, parts, strict=True)]
    return sorted((row for row in rows if abs(row[2]) > 1e-4), key=lambda row: -row[2])


def worst_pose(shown: Shown, task: int) -> int:
    """Number of the pose with the largest error of a task."""
    if shown.answer.judged:
        return shown.answer.judged[task].worst
    return int(np.argmax(first_order(shown, task)))


def of_pose(shown: Shown, task: int, pose: int) -> list[tuple[str, str]]:
    """Numbers of one pose."""
    table = shown.answer.tables[task]
    x, y, z = (round(value) + 0 for value in (1e3 * table.column("position")[pose]).tolist())
    rows = [("tool point", f"{x}, {y}, {z} mm")]
    for name, path in columns(shown.study.scenario.requirement).items():
        value = float(table.column(path)[pose]) if shown.answer.units else float("nan")
        if path == AT_COVERAGE and not shown.answer.units:
            rows.append((name, f"≈ {show(float(first_order(shown, task)[pose]))}"))
        elif not np.isnan(value):
            rows.append((name, show(value, "rad" if path.startswith("orientation") else "m")))
    near = float(table.column("conditioning")[pose]) < NEAR_SINGULAR
    return [*rows, ("posture", "near-singular" if near else "well conditioned")]


@dataclass(frozen=True, eq=False)
class Posture:
    """The arm at a pose: its line [m], and the ellipsoid of 95 % of normal errors about the tool point.

    Parameters
    ----------
    points : (n, 3) [m]
    semi_axes : (3,) [m]
    directions : (3, 3)
        Rows: directions of the semi-axes, right-handed.
    """

    points: Array
    semi_axes: Array
    directions: Array


def posture(shown: Shown, poses: PoseSet, task: int, pose: int) -> Posture:
    """Of a pose."""
    arm: Arm = shown.study.scenario.machine.arm
    points = arm.postures(poses.configurations.joints[pose : pose + 1]).points[0]
    table = shown.answer.tables[task]
    column = "error.covariance" if shown.answer.units else "first_order.covariance"
    axes, directions = ellipsoids(np.asarray(table.column(column)[pose]))
    rows: Array = np.array(directions)
    if np.linalg.det(rows) < 0:
        rows[2] = -rows[2]
    return Posture(points, np.asarray(axes), rows)


def plain(value: Any) -> Any:
    """Numbers for a chart, nan as nothing."""
    if isinstance(value, np.ndarray):
        return [plain(own) for own in value.tolist()]
    if isinstance(value, list):
        return [plain(own) for own in value]
    return None if isinstance(value, float) and value != value else value
