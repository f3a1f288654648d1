"""What a change of a machine does to the worst pose and to the yield, sampled where it matters.

A change is sampled at the poses that may be its worst, by first order with the ratio of quantile and rms that each pose
has without it, and at more of them where those miss what was foretold; whether a unit passes is looked at everywhere,
for which no visit is needed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.assessment import Judged
from armsim.criteria import passing
from armsim.decide.paired_tasks import Evaluated, at_worst_pose
from armsim.model.machine import Machine
from armsim.requirement.requirement import required_at
from armsim.results import Result
from armsim.sampling.chunk import RunSpec
from armsim.sampling.paired_difference import Difference, share_difference
from armsim.sampling.run_options import RunOptions
from armsim.sampling.sampler import Samples
from armsim.sampling.unit_draws import UnitDraws
from armsim.sampling.yield_survey import Surveyed, survey
from armsim.study import Study
from armsim.tasks import PoseSet

MOST_POSES = 1000
"""Poses of a task looked at; of more, those with the largest errors."""
NEAR_WORST = 0.97
"""Share of the largest error that is foretold from which on a pose is sampled."""
MISSED = 1.005
"""By which a pose may miss what was foretold more than those sampled did, before it is sampled too."""


@dataclass(frozen=True, eq=False)
class Moved:
    """What a change does to a task: to the quantile at the coverage at the worst pose [m], and to the yield."""

    at_coverage: Difference
    passing: Difference | None


@dataclass(frozen=True, eq=False)
class Probe:
    """A study sampled at the poses that matter, to hold changes of its machine against.

    Parameters
    ----------
    study : Study
        With the plan that was sampled.
    result : Result
        Of those poses.
    poses : list of PoseSet
        Those poses, of every task.
    sides : list of Evaluated
    surveys : list of Surveyed
    ratios : list of (poses,)
        The quantile at the coverage over the rms of first order.
    spec : RunSpec
    run_options : RunOptions
    """

    study: Study
    result: Result
    poses: list[PoseSet]
    sides: list[Evaluated]
    surveys: list[Surveyed]
    ratios: list[Array]
    spec: RunSpec
    run_options: RunOptions

    @staticmethod
    def of(study: Study, run_options: RunOptions) -> Probe:
        """Sample a study.

        Parameters
        ----------
        study : Study
        run_options : RunOptions

        Returns
        -------
        Probe

        Raises
        ------
        RunError
            As `Study.run`.
        """
        base, poses, result, sampled = at_largest_errors(study, run_options)
        plan = base.scenario.plan
        spec = replace(sampled.spec, plan=plan)
        sides = [
            Evaluated(task.name, task.poses, sampled, of_task.configurations, n)
            for n, (task, of_task) in enumerate(zip(result.tasks, poses, strict=True))
        ]
        required = study.scenario.requirement is not None
        surveys = [survey(spec, side.configurations, run_options.threads, required) for side in sides]
        ratios = []
        for side, surveyed in zip(sides, surveys, strict=True):
            rms = np.sqrt(surveyed.mean_square)
            ratios.append(np.divide(side.table.column("error.at_coverage"), rms, out=np.zeros_like(rms), where=rms > 0))
        return Probe(base, result, poses, sides, surveys, ratios, spec, run_options)

    def with_machine(self, machine: Machine) -> list[Moved]:
        """What another machine does, of every task; it draws the same numbers for what it has in common."""
        plan, spec = self.spec.plan, self.spec
        draws = UnitDraws(machine.terms, plan, True) if spec.layout.unit_block >= plan.units else None
        with_it = RunSpec(machine, plan, spec.coverage, spec.layout, draws=draws)
        required, threads = self.study.scenario.requirement, self.run_options.threads
        changed = [survey(with_it, side.configurations, threads, required is not None) for side in self.sides]
        foretold = [ratio * np.sqrt(after.mean_square) for ratio, after in zip(self.ratios, changed, strict=True)]
        near = [np.flatnonzero(error >= NEAR_WORST * error.max()) for error in foretold]
        study = self.study.with_scenario(machine=machine)
        while True:
            few = [
                poses.only([poses.names[n] for n in numbers.tolist()])
                for poses, numbers in zip(self.poses, near, strict=True)
            ]
            judged, sampled = study.judge(few, self.run_options.silent)
            more = [_may_be_worse(*row) for row in zip(foretold, near, judged, strict=True)]
            if not any(len(numbers) for numbers in more):
                break
            near = [np.union1d(numbers, further) for numbers, further in zip(near, more, strict=True)]
        out = []
        for n, (side, task) in enumerate(zip(self.sides, judged, strict=True)):
            other = Evaluated(task.name, task.table, sampled, few[n].configurations, n)
            limits, path = required_at(required, task.name), side.configurations.is_path
            surveys = self.surveys[n], changed[n]
            both = (passing(limits, path, surveyed.extremes, surveyed.operating)[0] for surveyed in surveys)
            out.append(Moved(at_worst_pose(side, other), None if required is None else share_difference(*both)))
        return out


def at_largest_errors(study: Study, run_options: RunOptions) -> tuple[Study, list[PoseSet], Result, Samples]:
    """A study sampled at all poses of every task, or at the `MOST_POSES` with the largest errors.

    Parameters
    ----------
    study : Study
    run_options : RunOptions

    Returns
    -------
    study : Study
        With the plan that was sampled.
    poses : list of PoseSet
    result : Result
    samples : Samples
        Both of those poses.
    """
    every = study.find(run_options.progress)
    result, sampled = study.evaluate(every, run_options)
    few = []
    for task, poses in zip(result.tasks, every, strict=True):
        order = np.argsort(-task.column("error.at_coverage"), kind="stable")[:MOST_POSES]
        few.append(poses.only([poses.names[n] for n in sorted(order.tolist())]))
    base = study.with_scenario(plan=replace(sampled.spec.plan, tolerance=None))
    if any(len(some.names) < len(poses.names) for some, poses in zip(few, every, strict=True)):
        result, sampled = base.evaluate(few, run_options.without_notes)
    return base, few, result, sampled


def _may_be_worse(foretold: Array, near: NDArray[np.intp], judged: Judged) -> NDArray[np.intp]:
    """Poses not sampled that may be worse than all that were, if they miss what was foretold as those did."""
    quantile = judged.table.column("error.at_coverage")
    missed = float(np.max(quantile / np.maximum(foretold[near], 1e-300), initial=1.0))
    return np.setdiff1d(np.flatnonzero(foretold * missed * MISSED > quantile.max()), near)
