"""The cheapest set of encoders that meets the requirement, and why nothing cheaper does.

The quantile at the coverage is tied to the mean square error by a ratio at every pose, and RP to the visit part of it;
first designs, sampled, tell both. The program then gives designs in the order of their price, with limits wider than
the requirement by a margin, since the ratios differ a little from design to design. Each is sampled: the first that
holds is the answer. Every cheaper one was sampled and failed, is no better at any joint than one that failed, or
exceeds the limits by more than the margin.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import ndtri

from armsim.decide.allocate import required
from armsim.decide.moments import fixed_part, option_parts
from armsim.decide.program import ALIKE, Choice, Program
from armsim.engine.layout import MEMORY
from armsim.engine.run import Progress
from armsim.errors import InputError, Problem
from armsim.model.machine import Machine
from armsim.model.options import Option, Options
from armsim.present import percent, show
from armsim.results import Requirement, Result
from armsim.spreads import Array
from armsim.study import Study
from armsim.tasks import PoseSet

MARGIN = 1.06
"""Limits of the program over those that the ratios of the first design give, in mean square: 3 % in the quantile."""
NEAR = 1.01
"""The same at a pose at which a design like it has failed."""
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
    result : Result
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
    """

    design: tuple[Fitted, ...] | None
    price: float | None
    result: Result
    closest: tuple[Fitted, ...]
    refuted: tuple[Refuted, ...]
    sampled: int
    margin: float
    proved: bool

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
                for task in self.result.tasks
            },
        }


class Search:
    """A scenario, its options, and the ratios learned so far."""

    def __init__(self, study: Study, options: Options, workers: int | None, progress: Progress, memory: int) -> None:
        self.requirement = required(study)
        plan = replace(study.scenario.plan, tolerance=None)
        self.study, self.options, self.workers, self.memory = study.with_scenario(plan=plan), options, workers, memory
        self.found = study.find(progress)
        places = [poses.places for poses in self.found]
        machine = study.scenario.machine
        self.parts = option_parts(machine, options, places)
        self.fixed = fixed_part(machine, places)
        poses = len(self.fixed.scatter)
        self.ratio = np.full(poses, 1.959964**2)  # a normal law along a line: where the first design is looked for
        self.visit_ratio = np.full(poses, 3.616**2 / 3)  # RP of isotropic scatter over its rms: Maxwell distribution
        self.names = [
            (task.name, name)
            for task, poses in zip(study.scenario.tasks, self.found, strict=True)
            for name in poses.names
        ]
        self.sampled = 0
        self.progress = progress

    def program(self, visits: bool = True) -> Program:
        """The program for the ratios as they are known, with or without the limit on visits."""
        asked = self.requirement
        visit_limit = np.full(len(self.ratio), np.inf)
        if visits and asked.repeatability is not None:
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

    def sample(self, choice: Choice, found: Sequence[PoseSet] | None = None) -> Result:
        """Sample a choice at all poses, or at some."""
        self.sampled += 1
        self.progress("designs sampled", self.sampled, max(self.sampled, ROUNDS))
        study = self.study.with_scenario(machine=self.machine(choice))
        return study.evaluate(self.found if found is None else found, self.workers, memory=self.memory)[0]

    def learn(self, choice: Choice, result: Result, program: Program) -> None:
        """Take the ratios of a sampled choice."""
        quantile = np.concatenate([task.column("error.at_coverage") for task in result.tasks])
        self.ratio = quantile**2 / np.maximum(program.square(choice), 1e-30)
        if self.requirement.repeatability is not None:
            p50, p95 = (
                np.concatenate([task.column(f"repeatability.{p}") for task in result.tasks]) for p in ("p50", "p95")
            )
            # RP of the share of units that must pass, or of 95 % where none is asked for; nearly normal between them
            share = 0.95 if self.requirement.yield_ is None else min(max(self.requirement.yield_, 0.5), 0.999)
            rp = p50 + float(ndtri(share) / ndtri(0.95)) * (p95 - p50)
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

    def taught(self, visits: bool = True) -> Program:
        """The program for ratios that a few sampled designs have told, with or without the limit on visits."""
        for _ in range(ROUNDS):
            program = self.program(visits)
            choice = program.cheapest() or self.nearest(program)[0]
            self.learn(choice, self.sample(choice), program)
        return self.program(visits)

    def tighten(self, program: Program, choice: Choice, result: Result) -> None:
        """Where a sampled choice exceeds the position, its own ratio bounds what is like it, with a narrow margin."""
        place = {(task, name): n for n, (task, name) in enumerate(self.names)}
        square = program.square(choice)
        for task in result.tasks:
            for name, quantile in zip(task.poses.names, task.column("error.at_coverage").tolist(), strict=True):
                if quantile > self.requirement.position:
                    n = place[task.name, name]
                    own = square[n] * (self.requirement.position / quantile) ** 2 * NEAR / MARGIN
                    program.limit[n] = min(program.limit[n], own)

    def few(self, load: Array) -> list[PoseSet]:
        """The poses of each task with the largest load."""
        out, at = [], 0
        for poses in self.found:
            own = load[at : at + len(poses.names)]
            at += len(poses.names)
            order = sorted(np.argsort(-own, kind="stable")[:FEW].tolist())
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
    refuted: list[Refuted] = []
    while search.sampled < MOST_SAMPLED:
        choice = program.cheapest(factor=MARGIN)
        if choice is None:
            return _nothing_holds(search, program, refuted)
        result = search.sample(choice, search.few(program.load(choice)))
        if result.met:
            result = search.sample(choice)
        if result.met:
            price = program.price(choice)
            beyond, failed = _next_cheaper(search, program, price)
            cheaper = tuple(sorted(refuted + beyond, key=lambda row: -row.price))
            design = search.design(choice)
            return Selection(design, price, result, design, cheaper, search.sampled, MARGIN - 1, failed)
        refuted.append(_refuted(search, program, choice, result))
        program.refuse(choice)
        search.tighten(program, choice, result)
    return _nothing_holds(search, program, refuted, proved=False)


