"""The waist: a machine, its tasks and a sampling plan in; a result out. Everything above asks it, nothing else."""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from armsim.documents import Scenario, load_scenario
from armsim.engine import statistics as stats
from armsim.engine.firstorder import Linearised, linearise
from armsim.engine.montecarlo import MEMORY, PoseSample, Sampler, memory_needed, sample_poses
from armsim.engine.plan import SamplingPlan
from armsim.engine.pose import pose_result, vector
from armsim.engine.sheet import joint_sheets, link_sheet
from armsim.errors import InputError, Problem, RunError
from armsim.model.machine import Situation
from armsim.present import apart, percent, show
from armsim.results import (
    FORMAT,
    Distribution,
    JointSheet,
    PoseResult,
    Requirement,
    Result,
    Summary,
    TaskResult,
    Unreachable,
    Yield,
)
from armsim.spreads import Array
from armsim.tasks import Poses, PoseSet, Task

ISO_VISITS = 30
"""Visits of every pose in the test of repeatability, ISO 9283:1998 table of cycles."""
CURVE = np.linspace(0.0, 1.0, 201)
"""Probabilities at which the distribution over units is kept."""
Progress = Callable[[str, int, int], None]
"""Told the name of the task, poses done, poses in all."""


def _quiet(task: str, done: int, total: int) -> None:
    return None


