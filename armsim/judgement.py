"""What the samples of a task say: measures over its poses, the summary, the verdict."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from armsim.documents import Scenario
from armsim.engine import measures
from armsim.engine import statistics as stats
from armsim.engine.pose import share_names
from armsim.engine.run import TaskSample
from armsim.engine.work import Job, once_more
from armsim.posetable import BIAS, VERDICTS, PoseTable, vector
from armsim.present import apart, percent, show
from armsim.results import (
    NEAR_SINGULAR,
    Distribution,
    Measure,
    Requirement,
    Reversal,
    Summary,
    TaskResult,
    Unreachable,
    Within,
    Yield,
    YieldCurve,
)
from armsim.shapes import Wave
from armsim.spreads import Array
from armsim.tasks import PoseSet, Task

CURVE = np.linspace(0.0, 1.0, 201)
"""Probabilities at which the distribution over units is kept."""
NAMED = ("poses", "iso-poses", "path")
"""Kinds of task whose poses must all be reached."""
MOST_DIRECTIONS = 24
"""Poses of a task, at most, at which it is tried from several directions."""
YIELD_POINTS = 101
"""Positions, at most, at which the yield is told, spread over the units."""
PER_PERIOD = 4
"""Points that a period of a wave takes to be drawn along a path."""


@dataclass(frozen=True, eq=False)
class Judged:
    """What decides at a task: its name, the rows of its poses, the number of the worst, the summary."""

    name: str
    table: PoseTable
    worst: int
    summary: Summary


def judge(scenario: Scenario, task: Task, poses: PoseSet, sample: TaskSample) -> Judged:
    """The verdict on a task, without the measures and curves that only a reader asks for."""
    table = PoseTable(poses.names, share_names(scenario.machine), sample.values)
    if poses.along is not None:
        table.columns["along"][:, 0] = poses.along
    worst = int(np.argmax(table.column("error.at_coverage")))
    return Judged(
        task.name, table, worst, _summary(scenario, task.kind, poses.unreachable, table, worst, sample.passing)
    )


def task_result(
    scenario: Scenario, job: Job, task: Task, poses: PoseSet, number: int, sample: TaskSample
) -> TaskResult:
    """Everything that is known of a task."""
    machine = scenario.machine
    judged = judge(scenario, task, poses, sample)
    table, worst = judged.table, judged.worst
    accuracy, repeatability = once_more(job, number, worst, poses.places)
    ap, rp = np.sort(accuracy), np.sort(repeatability)
    distribution = Distribution(
        poses.names[worst],
        tuple(CURVE.tolist()),
        tuple(stats.quantile(ap, p) for p in CURVE),
        tuple(stats.quantile(rp, p) for p in CURVE) if job.plan.visits > 1 else None,
    )
    skeleton = machine.arm.postures(poses.places.joints[worst : worst + 1]).points[0]
    close = np.flatnonzero(table.column("conditioning") < NEAR_SINGULAR)
    return TaskResult(
        name=task.name,
        kind=task.kind,
        poses=table,
        unreachable=poses.unreachable,
        summary=judged.summary,
        distribution=distribution,
        skeleton=tuple(vector(point) for point in skeleton),
        measures=tuple(_measures(job, task, poses, number, sample)),
        near_singular=tuple(poses.names[n] for n in close),
        reversals=tuple(_reversals(machine.arm.names, poses)),
        grid=poses.grid,
        notes=tuple(_notes(job, poses)),
        maps=poses.maps,
        yield_curve=_yield_curve(scenario.requirement, sample.worst),
    )


def _yield_curve(requirement: Requirement | None, worst: Array) -> YieldCurve:
    """``worst`` holds the largest AP and RP of every unit over the poses, shape (2, units)."""
    accuracy, repeatability = worst
    limit = None if requirement is None else requirement.repeatability
    fit = accuracy if limit is None else accuracy[repeatability <= limit]
    ordered, units = np.sort(fit), len(accuracy)
    asked = [] if requirement is None else [requirement.position]
    steps = np.quantile(accuracy, np.linspace(0.0, 1.0, YIELD_POINTS))
    position = np.unique(np.concatenate([steps, asked, [1.1 * max([float(steps[-1]), *asked])]]))
    passed = np.searchsorted(ordered, position, side="right")
    low, high = np.array([stats.clopper_pearson(int(count), units) for count in passed]).T
    columns = (position, passed / units, low, high)
    at, share, least, most = (tuple(column.tolist()) for column in columns)
    return YieldCurve(at, share, least, most, len(fit) / units)


def _measures(job: Job, task: Task, poses: PoseSet, number: int, sample: TaskSample) -> list[Measure]:
    """AT and RT of a path; of other tasks the largest AP and RP, and the measures of few poses."""
    out: list[Measure] = []
    several = job.plan.visits > 1
    if poses.places.directions is not None:
        out.append(measures.measure("AT", "path accuracy", "8.2", "whole path", sample.worst[0]))
        if several:
            out.append(measures.measure("RT", "path repeatability", "8.3", "whole path", sample.worst[1]))
        return out
    out.append(measures.measure("AP", "largest pose accuracy of a unit", "7.2.1", "all poses", sample.worst[0]))
    if several:
        out.append(
            measures.measure("RP", "largest pose repeatability of a unit", "7.2.2", "all poses", sample.worst[1])
        )
    for pair in poses.pairs:
        where = " to ".join(poses.names[n] for n in pair)
        accuracy, repeatability = measures.distance(job, number, poses.places, pair)
        out.append(measures.measure("AD", "distance accuracy", "7.3.2", where, accuracy))
        if several:
            out.append(measures.measure("RD", "distance repeatability", "7.3.3", where, repeatability))
    directed = any(term.name.endswith("reversal") and term.life == "visit" for term in job.machine.terms)
    if task.kind in ("poses", "iso-poses") and directed and len(poses.names) <= MOST_DIRECTIONS:
        for pose, name in enumerate(poses.names):
            varied = measures.direction_variation(job, number, poses.places, pose)
            out.append(measures.measure("vAP", "multi-directional pose accuracy variation", "7.2.3", name, varied))
    return out


def _reversals(joints: Sequence[str], poses: PoseSet) -> list[Reversal]:
    ways = poses.places.directions
    if poses.along is None or ways is None:
        return []
    turned = np.argwhere(ways[1:] * ways[:-1] < 0)
    return [Reversal(joints[joint], float(poses.along[point + 1])) for point, joint in turned]


def _notes(job: Job, poses: PoseSet) -> list[str]:
    """Waves whose ripple along a path is finer than its points."""
    if poses.along is None or poses.places.speeds is None or len(poses.along) < 2:
        return []
    length = np.diff(poses.along)
    forward = length > 0  # where only joints turn, nothing lies along the path
    if not forward.any():
        return []
    step = float(length.max())
    rate = np.abs(np.diff(poses.places.joints, axis=0)[forward] / length[forward, None]).max(axis=0)
    finest, causes, joints = math.inf, set(), []
    for name, speed in zip(job.machine.arm.names, rate, strict=True):
        orders = {
            abs(act.shape.order): term.cause
            for term in job.machine.terms
            for act in term.acts
            if act.axis.joint == name and act.axis.parameter == "q" and isinstance(act.shape, Wave)
        }
        fine = {order: cause for order, cause in orders.items() if order * speed * step * PER_PERIOD > 2 * math.pi}
        if fine:
            finest = min(finest, 2 * math.pi / (max(fine) * float(speed)))
            causes |= set(fine.values())
            joints.append(name)
    if not joints:
        return []
    return [
        f"{', '.join(sorted(causes))} of {', '.join(joints)} ripple with periods down to {show(finest)} of the path, "
        f"points are {show(step)} apart: their size is right at every point, their ripple between points is not drawn"
    ]


def _summary(
    scenario: Scenario,
    kind: str,
    unreachable: tuple[Unreachable, ...],
    poses: PoseTable,
    worst: int,
    passing: np.ndarray,
) -> Summary:
    requirement = scenario.requirement
    top = poses[worst]
    rp = poses.column("repeatability.p95")
    groups: dict[str, float] = {}
    causes: dict[str, float] = {}
    # over all poses, each counts by its mean square error
    weight = poses.column("first_order.rms") ** 2
    total = float(weight.sum())
    parts = weight @ poses.columns["shares"] / total if total else np.zeros(len(poses.share_names))
    for (owner, cause), share in zip(poses.share_names, parts.tolist(), strict=True):
        if (owner, cause) != BIAS:
            group = scenario.machine.arm.group_of(owner)
            groups[group] = groups.get(group, 0.0) + share
            causes[cause] = causes.get(cause, 0.0) + share
    bias = float(parts[-1])
    visits = float(weight @ poses.column("visit_share")) / total if total else 0.0
    verdicts = poses.columns["first_order.validation"][:, 4].astype(int)
    agrees: dict[str, int] = {verdict: int(np.count_nonzero(verdicts == code)) for code, verdict in enumerate(VERDICTS)}
    judged: Yield | None = None
    within: Within | None = None
    reasons: list[str] = []
    if requirement is not None:
        passed = int(np.count_nonzero(passing))
        units = len(passing)
        judged = Yield(passed / units, stats.clopper_pearson(passed, units), passed, units)
        worst_error = top.error.at_coverage
        within = _within(poses, requirement)
        if worst_error > requirement.position:
            found, asked = apart(worst_error, requirement.position, show)
            coverage = percent(requirement.coverage)
            reasons.append(f"{coverage} of errors lie within {found} at {top.name}, required {asked}")
        if requirement.repeatability is not None and requirement.yield_ is None:
            # without a yield to reach, the usual share of units must hold the repeatability
            loosest = int(np.argmax(rp))
            if float(rp[loosest]) > requirement.repeatability:
                found, asked = apart(float(rp[loosest]), requirement.repeatability, show)
                reasons.append(f"RP of 95 % of units up to {found} at {poses.names[loosest]}, required {asked}")
        if kind in NAMED and unreachable:
            reasons.append(f"{_some(unreachable)} cannot be reached")
        if requirement.yield_ is not None and judged.value < requirement.yield_:
            found, asked = apart(judged.value, requirement.yield_, percent)
            reasons.append(f"yield {found}, required {asked}")
    return Summary(
        p95=top.error.p95,
        p95_interval=top.error.p95_interval,
        worst_pose=top.name,
        at_coverage=top.error.at_coverage,
        repeatability_p95=None if np.isnan(rp[0]) else float(rp.max()),
        groups={**groups, "bias": bias},
        causes={**causes, "bias": bias},
        lives={"unit": (1.0 - visits - bias) if total else 0.0, "visit": visits, "bias": bias},
        first_order_agrees=agrees,
        yield_=judged,
        met=None if requirement is None else not reasons,
        reasons=tuple(reasons),
        within=within,
    )


def _within(poses: PoseTable, requirement: Requirement) -> Within:
    values, ends = poses.column("error.at_coverage"), poses.columns["error.at_coverage_interval"]
    low, high = (np.where(np.isnan(end), values, end) for end in ends.T)
    share, certain, possible = (float(np.mean(x <= requirement.position)) for x in (values, high, low))
    return Within(share, (certain, possible))


def _some(unreachable: tuple[Unreachable, ...], most: int = 5) -> str:
    named = ", ".join(point.name for point in unreachable[:most])
    return named if len(unreachable) <= most else f"{named} and {len(unreachable) - most} more"
