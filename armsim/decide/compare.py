"""Comparison of designs at the same poses, with the same random numbers for the same cause at the same joint."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import computed_field

from armsim.arrays import Array
from armsim.criteria import (
    CriterionChange,
    EvaluatedJoints,
    EvaluatedTask,
    change_of,
    changes_at_task,
    changes_of_joints,
)  # fmt: skip
from armsim.errormodel.distributions import NORMAL_95
from armsim.errors import InputError, Problem
from armsim.field_spec import declared_fields
from armsim.model.machine import Machine
from armsim.requirement import Judgement, Verdict, deciding_judgement
from armsim.requirement.requirement import Requirement, required_at
from armsim.results import Result, Summary
from armsim.results.json_records import NotInRecord, record_as_dict
from armsim.run_options import RunOptions
from armsim.sampling.chunk import CHUNK
from armsim.sampling.executors import map_in_threads
from armsim.sampling.paired_difference import UNITS_COMPARED, Difference, half_width_of_mean, quantile_influence
from armsim.study import Study
from armsim.tasks import Task


@dataclass(frozen=True)
class PoseDifference:
    """Difference of the error quantile at a pose, and the half-width of its 95 % interval. [m]"""

    difference: float
    half_width: float | None


@dataclass(frozen=True, eq=False)
class TaskDifference:
    """Differences of one design to the first at one task.

    Parameters
    ----------
    task, scenario : str
    criteria : tuple of CriterionChange
        Change in every criterion judged at the task; the deciding criterion comes first.
    price : float
    poses : tuple of str
        Poses that all designs reach.
    values, half_widths : (poses,) [m]
        Difference of the error quantile at the coverage per pose, and the half-width of its 95 % interval.
    """

    task: str
    scenario: str
    criteria: tuple[CriterionChange, ...]
    price: float
    poses: tuple[str, ...]
    values: NotInRecord[Array]
    half_widths: NotInRecord[Array]

    @computed_field  # type: ignore[prop-decorator]
    @property
    def at_coverage(self) -> Difference | None:
        """Difference of the error quantile at the coverage, each design at its own worst pose. [m]"""
        return change_of(self.criteria, "position")

    @computed_field  # type: ignore[prop-decorator]
    @property
    def repeatability(self) -> Difference | None:
        """Difference of the RP that 95 % of units, or the required yield, do not exceed at any pose. [m]"""
        return change_of(self.criteria, "repeatability")

    @computed_field  # type: ignore[prop-decorator]
    @property
    def passing(self) -> Difference | None:
        """Difference of the yield. [1]"""
        return change_of(self.criteria, "yield")

    @computed_field  # type: ignore[prop-decorator]
    @property
    def at_poses(self) -> tuple[PoseDifference, ...]:
        """Difference of the error quantile at the coverage at every pose."""
        pairs = zip(self.values.tolist(), self.half_widths.tolist(), strict=True)
        return tuple(
            PoseDifference(value, None if math.isnan(half_width) else half_width) for value, half_width in pairs
        )

    @property
    def simultaneous_half_widths(self) -> Array:
        """Half-widths of 95 % intervals that hold at all poses at once, shape (poses,). [m]

        Source: Bonferroni's inequality, with an equal share of the 5 % for each pose.
        """
        from scipy.special import ndtri

        return np.asarray(self.half_widths * float(ndtri(1 - 0.025 / len(self.poses))) / NORMAL_95)

    @property
    def better(self) -> NDArray[np.bool_]:
        """Poses at which the design is significantly better, over all poses at once (Bonferroni), shape (poses,)."""
        return np.asarray(self.values + self.simultaneous_half_widths < 0)

    @property
    def worse(self) -> NDArray[np.bool_]:
        """Poses at which the design is significantly worse, over all poses at once (Bonferroni), shape (poses,)."""
        return np.asarray(self.values - self.simultaneous_half_widths > 0)

    @computed_field(alias="flips")  # type: ignore[prop-decorator]
    @property
    def ranking_reversals(self) -> tuple[str, ...]:
        """Poses at which the two designs rank in the opposite order to that at most poses; ``flips`` in JSON."""
        better, worse = self.better, self.worse
        is_reversed = worse if better.sum() >= worse.sum() else better
        return tuple(name for name, reverse in zip(self.poses, is_reversed, strict=True) if reverse)


@dataclass(frozen=True)
class JointDifference:
    """Differences of one design to the first in every criterion on single joints."""

    scenario: str
    criteria: tuple[CriterionChange, ...]


@dataclass(frozen=True)
class DesignTask:
    """Summary of a task of one design."""

    name: str
    summary: Summary


@dataclass(frozen=True)
class Design:
    """One of the compared designs: price, state of the requirement, summaries of its tasks, judgements of joints."""

    scenario: str
    price: float
    state: Verdict
    tasks: tuple[DesignTask, ...]
    joints: tuple[Judgement, ...] = ()

    @staticmethod
    def of(result: Result) -> Design:
        """Summary of a design from its result."""
        tasks = tuple(DesignTask(task.name, task.summary) for task in result.tasks)
        return Design(result.scenario, result.price, result.state, tasks, result.judgements)


@dataclass(frozen=True, eq=False)
class Comparison:
    """Result of `armsim compare`: all designs at their common poses, and differences of the others to the first.

    All designs are judged by the requirement of the first; ``other_requirements`` are those of designs that state
    another. ``machines`` are the machines of the designs, from which a review lists their differences.
    """

    results: NotInRecord[tuple[Result, ...]]
    differences: tuple[TaskDifference, ...]
    other_requirements: dict[str, Requirement | None]
    joints: tuple[JointDifference, ...] = ()
    machines: NotInRecord[tuple[Machine, ...]] = ()
    format: Literal["armsim-comparison/3"] = "armsim-comparison/3"

    @computed_field  # type: ignore[prop-decorator]
    @property
    def designs(self) -> tuple[Design, ...]:
        """Summary of each design alone."""
        return tuple(Design.of(result) for result in self.results)

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units."""
        return record_as_dict(self)

    @property
    def quantile(self) -> str:
        """Name of the compared error quantile, in words."""
        return self.results[0].quantile


