"""The waist: a machine, its tasks and a sampling plan in; a result out. Everything above asks it, nothing else."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from armsim.documents import Scenario, load_scenario
from armsim.engine import statistics as stats
from armsim.engine.layout import MEMORY
from armsim.engine.pose import share_names
from armsim.engine.run import Asked, Progress, Sampled, sampling
from armsim.engine.sheet import joint_sheets, link_sheet
from armsim.engine.work import Job, worst_again
from armsim.errors import InputError, Problem, RunError
from armsim.posetable import BIAS, VERDICTS, PoseTable, vector
from armsim.present import apart, percent, show
from armsim.results import (
    FORMAT,
    Distribution,
    JointSheet,
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
        plan = replace(
            old,
            units=old.units if units is None else units,
            visits=old.visits if visits is None else visits,
            seed=old.seed if seed is None else seed,
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

    def run(
        self,
        workers: int | None = None,
        progress: Progress = _quiet,
        memory: int = MEMORY,
        processes: bool = False,
        cluster: str | None = None,
        note: Callable[[str], None] = lambda text: None,
    ) -> Result:
        """Sample the population at every pose of every task.

        Parameters
        ----------
        workers : int, optional
            Threads; the processors of this machine where not given. The result does not depend on it.
        progress : callable
            Told the name of the task, poses done, poses in all.
        memory : int
            Bytes that may be taken. The result does not depend on it.
        processes : bool
            Take processes in place of threads.
        cluster : str, optional
            Address of the scheduler of a cluster of dask.distributed that does the sampling.
        note : callable
            Told what the run will take, before it begins.

        Raises
        ------
        RunError
            A task has no pose that the arm can reach, the memory does not suffice, or no worker can be had.
        """
        from armsim import __version__

        scenario = self.scenario
        found = []
        for task in scenario.tasks:
            looking = partial(progress, f"{task.name}: points")
            found.append((task, task.find(scenario.machine.arm, looking)))
        for task, poses in found:
            if not poses.names:
                reasons = ", ".join(sorted({point.reason for point in poses.unreachable}))
                raise RunError(
                    f"task {task.name!r}: the arm reaches none of its {len(poses.unreachable)} points ({reasons})"
                )
        requirement = scenario.requirement
        coverage = requirement.coverage if requirement is not None else stats.LEVEL
        asked = [Asked(task.name, poses.joints, poses.speeds) for task, poses in found]
        with sampling(scenario.machine, requirement, coverage, workers, memory, processes, cluster) as sample:
            sampled = sample.run(scenario.plan, asked, progress, note)
        final = sampled.job.plan
        tasks = tuple(
            _task_result(scenario, sampled.job, task, poses, number, values, passing)
            for number, ((task, poses), (values, passing)) in enumerate(zip(found, sampled.tasks, strict=True))
        )
        return Result(
            format=FORMAT,
            version=__version__,
            scenario=scenario.name,
            arm=scenario.machine.arm.name,
            seed=final.seed,
            units=final.units,
            visits=final.visits,
            price=scenario.machine.price,
            requirement=requirement,
            tasks=tasks,
            joints=self.sheets(),
            links=link_sheet(scenario.machine),
            warnings=_warnings(scenario, tasks, sampled),
            adaptive=sampled.adaptive,
        )


def _task_result(
    scenario: Scenario, job: Job, task: Task, poses: PoseSet, number: int, values: Array, passing: np.ndarray
) -> TaskResult:
    table = PoseTable(poses.names, share_names(scenario.machine), values)
    worst = int(np.argmax(table.column("error.at_coverage")))
    accuracy, repeatability = worst_again(job, number, worst, poses.joints, poses.speeds)
    ap, rp = np.sort(accuracy), np.sort(repeatability)
    distribution = Distribution(
        poses.names[worst],
        tuple(CURVE.tolist()),
        tuple(stats.quantile(ap, p) for p in CURVE),
        tuple(stats.quantile(rp, p) for p in CURVE) if job.plan.visits > 1 else None,
    )
    skeleton = scenario.machine.arm.postures(poses.joints[worst : worst + 1]).points[0]
    return TaskResult(
        name=task.name,
        kind=task.kind,
        poses=table,
        unreachable=poses.unreachable,
        summary=_summary(scenario, task.kind, poses.unreachable, table, worst, passing),
        distribution=distribution,
        skeleton=tuple(vector(point) for point in skeleton),
        grid=poses.grid,
    )


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
    verdicts = poses.columns["first_order.validation"][:, 4].astype(int)
    agrees: dict[str, int] = {verdict: int(np.count_nonzero(verdicts == code)) for code, verdict in enumerate(VERDICTS)}
    judged: Yield | None = None
    reasons: list[str] = []
    if requirement is not None:
        passed = int(np.count_nonzero(passing))
        units = len(passing)
        judged = Yield(passed / units, stats.clopper_pearson(passed, units), passed, units)
        worst_error = top.error.at_coverage
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
        if kind == "poses" and unreachable:
            reasons.append(f"{', '.join(point.name for point in unreachable[:5])} cannot be reached")
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
        first_order_agrees=agrees,
        yield_=judged,
        met=None if requirement is None else not reasons,
        reasons=tuple(reasons),
    )


def _warnings(scenario: Scenario, tasks: tuple[TaskResult, ...], sampled: Sampled) -> tuple[str, ...]:
    plan, requirement = sampled.job.plan, scenario.requirement
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
    reached = sampled.adaptive
    if reached is not None and not reached.reached:
        out.append(f"tolerance not reached with {plan.units} units: doubt {reached.doubt:.3g} of the allowed")
    for task in tasks:
        if task.unreachable:
            out.append(f"task {task.name!r}: {len(task.unreachable)} of its points cannot be reached and are left out")
    return tuple(out)
