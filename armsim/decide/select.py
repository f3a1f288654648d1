"""The cheapest set of encoders that meets the requirement, and why nothing cheaper does.

Three kinds of reasons exclude a cheaper design, and the answer tells which it rests on.

*Sampled.* It was sampled and fails. Where few cheaper designs are left they are all sampled.

*By a bound.* RP of a design is known from the law of its visits without sampling. With S the rms of the visits,
RP >= S; and two laws that are a distance d apart (rms, in any coupling) have RPs at most sqrt(10) d apart, since RP is
m + 3 s with |dm|^2 + |ds|^2 <= d^2. So a design whose RP exceeds the limit by x excludes all within x / sqrt(10).

*Judged.* The quantile at the coverage is tied to the mean square error by a ratio at every pose, which first designs,
sampled, tell. The program gives designs in the order of their price with limits wider than the requirement by a margin,
since the ratios differ a little from design to design; and one that is no better at any joint than one that fails is
taken to fail too. The closest of the cheaper ones that this excludes are sampled; should one hold, the margin is
widened.

The answer is confirmed on a population that the search has not seen, and so are its closest cheaper rivals.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from armsim.decide.program import Choice, Program
from armsim.decide.search import LEAST, NEAR, Search
from armsim.decide.selection import Confirmation, Proof, Rejected, Selection, interval_of
from armsim.engine.layout import MEMORY
from armsim.engine.run import Progress
from armsim.judgement import NAMED, Judged
from armsim.model.options import Options
from armsim.study import Study

MOST_SAMPLED = 100
"""Designs sampled in the order of their price before the search is given up."""
MOST_LAWS = 400
"""Designs excluded by the law of their visits, one by one, before the bound is given up."""
MOST_LISTED = 100_000
"""Designs of a catalogue, at most, that are listed to see how many are cheaper."""
MOST_LEFT = 400
"""Cheaper designs, at most, that are all sampled where nothing else excludes them."""
SHOWN_NEXT = 3
"""Cheaper designs that come closest, sampled again like the answer, shown with the pose and measure at which they
fail."""
CENT = 1e-6
"""Difference of prices below which they are the same, as share."""


@dataclass(eq=False)
class _Record:
    """What is known of designs so far."""

    search: Search
    program: Program
    failed: dict[Choice, Rejected] = field(default_factory=dict)
    bounded: set[Choice] = field(default_factory=set)
    best: Choice | None = None
    tasks: tuple[Judged, ...] = ()
    confirmation: Confirmation | None = None

    @property
    def below(self) -> float:
        """Price that a better answer must not reach."""
        if self.best is None:
            return np.inf
        price = self.program.price(self.best)
        return price - CENT * max(1.0, price)

    def exceeds(self, choice: Choice, hasty: bool = False) -> bool:
        """Whether RP excludes a choice for certain; takes it and those near it out of the program.

        In haste all those are left out for the time being whose visits are as large at that pose.
        """
        excess = self.search.excess(self.program, choice)
        if excess is None:
            return False
        self.bounded.add(choice)
        self.program.refuse_near(choice, excess.pose, excess.excess / LEAST)
        limit = self.search.requirement.repeatability
        if hasty and limit is not None:
            own = self.program.visit_square(choice)[excess.pose] * (limit / excess.repeatability) ** 2 * NEAR
            self.program.visit_limit[excess.pose] = min(self.program.visit_limit[excess.pose], own)
        return True

    def holds(self, choice: Choice, dominate: bool = True) -> bool:
        """Sample a choice, at few poses and then at all; what holds is confirmed and becomes the answer."""
        search, program = self.search, self.program
        tasks, sampled = search.sample(choice, search.few(program, choice))
        if _met(tasks):
            tasks, sampled = search.sample(choice)
        if not _met(tasks):
            self.failed[choice] = self._rejected(choice, tasks)
            if dominate and any(_of_position(task) for task in tasks):
                program.refuse(choice, search.alike(tasks, sampled))
                search.tighten(program, choice, tasks)
            program.refuse_alone(choice)
            return False
        confirmation = confirmed(search, choice)
        if not confirmation.met:
            reason = f"holds, but not on the population of seed {confirmation.seed} that the search has not seen"
            self.failed[choice] = Rejected(program.price(choice), search.design(choice), (reason,), True)
            program.refuse_alone(choice)
            return False
        self.best, self.tasks, self.confirmation = choice, tasks, confirmation
        return True

    def _rejected(self, choice: Choice, tasks: Sequence[Judged]) -> Rejected:
        reasons = tuple(f"{task.name}: {reason}" for task in tasks for reason in task.summary.reasons)
        return Rejected(self.program.price(choice), self.search.design(choice), reasons)

    def walk(self, hasty: bool = False) -> bool:
        """Take choices in the order of their price until one holds; whether none below the answer is left."""
        laws = 0
        while len(self.failed) < MOST_SAMPLED and laws < MOST_LAWS:
            choice = self.program.cheapest(self.below, self.search.margin)
            if choice is None:
                return True
            if self.exceeds(choice, hasty):
                laws += 1
            elif self.holds(choice):
                return True
        return False

    def look_beyond(self) -> float | None:
        """Of the cheaper choices beyond the margin sample those that come closest; the load of the first that holds."""
        for _ in range(SHOWN_NEXT):
            nearest = self.program.closest(below=self.below)
            if nearest is None:
                return None
            choice, load = nearest
            if self.exceeds(choice):
                continue
            if self.holds(choice):
                return load
        return None

    def finish(self) -> bool:
        """Where few cheaper choices are left, look at all of them; whether that was done."""
        while True:
            cheaper = self.search.cheaper(self.below, MOST_LISTED)
            if cheaper is None:
                return False
            left: list[Choice] = []
            for choice in cheaper:
                if choice not in self.failed and choice not in self.bounded:
                    left.append(choice)
                    if len(left) > MOST_LEFT:
                        return False
            if not any(not self.exceeds(choice) and self.holds(choice, dominate=False) for choice in left):
                return True

    def rivals(self) -> tuple[Rejected, ...]:
        """Cheaper designs that were sampled, the dearest first; the closest of them sampled once more."""
        price = self.below
        cheaper = [choice for choice, row in self.failed.items() if row.price <= price]
        close = sorted(cheaper, key=lambda choice: float(self.program.load(choice).max()))[:SHOWN_NEXT]
        out = []
        for choice in cheaper:
            row = self.failed[choice]
            if choice in close and row.undecided is None:
                few = self.search.few(self.program, choice)
                tasks, _ = self.search.sample(choice, few, seed=self.search.confirming_seed)
                undecided = all(task.summary.met or not task.summary.sure for task in tasks)
                row = replace(row, undecided=undecided)
            out.append(row)
        return tuple(sorted(out, key=lambda row: -row.price))


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
    record = _Record(search, search.taught())
    if any(poses.unreachable and task.kind in NAMED for task, poses in zip(search.tasks, search.found, strict=True)):
        closest = search.nearest(record.program)[0]  # no sensor brings the arm where it cannot go
        return _nothing(record, closest, complete=True, repeatability=True)
    if search.requirement.repeatability is not None:
        # a first answer, by the ratio of RP to the rms of the visits as designs tell it; then without that shortcut
        record.walk(hasty=True)
        record.program.visit_limit = search.program().visit_limit
    ended = record.walk()
    while ended and len(record.failed) < MOST_SAMPLED:
        load = record.look_beyond()
        if load is None:
            break
        search.margin = max(search.margin, load * NEAR)
        ended = record.walk()
    complete = record.finish()
    if record.best is None:
        return _nothing(record, search.nearest(search.program())[0], complete, ended)
    best, design = record.best, search.design(record.best)
    rivals = record.rivals()
    return Selection(
        design,
        record.program.price(best),
        record.tasks,
        design,
        rivals,
        search.sampled,
        _proof(record, complete, ended),
        record.confirmation,
        search.machine(best),
    )


def _proof(record: _Record, complete: bool, ended: bool) -> Proof:
    below = record.below
    sampled = sum(row.price <= below for row in record.failed.values())
    bounded = sum(record.program.price(choice) <= below for choice in record.bounded)
    return Proof(sampled, bounded, complete, complete or ended, record.search.margin - 1)


def confirmed(search: Search, choice: Choice) -> Confirmation:
    """A choice on a population that the search has not seen."""
    seed = search.confirming_seed
    tasks, _ = search.sample(choice, seed=seed)
    worst = max(tasks, key=lambda task: task.summary.at_coverage)
    return Confirmation(
        seed,
        _met(tasks),
        all(task.summary.sure for task in tasks),
        worst.summary.at_coverage,
        interval_of(worst),
        f"{worst.summary.worst_pose}, {worst.name}",
    )


def _met(tasks: Sequence[Judged]) -> bool:
    return all(task.summary.met for task in tasks)


def _of_position(task: Judged) -> bool:
    """Whether a task fails by what the sensors do to the position, alone or in the yield."""
    return "position" in task.summary.failed or "yield" in task.summary.failed


def _nothing(record: _Record, choice: Choice, complete: bool, repeatability: bool) -> Selection:
    search = record.search
    tasks = search.sample(choice)[0]
    return Selection(
        None,
        None,
        tasks,
        search.design(choice),
        record.rivals(),
        search.sampled,
        _proof(record, complete, repeatability),
        None,
        search.machine(choice),
    )
