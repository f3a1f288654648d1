"""View model of the page: numbers with intervals, values over the poses, contributions, the posture of the arm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.criteria import CRITERIA, first_order_quantile, smallest_limit
from armsim.explorer.snapshot import Pinned, Snapshot
from armsim.formatting import Kind, Unit, percent, show, show_interval
from armsim.glossary import sentence
from armsim.model.arm import Arm
from armsim.report.document import Tone
from armsim.report.frame import Column, Frame, lengths, words
from armsim.report.verdict import TONES, largest_causes
from armsim.requirement import Judgement, deciding_judgement, overall_verdict
from armsim.requirement.requirement import Requirement, coverage_of, required_at
from armsim.results import NEAR_SINGULAR
from armsim.results.ellipsoids import ellipsoids
from armsim.scenario import Scenario
from armsim.tasks import PoseSet

COST_UNITS = Unit("cost units", 1.0)
AP = "AP, 95 % of arms"


@dataclass(frozen=True)
class Measure:
    """What is shown over the poses: a column of the table of poses, a length or an angle, or the share of an owner."""

    path: str = ""
    kind: Kind = "m"
    owner: str = ""


AT_COVERAGE = Measure("error.at_coverage")
COLUMNS = {AP: Measure("accuracy.p95"), "RP, 95 % of arms": Measure("repeatability.p95")}
MEANINGS = {
    **{criterion.name: criterion.meaning for criterion in CRITERIA},
    "AP": sentence("AP"), "parts": sentence("share"),
    "price": "Price of all sensors, mounted, in the cost units of the catalogue.",
}  # fmt: skip


@dataclass(frozen=True)
class Number:
    """A number on the page.

    Parameters
    ----------
    name, text : str
    limit : str
        Its limit, as it stands behind the number: "of 120 µm"; empty if nothing is required.
    tone : Tone
        Colour by its state.
    meaning : str
    pose_or_task : str
        Pose at which it is worst.
    utilisation : float
        Value over limit, or limit over value for a least value; 0 where nothing is required.
    path, limit_text : str
        Path of its limit in the scenario, and the limit as a file states it; empty where nothing is required.
    """

    name: str
    text: str
    limit: str = ""
    tone: Tone = "plain"
    meaning: str = ""
    pose_or_task: str = ""
    utilisation: float = 0.0
    path: str = ""
    limit_text: str = ""


@dataclass(frozen=True, eq=False)
class Values:
    """Values over the poses of a task, in a display unit.

    Parameters
    ----------
    values : (poses,)
        nan where not yet sampled.
    unit : str
    limit : float, optional
        Limit of the requirement, in the unit.
    title : str
    """

    values: Array
    unit: str
    limit: float | None
    title: str


def stage(snapshot: Snapshot | None, fault: str) -> str:
    """Stage of the computation in words: first order, number of arms sampled, or what went wrong."""
    if fault:
        return f"not evaluated: {fault}"
    if snapshot is None:
        return "working…"
    if not snapshot.answer.units:
        return "first order, no arm sampled yet"
    units = snapshot.study.scenario.plan.units
    return f"{snapshot.answer.units} of {units} arms sampled" if not snapshot.complete else f"{units} arms sampled"


def limit_of(judgement: Judgement) -> str:
    """Text of the limit of a criterion, shown after its figure; empty if nothing is required."""
    least = "at least " if judgement.at_least else ""
    return f"of {least}{judgement.limit_text}" if judgement.limit is not None else ""


def limit_path(scenario: Scenario, task: str, judgement: Judgement) -> str:
    """Path of the limit of a criterion in the scenario: of the task where that states it; empty where none is."""
    if judgement.limit is None or scenario.requirement is None:
        return ""
    of_task, key = scenario.requirement.tasks.get(task), judgement.criterion.replace(" ", "_")
    field = "yield_" if key == "yield" else key
    if not hasattr(scenario.requirement, field):
        return ""
    prefix = f"tasks.{task}." if getattr(of_task, field, None) is not None else ""
    return f"{prefix}requirement.{key}"


def figure_of(judgement: Judgement) -> str:
    """Figure of a criterion with its limit: "119 µm (117 to 121) of 100 µm"."""
    return f"{judgement.figure} {limit_of(judgement)}".strip()


def numbers(snapshot: Snapshot, task: int) -> list[Number]:
    """Numbers of a task: every criterion with its limit, AP, the largest contributions, and the price."""
    scenario, assessed_tasks = snapshot.study.scenario, snapshot.answer.assessed_tasks
    out: list[Number] = []
    if assessed_tasks:
        for judgement in assessed_tasks[task].summary.judgements:
            tone, meaning = TONES[judgement.state], MEANINGS[judgement.criterion]
            figure, limit, utilisation = judgement.figure, limit_of(judgement), judgement.utilisation
            path = limit_path(scenario, assessed_tasks[task].name, judgement)
            limit_text = judgement.limit_text.replace("µ", "u") if path else ""
            pose = judgement.where
            out.append(Number(judgement.statistic, figure, limit, tone, meaning, pose, utilisation, path, limit_text))
        table = assessed_tasks[task].table
        ap = table.column("accuracy.p95")
        worst_pose = int(np.argmax(ap))
        ends = table.column("accuracy.p95_interval")[worst_pose]
        interval = None if np.isnan(ends).any() else (float(ends[0]), float(ends[1]))
        out.insert(1, Number(AP, show_interval(float(ap[worst_pose]), interval), meaning=MEANINGS["AP"]))
        causes = largest_causes(assessed_tasks[task].summary.causes)
        out.append(Number("largest parts", causes, meaning=MEANINGS["parts"]))
    else:
        required = required_at(scenario.requirement, scenario.tasks[task].name)
        for criterion in CRITERIA:
            if not criterion.applies(required, scenario.tasks[task].is_path):
                continue
            value = criterion.first_order(required, snapshot.answer.tables[task])
            figure = "…" if value is None else f"≈ {show(value)}"
            out.append(Number(criterion.statistic(required), figure, meaning=MEANINGS[criterion.name]))
        out.insert(1, Number(AP, "…", meaning=MEANINGS["AP"]))
        out.append(Number("largest parts", "…", meaning=MEANINGS["parts"]))
    out.append(Number("price", f"{scenario.machine.price:g} cost units", meaning=MEANINGS["price"]))
    return out


def verdict(snapshot: Snapshot | None) -> tuple[str, Tone]:
    """State of the requirement over all tasks, with the figure that decides and its limit, and its colour.

    "not met: 95 % of errors 119 µm of 100 µm at the side view"; empty if nothing is required.
    """
    if snapshot is None or snapshot.study.scenario.requirement is None:
        return "", "plain"
    answer = snapshot.answer
    if not answer.assessed_tasks:
        return "to be sampled", "plain"
    names = {id(judgement): task.name for task in answer.assessed_tasks for judgement in task.summary.judgements}
    of_tasks = [judgement for task in answer.assessed_tasks for judgement in task.summary.judgements]
    judgements = [*of_tasks, *answer.joints]
    state, decisive = overall_verdict(judgements), deciding_judgement(judgements)
    pose_or_task = names.get(id(decisive)) or decisive.where
    return f"{state}: {decisive.statistic} {figure_of(decisive)} at {pose_or_task}", TONES[state]


def task_lines(snapshot: Snapshot | None) -> list[tuple[str, Tone]]:
    """Deciding figure of every task with its limit, and the colour of its state."""
    if snapshot is None or not snapshot.answer.assessed_tasks:
        return []
    out: list[tuple[str, Tone]] = []
    for task in snapshot.answer.assessed_tasks:
        judgements = task.summary.judgements
        out.append((figure_of(deciding_judgement(judgements)), TONES[overall_verdict(judgements)]))
    return out


def first_order(snapshot: Snapshot, task: int) -> Array:
    """First-order quantile of the error at every pose.

    Returns
    -------
    (poses,)
        Error at the coverage of the requirement, of a normal distribution. [m]
    """
    return first_order_quantile(snapshot.answer.tables[task], coverage_of(snapshot.study.scenario.requirement))


def columns(requirement: Requirement | None) -> dict[str, Measure]:
    """Columns of the pose table by their name on the page; the error at the coverage comes first."""
    coverage = percent(coverage_of(requirement))
    turned = {f"orientation, {coverage}": Measure("orientation_error.at_coverage", "rad")}
    return {f"{coverage} of errors": AT_COVERAGE, **COLUMNS, **turned}


def measures(arm: Arm, requirement: Requirement | None) -> dict[str, Measure]:
    """All measures that can be shown over the poses, by their name on the page."""
    owners = [*arm.groups, *arm.names, "links"]
    return {**columns(requirement), **{f"share of {name}": Measure(owner=name) for name in owners}}


def values(snapshot: Snapshot, task: int, title: str) -> Values:
    """Values of a measure, by its name on the page, over the poses of a task."""
    scenario, table = snapshot.study.scenario, snapshot.answer.tables[task]
    name, arm, required = scenario.tasks[task].name, scenario.machine.arm, scenario.requirement
    measure = measures(arm, required)[title]
    if measure.owner:
        members = arm.groups.get(measure.owner, (measure.owner,))
        columns_of_owner = [n for n, (part_owner, _) in enumerate(table.share_names) if part_owner in members]
        share = table.contributions[:, columns_of_owner].sum(axis=1)
        return Values(100.0 * share, "%", None, f"{name}: {title} in the mean square error")
    first = measure == AT_COVERAGE and not snapshot.answer.units
    column = first_order(snapshot, task) if first else table.column(measure.path)
    limit = smallest_limit(required_at(required, name), scenario.tasks[task].is_path, measure.path.rpartition(".")[0])
    scaled, unit = 1e6 * np.asarray(column, dtype=float), {"m": "µm", "rad": "µrad"}[measure.kind]
    return Values(scaled, unit, None if limit is None else 1e6 * limit, f"{name}: {title}")


def shares(snapshot: Snapshot, task: int, pose: int | None) -> list[tuple[str, str, float]]:
    """Shares in the mean square error at a pose, or over a task where ``pose`` is None.

    Returns
    -------
    list of (owner, cause, share)
        Largest first.
    """
    table = snapshot.answer.tables[task]
    parts = table.mean_over_task(table.contributions) if pose is None else table.contributions[pose]
    rows = [(owner, cause, float(share)) for (owner, cause), share in zip(table.share_names, parts, strict=True)]
    return sorted((row for row in rows if abs(row[2]) > 1e-4), key=lambda row: -row[2])


def worst_pose(snapshot: Snapshot, task: int) -> int:
    """Number of the pose with the largest error in a task."""
    if snapshot.answer.assessed_tasks:
        return snapshot.answer.assessed_tasks[task].worst
    return int(np.argmax(first_order(snapshot, task)))


def pose_frame(snapshot: Snapshot, task: int, pose: int) -> Frame:
    """Figures at one pose: lengths in one unit and number of decimals, angles likewise."""
    table = snapshot.answer.tables[task]
    x, y, z = (round(value) + 0 for value in (1e3 * table.column("position")[pose]).tolist())
    by_kind: dict[Kind, dict[str, float]] = {"m": {}, "rad": {}}
    is_sampled = bool(snapshot.answer.units)
    for name, measure in columns(snapshot.study.scenario.requirement).items():
        value = float(table.column(measure.path)[pose]) if is_sampled else float("nan")
        if measure == AT_COVERAGE and not is_sampled:
            value = float(first_order(snapshot, task)[pose])
        if not np.isnan(value):
            by_kind[measure.kind][name] = value
    names, texts = ["tool point"], [f"{x}, {y}, {z} mm"]
    for kind, values in by_kind.items():
        names += values
        cells = lengths("value", list(values.values()), kind=kind).with_units
        texts += cells if is_sampled else [f"≈ {cell}" for cell in cells]
    near_singular = float(table.column("conditioning")[pose]) < NEAR_SINGULAR
    posture_text = "near-singular" if near_singular else "well conditioned"
    return Frame((words("figure", [*names, "posture"]), words("value", [*texts, posture_text])), table.names[pose])


def pins_frame(pinned: Sequence[Pinned], current: str) -> Frame:
    """Pinned designs: name, requirement, price; a mark on the one with the key ``current``, which is shown."""
    prices = [pin.step.study.scenario.machine.price for pin in pinned]
    return Frame(
        (
            words("design", [f"{pin.name}{' ●' if pin.key == current else ''}" for pin in pinned]),
            words("requirement", [verdict(pin.snapshot)[0] for pin in pinned]),
            Column("price", tuple(prices), unit=COST_UNITS),
        ),
        "pinned designs",
    )


@dataclass(frozen=True, eq=False)
class Posture:
    """The arm at a pose: points along its links, and the ellipsoid of 95 % of normal errors about the tool point.

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


def posture(snapshot: Snapshot, poses: PoseSet, task: int, pose: int) -> Posture:
    """Posture of the arm and error ellipsoid at a pose, in the base frame."""
    arm: Arm = snapshot.study.scenario.machine.arm
    points = arm.postures(poses.configurations.joints[pose : pose + 1]).points[0]
    table = snapshot.answer.tables[task]
    column = "error.covariance" if snapshot.answer.units else "first_order.covariance"
    axes, directions = ellipsoids(np.asarray(table.column(column)[pose]))
    rows: Array = np.array(directions)
    if np.linalg.det(rows) < 0:
        rows[2] = -rows[2]
    return Posture(points, np.asarray(axes), rows)


def plain(value: Any) -> Any:
    """Convert an array to lists for JSON, nan to None."""
    if isinstance(value, np.ndarray):
        return [plain(item) for item in value.tolist()]
    if isinstance(value, list):
        return [plain(item) for item in value]
    return None if isinstance(value, float) and value != value else value