def compare(
    studies: Sequence[Study],
    run_options: RunOptions = RunOptions(),
) -> Comparison:
    """Compare designs with the first of them.

    Poses that one of them cannot reach are left out for all. Every design is sampled by the plan of the first.

    Parameters
    ----------
    studies : sequence of Study
        The first is the reference.
    run_options : RunOptions

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        Fewer than two designs, two of one name, or tasks that differ.
    RunError
        As `Study.run`.
    """
    other_requirements = _other_requirements(studies)
    studies = _matched(studies)
    pose_sets = [study.find(run_options.progress) for study in studies]
    common_names = []
    for task in range(len(pose_sets[0])):
        others_names = [set(poses[task].names) for poses in pose_sets[1:]]
        names = [name for name in pose_sets[0][task].names if all(name in other for other in others_names)]
        if not names:
            task_name = studies[0].scenario.tasks[task].name
            raise studies[0].scenario.fault(f"tasks.{task_name}", "no pose that all designs reach", "common poses")
        common_names.append(names)
    restricted = [
        [poses.select(names) for poses, names in zip(of_design, common_names, strict=True)] for of_design in pose_sets
    ]
    evaluations = [studies[0].evaluate(restricted[0], run_options)]
    plan = replace(evaluations[0][1].spec.plan, tolerance=None)  # as many units as the first took for its tolerance
    for study, poses in zip(studies[1:], restricted[1:], strict=True):
        evaluations.append(study.with_scenario(plan=plan).evaluate(poses, run_options))
    results = tuple(result for result, _ in evaluations)
    requirement = studies[0].scenario.requirement
    differences = []
    for number, first_task in enumerate(results[0].tasks):
        evaluated_designs = [
            EvaluatedTask.from_samples(result.tasks[number], number, sampled, poses[number].configurations)
            for (result, sampled), poses in zip(evaluations, restricted, strict=True)
        ]
        first = deciding_judgement(
            [judgement for evaluated in evaluated_designs for judgement in evaluated.judgements]
        ).criterion
        for result, other in zip(results[1:], evaluated_designs[1:], strict=True):
            changes = changes_at_task(required_at(requirement, first_task.name), evaluated_designs[0], other, first)
            widths = half_widths(
                evaluated_designs[0], other, run_options, f"{result.scenario}, {first_task.name}: differences"
            )
            values = other.table.column("error.at_coverage") - first_task.column("error.at_coverage")
            price = result.price - results[0].price
            differences.append(
                TaskDifference(first_task.name, result.scenario, changes, price, first_task.poses.names, values, widths)
            )
    joints = [
        EvaluatedJoints(study.scenario.machine, study.scenario.motion, sampled.spec.plan, result.judgements)
        for study, (result, sampled) in zip(studies, evaluations, strict=True)
    ]
    joint_differences = (
        JointDifference(result.scenario, changes)
        for result, other in zip(results[1:], joints[1:], strict=True)
        if (changes := changes_of_joints(joints[0], other))
    )
    machines = tuple(study.scenario.machine for study in studies)
    return Comparison(results, tuple(differences), other_requirements, tuple(joint_differences), machines)


