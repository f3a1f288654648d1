"""State of a search for a set of encoders: options, sampled designs, and the ratios learned from them."""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np

from armsim.arrays import Array
from armsim.assessment import AssessedTask
from armsim.criteria import CRITERIA, POSITION_CRITERION, Criterion
from armsim.decide.allocate import confirmation_seed, requirement_of
from armsim.decide.decision_records import FittedEncoder
from armsim.decide.designs import fitted_encoders
from armsim.decide.joint_filter import meeting_joint_requirements
from armsim.decide.ledger import Ledger
from armsim.decide.option_moments import fixed_moments, joint_machines, moments_of_options, shared_terms
from armsim.decide.program import EQUAL_SHARE, Choice, Program
from armsim.decide.utilisations import (
    limited_quantities,
    limits_of_errors,
    quantiles,
    smallest_error_limits,
    utilisations_by_quantity,
)
from armsim.decide.visit_bounds import FAILURE_MARGIN, Excess, VisitLimit, mean_square_limit, visit_excess, visit_limits
from armsim.errormodel.distributions import NORMAL_95
from armsim.errors import InputError, Problem
from armsim.model.joint_options import Options
from armsim.model.machine import Machine
from armsim.results.figure import Figure
from armsim.run_options import RunOptions
from armsim.sampling.sampler import Samples
from armsim.study import Study
from armsim.tasks import PoseSet

MARGIN = 1.06
"""Factor by which the limits of the mean square error in the program are widened; 3 % in the quantile."""
LEARNING_UNITS = 512
"""Units (simulated arms) per design sampled to estimate the ratios; the last design is sampled with all units."""
LEARNING_VISITS = 4
"""Visits of each such unit; the quantile of the pooled errors does not depend on their number but for its scatter."""
ROUNDS = 3
"""Number of designs sampled to estimate the ratios."""
FEW_POSES, MORE_POSES = 16, 64
"""Numbers of poses of each task, those with the largest utilisation, at which a design is sampled first, and next."""


