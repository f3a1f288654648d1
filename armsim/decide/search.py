"""State of a search for a set of encoders: options, ratios from sampled designs, distributions of the visits."""

from __future__ import annotations

import copy
import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from armsim.arrays import Array
from armsim.assessment import Judged
from armsim.criteria import limits_of_arms
from armsim.decide.allocate import confirming_seed, required
from armsim.decide.decision_records import Fitted
from armsim.decide.joint_filter import fit_for_joints
from armsim.decide.loads import error_loads
from armsim.decide.option_moments import fixed_part, option_parts, shared_terms
from armsim.decide.program import ALIKE, Choice, Program
from armsim.errormodel.distributions import NORMAL_95
from armsim.errors import InputError, Problem
from armsim.model.joint_options import Option, Options
from armsim.model.machine import Machine
from armsim.results.figure import Figure
from armsim.sampling.run_options import RunOptions
from armsim.sampling.sampler import Samples
from armsim.sampling.visit_distribution import integrate
from armsim.study import Study
from armsim.tasks import PoseSet

MARGIN = 1.06
"""Limits of the program over those that the ratios of the first design give, in mean square: 3 % in the quantile."""
NEAR = 1.01
"""The same at a pose at which a design like it has failed."""
LEARNING_UNITS = 512
"""Built units of the designs but for the last that are sampled to learn the ratios."""
ROUNDS = 3
"""Designs sampled to learn the ratios."""
FEW = 16
"""Poses of each task, those with the largest load, at which a design is tried first."""
LEAST = math.sqrt(10.0)
"""Largest RP over the rms of the visits, m + 3 s with m^2 + s^2 = 1; also of the change of RP over the distance of
two distributions."""
SURELY = 1e-3
"""Share of the limit by which RP must exceed it before it excludes a design without sampling. Between units RP differs
by the angles of their errors, far less."""
AT_ONCE = 64
"""Poses at which RP is integrated together."""


@dataclass(frozen=True)
class Excess:
    """RP of a design above its limit: at which pose, how large, and by how much for certain. [m]"""

    pose: int
    repeatability: float
    excess: float


@dataclass(eq=False)
class Ledger:
    """Designs that were sampled: any of them may be the answer.

    Parameters
    ----------
    designs : set of Choice
        Sampled at all, some at few poses or of few units.
    verdicts : mapping of Choice to its tasks
        Sampled whole: all units of the scenario's own population, at all poses.
    """

    designs: set[Choice] = field(default_factory=set)
    verdicts: dict[Choice, tuple[Judged, ...]] = field(default_factory=dict)