def half_widths(first: EvaluatedTask, second: EvaluatedTask, run_options: RunOptions, stage: str) -> Array:
    """Half-width of the 95 % interval of the difference of the quantile at the coverage at every pose.

    Parameters
    ----------
    first, second : EvaluatedTask
    run_options : RunOptions
    stage : str
        Name of the stage, as passed to the progress callback.

    Returns
    -------
    (poses,) [m]
    """
    units = first.spec.plan.units
    count = min(units, UNITS_COMPARED)
    poses = len(first.configurations)

    def half_widths_of_chunk(first_pose: int) -> Array:
        poses_of_chunk = slice(first_pose, first_pose + CHUNK)
        influences = [
            quantile_influence(
                evaluated.spec, evaluated.key, evaluated.configurations[poses_of_chunk], count, evaluated.spec.coverage
            )
            for evaluated in (first, second)
        ]
        return np.array([half_width_of_mean(row, units) for row in influences[1] - influences[0]])

    out = np.empty(poses)
    chunks = range(0, poses, CHUNK)
    for first_pose, values in zip(
        chunks, map_in_threads(run_options.threads, half_widths_of_chunk, chunks), strict=True
    ):
        out[first_pose : first_pose + CHUNK] = values
        run_options.progress(stage, min(first_pose + CHUNK, poses), poses)
    return out


def _other_requirements(studies: Sequence[Study]) -> dict[str, Requirement | None]:
    """Requirements of designs that differ from that of the first, by which all are judged."""
    scenarios = [study.scenario for study in studies]
    return {
        scenario.name: scenario.requirement
        for scenario in scenarios[1:]
        if scenario.requirement != scenarios[0].requirement
    }


def _matched(studies: Sequence[Study]) -> list[Study]:
    """Studies with the sampling plan and the requirement of the first; raise an error if their tasks differ."""
    if len(studies) < 2:
        raise InputError(Problem("command line", 0, 0, "SCENARIO", f"{len(studies)} scenarios", "two or more"))
    first = studies[0].scenario
    names = [study.scenario.name for study in studies]
    for study in studies[1:]:
        if names.count(study.scenario.name) > 1:
            raise study.scenario.fault("name", f"two designs named {study.scenario.name!r}", "each name once")
        if study.scenario.tasks != first.tasks:
            raise study.scenario.fault("tasks", *_task_difference(first.tasks, study.scenario.tasks))
    plan, requirement = first.plan, first.requirement
    return [study.with_scenario(plan=plan, requirement=requirement) for study in studies]


def _task_difference(first: Sequence[Task], tasks: Sequence[Task]) -> tuple[str, str]:
    """Difference of the tasks of a design from those of the first in words, and what is accepted."""
    if [(task.name, task.kind) for task in tasks] == [(task.name, task.kind) for task in first]:
        task, of_first = next(pair for pair in zip(tasks, first, strict=True) if pair[0] != pair[1])
        keys = [
            field.yaml
            for field in declared_fields(type(task))
            if getattr(task, field.name, None) != getattr(of_first, field.name, None)
        ]
        if keys:
            finding = f"task {task.name!r} has another {', '.join(keys)} than in the first design"
            return finding, f"the same; --set 'tasks.{task.name}.{keys[0]}=VALUE' sets it for all designs"
    kinds = ", ".join(f"{task.name} ({task.kind})" for task in first)
    return "other tasks than the first design, or in another order", f"the same: {kinds}"