class Study:
    """A scenario with its sampling plan, ready to run. ``study.run()`` gives a `Result`."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario

    @staticmethod
    def load(path: Path | str) -> Study:
        """Read a scenario file.

        Raises
        ------
        InputError
            Anything is wrong in it or in the files it names.
        """
        return Study(load_scenario(path))

    def with_plan(self, units: int | None = None, visits: int | None = None, seed: int | None = None) -> Study:
        """The same study sampled otherwise.

        Raises
        ------
        InputError
            The requirement speaks of repeatability and a single visit is asked for.
        """
        old = self.scenario.plan
        plan = SamplingPlan(
            old.units if units is None else units,
            old.visits if visits is None else visits,
            old.seed if seed is None else seed,
        )
        requirement = self.scenario.requirement
        if plan.visits < 2 and requirement is not None and requirement.repeatability is not None:
            found, accepted = "repeatability is required, and one visit tells none", "at least 2; ISO 9283 takes 30"
            raise InputError(Problem("command line", 0, 0, "--visits", found, accepted))
        return Study(replace(self.scenario, plan=plan))

    def sheets(self) -> dict[str, JointSheet]:
        """Every joint with its terms, without sampling."""
        fastest = np.zeros(len(self.scenario.machine.joints))
        for task in self.scenario.tasks:
            if isinstance(task, Poses):
                for pose in task.poses:
                    fastest = np.maximum(fastest, np.abs(pose.speeds or 0.0))
        return joint_sheets(self.scenario.machine, self.scenario.plan.seed, fastest)

    def run(self, workers: int | None = None, progress: Progress = _quiet) -> Result:
        """Sample the population at every pose of every task.

        Parameters
        ----------
        workers : int, optional
            Threads; the processors of this machine where not given. The result does not depend on it.
        progress : callable
            Told the name of the task, poses done, poses in all.

        Raises
        ------
        RunError
            A task has no pose that the arm can reach.
        """
        from armsim import __version__

        scenario, plan = self.scenario, self.scenario.plan
        workers = workers or os.cpu_count() or 1
        needed = memory_needed(scenario.machine.terms, plan, workers)
        if needed > MEMORY:
            raise RunError(
                f"{plan.units} units x {plan.visits} visits need {needed / 2**30:.3g} GiB, at most "
                f"{MEMORY / 2**30:.3g}: take fewer of them, or fewer workers"
            )
        found = [(task, task.find(scenario.machine.arm)) for task in scenario.tasks]
        for task, poses in found:
            if not poses.names:
                reasons = ", ".join(sorted({point.reason for point in poses.unreachable}))
                raise RunError(
                    f"task {task.name!r}: the arm reaches none of its {len(poses.unreachable)} points ({reasons})"
                )
        tasks = tuple(
            _run_task(scenario, task, poses, number, workers, progress) for number, (task, poses) in enumerate(found)
        )
        return Result(
            format=FORMAT,
            version=__version__,
            scenario=scenario.name,
            arm=scenario.machine.arm.name,
            seed=plan.seed,
            units=plan.units,
            visits=plan.visits,
            price=scenario.machine.price,
            requirement=scenario.requirement,
            tasks=tasks,
            joints=self.sheets(),
            links=link_sheet(scenario.machine),
            warnings=_warnings(scenario, tasks),
        )


def _run_task(
    scenario: Scenario, task: Task, poses: PoseSet, number: int, workers: int, progress: Progress
) -> TaskResult:
    plan, requirement = scenario.plan, scenario.requirement
    situation = scenario.machine.at(poses.joints, poses.speeds)
    linear = linearise(situation)
    coverage = requirement.coverage if requirement is not None else stats.LEVEL
    total = len(poses.names)
    done = 0

    def advance(more: int) -> None:
        nonlocal done
        done += more
        progress(task.name, done, total)

    passing = np.ones(plan.units, dtype=bool)
    one_at_a_time = threading.Lock()

    def reduce(pose: int, sample: PoseSample) -> PoseResult:
        accuracy = stats.pose_accuracy(sample.barycentre)
        result = pose_result(situation, linear, coverage, poses.names[pose], poses.joints[pose], pose, sample, accuracy)
        with one_at_a_time:  # a unit passes if it passes everywhere: the order does not matter
            np.logical_and(passing, _passes(accuracy, sample.repeatability, requirement), out=passing)
        return result

    progress(task.name, 0, total)
    sampler = Sampler.prepare(situation, plan)
    results = tuple(sample_poses(sampler, number, reduce, workers, advance))
    worst = int(np.argmax([pose.error.at_coverage for pose in results]))
    # the worst pose once more, for the distribution over units: cheaper than keeping every unit at every pose
    again = sampler.sample(worst, number)
    ap, rp = np.sort(stats.pose_accuracy(again.barycentre)), np.sort(again.repeatability)
    distribution = Distribution(
        poses.names[worst],
        tuple(CURVE.tolist()),
        tuple(stats.quantile(ap, p) for p in CURVE),
        tuple(stats.quantile(rp, p) for p in CURVE) if plan.visits > 1 else None,
    )
    return TaskResult(
        name=task.name,
        kind=task.kind,
        poses=results,
        unreachable=poses.unreachable,
        summary=_summary(scenario, task.kind, poses.unreachable, results, linear, situation, worst, passing),
        distribution=distribution,
        skeleton=tuple(vector(point) for point in situation.postures.points[worst]),
        grid=poses.grid,
    )


def _summary(
    scenario: Scenario,
    kind: str,
    unreachable: tuple[Unreachable, ...],
    poses: tuple[PoseResult, ...],
    linear: Linearised,
    situation: Situation,
    worst: int,
    passing: np.ndarray,
) -> Summary:
    requirement, plan = scenario.requirement, scenario.plan
    top = poses[worst]
    rp = [pose.repeatability.p95 for pose in poses if pose.repeatability.p95 is not None]
    groups: dict[str, float] = {}
    causes: dict[str, float] = {}
    shares, bias = linear.shares_over_all()
    for term, share in zip(situation.terms, shares.tolist(), strict=True):
        group = scenario.machine.arm.group_of(term.owner)
        groups[group] = groups.get(group, 0.0) + share
        causes[term.cause] = causes.get(term.cause, 0.0) + share
    agrees = dict.fromkeys(("agrees", "differs", "undecided"), 0)
    for pose in poses:
        agrees[pose.first_order.validation[0].verdict] += 1
    judged: Yield | None = None
    reasons: list[str] = []
    if requirement is not None:
        passed = int(np.count_nonzero(passing))
        judged = Yield(passed / plan.units, stats.clopper_pearson(passed, plan.units), passed, plan.units)
        worst_error = poses[worst].error.at_coverage
        if worst_error > requirement.position:
            found, asked = apart(worst_error, requirement.position, show)
            coverage = percent(requirement.coverage)
            reasons.append(f"{coverage} of errors lie within {found} at {poses[worst].name}, required {asked}")
        if requirement.repeatability is not None and requirement.yield_ is None:
            # without a yield to reach, the usual share of units must hold the repeatability
            loosest = max(poses, key=lambda pose: pose.repeatability.p95 or 0.0)
            if (loosest.repeatability.p95 or 0.0) > requirement.repeatability:
                found, asked = apart(loosest.repeatability.p95 or 0.0, requirement.repeatability, show)
                reasons.append(f"RP of 95 % of units up to {found} at {loosest.name}, required {asked}")
        if kind == "poses" and unreachable:
            reasons.append(f"{', '.join(point.name for point in unreachable[:5])} cannot be reached")
        if requirement.yield_ is not None and judged.value < requirement.yield_:
            found, asked = apart(judged.value, requirement.yield_, percent)
            reasons.append(f"yield {found}, required {asked}")
    return Summary(
        p95=top.error.p95,
        p95_interval=top.error.p95_interval,
        worst_pose=top.name,
        at_coverage=poses[worst].error.at_coverage,
        repeatability_p95=max(rp) if rp else None,
        groups={**groups, "bias": bias},
        causes={**causes, "bias": bias},
        first_order_agrees=agrees,
        yield_=judged,
        met=None if requirement is None else not reasons,
        reasons=tuple(reasons),
    )


def _passes(accuracy: Array, repeatability: Array, requirement: Requirement | None) -> np.ndarray:
    """Units whose AP and RP are within the requirement at this pose, shape (units,)."""
    if requirement is None:
        return np.ones(len(accuracy), dtype=bool)
    passes = accuracy <= requirement.position
    if requirement.repeatability is not None:
        passes &= repeatability <= requirement.repeatability
    return np.asarray(passes)


def _warnings(scenario: Scenario, tasks: tuple[TaskResult, ...]) -> tuple[str, ...]:
    plan, requirement = scenario.plan, scenario.requirement
    out = []
    if scenario.machine.masses is None:
        stiff = [j.name for j in scenario.machine.joints if j.geared and math.isfinite(j.transmission.stiffness)]
        if stiff:
            out.append(f"stiffness at {', '.join(stiff)} does nothing: the arm has no masses that would load it")
    causes = {term.cause for term in scenario.machine.terms}
    rise = scenario.machine.environment.temperature_rise
    drifting = [j.name for j in scenario.machine.joints if j.encoder.drift.scale or j.encoder.signal.offset_drift.scale]
    if rise is not None and "temperature" not in causes:
        out.append("temperature_rise does nothing: no expansion of arm or scales is stated, and no drift")
    if rise is None and drifting:
        out.append(f"drift at {', '.join(drifting)} does nothing: no temperature_rise is stated")
    if plan.visits < ISO_VISITS:
        out.append(f"{plan.visits} visits a pose: ISO 9283 takes {ISO_VISITS} for repeatability, and 1 gives none")
    coverage = requirement.coverage if requirement is not None else stats.LEVEL
    if plan.units * (1 - coverage) < 10:
        out.append(f"{plan.units} units: fewer than 10 lie beyond the coverage of {coverage:.4g}, quantiles are coarse")
    for task in tasks:
        if task.unreachable:
            out.append(f"task {task.name!r}: {len(task.unreachable)} of its points cannot be reached and are left out")
    return tuple(out)
