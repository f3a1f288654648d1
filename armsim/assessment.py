"""Assessment of the samples of a task: measures over its poses, summary, verdict."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from armsim.criteria import (
    POSITION_CRITERION,
    Evidence,
    finite_or_none,
    half_width_of_rp,
    judge_task,
    largest_interval,
    passing_units,
    share_of_passing,
    smallest_limit,
    yield_of,
)
from armsim.errormodel.shapes import Wave
from armsim.formatting import show
from armsim.model.configurations import ToolConstraint
from armsim.requirement import Verdict, overall_verdict, share_digits
from armsim.requirement.requirement import ISO_CYCLES, Requirement, coverage_of, required_at
from armsim.results import (
    NEAR_SINGULAR,
    Acceptance,
    Contribution,
    Measure,
    PosesWithinLimit,
    Reversal,
    Summary,
    TaskResult,
    UnitDistribution,
    YieldCurve,
)
from armsim.results.figure import Figure
from armsim.results.pose_table import PoseTable
from armsim.results.poses import BIAS, VERDICTS, Interval, UnitQuantiles, vector
from armsim.run_options import CheckStop, never_stop
from armsim.sampling import measures
from armsim.sampling import statistics as stats
from armsim.sampling.acceptance import simulate_test
from armsim.sampling.chunk import RunSpec, unit_statistics_at
from armsim.sampling.deflections import deflection_at
from armsim.sampling.operation_limits import limit_names
from armsim.sampling.population import TaskSample
from armsim.sampling.pose_statistics import share_names
from armsim.scenario import Scenario
from armsim.tasks import PoseSet, Task
from armsim.tasks.base import name_key

STORED_PROBABILITIES = np.linspace(0.0, 1.0, 201)
"""Probabilities at which the distribution over units is stored."""
MOST_TESTED_POSES = 24
"""Most poses of a task for which an acceptance test covers all poses."""
YIELD_POINTS = 101
"""Most positions of the yield curve, spread over the units."""
POINTS_PER_PERIOD = 4
"""Points per period from which a wave is resolved along a path."""


@dataclass(frozen=True, eq=False)
class AssessedTask:
    """Judgement of a task: name, table of poses, number of the worst pose, summary."""

    name: str
    table: PoseTable
    worst: int
    summary: Summary

    @property
    def interval(self) -> Interval | None:
        """Interval of the largest quantile at the coverage. [m]"""
        return self.summary.at_coverage_interval


def judge(scenario: Scenario, task: Task, poses: PoseSet, sample: TaskSample) -> AssessedTask:
    """Judge a task, without the measures and curves of a full result."""
    table = PoseTable(poses.names, share_names(scenario.machine), sample.rows)
    if poses.along is not None:
        table.column("along")[:] = poses.along
    worst = int(np.argmax(table.column("error.at_coverage")))
    return AssessedTask(task.name, table, worst, _summary(scenario, task, poses, table, worst, sample))


def judge_all(
    scenario: Scenario, pose_sets: Sequence[PoseSet], samples: Sequence[TaskSample]
) -> tuple[AssessedTask, ...]:
    """Judge all tasks; the figures of a criterion share unit and decimals."""
    rows = zip(scenario.tasks, pose_sets, samples, strict=True)
    assessed_tasks = [judge(scenario, *row) for row in rows]
    summaries = with_shared_digits([assessed.summary for assessed in assessed_tasks])
    return tuple(
        replace(assessed, summary=summary) for assessed, summary in zip(assessed_tasks, summaries, strict=True)
    )


def overall_verdict_of(assessed_tasks: Sequence[AssessedTask]) -> Verdict:
    """Worst verdict over tasks."""
    return overall_verdict(judgement for assessed in assessed_tasks for judgement in assessed.summary.judgements)


def with_shared_digits(summaries: Sequence[Summary]) -> list[Summary]:
    """Summaries of tasks with unit and decimals shared within a table."""
    shared = share_digits([summary.judgements for summary in summaries])
    return [replace(summary, judgements=judgements) for summary, judgements in zip(summaries, shared, strict=True)]


def task_result(
    scenario: Scenario,
    spec: RunSpec,
    task: Task,
    poses: PoseSet,
    sample: TaskSample,
    check_stop: CheckStop = never_stop,
) -> TaskResult:
    """Complete result of a task; ``check_stop`` is called between its parts, as `CheckStop`."""
    check_stop()
    machine, required = scenario.machine, required_at(scenario.requirement, task.name)
    assessed = judge(scenario, task, poses, sample)
    table, worst = assessed.table, assessed.worst
    ap, rp, *_ = np.sort(unit_statistics_at(spec, worst, poses.configurations)[0], axis=1)
    distribution = UnitDistribution(
        poses.names[worst],
        tuple(STORED_PROBABILITIES.tolist()),
        tuple(stats.quantile(ap, p) for p in STORED_PROBABILITIES),
        tuple(stats.quantile(rp, p) for p in STORED_PROBABILITIES),
    )
    moving = [motion for motion in machine.arm.motions if motion.moves]
    skeleton = machine.arm.postures(poses.configurations.joints[worst : worst + 1]).points[0]
    close = np.flatnonzero(table.column("conditioning") < NEAR_SINGULAR)
    return TaskResult(
        name=task.name,
        kind=task.kind,
        poses=table,
        unreachable=poses.unreachable,
        summary=assessed.summary,
        distribution=distribution,
        skeleton=tuple(vector(point) for point in skeleton),
        skeleton_joints=tuple(number for number, motion in enumerate(moving, start=1) if motion.joint is not None),
        deflection=deflection_at(machine, poses.names[worst], poses.configurations.joints[worst]),
        measures=tuple(_measures(spec, task, poses, table, sample)),
        near_singular=tuple(poses.names[n] for n in close),
        reversals=tuple(_reversals(machine.arm.names, poses)),
        grid=poses.grid,
        notes=tuple(_notes(spec, poses)),
        maps=poses.maps,
        yield_curve=_yield_curve(required, poses.configurations.is_path, sample),
        acceptance=_acceptance(required, spec, poses, table, name_key(f"test of {task.name}"), check_stop),
    )


def _yield_curve(requirement: Requirement | None, path: bool, sample: TaskSample) -> YieldCurve:
    accuracy = sample.worst[0]
    passes_others = passing_units(
        requirement, path, sample.extremes, sample.within_operation, left_out=POSITION_CRITERION.name
    )[0]
    passing_accuracy = accuracy if requirement is None else accuracy[passes_others]
    ordered, units = np.sort(passing_accuracy), len(accuracy)
    limit = POSITION_CRITERION.limit_at(requirement, path)
    limits = [] if limit is None else [limit]
    steps = np.quantile(accuracy, np.linspace(0.0, 1.0, YIELD_POINTS))
    position = np.unique(np.concatenate([steps, limits, [1.1 * max([float(steps[-1]), *limits])]]))
    passed = np.searchsorted(ordered, position, side="right")
    low, high = np.array([stats.clopper_pearson(int(count), units) for count in passed]).T
    columns = (position, passed / units, low, high)
    limits_of_curve, share, low_share, high_share = (tuple(column.tolist()) for column in columns)
    return YieldCurve(limits_of_curve, share, low_share, high_share, len(passing_accuracy) / units)


def _measures(spec: RunSpec, task: Task, poses: PoseSet, table: PoseTable, sample: TaskSample) -> list[Measure]:
    """Measures of a task: AT and RT of a path; otherwise largest AP and RP, and measures between few poses."""
    out: list[Measure] = []
    accuracy, repeatability = sample.worst[:2]
    half_width = half_width_of_rp(table)
    if poses.configurations.is_path:
        out.append(measures.measure("AT", "path accuracy", "8.2", "whole path", accuracy))
        out.append(measures.measure("RT", "path repeatability", "8.3", "whole path", repeatability, half_width))
        return out
    out.append(measures.measure("AP", "largest pose accuracy of an arm", "7.2.1", "all poses", accuracy))
    out.append(
        measures.measure("RP", "largest pose repeatability of an arm", "7.2.2", "all poses", repeatability, half_width)
    )
    for pair in poses.pairs:
        pose_names = " to ".join(poses.names[n] for n in pair)
        between, scatter = measures.distance_measures(spec, poses.configurations, pair)
        out.append(measures.measure("AD", "distance accuracy", "7.3.2", pose_names, between))
        out.append(measures.measure("RD", "distance repeatability", "7.3.3", pose_names, scatter))
    depends_on_direction = any(term.cause.by_direction and term.life == "visit" for term in spec.machine.terms)
    varied_poses = task.poses_of_varied_direction(poses.names) if depends_on_direction else []
    constraints: list[ToolConstraint] = [
        poses.constraints[pose] if poses.constraints else "full" for pose in varied_poses
    ]
    meaning = "multi-directional pose accuracy variation"
    for pose, varied in zip(
        varied_poses, measures.direction_variation(spec, poses.configurations, varied_poses, constraints), strict=True
    ):
        out.append(measures.measure("vAP", meaning, "7.2.3", poses.names[pose], varied))
    return out


def _acceptance(
    requirement: Requirement | None,
    spec: RunSpec,
    poses: PoseSet,
    table: PoseTable,
    task: int,
    check_stop: CheckStop,
) -> Acceptance | None:
    """Acceptance test at all poses of a small task, else at the worst poses for AP and RP; none on a path."""
    if poses.configurations.is_path:
        return None
    numbers = list(range(len(poses.names)))
    if poses.grid is not None or len(numbers) > MOST_TESTED_POSES:
        numbers = sorted({int(np.argmax(table.column(f"{which}.p95"))) for which in ("accuracy", "repeatability")})
    cycles = ISO_CYCLES if requirement is None else requirement.test_cycles
    tested = simulate_test(spec, task, poses.configurations, numbers, cycles, check_stop)
    accuracy, repeatability = (
        UnitQuantiles(p50.value, p95.value, p50.interval, p95.interval)
        for p50, p95 in (stats.unit_quantiles(figures.max(axis=0), (0.5, 0.95)) for figures in tested.reported)
    )
    names = tuple(poses.names[n] for n in numbers)
    if requirement is None:
        return Acceptance(cycles, names, accuracy, repeatability)
    figures_of_arm = (Figure.ACCURACY, Figure.REPEATABILITY)
    passed, within_limits = tested.passing_and_conforming(
        *(smallest_limit(requirement, False, figure.column) for figure in figures_of_arm)
    )
    share = share_of_passing(passed)
    rejected, accepted = float(np.mean(within_limits & ~passed)), float(np.mean(~within_limits & passed))
    return Acceptance(cycles, names, accuracy, repeatability, share, rejected, accepted)


def _reversals(joints: Sequence[str], poses: PoseSet) -> list[Reversal]:
    directions = poses.configurations.directions
    if poses.along is None or directions is None:
        return []
    reversals = np.argwhere(directions[1:] * directions[:-1] < 0)
    return [Reversal(joints[joint], float(poses.along[point + 1])) for point, joint in reversals]


def _notes(spec: RunSpec, poses: PoseSet) -> list[str]:
    """Notes on waves whose ripple along a path is finer than its points."""
    if poses.along is None or poses.configurations.speeds is None or len(poses.along) < 2:
        return []
    length = np.diff(poses.along)
    forward = length > 0  # steps in which the tool point moves, not only its orientation
    if not forward.any():
        return []
    step = float(length.max())
    rate = np.abs(np.diff(poses.configurations.joints, axis=0)[forward] / length[forward, None]).max(axis=0)
    finest, causes, joints = math.inf, set(), []
    for name, speed in zip(spec.machine.arm.names, rate, strict=True):
        waves = {
            (abs(act.shape.order), term.cause.name)
            for term in spec.machine.terms
            for act in term.acts
            if act.axis.belongs_to_joint and act.axis.owner == name and isinstance(act.shape, Wave)
        }
        fine = {(order, cause) for order, cause in waves if order * speed * step * POINTS_PER_PERIOD > 2 * math.pi}
        if fine:
            finest = min(finest, 2 * math.pi / (max(order for order, _ in fine) * float(speed)))
            causes |= {cause for _, cause in fine}
            joints.append(name)
    if not joints:
        return []
    return [
        f"{', '.join(sorted(causes))} of {', '.join(joints)} ripple with periods down to {show(finest)} of the path, "
        f"poses are {show(step)} apart: their size is right at every pose, their ripple between poses is not drawn"
    ]


def _summary(
    scenario: Scenario,
    task: Task,
    pose_set: PoseSet,
    poses: PoseTable,
    worst: int,
    sample: TaskSample,
) -> Summary:
    requirement = required_at(scenario.requirement, task.name)
    worst_result = poses[worst]
    scatter_shares, bias_shares = (poses.mean_over_task(poses.column(path)) for path in ("shares", "bias_shares"))
    groups: dict[str, float] = {}
    causes: dict[str, float] = {}
    contributions = []
    for (owner, cause), share, bias_share in zip(
        poses.share_names, scatter_shares.tolist(), bias_shares.tolist(), strict=True
    ):
        if (owner, cause) != BIAS:
            contribution = Contribution(owner, cause, share, bias_share)
            group = scenario.machine.arm.group_of(owner)
            groups[group] = groups.get(group, 0.0) + contribution.share
            causes[cause] = causes.get(cause, 0.0) + contribution.share
            contributions.append(contribution)
    bias = float(scatter_shares[-1])
    visit_share = float(poses.mean_over_task(poses.column("visit_share")))
    unit_share = float(scatter_shares[:-1].sum()) - visit_share
    unreachable, limits = [point.name for point in pose_set.unreachable], " or ".join(limit_names(scenario.machine))
    evidence = Evidence(
        requirement, poses, worst, sample, unreachable, task.must_reach, limits, pose_set.configurations.is_path
    )
    judgements = judge_task(evidence)
    (rp,) = stats.unit_quantiles(sample.worst[1], (stats.LEVEL,), half_width_of_rp(poses))
    verdicts = poses.column("first_order.validation.verdict")[:, 0].astype(int)
    agrees: dict[str, int] = {verdict: int(np.count_nonzero(verdicts == code)) for code, verdict in enumerate(VERDICTS)}
    return Summary(
        p95=worst_result.error.p95,
        p95_interval=worst_result.error.p95_interval,
        worst_pose=worst_result.name,
        at_coverage=worst_result.error.at_coverage,
        at_coverage_interval=finite_or_none(largest_interval(poses, coverage_of(requirement))),
        repeatability_p95=rp.value,
        repeatability_p95_interval=rp.interval,
        groups=groups,
        causes=causes,
        lives={"unit": unit_share, "visit": visit_share, "bias": bias},
        first_order_agrees=agrees,
        yield_=None if requirement is None else yield_of(evidence),
        state=overall_verdict(judgements),
        judgements=judgements,
        within=_within(poses, POSITION_CRITERION.limit_of(evidence)),
        contributions=tuple(sorted(contributions, key=lambda contribution: -contribution.share)),
    )


def _within(poses: PoseTable, limit: float | None) -> PosesWithinLimit | None:
    """Share of the poses whose errors are within the limit; None where there is none."""
    if limit is None:
        return None
    values, ends = poses.column("error.at_coverage"), poses.column("error.at_coverage_interval")
    low, high = (np.where(np.isnan(end), values, end) for end in ends.T)
    share, certain, possible = (float(np.mean(x <= limit)) for x in (values, high, low))
    return PosesWithinLimit(share, (certain, possible))