class Search:
    """A scenario, its options, and the ratios learned so far.

    ``requirement`` is what the ratios and the program go by; every design is judged by that of the study. A ratio is
    that of the square of the largest load (figure over limit) and the mean square error, at every pose. [m^-2]
    """

    def __init__(self, study: Study, options: Options, run_options: RunOptions = RunOptions()) -> None:
        self.requirement = required(study)
        plan = replace(study.scenario.plan, tolerance=None)
        options = fit_for_joints(study, options)
        self.study, self.options, self.run_options = study.with_scenario(plan=plan), options, run_options
        self.poses, self.tasks = study.find(run_options.progress), study.scenario.tasks
        configurations = [poses.configurations for poses in self.poses]
        machine = study.scenario.machine
        shared = shared_terms(machine, options)
        self.option_moments = option_parts(machine, options, configurations, shared)
        self.fixed = fixed_part(machine, configurations, shared)
        poses = len(self.fixed.independent_variance)
        self.ratio = self._first_ratio()
        self.error_ratio = np.full(poses, NORMAL_95**2)
        self.margin = MARGIN
        self.names = [
            (task.name, name)
            for task, poses in zip(study.scenario.tasks, self.poses, strict=True)
            for name in poses.names
        ]
        self.ledger = Ledger()

    @cached_property
    def of_position(self) -> Search:
        """The search by the error alone, whatever else is required, with its ratios; both share what was sampled."""
        bare = self.requirement.of_errors()
        if bare == self.requirement:
            return self
        out = copy.copy(self)
        out.requirement = bare
        out.ratio, out.margin = out._first_ratio(), MARGIN
        out.trained_program()
        return out

    def program(self) -> Program:
        """The program for the ratios as they are known. Of RP it holds what no design can evade: RP >= S."""
        return Program(
            self.options,
            self.option_moments,
            self.fixed,
            1.0 / self.ratio,
            (self.repeatability_limit * (1 + SURELY)) ** 2,
        )

    def _over_poses(self, limits: Sequence[float]) -> Array:
        """One number per task, expanded to one per pose, shape (poses,)."""
        return np.concatenate(
            [np.full(len(poses.names), limit) for limit, poses in zip(limits, self.poses, strict=True)]
        )

    def _first_ratio(self) -> Array:
        """Ratio for a normal distribution along a line, with which the search starts."""
        return NORMAL_95**2 / self._over_poses([self.requirement.of(task.name).position for task in self.tasks]) ** 2

    @property
    def repeatability_limit(self) -> Array:
        """The limit of the repeatability of an arm at every pose, inf where there is none, shape (poses,). [m]"""
        least = []
        for task, poses in zip(self.tasks, self.poses, strict=True):
            limits = limits_of_arms(self.requirement.of(task.name), poses.configurations.is_path)
            least.append(
                min((limit for _, figure, limit in limits if figure is Figure.REPEATABILITY), default=math.inf)
            )
        return self._over_poses(least)

    @property
    def limits_visits(self) -> bool:
        """Whether the repeatability is limited anywhere."""
        return bool(np.isfinite(self.repeatability_limit).any())

    def machine(self, choice: Choice) -> Machine:
        """The machine of a choice."""
        joints = tuple(row[n].joint for row, n in zip(self.options.joints, choice, strict=True))
        return replace(self.study.scenario.machine, joints=joints)

    def design(self, choice: Choice) -> tuple[Fitted, ...]:
        """Encoder, mounting and placement of every joint."""
        rows: list[Fitted] = []
        for row, n in zip(self.options.joints, choice, strict=True):
            option: Option = row[n]
            rows.append(Fitted(option.joint.name, option.encoder, option.mounting, option.placement, option.price))
        return tuple(rows)

    def sample(
        self,
        choice: Choice,
        poses: Sequence[PoseSet] | None = None,
        units: int | None = None,
        seed: int | None = None,
    ) -> tuple[tuple[Judged, ...], Samples]:
        """Sample a choice, at some or all poses, with some or all units."""
        self.ledger.designs.add(choice)
        count = len(self.ledger.designs)
        self.run_options.progress("designs sampled", count, max(count, ROUNDS))
        plan = self.study.scenario.plan
        of_choice = replace(plan, units=min(plan.units, units or plan.units), seed=plan.seed if seed is None else seed)
        study = self.study.with_scenario(machine=self.machine(choice), plan=of_choice)
        tasks, sampled = study.judge(self.poses if poses is None else poses, self.run_options.silent)
        if poses is None and of_choice == plan:
            self.ledger.verdicts[choice] = tasks
        return tasks, sampled

    def verdict(self, choice: Choice) -> tuple[Judged, ...]:
        """A choice sampled whole, once."""
        verdicts = self.ledger.verdicts
        return verdicts[choice] if choice in verdicts else self.sample(choice)[0]

    @property
    def confirming_seed(self) -> int:
        """Seed of a population that the search does not see."""
        return confirming_seed(self.study.scenario.plan.seed)

    def learn(self, choice: Choice, tasks: Sequence[Judged], sampled: Samples, program: Program) -> None:
        """Update the ratios of sampled to first-order errors from a sampled choice."""
        square = np.maximum(program.square(choice), 1e-30)
        self.ratio = self.loads(tasks, sampled) ** 2 / square
        self.error_ratio = np.concatenate([task.table.column("error.at_coverage") for task in tasks]) ** 2 / square
        # ratios are no surer than the sample: the margin is not narrower than its intervals
        for task in tasks:
            ends = task.interval
            if ends is not None and task.summary.at_coverage > 0:
                self.margin = max(self.margin, (ends[1] / task.summary.at_coverage) ** 2)

    def predicted(self, program: Program, choice: Choice) -> float:
        """Predicted largest quantile at the coverage of a choice, by first order and the ratios."""
        return float(np.sqrt((program.square(choice) * self.error_ratio).max()))

    def nearest(self, program: Program) -> tuple[Choice, float]:
        """`Program.closest` among all choices.

        Raises
        ------
        InputError
            The limits of the catalogue leave none.
        """
        nearest = program.closest()
        if nearest is None:
            wrong, accepted = "the limits and the stock leave no choice", "limits that one choice keeps"
            raise InputError(Problem("catalogue", 0, 0, "limits", wrong, accepted))
        return nearest

    def trained_program(self) -> Program:
        """Program with ratios from a few sampled designs."""
        for rounds in reversed(range(ROUNDS)):
            program = self.program()
            choice = program.cheapest() or self.nearest(program)[0]
            self.learn(choice, *self.sample(choice, units=LEARNING_UNITS if rounds else None), program)
        return self.program()

    def tighten(self, program: Program, choice: Choice, tasks: Sequence[Judged]) -> None:
        """Bound choices like a sampled one that exceeds the position limit by its own ratio, with a narrow margin."""
        place = {name: n for n, name in enumerate(self.names)}
        square = program.square(choice)
        for task in tasks:
            position = self.requirement.of(task.name).position
            for name, quantile in zip(task.table.names, task.table.column("error.at_coverage").tolist(), strict=True):
                if quantile > position:
                    n = place[task.name, name]
                    bound = square[n] * (position / quantile) ** 2 * NEAR / self.margin
                    program.limit[n] = min(program.limit[n], bound)

    def alike(self, tasks: Sequence[Judged], sampled: Samples) -> float:
        """Relative improvement of a joint up to which a choice is taken as no better than this failed one.

        All joints together may then make up for half of what it exceeds, in mean square.
        """
        excess = float(self.loads(tasks, sampled).max()) ** 2 - 1
        return max(ALIKE, excess / (2 * len(self.options.joints)))

    def excess(self, program: Program, choice: Choice) -> Excess | None:
        """Pose at which RP of a choice certainly exceeds its limit by most; None where it does nowhere."""
        limit = self.repeatability_limit
        if not self.limits_visits:
            return None
        rms = np.sqrt(program.visit_square(choice))
        order = np.argsort(-rms / limit, kind="stable")
        order = order[rms[order] * LEAST > limit[order]]  # elsewhere RP cannot reach it
        for start in range(0, len(order), AT_ONCE):
            poses = order[start : start + AT_ONCE]
            repeatability, half_width = self.repeatability(program, choice, poses)
            beyond = repeatability - 2.0 * half_width - limit[poses] * (1 + SURELY)
            most = int(np.argmax(beyond))
            if beyond[most] > 0:
                return Excess(int(poses[most]), float(repeatability[most]), float(beyond[most]))
        return None

    def repeatability(self, program: Program, choice: Choice, poses: np.ndarray) -> tuple[Array, Array]:
        """RP of a choice at poses by the distribution of its visits, and the half-width of its interval."""
        parts = [program.fixed, *(row[n] for row, n in zip(self.option_moments, choice, strict=True))]
        every = [coefficient for part in parts for coefficient in part.of_visits.values()]
        gains = np.zeros((len(poses), len(every), 3))
        for k, coefficient in enumerate(every):
            gains[:, k] = coefficient.gain[poses]
        value, _, half, _ = integrate(
            tuple(coefficient.distribution for coefficient in every), gains, self.study.scenario.plan
        )
        return value, half

    def few(self, program: Program, choice: Choice) -> list[PoseSet]:
        """Poses of each task with the largest loads of either limit."""
        out, at = [], 0
        loads = program.loads(choice)
        for poses in self.poses:
            at_task = loads[:, at : at + len(poses.names)]
            at += len(poses.names)
            half = max(1, FEW // len(at_task))
            order = sorted(set(np.argsort(-at_task, axis=1, kind="stable")[:, :half].ravel().tolist()))
            out.append(replace(poses.only([poses.names[n] for n in order]), unreachable=()))
        return out

    def cheaper(self, below: float, most: int) -> Iterator[Choice] | None:
        """Admissible choices below a price, the most expensive first; None where there are too many."""
        sizes = [len(row) for row in self.options.joints]
        if math.prod(float(size) for size in sizes) > most:
            return None
        prices = [np.array([option.price for option in row]) for row in self.options.joints]
        total = prices[0]
        for further in prices[1:]:
            total = (total[:, None] + further).ravel()
        listed = itertools.product(*(range(size) for size in sizes))
        cheaper = [choice for choice, price in zip(listed, total.tolist(), strict=True) if price < below]
        cheaper.sort(key=lambda choice: -sum(row[n] for row, n in zip(prices, choice, strict=True)))
        of = self.options.joints
        return (
            choice for choice in cheaper if self.options.admits([row[n] for row, n in zip(of, choice, strict=True)])
        )

    @property
    def least_price(self) -> float:
        """Price of the cheapest option at every joint, a lower bound of all prices. [cost units]"""
        return float(sum(min(option.price for option in row) for row in self.options.joints))

    def loads(self, tasks: Sequence[Judged], sampled: Samples) -> Array:
        """Largest load of a sampled choice at every pose, as `error_loads`."""
        paths = [poses.configurations.is_path for poses in self.poses]
        return np.concatenate(error_loads(self.requirement, tasks, sampled.tasks, paths))

    def accuracy_fails(self, tasks: Sequence[Judged], sampled: Samples) -> bool:
        """Whether a sampled choice fails by accuracy or total error, and not by RP alone."""
        return float(self.loads(tasks, sampled).max()) > 1.0
