"""Effect of a change of a machine on every criterion, sampled at the poses that may be the worst.

The worst poses are predicted by first order, with the ratio of quantile to rms that each pose has without the change.
If the sample exceeds the prediction, further poses are sampled. AP and RP of the units (simulated arms) are evaluated
at all poses, since they need no sampled visits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.assessment import AssessedTask, judge_all
from armsim.criteria import (
    CRITERIA,
    CriterionChange,
    EvaluatedJoints,
    EvaluatedTask,
    changes_at_task,
    changes_of_joints,
)
from armsim.model.machine import Machine
from armsim.requirement import deciding_judgement
from armsim.requirement.requirement import required_at
from armsim.results import Result, TaskResult
from armsim.run_options import RunOptions
from armsim.sampling.chunk import RunSpec
from armsim.sampling.sampler import Samples
from armsim.sampling.unit_draws import UnitDraws
from armsim.sampling.yield_survey import survey
from armsim.study import Study
from armsim.tasks import PoseSet

MOST_POSES = 1000
"""Largest number of poses evaluated per task: those with the largest errors."""
NEAR_WORST = 0.97
"""Share of the largest predicted error from which a pose is sampled."""
PREDICTION_MARGIN = 1.005
"""Factor on the prediction of a pose that is not sampled, beyond the prediction error of the sampled poses."""


@dataclass(frozen=True, eq=False)
class PerturbationBaseline:
    """A study sampled at the poses with the largest errors, as the baseline for changes of its machine.

    Parameters
    ----------
    study : Study
        Study with the plan that was sampled.
    result : Result
        Result at those poses.
    poses : list of PoseSet
        Poses of the sample, per task.
    tasks : list of EvaluatedTask
        Evaluated criteria of every task.
    ratios : list of mapping of ``error`` and ``orientation_error`` to (poses,)
        Ratio of the quantile at the coverage to the first-order rms, for all errors that are judged.
    all_poses_needed : list of bool
        Whether a task has a criterion whose worst pose first order cannot predict.
    deciding_criteria : list of str
        Deciding criterion of every task.
    spec : RunSpec
    run_options : RunOptions
    """

    study: Study
    result: Result
    poses: list[PoseSet]
    tasks: list[EvaluatedTask]
    ratios: list[dict[str, Array]]
    all_poses_needed: list[bool]
    deciding_criteria: list[str]
    spec: RunSpec
    run_options: RunOptions

    @staticmethod
    def of(study: Study, run_options: RunOptions) -> PerturbationBaseline:
        """Sample a study.

        Parameters
        ----------
        study : Study
        run_options : RunOptions

        Returns
        -------
        PerturbationBaseline

        Raises
        ------
        RunError
            As `Study.run`.
        """
        base, poses, result, sampled = sample_largest_errors(study, run_options)
        plan = base.scenario.plan
        spec = replace(sampled.spec, plan=plan)
        tasks, ratios, all_poses_needed = [], [], []
        for number, (task, of_task) in enumerate(zip(result.tasks, poses, strict=True)):
            side = replace(EvaluatedTask.from_samples(task, number, sampled, of_task.configurations), spec=spec)
            surveyed = survey(spec, side.configurations, run_options)
            # RP at the same pose with and without a change
            tasks.append(replace(side, extremes=surveyed.extremes, nets=surveyed.nets))
            judged_criteria = [criterion for criterion in CRITERIA if side.judgement(criterion.name) is not None]
            ratio = {}
            for errors in sorted({criterion.error_column for criterion in judged_criteria if criterion.error_column}):
                rms = np.sqrt(surveyed.mean_squares[errors])
                quantile = side.table.column(f"{errors}.at_coverage")
                ratio[errors] = np.divide(quantile, rms, out=np.zeros_like(rms), where=rms > 0)
            ratios.append(ratio)
            all_poses_needed.append(
                not all(criterion.needs_no_visits or criterion.error_column for criterion in judged_criteria)
            )
        deciding_criteria = [deciding_judgement(side.judgements).criterion for side in tasks]
        return PerturbationBaseline(
            base, result, poses, tasks, ratios, all_poses_needed, deciding_criteria, spec, run_options
        )

    def changes_by_task(self, machine: Machine) -> list[tuple[CriterionChange, ...]]:
        """Changes of every criterion with another machine, per task; terms of both machines draw the same numbers."""
        plan, spec = self.spec.plan, self.spec
        draws = UnitDraws(machine.terms, plan, True) if spec.layout.unit_block >= plan.units else None
        changed_spec = RunSpec(machine, plan, spec.coverage, spec.layout, draws=draws)
        surveys = [survey(changed_spec, side.configurations, self.run_options) for side in self.tasks]
        predicted = [
            {errors: ratio * np.sqrt(after.mean_squares[errors]) for errors, ratio in ratios.items()}
            for ratios, after in zip(self.ratios, surveys, strict=True)
        ]
        near_poses = [
            np.arange(len(side.configurations))
            if needs_all_poses
            else np.unique(np.concatenate([np.flatnonzero(e >= NEAR_WORST * e.max()) for e in errors.values()]))
            for side, errors, needs_all_poses in zip(self.tasks, predicted, self.all_poses_needed, strict=True)
        ]
        study = self.study.with_scenario(machine=machine)
        while True:
            few_sets = [
                poses.select([poses.names[n] for n in numbers.tolist()])
                for poses, numbers in zip(self.poses, near_poses, strict=True)
            ]
            sampled = study.sample(few_sets, self.run_options.silent)
            of_units = [
                replace(s, extremes=all_poses.extremes) for s, all_poses in zip(sampled.tasks, surveys, strict=True)
            ]
            assessed = judge_all(study.scenario, few_sets, of_units)
            further = [_may_be_worse(*row) for row in zip(predicted, near_poses, assessed, strict=True)]
            if not any(len(numbers) for numbers in further):
                break
            near_poses = [np.union1d(numbers, added) for numbers, added in zip(near_poses, further, strict=True)]
        out = []
        for side, task, surveyed, poses, first in zip(
            self.tasks, assessed, surveys, few_sets, self.deciding_criteria, strict=True
        ):
            other = EvaluatedTask(
                task.name, task.table, task.summary.judgements, sampled.spec, poses.configurations, surveyed.extremes,
                surveyed.within_operation, surveyed.nets,
            )  # fmt: skip
            out.append(changes_at_task(required_at(study.scenario.requirement, task.name), side, other, first))
        return out

    def changes_of_joints(self, machine: Machine) -> tuple[CriterionChange, ...]:
        """Changes of the criteria of single joints with another machine; those that do not change are left out."""
        scenario, plan = self.study.scenario, self.spec.plan
        if not self.result.judgements:
            return ()
        sides = [
            EvaluatedJoints.evaluate(scenario.requirement, evaluated, scenario.motion, plan)
            for evaluated in (scenario.machine, machine)
        ]
        return tuple(row for row in changes_of_joints(*sides) if row.change.value)


def sample_largest_errors(study: Study, run_options: RunOptions) -> tuple[Study, list[PoseSet], Result, Samples]:
    """Sample a study at all poses of every task, or at the `MOST_POSES` with the largest figures of any criterion.

    Parameters
    ----------
    study : Study
    run_options : RunOptions

    Returns
    -------
    study : Study
        Study with the plan that was sampled.
    poses : list of PoseSet
        Sampled poses of every task.
    result : Result
        Result at those poses.
    samples : Samples
        Samples at those poses.
    """
    pose_sets = study.find(run_options.progress)
    result, sampled = study.evaluate(pose_sets, run_options)
    few_sets = []
    for task, poses in zip(result.tasks, pose_sets, strict=True):
        few_sets.append(poses.select([poses.names[n] for n in _largest_poses(task)]))
    base = study.with_scenario(plan=replace(sampled.spec.plan, tolerance=None))
    left_out = [
        f"changes are evaluated at {len(some.names)} of the {len(poses.names)} poses of {task.name}: those with "
        "the largest figures of any criterion"
        for task, some, poses in zip(result.tasks, few_sets, pose_sets, strict=True)
        if len(some.names) < len(poses.names)
    ]
    if left_out:
        result, sampled = base.evaluate(few_sets, run_options.without_notes)
        result = replace(result, warnings=(*result.warnings, *left_out))
    return base, few_sets, result, sampled


def _largest_poses(task: TaskResult) -> list[int]:
    """Poses of a task, at most `MOST_POSES`: for every judged criterion those where its figure is largest."""
    judged_criteria = {judgement.criterion for judgement in task.summary.judgements}
    columns = [column for criterion in CRITERIA if criterion.name in judged_criteria and (column := criterion.column)]
    orders = [np.argsort(-task.column(column), kind="stable") for column in dict.fromkeys(columns)]
    return sorted(list(dict.fromkeys(int(n) for rank in zip(*orders, strict=True) for n in rank))[:MOST_POSES])


def _may_be_worse(
    predicted: dict[str, Array], near_poses: NDArray[np.intp], assessed: AssessedTask
) -> NDArray[np.intp]:
    """Poses not sampled that would be the worst if they exceeded their prediction by as much as the sampled ones."""
    worse = [np.array([], dtype=np.intp)]
    for errors, at_poses in predicted.items():
        quantile = assessed.table.column(f"{errors}.at_coverage")
        missed = float(np.max(quantile / np.maximum(at_poses[near_poses], 1e-300), initial=1.0))
        worse.append(np.flatnonzero(at_poses * missed * PREDICTION_MARGIN > quantile.max()))
    return np.setdiff1d(np.concatenate(worse), near_poses)
