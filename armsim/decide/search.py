"""What a search for a set of encoders knows: options, ratios that sampled designs have told, laws of the visits."""

from __future__ import annotations

import copy
import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy.special import ndtri

from armsim.arrays import Array
from armsim.assessment import Judged
from armsim.decide.allocate import confirming_seed, required
from armsim.decide.decision_records import Fitted
from armsim.decide.option_moments import fixed_part, option_parts, shared_terms
from armsim.decide.program import ALIKE, Choice, Program
from armsim.decide.ripple_filter import smooth_enough
from armsim.errormodel.distributions import NORMAL_95
from armsim.errors import InputError, Problem
from armsim.model.joint_options import Option, Options
from armsim.model.machine import Machine
from armsim.sampling.sampler import Progress, Samples
from armsim.sampling.visit_law import integrate
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
"""Largest RP over the rms of the visits, m + 3 s with m^2 + s^2 = 1; likewise of its change over a distance of laws."""
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

    ``requirement`` is what the ratios and the program go by; every design is judged by that of the study.
    """

    def __init__(self, study: Study, options: Options, workers: int | None, progress: Progress, memory: int) -> None:
        self.requirement = required(study)
        plan = replace(study.scenario.plan, tolerance=None)
        options = smooth_enough(study, options)
        self.study, self.options, self.workers, self.memory = study.with_scenario(plan=plan), options, workers, memory
        self.found, self.tasks = study.find(progress), study.scenario.tasks
        configurations = [poses.configurations for poses in self.found]
        machine = study.scenario.machine
        shared = shared_terms(machine, options)
        self.parts = option_parts(machine, options, configurations, shared)
        self.fixed = fixed_part(machine, configurations, shared)
        poses = len(self.fixed.scatter)
        self.ratio = np.full(poses, NORMAL_95**2)  # a normal law along a line: where the first design is looked for
        self.margin = MARGIN
        self.names = [
            (task.name, name)
            for task, poses in zip(study.scenario.tasks, self.found, strict=True)
            for name in poses.names
        ]
        self.ledger = Ledger()
        self.progress = progress

    @cached_property
    def of_position(self) -> Search:
        """The search by the error alone, whatever else is required, taught; both share what was sampled."""
        asked = self.requirement
        if asked.repeatability is None and asked.yield_ is None:
            return self
        out = copy.copy(self)
        out.requirement = replace(asked, repeatability=None, yield_=None)
        out.ratio, out.margin = np.full(len(self.ratio), NORMAL_95**2), MARGIN
        out.taught()
        return out

    def program(self) -> Program:
        """The program for the ratios as they are known. Of RP it holds what no design can evade: RP >= S."""
        asked = self.requirement
        visit_limit = np.full(len(self.ratio), np.inf)
        if asked.repeatability is not None:
            visit_limit[:] = (asked.repeatability * (1 + SURELY)) ** 2
        return Program(self.options, self.parts, self.fixed, asked.position**2 / self.ratio, visit_limit)

    def machine(self, choice: Choice) -> Machine:
        """The machine of a choice."""
        joints = tuple(own[n].joint for own, n in zip(self.options.joints, choice, strict=True))
        return replace(self.study.scenario.machine, joints=joints)

    def design(self, choice: Choice) -> tuple[Fitted, ...]:
        """What every joint is fitted with."""
        rows: list[Fitted] = []
        for own, n in zip(self.options.joints, choice, strict=True):
            option: Option = own[n]
            rows.append(Fitted(option.joint.name, option.encoder, option.mounting, option.placement, option.price))
        return tuple(rows)

    def sample(
        self,
        choice: Choice,
        found: Sequence[PoseSet] | None = None,
        units: int | None = None,
        seed: int | None = None,
    ) -> tuple[tuple[Judged, ...], Samples]:
        """Sample a choice at all poses, or some; with all units, or some; with the seed of the scenario, or another."""
        self.ledger.designs.add(choice)
        count = len(self.ledger.designs)
        self.progress("designs sampled", count, max(count, ROUNDS))
        plan = self.study.scenario.plan
        own = replace(plan, units=min(plan.units, units or plan.units), seed=plan.seed if seed is None else seed)
        study = self.study.with_scenario(machine=self.machine(choice), plan=own)
        tasks, sampled = study.judge(self.found if found is None else found, self.workers, memory=self.memory)
        if found is None and own == plan:
            self.ledger.verdicts[choice] = tasks
        return tasks, sampled

    def verdict(self, choice: Choice) -> tuple[Judged, ...]:
        """A choice sampled whole, once."""
        known = self.ledger.verdicts
        return known[choice] if choice in known else self.sample(choice)[0]

    @property
    def confirming_seed(self) -> int:
        """Seed of a population that the search does not see."""
        return confirming_seed(self.study.scenario.plan.seed)

    def asked_of(self, tasks: Sequence[Judged], sampled: Samples) -> Array:
        """What a sampled choice has to hold within the position at every pose, shape (poses,). [m]"""
        error = np.concatenate([task.table.column("error.at_coverage") for task in tasks])
        share = self.requirement.yield_
        return error if share is None else np.maximum(error, _accuracy_at_all_poses(share, tasks, sampled))

    def learn(self, choice: Choice, tasks: Sequence[Judged], sampled: Samples, program: Program) -> None:
        """Take the ratios of a sampled choice."""
        self.ratio = self.asked_of(tasks, sampled) ** 2 / np.maximum(program.square(choice), 1e-30)
        # ratios are no surer than the sample: the margin is not narrower than its intervals
        for task in tasks:
            ends = task.interval
            if ends is not None and task.summary.at_coverage > 0:
                self.margin = max(self.margin, (ends[1] / task.summary.at_coverage) ** 2)

    def nearest(self, program: Program) -> tuple[Choice, float]:
        """`Program.closest` among all choices.

        Raises
        ------
        InputError
            The limits of the catalogue leave none.
        """
        found = program.closest()
        if found is None:
            wrong, accepted = "limits and stock leave no choice at all", "limits that one choice keeps"
            raise InputError(Problem("catalogue", 0, 0, "limits", wrong, accepted))
        return found

    def taught(self) -> Program:
        """The program for ratios that a few sampled designs have told."""
        for left in reversed(range(ROUNDS)):
            program = self.program()
            choice = program.cheapest() or self.nearest(program)[0]
            self.learn(choice, *self.sample(choice, units=LEARNING_UNITS if left else None), program)
        return self.program()

    def tighten(self, program: Program, choice: Choice, tasks: Sequence[Judged]) -> None:
        """Where a sampled choice exceeds the position, its own ratio bounds what is like it, with a narrow margin."""
        place = {name: n for n, name in enumerate(self.names)}
        square = program.square(choice)
        for task in tasks:
            for name, quantile in zip(task.table.names, task.table.column("error.at_coverage").tolist(), strict=True):
                if quantile > self.requirement.position:
                    n = place[task.name, name]
                    own = square[n] * (self.requirement.position / quantile) ** 2 * NEAR / self.margin
                    program.limit[n] = min(program.limit[n], own)

    def alike(self, tasks: Sequence[Judged], sampled: Samples) -> float:
        """Share of a limit by which a joint may be better and the choice yet be no better than this one, which fails.

        All joints together may then make up for half of what it exceeds, in mean square.
        """
        error = self.asked_of(tasks, sampled)
        excess = (float(error.max()) / self.requirement.position) ** 2 - 1
        return max(ALIKE, excess / (2 * len(self.options.joints)))

    def excess(self, program: Program, choice: Choice) -> Excess | None:
        """Where RP of a choice exceeds its limit by most, for certain; None where it does nowhere."""
        limit = self.requirement.repeatability
        if limit is None:
            return None
        rms = np.sqrt(program.visit_square(choice))
        order = np.argsort(-rms, kind="stable")
        order = order[rms[order] * LEAST > limit]  # elsewhere RP cannot reach it
        for start in range(0, len(order), AT_ONCE):
            poses = order[start : start + AT_ONCE]
            repeatability, half_width = self.repeatability(program, choice, poses)
            beyond = repeatability - 2.0 * half_width - limit * (1 + SURELY)
            most = int(np.argmax(beyond))
            if beyond[most] > 0:
                return Excess(int(poses[most]), float(repeatability[most]), float(beyond[most]))
        return None

    def repeatability(self, program: Program, choice: Choice, poses: np.ndarray) -> tuple[Array, Array]:
        """RP of a choice at poses by the law of its visits, and half of the interval of the integration. [m]"""
        parts = [program.fixed, *(own[n] for own, n in zip(self.parts, choice, strict=True))]
        every = [own for part in parts for own in part.of_visits.values()]
        gains = np.zeros((len(poses), len(every), 3))
        for k, own in enumerate(every):
            gains[:, k] = own.gain[poses]
        value, _, half, _ = integrate(tuple(own.law for own in every), gains, self.study.scenario.plan)
        return value, half

    def few(self, program: Program, choice: Choice) -> list[PoseSet]:
        """The poses of each task with the largest loads of either limit."""
        out, at = [], 0
        loads = program.loads(choice)
        for poses in self.found:
            own = loads[:, at : at + len(poses.names)]
            at += len(poses.names)
            half = max(1, FEW // len(own))
            order = sorted(set(np.argsort(-own, axis=1, kind="stable")[:, :half].ravel().tolist()))
            out.append(replace(poses.only([poses.names[n] for n in order]), unreachable=()))
        return out

    def cheaper(self, below: float, most: int) -> Iterator[Choice] | None:
        """Every admissible choice below a price, the dearest first; None where there are too many to be listed."""
        sizes = [len(own) for own in self.options.joints]
        if math.prod(float(size) for size in sizes) > most:
            return None
        prices = [np.array([option.price for option in own]) for own in self.options.joints]
        total = prices[0]
        for own in prices[1:]:
            total = (total[:, None] + own).ravel()
        listed = itertools.product(*(range(size) for size in sizes))
        kept = [choice for choice, price in zip(listed, total.tolist(), strict=True) if price < below]
        kept.sort(key=lambda choice: -sum(own[n] for own, n in zip(prices, choice, strict=True)))
        of = self.options.joints
        return (choice for choice in kept if self.options.admits([own[n] for own, n in zip(of, choice, strict=True)]))

    @property
    def least_price(self) -> float:
        """Of the cheapest option at every joint together: nothing can cost less."""
        return float(sum(min(option.price for option in own) for own in self.options.joints))

    def accuracy_fails(self, tasks: Sequence[Judged], sampled: Samples) -> bool:
        """Whether a sampled choice fails by what moves its barycentres or all its errors, and not by RP alone."""
        asked = self.requirement
        for task, sample in zip(tasks, sampled.tasks, strict=True):
            if "position" in task.summary.failed:
                return True
            if asked.yield_ is not None and float(np.mean(sample.worst[0] <= asked.position)) < asked.yield_:
                return True
        return False


def _accuracy_at_all_poses(share: float, tasks: Sequence[Judged], sampled: Samples) -> Array:
    """AP at every pose of the units that must pass, raised so that its largest is that over all poses of a task.

    A unit must hold at all poses at once, so that the quantile over units of its worst pose is what counts.
    """
    out = []
    for task, sample in zip(tasks, sampled.tasks, strict=True):
        p50, p95 = (task.table.column(f"accuracy.{p}") for p in ("p50", "p95"))
        # nearly normal between the two quantiles that are kept
        own = p50 + float(ndtri(min(max(share, 0.5), 0.999)) / ndtri(0.95)) * (p95 - p50)
        worst = float(np.quantile(sample.worst[0], share))
        out.append(own * worst / max(float(own.max()), 1e-30))
    return np.concatenate(out)