class Search:
    """A scenario, its options, and the ratios estimated so far.

    A ratio is the square of the largest utilisation (figure divided by limit) of the errors, divided by the first-order
    mean square error: one for every pose [m^-2], another for its orientation [rad^-2] if that is limited. The error
    ratio is the squared quantile of the leading criterion, divided by the mean square error. [1]

    Parameters
    ----------
    study : Study
    options : Options
    run_options : RunOptions
    """

    def __init__(self, study: Study, options: Options, run_options: RunOptions = RunOptions()) -> None:
        self.requirement = requirement_of(study)
        plan = replace(study.scenario.plan, tolerance=None)
        options = meeting_joint_requirements(study, options, run_options.check_stop)
        self.study, self.options, self.run_options = study.with_scenario(plan=plan), options, run_options
        self.poses, self.tasks = study.find(run_options.progress), study.scenario.tasks
        self.visit_limits: Sequence[VisitLimit] = visit_limits(self.requirement, self.tasks, self.poses)
        self.criteria: Sequence[Criterion] = CRITERIA
        self.configurations = [poses.configurations for poses in self.poses]
        machine = study.scenario.machine
        joints = joint_machines(machine, options)
        self.shared = shared_terms(machine, options, joints, run_options.check_stop)
        self.quantities = limited_quantities(self.requirement, self.tasks)
        self.turning = self.quantities != [POSITION_CRITERION.quantity]
        self.option_moments = moments_of_options(
            machine, options, self.configurations, self.shared, self.turning, joints, run_options.check_stop
        )
        self.fixed_moments = fixed_moments(machine, self.configurations, self.shared, self.turning)
        self.ratio = self._first_ratio()
        self.error_ratio = np.full(len(self.fixed_moments.visit_variance), NORMAL_95**2)
        self.margin = MARGIN
        self.names = [
            (task.name, name)
            for task, poses in zip(study.scenario.tasks, self.poses, strict=True)
            for name in poses.names
        ]
        self.ledger = Ledger()

    @cached_property
    def by_leading_criterion(self) -> Search:
        """The search by the leading criterion alone, whatever else is required; both share the sampled designs."""
        others = [criterion for criterion in CRITERIA if criterion is not POSITION_CRITERION]
        if not any(
            criterion.required(self.requirement.at_task(task.name)) for criterion in others for task in self.tasks
        ):
            return self
        out = copy.copy(self)
        out.criteria, out.visit_limits = (POSITION_CRITERION,), ()
        # the ratios of the leading criterion are known from a design of the whole search: one round, of few arms
        out.ratio, out.margin = out._first_ratio(), MARGIN
        out.ratio[: len(self.error_ratio)] *= self.error_ratio / NORMAL_95**2
        out._learn_cheapest(LEARNING_UNITS)
        return out

    def program(self) -> Program:
        """Integer program for the ratios estimated so far, with the limits on visits that every design must meet."""
        poses = len(self.names)
        return Program(
            self.options,
            self.option_moments,
            self.fixed_moments,
            np.divide(1.0, self.ratio, out=np.full(len(self.ratio), np.inf), where=self.ratio > 0.0),
            mean_square_limit(self.visit_limits, Figure.REPEATABILITY, poses),
            mean_square_limit(self.visit_limits, Figure.ORIENTATION_REPEATABILITY, poses),
            self.run_options.check_stop,
        )

    def _first_ratio(self) -> Array:
        """Ratio for a normal distribution along a line, with which the search starts."""
        limits = smallest_error_limits(self.requirement, self.tasks, self.poses, self.quantities, self.criteria)
        return NORMAL_95**2 / limits**2

    def with_options(self, options: Options) -> Search:
        """The search with other prices or limits of the same options; both share the sampled designs."""
        out = copy.copy(self)
        out.__dict__.pop("by_leading_criterion", None)
        out.options = options
        return out

    def with_added_options(self, options: Options) -> Search:
        """The search with options added after those of every joint; both share the sampled designs."""
        machine = self.study.scenario.machine
        if {*shared_terms(machine, options, check_stop=self.run_options.check_stop)} != {*self.shared}:
            out = Search(self.study, options, self.run_options)
            out.ledger = self.ledger
            return out
        rows = zip(options.joints, self.option_moments, strict=True)
        further = replace(options, joints=tuple(row[len(parts) :] for row, parts in rows))
        parts = moments_of_options(
            machine, further, self.configurations, self.shared, self.turning, check_stop=self.run_options.check_stop
        )
        out = self.with_options(options)
        out.option_moments = [[*present, *added] for present, added in zip(self.option_moments, parts, strict=True)]
        return out

    def mass(self, choice: Choice) -> float:
        """Mass of all encoders of a choice. [kg]"""
        return sum(row[n].mass for row, n in zip(self.options.joints, choice, strict=True))

    def admits(self, choice: Choice) -> bool:
        """Whether a choice is within the limits of the options."""
        return self.options.admits([row[n] for row, n in zip(self.options.joints, choice, strict=True)])

    def machine(self, choice: Choice) -> Machine:
        """The machine of a choice."""
        chosen = [row[n] for row, n in zip(self.options.joints, choice, strict=True)]
        return replace(self.study.scenario.machine, joints=self.options.fitted_joints(chosen))

    def study_of(self, choice: Choice) -> Study:
        """The study with the machine of a choice."""
        return self.study.with_scenario(machine=self.machine(choice))

    def design(self, choice: Choice) -> tuple[FittedEncoder, ...]:
        """Encoder, mounting and placement of every joint."""
        return fitted_encoders(self.options, choice)

    def sample(
        self,
        choice: Choice,
        poses: Sequence[PoseSet] | None = None,
        units: int | None = None,
        seed: int | None = None,
        visits: int | None = None,
    ) -> tuple[tuple[AssessedTask, ...], Samples]:
        """Sample a choice.

        Parameters
        ----------
        choice : Choice
        poses : sequence of PoseSet, optional
            Poses of every task; by default all.
        units : int, optional
            Largest number of units; by default that of the scenario.
        seed : int, optional
            By default that of the scenario.
        visits : int, optional
            Largest number of visits; by default that of the scenario.

        Returns
        -------
        (tuple of AssessedTask, Samples)
        """
        self.ledger.designs.add(choice)
        count = len(self.ledger.designs)
        self.run_options.progress("designs sampled", count, max(count, ROUNDS))
        plan = self.study.scenario.plan
        of_choice = replace(
            plan,
            units=min(plan.units, units or plan.units),
            visits=min(plan.visits, visits or plan.visits),
            seed=plan.seed if seed is None else seed,
        )
        study = self.study_of(choice).with_scenario(plan=of_choice)
        tasks, sampled = study.judge(self.poses if poses is None else poses, self.run_options.silent)
        if poses is None and of_choice == plan:
            self.ledger.full_assessments[choice] = tasks
        return tasks, sampled

    def full_assessment(self, choice: Choice) -> tuple[AssessedTask, ...]:
        """Judgements of a choice at every task, sampled with all units at all poses; computed once."""
        assessments = self.ledger.full_assessments
        return assessments[choice] if choice in assessments else self.sample(choice)[0]

    @property
    def confirmation_seed(self) -> int:
        """Seed of a population that the search does not see."""
        return confirmation_seed(self.study.scenario.plan.seed)

    def learn(self, choice: Choice, tasks: Sequence[AssessedTask], sampled: Samples, program: Program) -> None:
        """Update the ratios of sampled to first-order errors.

        Parameters
        ----------
        choice : Choice
        tasks : sequence of AssessedTask
            As sampled at all poses.
        sampled : Samples
        program : Program
        """
        square = np.maximum(program.mean_square(choice), 1e-30)
        self.ratio = self.utilisations(tasks, sampled) ** 2 / square
        errors = np.concatenate([quantiles(POSITION_CRITERION, task) for task in tasks])
        self.error_ratio = errors**2 / square[: len(errors)]
        # ratios are as uncertain as the sample: the margin is not narrower than its intervals
        of_errors = [criterion.name for criterion in self.criteria if criterion.error_column]
        for judgement in (judgement for task in tasks for judgement in task.summary.judgements):
            if judgement.criterion in of_errors and judgement.interval is not None and judgement.value > 0:
                self.margin = max(self.margin, (judgement.interval[1] / judgement.value) ** 2)

    @property
    def leading_limits(self) -> dict[str, float]:
        """Limit of the leading criterion at every task. [m]"""
        limits = {}
        for task in self.tasks:
            limit = POSITION_CRITERION.limit(self.requirement.at_task(task.name))
            limits[task.name] = math.inf if limit is None else limit
        return limits

    def predicted_error(self, program: Program, choice: Choice) -> float:
        """Predicted quantile of the leading criterion at the pose where it is largest relative to its limit.

        Parameters
        ----------
        program : Program
        choice : Choice

        Returns
        -------
        float [m]
        """
        square = program.mean_square(choice)[: len(self.error_ratio)] * self.error_ratio
        limits = np.array([self.leading_limits[task] for task, _ in self.names])
        return float(np.sqrt(square[np.argmax(square / limits**2)]))

    def nearest(self, program: Program) -> tuple[Choice, float]:
        """`Program.closest` among all choices.

        Raises
        ------
        InputError
            The limits of the catalogue exclude all choices.
        """
        nearest = program.closest()
        if nearest is None:
            wrong, accepted = "the limits and the stock leave no choice", "limits that one choice keeps"
            raise InputError(Problem("catalogue", 0, 0, "limits", wrong, accepted))
        return nearest

    def trained_program(self) -> Program:
        """Program with ratios from a few sampled designs."""
        for rounds in reversed(range(ROUNDS)):
            self._learn_cheapest(LEARNING_UNITS if rounds else None)
        return self.program()

    def _learn_cheapest(self, units: int | None) -> None:
        program = self.program()
        choice = program.cheapest() or self.nearest(program)[0]
        visits = None if units is None else LEARNING_VISITS
        self.learn(choice, *self.sample(choice, units=units, visits=visits), program)

    def tighten_limits(self, program: Program, choice: Choice, tasks: Sequence[AssessedTask]) -> None:
        """Tighten the limits of the program at the poses where a sampled choice exceeds a limit.

        There the ratio of that choice, with a narrow margin, replaces the general one, so that similar choices fail
        too.

        Parameters
        ----------
        program : Program
            Its limits are tightened.
        choice : Choice
        tasks : sequence of AssessedTask
        """
        position_of = {name: n for n, name in enumerate(self.names)}
        square = program.mean_square(choice)
        for task, poses in zip(tasks, self.poses, strict=True):
            for criterion, limit in self._limits_of_errors(task.name, poses):
                start = self.quantities.index(criterion.quantity) * len(self.names)
                for name, quantile in zip(task.table.names, quantiles(criterion, task).tolist(), strict=True):
                    if quantile > limit:
                        n = start + position_of[task.name, name]
                        bound = square[n] * (limit / quantile) ** 2 * FAILURE_MARGIN / self.margin
                        program.limit[n] = min(program.limit[n], bound)

    def no_better_share(self, utilisation: float) -> float:
        """Relative improvement of a joint up to which a choice counts as no better than a failed one.

        All joints together may then reduce the mean square error by half of its excess over the limit.

        Parameters
        ----------
        utilisation : float
            Largest ratio of a figure of the errors of the failed choice to its limit.

        Returns
        -------
        float
            Share of the limit.
        """
        return max(EQUAL_SHARE, (utilisation**2 - 1) / (2 * len(self.options.joints)))

    def visit_excess(self, program: Program, choice: Choice) -> Excess | None:
        """Excess at the pose at which the visits of a choice certainly exceed a limit; None if there is no such pose.

        Parameters
        ----------
        program : Program
        choice : Choice

        Returns
        -------
        Excess, optional
        """
        return visit_excess(self.visit_limits, program, choice, self.study.scenario.plan)

    def hard_poses(self, program: Program, choice: Choice, number: int = FEW_POSES) -> list[PoseSet]:
        """Poses of each task with the largest utilisation of every limit.

        Parameters
        ----------
        program : Program
        choice : Choice
        number : int
            Largest number of poses per task.

        Returns
        -------
        list of PoseSet
        """
        out, first_row = [], 0
        utilisations = program.utilisations(choice)
        for poses in self.poses:
            at_task = utilisations[:, first_row : first_row + len(poses.names)]
            first_row += len(poses.names)
            most = max(1, number // len(at_task))
            order = sorted(set(np.argsort(-at_task, axis=1, kind="stable")[:, :most].ravel().tolist()))
            out.append(replace(poses.select([poses.names[n] for n in order]), unreachable=()))
        return out

    def utilisations(self, tasks: Sequence[AssessedTask], sampled: Samples) -> Array:
        """Largest utilisation of a sampled choice at every pose, as in `error_utilisations`, then of the orientation.

        Parameters
        ----------
        tasks : sequence of AssessedTask
        sampled : Samples

        Returns
        -------
        (rows,)
            One per pose, and one more per pose for the orientation if that is limited.
        """
        paths = [poses.configurations.is_path for poses in self.poses]
        return np.concatenate(
            utilisations_by_quantity(self.requirement, tasks, sampled.tasks, paths, self.quantities, self.criteria)
        )

    def _limits_of_errors(self, task: str, poses: PoseSet) -> list[tuple[Criterion, float]]:
        """Criteria on the error that the search considers, with their limits at a task."""
        return [*limits_of_errors(self.requirement.at_task(task), poses.configurations.is_path, self.criteria)]
