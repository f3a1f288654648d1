"""The cheapest set of encoders that meets the requirement, and why nothing cheaper does.

Three kinds of reasons exclude a cheaper design; the answer names those it uses.

*Sampled.* It was sampled and fails. Where few cheaper designs are left they are all sampled.

*By a bound.* RP of a design, and that of its orientation, is known from the distribution of its visits without
sampling, and a design that exceeds the limit excludes those near it (`visit_bounds`).

*Judged.* The quantile at the coverage, of the tool point and of the orientation, is tied to the mean square error by a
ratio at every pose, estimated from designs that are sampled first. An integer program (`program`) gives designs in the
order of their price, with limits wider than the requirement by a margin, since the ratios differ a little from design
to design; and one that is no better at any joint than one that fails is taken to fail too. The closest of the cheaper
ones that this excludes are sampled; should one hold, the margin is widened.

A criterion without bound or ratio (a yield, the accuracy of a path) is judged on the samples alone.

Every design that was sampled is a candidate, those of the curve of price against error among them; the answer is the
cheapest that holds, and of one price that of the smallest error. It is sampled once more on a population that the
search has not seen, and so are its closest cheaper rivals: this shows how far to trust the choice, and decides nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from armsim.assessment import AssessedTask, state_of_all
from armsim.decide.decision_records import Alternative, Confirmation, Proof, RejectedDesign
from armsim.decide.designs import cheaper_than, described, least_price
from armsim.decide.frontier import cent, frontier, in_range
from armsim.decide.ledger import arms_to_resolve, at_coverage, met, misses
from armsim.decide.program import Choice, Program
from armsim.decide.search import Search
from armsim.decide.selection import Selection
from armsim.decide.trials import failure, short_trials
from armsim.decide.visit_bounds import NEAR, Excess, exclude
from armsim.model.joint_options import Options
from armsim.run_options import RunOptions
from armsim.study import Study

MOST_SAMPLED = 100
"""Designs sampled in the order of their price before the search is given up."""
MOST_EXCLUDED = 400
"""Designs excluded by the distribution of their visits, one by one, before the bound is given up."""
MOST_LISTED = 100_000
"""Designs of a catalogue, at most, that are listed to see how many are cheaper."""
MOST_LEFT = 400
"""Cheaper designs, at most, that are all sampled where nothing else excludes them."""
SHOWN_NEXT = 6
"""Cheaper designs that come closest, sampled again like the answer, shown with the pose and measure at which they
fail."""


@dataclass(eq=False)
class SearchState:
    """State of the selection: designs sampled so far; ``most_sampled``, ``most_left`` as the constants above."""

    search: Search
    program: Program
    failed: dict[Choice, RejectedDesign] = field(default_factory=dict)
    misses: dict[Choice, float] = field(default_factory=dict)
    failed_criteria: dict[Choice, set[str]] = field(default_factory=dict)
    bounded: dict[Choice, Excess] = field(default_factory=dict)
    most_sampled: int = MOST_SAMPLED
    most_left: int = MOST_LEFT

    @property
    def equals(self) -> list[Choice]:
        """Designs that meet the requirement at the lowest price, all poses sampled; by error, mass, number of types."""
        verdicts = self.search.ledger.verdicts
        candidates = [choice for choice, tasks in verdicts.items() if met(tasks) and self.search.admits(choice)]
        rows = [(self.program.price(choice), choice) for choice in candidates]
        least = min((price for price, _ in rows), default=0.0)
        cheapest = [choice for price, choice in rows if price <= least + cent(least)]
        return sorted(cheapest, key=self.rank)

    def rank(self, choice: Choice) -> tuple[float, float, int, Choice]:
        """Order of designs of one price that were sampled at all poses: error, mass, number of types."""
        types = {part.encoder for part in self.search.design(choice)}
        return at_coverage(self.search.ledger.verdicts[choice]), self.search.mass(choice), len(types), choice

    def alternative(self, choice: Choice) -> Alternative:
        """A design that was sampled at all poses, as an alternative of equal price to the answer."""
        error, mass, types, _ = self.rank(choice)
        state = state_of_all(self.search.ledger.verdicts[choice])
        return Alternative(self.search.design(choice), error, self.program.price(choice), mass, types, state)

    @property
    def best(self) -> Choice | None:
        """The best choice so far; None without one."""
        return next(iter(self.equals), None)

    @property
    def price_to_beat(self) -> float:
        """Price that a better answer must stay below: that of the best so far; infinite without one. [cost units]"""
        if self.best is None:
            return np.inf
        price = self.program.price(self.best)
        return price - cent(price)

    @property
    def cheapest_of_all(self) -> bool:
        """Whether nothing can cost less than the answer."""
        return self.best is not None and self.price_to_beat < least_price(self.search.options)

    def cheaper(self, choice: Choice) -> bool:
        """Whether a choice is cheaper than the answer; the solver meets a price limit only to its own tolerance."""
        return self.program.price(choice) <= self.price_to_beat

    def excluded_by_visits(self, choice: Choice, shortcut: bool = False) -> bool:
        """Whether the visits of a choice exceed a limit for certain; if so, it and similar ones leave the program.

        Parameters
        ----------
        choice : Choice
        shortcut : bool
            Whether the ratio of RP to the rms of its visits, estimated from sampled designs, excludes others too.

        Returns
        -------
        bool
        """
        exceeded = self.search.excess(self.program, choice)
        if exceeded is None:
            return False
        self.bounded[choice] = exceeded
        exclude(self.program, choice, exceeded, shortcut)
        return True

    def passes(self, choice: Choice, dominate: bool = True) -> bool:
        """Whether a choice meets the requirement when sampled, at few poses and then at all; if not, it is excluded.

        Parameters
        ----------
        choice : Choice
        dominate : bool
            Whether choices that are no better at any joint are taken to fail with it.

        Returns
        -------
        bool
        """
        search, program = self.search, self.program
        if choice in self.failed:
            return False
        reason = failure(search, choice, program)
        if reason is None:
            return True
        tasks = reason.tasks
        reasons = tuple(f"{task.name}: {reason}" for task in tasks for reason in task.summary.reasons)
        price, design = program.price(choice), search.design(choice)
        self.failed[choice] = RejectedDesign(price, design, reasons, misses=misses(tasks))
        self.misses[choice] = _miss(tasks)
        self.failed_criteria[choice] = {criterion for task in tasks for criterion in task.summary.failed}
        program.refuse(choice)
        if dominate and reason.utilisation > 1.0:  # by its errors, and not by the scatter of its visits alone
            program.refuse_dominated(choice, search.no_better_share(reason.utilisation))
            search.tighten(program, choice, tasks)
        return False

    def examine_by_price(self, shortcut: bool = False) -> bool:
        """Examine choices by rising price until one meets the requirement; return whether no cheaper one is left."""
        excluded = 0
        while len(self.failed) < self.most_sampled and excluded < MOST_EXCLUDED:
            choice = None if self.cheapest_of_all else self.program.cheapest(self.price_to_beat, self.search.margin)
            if choice is None or not self.cheaper(choice):
                return True
            if self.excluded_by_visits(choice, shortcut):
                excluded += 1
            elif self.passes(choice):
                return True
        return False

    def sample_judged_failures(self) -> bool:
        """Sample the closest cheaper choices that are judged to fail; return whether one meets the requirement."""
        for _ in range(SHOWN_NEXT):
            nearest = None if self.cheapest_of_all else self.program.closest(price_limit=self.price_to_beat)
            if nearest is None or not self.cheaper(nearest[0]):
                return False
            if not self.excluded_by_visits(nearest[0]) and self.passes(nearest[0]):
                return True
        return False

    def descend(self) -> bool:
        """Find the cheapest choice, sampling those that are judged to fail; return whether no cheaper one is left."""
        if self.program.limits_visits:
            # a first answer, by the estimated ratio of RP to the rms of the visits; then without that shortcut
            self.examine_by_price(shortcut=True)
            self.program.visit_limit = self.search.program().visit_limit
        exhausted = self.examine_by_price()
        while exhausted and len(self.failed) < self.most_sampled and self.sample_judged_failures():
            self.widen_margin()
            exhausted = self.examine_by_price()
        return exhausted

    def widen_margin(self) -> None:
        """Widen the margin and drop dominance, since a design that was judged to fail meets the requirement."""
        if self.best is not None:
            utilisation = float(self.program.largest_utilisation(self.best).max())
            self.search.margin = max(self.search.margin, utilisation * NEAR)
        self.program.dominated.clear()

    def sample_curve(self) -> bool:
        """Sample the price-error curve below the answer; return whether one of its points meets the requirement.

        The curve must not contradict the answer.
        """
        search = self.search.by_leading_criterion
        program = search.program()
        nearest = program.closest(price_limit=self.price_to_beat)
        if self.cheapest_of_all or nearest is None or nearest[1] > search.margin**2:
            return False
        for choice, _ in frontier(program):
            if not self.cheaper(choice):
                return False
            if self.passes(choice):
                return True
        return False

    def sample_same_price(self) -> bool:
        """Sample all designs at the price of the answer; return whether all were sampled."""
        if self.best is None:
            return True
        price = self.program.price(self.best)
        search, cents = self.search.by_leading_criterion, cent(price)
        choices, complete = in_range(search, price - cents, price + cents, MOST_LISTED)
        for choice in choices:
            if self.search.excess(self.program, choice) is None:
                self.passes(choice, dominate=False)
        return complete

    def sample_remaining(self) -> bool:
        """Sample all cheaper choices if only few are not excluded; return whether that was done."""
        while not self.cheapest_of_all:
            cheaper = cheaper_than(self.search.options, self.price_to_beat, MOST_LISTED)
            if cheaper is None:
                return False
            open_choices: list[Choice] = []
            for choice in cheaper:
                if choice not in self.failed and choice not in self.bounded:
                    open_choices.append(choice)
                    if len(open_choices) > self.most_left:
                        return False
            candidates = (choice for choice in open_choices if not self.excluded_by_visits(choice))
            if not any(self.passes(choice, dominate=False) for choice in candidates):
                break
        return True

    def rivals(self) -> tuple[RejectedDesign, ...]:
        """Cheaper designs that were sampled, the most expensive first; the closest of them sampled once more."""
        cheaper = [choice for choice in self.failed if self.cheaper(choice)]
        closest = sorted(cheaper, key=lambda choice: self.misses[choice])[:SHOWN_NEXT]
        out = []
        for choice in cheaper:
            row = self.failed[choice]
            if choice in closest:
                trials = short_trials(self.search, choice, self.program, self.search.confirming_seed)
                row = replace(row, undecided=all(state_of_all(tasks) != "not met" for tasks, _ in trials))
            out.append(row)
        return tuple(sorted(out, key=lambda row: -row.price))


def _miss(tasks: Sequence[AssessedTask]) -> float:
    """Largest share of a limit used by a design among the limits that it misses; 1 is on the limit."""
    missed = (judgement.utilisation for task in tasks for judgement in task.summary.judgements if not judgement.holds)
    return max(missed, default=1.0)


def select(
    study: Study,
    options: Options,
    run_options: RunOptions = RunOptions(),
) -> Selection:
    """Find the cheapest choice that meets the requirement at every pose of every task.

    Parameters
    ----------
    study : Study
    options : Options
    run_options : RunOptions

    Returns
    -------
    Selection

    Raises
    ------
    InputError
        There is no requirement.
    RunError
        As `Study.run`.
    """
    return choose(Search(study, options, run_options))[0]


def choose(search: Search) -> tuple[Selection, SearchState]:
    """The answer of a search, and the state of the search behind it."""
    options = search.options
    for text in described(options, len(search.names)):
        search.run_options.note(text)
    record = SearchState(search, search.trained_program())
    if any(poses.unreachable and task.must_reach for task, poses in zip(search.tasks, search.poses, strict=True)):
        closest = search.nearest(record.program)[0]  # no sensor brings the arm where it cannot go
        return _without_answer(record, closest, complete=True, exhausted=True), record
    exhausted = record.descend()
    complete = record.sample_remaining()
    if not complete and record.sample_curve():
        record.widen_margin()
        exhausted, complete = record.examine_by_price(), record.sample_remaining()
    same_price_complete = record.sample_same_price()
    if record.best is None:
        failed = sorted(record.misses, key=lambda choice: record.misses[choice])
        closest = failed[0] if failed else search.nearest(search.program())[0]
        return _without_answer(record, closest, complete, exhausted), record
    best, *others = record.equals
    verdicts = search.ledger.verdicts
    design = search.design(best)
    selection = Selection(
        design,
        record.program.price(best),
        verdicts[best],
        design,
        record.rivals(),
        len(search.ledger.designs),
        replace(_proof(record, complete, exhausted), beside=same_price_complete),
        confirmed(search, best),
        search.machine(best),
        tuple(record.alternative(choice) for choice in others),
        options.purchase.arms,
        options.exclusions,
    )
    return selection, record


def _proof(record: SearchState, complete: bool, exhausted: bool) -> Proof:
    price_limit = record.price_to_beat
    sampled = [choice for choice, row in record.failed.items() if row.price <= price_limit]
    bounded = [exceeded for choice, exceeded in record.bounded.items() if record.program.price(choice) <= price_limit]
    failed = Counter(criterion for choice in sampled for criterion in record.failed_criteria[choice])
    return Proof(
        len(sampled),
        len(bounded),
        complete,
        complete or exhausted,
        record.search.margin - 1,
        failed=dict(sorted(failed.items(), key=lambda item: (-item[1], item[0]))),
        bounded_by=tuple(sorted({exceeded.symbol for exceeded in bounded})),
    )


def confirmed(search: Search, choice: Choice) -> Confirmation:
    """Evaluate a choice on an independent population.

    Parameters
    ----------
    search : Search
    choice : Choice

    Returns
    -------
    Confirmation
    """
    seed = search.confirming_seed
    tasks, _ = search.sample(choice, seed=seed)
    worst = max(tasks, key=lambda task: task.summary.at_coverage)
    pose, error = f"{worst.summary.worst_pose}, {worst.name}", worst.summary.at_coverage
    return Confirmation(seed, state_of_all(tasks), error, worst.interval, pose, arms_to_resolve(tasks))


def _without_answer(record: SearchState, choice: Choice, complete: bool, exhausted: bool) -> Selection:
    """Selection where no design holds: the design that misses its limits by least."""
    search = record.search
    # of designs that miss by as much the cheapest is the closest
    missed = record.misses.get(choice, np.inf) * (1.0 + 1e-9)
    equally_close = [other for other, miss in record.misses.items() if miss <= missed]
    choice = min([choice, *equally_close], key=record.program.price)
    tasks = search.verdict(choice)
    return Selection(
        None,
        None,
        tasks,
        search.design(choice),
        tuple(row for row in record.rivals() if row.design != search.design(choice)),
        len(search.ledger.designs),
        _proof(record, complete, exhausted),
        None,
        search.machine(choice),
        (),
        search.options.purchase.arms,
        search.options.exclusions,
    )