def _refuted(search: Search, program: Program, choice: Choice, result: Result) -> Refuted:
    reasons = tuple(f"{task.name}: {reason}" for task in result.tasks for reason in task.summary.reasons)
    return Refuted(program.price(choice), search.design(choice), reasons)


def _next_cheaper(search: Search, program: Program, price: float) -> tuple[list[Refuted], bool]:
    """Of the cheaper designs beyond the margin those that come closest, sampled, and whether all of them fail.

    One that holds shows that the margin was too small: nothing is proved then.
    """
    out, failed = [], True
    for _ in range(SHOWN_NEXT):
        nearest = program.closest(below=price - 1e-6 * max(1.0, price))
        if nearest is None:
            break
        choice, load = nearest
        result = search.sample(choice, search.few(program.load(choice)))
        if result.met:
            failed = False
            text = f"first order puts it {percent(load - 1)} beyond the limit, yet it holds where it was tried"
            out.append(Refuted(program.price(choice), search.design(choice), (text,)))
        else:
            out.append(_refuted(search, program, choice, result))
        program.refuse(choice)
    return out, failed


def _nothing_holds(search: Search, program: Program, refuted: list[Refuted], proved: bool = True) -> Selection:
    choice, _ = search.nearest(program)
    result = search.sample(choice)
    design = search.design(choice)
    if result.met:
        price = program.price(choice)
        return Selection(design, price, result, design, tuple(refuted), search.sampled, MARGIN - 1, False)
    return Selection(None, None, result, design, tuple(refuted), search.sampled, MARGIN - 1, proved)


def answer(selection: Selection, requirement: Requirement) -> str:
    """The answer in words."""
    worst = max(selection.result.tasks, key=lambda task: task.summary.at_coverage)
    reached = f"{show(worst.summary.at_coverage)} at {worst.summary.worst_pose}, {worst.name}"
    if selection.design is None:
        shares = worst.pose(worst.summary.worst_pose).shares
        parts = {(owner, cause): x for owner, own in shares.items() for cause, x in own.items()}
        owner, cause = max(parts, key=lambda key: parts[key])
        return (
            f"no choice meets the requirement: the closest reaches {reached}, required {show(requirement.position)}; "
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
        f"listed), is at every joint and pose no better, to {percent(ALIKE)} of the limit, than one that failed, or "
        f"exceeds the limits by first order by more than {margins} ({narrow}). The program was solved to a gap of 0"
    )
