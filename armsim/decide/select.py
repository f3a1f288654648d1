"""The cheapest set of encoders that meets the requirement, and why nothing cheaper does.

The quantile at the coverage is tied to the mean square error by a ratio at every pose, and RP to the visit part of it;
first designs, sampled, tell both; where a yield is asked for, AP and RP are those of the units that must pass at all
poses. The program then gives designs in the order of their price, with limits wider than the requirement by a margin,
since the ratios differ a little from design to design. Each is sampled: the first that holds is the answer. Every
cheaper one was sampled and failed, is no better at any joint than one that failed, or exceeds the limits by more than
the margin. Of these the closest are sampled too; should one hold, the margin was too small and is widened.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from scipy.special import ndtri

from armsim.decide.allocate import required
from armsim.decide.moments import fixed_part, option_parts
from armsim.decide.program import ALIKE, Choice, Program
from armsim.engine.layout import MEMORY
from armsim.engine.run import Progress, Sampled
from armsim.errors import InputError, Problem
from armsim.judgement import NAMED, Judged
from armsim.model.machine import Machine
from armsim.model.options import Option, Options
from armsim.present import percent, show
from armsim.results import Requirement
from armsim.spreads import Array
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
MOST_SAMPLED = 100
"""Designs sampled before the search is given up."""
FEW = 16
"""Poses of each task, those with the largest load, at which a design is tried first."""
SHOWN_NEXT = 3
"""Cheaper designs that come closest, shown with the pose and measure at which they fail."""


@dataclass(frozen=True)
class Fitted:
    """What a joint is fitted with."""

    joint: str
    encoder: str
    mounting: str
    placement: str
    price: float


@dataclass(frozen=True)
class Refuted:
    """A cheaper design that was sampled and does not hold, and where it fails."""

    price: float
    design: tuple[Fitted, ...]
    reasons: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Selection:
    """The answer.

    Parameters
    ----------
    design : tuple of Fitted, optional
        None where no choice meets the requirement.
    price : float, optional
    tasks : tuple of Judged
        Of the design sampled at all poses; where nothing holds, of that which comes closest.
    closest : tuple of Fitted
        That one.
    refuted : tuple of Refuted
        Every cheaper design that the margin leaves open, each sampled; and of those beyond it the closest.
    sampled : int
        Designs sampled.
    margin : float
        By how much, in mean square, the limits of the program are wider than the requirement.
    proved : bool
        Whether the search was carried to its end.
    machine : Machine
        Of the closest.
    """

    design: tuple[Fitted, ...] | None
    price: float | None
    tasks: tuple[Judged, ...]
    closest: tuple[Fitted, ...]
    refuted: tuple[Refuted, ...]
    sampled: int
    margin: float
    proved: bool
    machine: Machine

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "format": "armsim-selection/1",
            "met": self.design is not None,
            "price": self.price,
            "design": None if self.design is None else [row.__dict__ for row in self.design],
            "closest": [row.__dict__ for row in self.closest],
            "refuted": [
                {"price": row.price, "design": [part.__dict__ for part in row.design], "reasons": row.reasons}
                for row in self.refuted
            ],
            "sampled": self.sampled,
            "margin": self.margin,
            "proved": self.proved,
            "tasks": {
                task.name: {"at_coverage": task.summary.at_coverage, "worst_pose": task.summary.worst_pose}
                for task in self.tasks
            },
        }


class Search:
    """A scenario, its options, and the ratios learned so far."""

    def __init__(self, study: Study, options: Options, workers: int | None, progress: Progress, memory: int) -> None:
        self.requirement = required(study)
        plan = replace(study.scenario.plan, tolerance=None)
        self.study, self.options, self.workers, self.memory = study.with_scenario(plan=plan), options, workers, memory
        self.found, self.tasks = study.find(progress), study.scenario.tasks
        places = [poses.places for poses in self.found]
        machine = study.scenario.machine
        self.parts = option_parts(machine, options, places)
        self.fixed = fixed_part(machine, places)
        poses = len(self.fixed.scatter)
        self.ratio = np.full(poses, 1.959964**2)  # a normal law along a line: where the first design is looked for
        self.visit_ratio = np.full(poses, 3.616**2 / 3)  # RP of isotropic scatter over its rms: Maxwell distribution
        self.margin = MARGIN
        self.names = [
            (task.name, name)
            for task, poses in zip(study.scenario.tasks, self.found, strict=True)
            for name in poses.names
        ]
        self.sampled = 0
        self.progress = progress

    def program(self) -> Program:
        """The program for the ratios as they are known."""
        asked = self.requirement
        visit_limit = np.full(len(self.ratio), np.inf)
        if asked.repeatability is not None:
            visit_limit = asked.repeatability**2 / self.visit_ratio
        limit = asked.position**2 / self.ratio
        return Program(self.options, self.parts, self.fixed, limit, visit_limit)

    def machine(self, choice: Choice) -> Machine:
        """The machine of a choice."""
        joints = tuple(own[n].joint for own, n in zip(self.options.joints, choice, strict=True))
        return replace(self.study.scenario.machine, joints=joints)

    def design(self, choice: Choice) -> tuple[Fitted, ...]:
        """A choice in words."""
        rows: list[Fitted] = []
        for own, n in zip(self.options.joints, choice, strict=True):
            option: Option = own[n]
            rows.append(Fitted(option.joint.name, option.encoder, option.mounting, option.placement, option.price))
        return tuple(rows)

    def sample(
        self, choice: Choice, found: Sequence[PoseSet] | None = None, units: int | None = None
    ) -> tuple[tuple[Judged, ...], Sampled]:
        """Sample a choice at all poses, or at some, with all units, or with some."""
        self.sampled += 1
        self.progress("designs sampled", self.sampled, max(self.sampled, ROUNDS))
        plan = self.study.scenario.plan
        study = self.study.with_scenario(
            machine=self.machine(choice), plan=replace(plan, units=min(plan.units, units or plan.units))
        )
        return study.judge(self.found if found is None else found, self.workers, memory=self.memory)

    def asked_of(self, tasks: Sequence[Judged], sampled: Sampled) -> tuple[Array, Array | None]:
        """What a sampled choice has to hold within the position, and within the repeatability, at every pose. [m]"""
        asked = self.requirement
        error = np.concatenate([task.table.column("error.at_coverage") for task in tasks])
        if asked.yield_ is not None:
            error = np.maximum(error, _of_all_poses("accuracy", asked.yield_, tasks, sampled))
        if asked.repeatability is None:
            return error, None
        if asked.yield_ is not None:
            return error, _of_all_poses("repeatability", asked.yield_, tasks, sampled)
        # without a yield to reach, the usual share of units must hold the repeatability at every pose
        return error, np.concatenate([task.table.column("repeatability.p95") for task in tasks])

    def learn(self, choice: Choice, tasks: Sequence[Judged], sampled: Sampled, program: Program) -> None:
        """Take the ratios of a sampled choice."""
        error, rp = self.asked_of(tasks, sampled)
        self.ratio = error**2 / np.maximum(program.square(choice), 1e-30)
        if rp is not None:
            self.visit_ratio = rp**2 / np.maximum(program.visit_square(choice), 1e-30)

    def nearest(self, program: Program) -> tuple[Choice, float]:
        """`Program.closest` among all choices.

        Raises
        ------
        InputError
            The limits of the catalogue leave none.
        """
        found = program.closest()
        if found is None:
            wrong, accepted = "mass, stock and types leave no choice at all", "limits that one choice keeps"
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

    def alike(self, tasks: Sequence[Judged], sampled: Sampled) -> float:
        """Share of a limit by which a joint may be better and the choice yet be no better than this one, which fails.

        All joints together may then make up for half of what it exceeds, in mean square.
        """
        error, rp = self.asked_of(tasks, sampled)
        excess = (float(error.max()) / self.requirement.position) ** 2 - 1
        if rp is not None and self.requirement.repeatability is not None:
            excess = max(excess, (float(rp.max()) / self.requirement.repeatability) ** 2 - 1)
        return max(ALIKE, excess / (2 * len(self.options.joints)))

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


def select(
    study: Study,
    options: Options,
    workers: int | None = None,
    progress: Progress = lambda what, done, total: None,
    memory: int = MEMORY,
    note: Callable[[str], None] = lambda text: None,
) -> Selection:
    """The cheapest choice that meets the requirement at every pose of every task.

    Raises
    ------
    InputError
        There is no requirement.
    RunError
        As `Study.run`.
    """
    search = Search(study, options, workers, progress, memory)
    combinations = float(np.prod([float(len(own)) for own in options.joints]))
    poses = len(search.ratio)
    note(f"{' x '.join(str(len(own)) for own in options.joints)} options, {combinations:.3g} designs, {poses} poses")
    program = search.taught()
    if any(poses.unreachable and task.kind in NAMED for task, poses in zip(search.tasks, search.found, strict=True)):
        closest = search.nearest(program)[0]  # no sensor brings the arm where it cannot go
        return _nothing(search, closest, search.sample(closest)[0], [], proved=True)
    refuted: list[Refuted] = []
    best: Selection | None = None
    while search.sampled < MOST_SAMPLED:
        choice = program.cheapest(factor=search.margin)
        if choice is None:
            choice, least = search.nearest(program)
            tasks = search.sample(choice)[0]
            if not _met(tasks):
                return _nothing(search, choice, tasks, refuted, proved=True)
            search.margin = least * NEAR
            continue
        tasks, sampled = _tried(search, program, choice)
        if not _met(tasks):
            refuted.append(_refuted(search, program, choice, tasks))
            program.refuse(choice, search.alike(tasks, sampled))
            search.tighten(program, choice, tasks)
            continue
        price = program.price(choice)
        beyond, load = _next_cheaper(search, program, price)
        cheaper = sorted((row for row in refuted + beyond if row.price < price), key=lambda row: -row.price)
        design = search.design(choice)
        best = Selection(
            design, price, tasks, design, tuple(cheaper), search.sampled, search.margin - 1, load is None,
            search.machine(choice),
        )  # fmt: skip
        if load is None:
            return best
        search.margin = load * NEAR
    if best is not None:
        return best
    choice, _ = search.nearest(program)
    return _nothing(search, choice, search.sample(choice)[0], refuted, proved=False)


def _of_all_poses(
    which: Literal["accuracy", "repeatability"], share: float, tasks: Sequence[Judged], sampled: Sampled
) -> Array:
    """AP or RP at every pose of the units that must pass, raised so that its largest is that over all poses of a task.

    A unit must hold at all poses at once, so that the quantile over units of its worst pose is what counts.
    """
    out = []
    for task, sample in zip(tasks, sampled.tasks, strict=True):
        p50, p95 = (task.table.column(f"{which}.{p}") for p in ("p50", "p95"))
        # nearly normal between the two quantiles that are kept
        own = p50 + float(ndtri(min(max(share, 0.5), 0.999)) / ndtri(0.95)) * (p95 - p50)
        worst = float(np.quantile(sample.worst[("accuracy", "repeatability").index(which)], share))
        out.append(own * worst / max(float(own.max()), 1e-30))
    return np.concatenate(out)


def _met(tasks: Sequence[Judged]) -> bool:
    return all(task.summary.met for task in tasks)


def _tried(search: Search, program: Program, choice: Choice) -> tuple[tuple[Judged, ...], Sampled]:
    """Sampled at few poses, and at all if it holds there."""
    tasks, sampled = search.sample(choice, search.few(program, choice))
    return search.sample(choice) if _met(tasks) else (tasks, sampled)


def _refuted(search: Search, program: Program, choice: Choice, tasks: Sequence[Judged]) -> Refuted:
    reasons = tuple(f"{task.name}: {reason}" for task in tasks for reason in task.summary.reasons)
    return Refuted(program.price(choice), search.design(choice), reasons)


def _next_cheaper(search: Search, program: Program, price: float) -> tuple[list[Refuted], float | None]:
    """Of the cheaper designs beyond the margin those that come closest, sampled; the load of the first that holds."""
    out: list[Refuted] = []
    for _ in range(SHOWN_NEXT):
        nearest = program.closest(below=price - 1e-6 * max(1.0, price))
        if nearest is None:
            break
        choice, load = nearest
        tasks, sampled = _tried(search, program, choice)
        if _met(tasks):
            return out, load
        out.append(_refuted(search, program, choice, tasks))
        program.refuse(choice, search.alike(tasks, sampled))
    return out, None


def _nothing(
    search: Search, choice: Choice, tasks: tuple[Judged, ...], refuted: list[Refuted], proved: bool
) -> Selection:
    design = search.design(choice)
    margin, machine = search.margin - 1, search.machine(choice)
    return Selection(None, None, tasks, design, tuple(refuted), search.sampled, margin, proved, machine)


def answer(selection: Selection, requirement: Requirement) -> str:
    """The answer in words."""
    worst = max(selection.tasks, key=lambda task: task.summary.at_coverage)
    reached = f"{show(worst.summary.at_coverage)} at {worst.summary.worst_pose}, {worst.name}"
    if selection.design is None:
        shares = worst.table[worst.worst].shares
        parts = {(owner, cause): x for owner, own in shares.items() for cause, x in own.items()}
        owner, cause = max(parts, key=lambda key: parts[key])
        fails = "; ".join(f"{task.name}: {reason}" for task in selection.tasks for reason in task.summary.reasons)
        return (
            f"no choice meets the requirement: the closest reaches {reached}, and fails ({fails}); "
            f"in its way stands {cause} of {owner}, {percent(parts[owner, cause], 2)} of the mean square error there"
        )
    price, coverage = f"{selection.price:g}", percent(requirement.coverage)
    found = f"the cheapest choice costs {price}; {coverage} of errors lie within {reached}"
    if not selection.proved:
        return f"{found}; not proved to be the cheapest, after {selection.sampled} designs sampled"
    margins = f"{percent(selection.margin)} of the mean square error"
    narrow = f"{percent(NEAR - 1)} at poses where one like it has failed"
    return (
        f"{found}. Nothing cheaper does: every cheaper choice was sampled and failed ({len(selection.refuted)} are "
        f"listed), is at every joint and pose no better than one that failed (to {percent(ALIKE)} of the limit, or to "
        f"what makes up for half of its excess), or exceeds the limits by first order by more than {margins} "
        f"({narrow}). The program was solved to a gap of 0"
    )
