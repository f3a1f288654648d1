"""State of a search for the cheapest design: what was sampled, what is excluded, and the best design so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from armsim.assessment import AssessedTask, overall_verdict_of
from armsim.decide.decision_records import Alternative, RejectedDesign
from armsim.decide.designs import cheaper_than, least_price
from armsim.decide.frontier import choices_in_price_range, frontier, price_tolerance
from armsim.decide.ledger import design_error, missed_criteria, requirement_met
from armsim.decide.program import Choice, Program
from armsim.decide.search import Search
from armsim.decide.trials import failure, short_trials
from armsim.decide.visit_bounds import FAILURE_MARGIN, Excess, exclude_by_excess

MOST_SAMPLED = 100
"""Largest number of designs sampled in the order of their price before the search is given up."""
MOST_EXCLUDED = 400
"""Largest number of designs excluded one by one by the distribution of their visits before the search is given up."""
MOST_LISTED = 100_000
"""Largest number of designs of a catalogue that are listed to count the cheaper ones."""
MOST_LEFT = 400
"""If at most this many cheaper designs remain that nothing else excludes, all of them are sampled."""
SHOWN_NEXT = 6
"""Number of the closest cheaper designs that are sampled again like the answer."""


@dataclass(eq=False)
class SearchState:
    """State of a search: sampled designs that fail, with their largest utilisation of a limit and failed criteria.

    ``bounded`` are designs excluded by their visits; ``most_sampled`` and ``most_left`` as the constants above.
    """

    search: Search
    program: Program
    failed: dict[Choice, RejectedDesign] = field(default_factory=dict)
    largest_misses: dict[Choice, float] = field(default_factory=dict)
    failed_criteria: dict[Choice, set[str]] = field(default_factory=dict)
    bounded: dict[Choice, Excess] = field(default_factory=dict)
    most_sampled: int = MOST_SAMPLED
    most_left: int = MOST_LEFT

    @property
    def cheapest_choices(self) -> list[Choice]:
        """Designs of the lowest price that meet the requirement at all poses, in the order of `rank`."""
        assessments = self.search.ledger.full_assessments
        candidates = [
            choice for choice, tasks in assessments.items() if requirement_met(tasks) and self.search.admits(choice)
        ]
        rows = [(self.program.price(choice), choice) for choice in candidates]
        least = min((price for price, _ in rows), default=0.0)
        cheapest = [choice for price, choice in rows if price <= least + price_tolerance(least)]
        return sorted(cheapest, key=self.rank)

    @property
    def equals(self) -> list[Choice]:
        """Designs of the price of the best one that meet the requirement as far as they were sampled, by `rank`."""
        cheapest = self.cheapest_choices
        price = self.program.price(cheapest[0])
        others = [
            choice
            for choice in self.search.ledger.passed_trials
            if choice not in self.search.ledger.full_assessments
            and choice not in self.failed
            and abs(self.program.price(choice) - price) <= price_tolerance(price)
            and self.search.admits(choice)
        ]
        return sorted([*cheapest[1:], *others], key=self.rank)

    def rank(self, choice: Choice) -> tuple[float, float, int, Choice]:
        """Sort key for designs of equal price that were tried: error, mass, number of types."""
        types = {sensor.encoder for part in self.search.design(choice) for sensor in part.sensors}
        return design_error(self.search.ledger.assessment(choice)), self.search.mass(choice), len(types), choice

    def alternative(self, choice: Choice) -> Alternative:
        """Record of a design that was sampled, at all poses or at few, as an alternative to the answer."""
        error, mass, types, _ = self.rank(choice)
        ledger, price = self.search.ledger, self.program.price(choice)
        tasks = ledger.assessment(choice)
        poses = None if choice in ledger.full_assessments else sum(len(task.table.names) for task in tasks)
        return Alternative(self.search.design(choice), error, price, mass, types, overall_verdict_of(tasks), poses)

    @property
    def best(self) -> Choice | None:
        """Best choice so far; None if no sampled design meets the requirement."""
        return next(iter(self.cheapest_choices), None)

    @property
    def price_to_beat(self) -> float:
        """Price below which a choice is cheaper than the best so far; infinite without one. [cost units]"""
        if self.best is None:
            return np.inf
        price = self.program.price(self.best)
        return price - price_tolerance(price)

    @property
    def cannot_be_beaten(self) -> bool:
        """Whether no choice of the catalogue can cost less than the best so far."""
        return self.best is not None and self.price_to_beat < least_price(self.search.options)

    def is_cheaper(self, choice: Choice) -> bool:
        """Whether a choice is cheaper than the best so far; the solver meets price limits only to its tolerance."""
        return self.program.price(choice) <= self.price_to_beat

    def exclude_by_visits(self, choice: Choice, shortcut: bool = False) -> bool:
        """Exclude a choice and similar ones from the program if its visits certainly exceed a limit.

        Parameters
        ----------
        choice : Choice
        shortcut : bool
            Whether its ratio of RP to the rms of its visits is used to exclude others too.

        Returns
        -------
        bool
            Whether it was excluded.
        """
        exceeded = self.search.visit_excess(self.program, choice)
        if exceeded is None:
            return False
        self.bounded[choice] = exceeded
        exclude_by_excess(self.program, choice, exceeded, shortcut)
        return True

    def passes_sampling(self, choice: Choice, dominate: bool = True, short: bool = False) -> bool:
        """Sample a choice at few poses and then at all; exclude it from the program if it fails.

        Parameters
        ----------
        choice : Choice
        dominate : bool
            Whether choices that are no better at any joint are taken to fail with it.
        short : bool
            Whether the short trials, with visits at few poses, are enough.

        Returns
        -------
        bool
            Whether it meets the requirement.
        """
        search, program = self.search, self.program
        if choice in self.failed:
            return False
        reason = failure(search, choice, program, short)
        if reason is None:
            return True
        tasks = reason.tasks
        reasons = tuple(f"{task.name}: {reason}" for task in tasks for reason in task.summary.reasons)
        price, design = program.price(choice), search.design(choice)
        self.failed[choice] = RejectedDesign(price, design, reasons, misses=missed_criteria(tasks))
        self.largest_misses[choice] = _largest_miss(tasks)
        self.failed_criteria[choice] = {criterion for task in tasks for criterion in task.summary.failed}
        program.refuse(choice)
        if dominate and reason.utilisation > 1.0:  # by its errors, and not by the scatter of its visits alone
            program.refuse_dominated(choice, search.no_better_share(reason.utilisation))
            search.tighten_limits(program, choice, tasks)
        return False

    def examine_by_price(self, shortcut: bool = False) -> bool:
        """Examine choices by rising price until one meets the requirement; return whether no cheaper one remains."""
        excluded = 0
        while len(self.failed) < self.most_sampled and excluded < MOST_EXCLUDED:
            choice = None if self.cannot_be_beaten else self.program.cheapest(self.price_to_beat, self.search.margin)
            if choice is None or not self.is_cheaper(choice):
                return True
            if self.exclude_by_visits(choice, shortcut):
                excluded += 1
            elif self.passes_sampling(choice):
                return True
        return False

    def sample_predicted_failures(self) -> bool:
        """Sample the closest cheaper choices that are predicted to fail; return whether one meets the requirement."""
        for _ in range(SHOWN_NEXT):
            nearest = None if self.cannot_be_beaten else self.program.closest(price_limit=self.price_to_beat)
            if nearest is None or not self.is_cheaper(nearest[0]):
                return False
            if not self.exclude_by_visits(nearest[0]) and self.passes_sampling(nearest[0]):
                return True
        return False

    def find_cheapest(self) -> bool:
        """Find the cheapest choice, sampling those predicted to fail; return whether no cheaper one remains."""
        if self.program.limits_visits:
            # a first answer, by the estimated ratio of RP to the rms of the visits; then without that shortcut
            self.examine_by_price(shortcut=True)
            self.program.visit_limit = self.search.program().visit_limit
        exhausted = self.examine_by_price()
        while exhausted and len(self.failed) < self.most_sampled and self.sample_predicted_failures():
            self.widen_margin()
            exhausted = self.examine_by_price()
        return exhausted

    def widen_margin(self) -> None:
        """Widen the margin and drop dominance, since a design that was predicted to fail meets the requirement."""
        if self.best is not None:
            utilisation = float(self.program.largest_utilisation(self.best).max())
            self.search.margin = max(self.search.margin, utilisation * FAILURE_MARGIN)
        self.program.dominated.clear()

    def sample_curve(self) -> bool:
        """Sample the price-error curve below the price of the answer; return whether it contradicts the answer."""
        search = self.search.by_leading_criterion
        program = search.program()
        nearest = program.closest(price_limit=self.price_to_beat)
        if self.cannot_be_beaten or nearest is None or nearest[1] > search.margin**2:
            return False
        for choice, _ in frontier(program):
            if not self.is_cheaper(choice):
                return False
            if self.passes_sampling(choice):
                return True
        return False

    def sample_same_price(self) -> bool:
        """Find the design of the smallest error at the price of the answer; return whether all designs were tried.

        The error at few poses is a lower bound of that at all, since the same visits are sampled there: a design is
        sampled whole only while this bound is below the error of the best.
        """
        if self.best is None:
            return True
        price = self.program.price(self.best)
        search, cents = self.search.by_leading_criterion, price_tolerance(price)
        choices, complete = choices_in_price_range(search, price - cents, price + cents, MOST_LISTED)
        tried = [
            choice
            for choice in choices
            if self.search.visit_excess(self.program, choice) is None
            and self.passes_sampling(choice, dominate=False, short=True)
        ]
        assessments = self.search.ledger.full_assessments
        for choice in sorted((choice for choice in tried if choice not in assessments), key=self.rank):
            if self.rank(choice) > self.rank(self.best):
                break
            self.passes_sampling(choice, dominate=False)
        return complete

    def sample_remaining(self) -> bool:
        """Sample all cheaper choices that are not excluded, if they are few; return whether that was done."""
        while not self.cannot_be_beaten:
            cheaper = cheaper_than(self.search.options, self.price_to_beat, MOST_LISTED)
            if cheaper is None:
                return False
            open_choices: list[Choice] = []
            for choice in cheaper:
                if choice not in self.failed and choice not in self.bounded:
                    open_choices.append(choice)
                    if len(open_choices) > self.most_left:
                        return False
            candidates = (choice for choice in open_choices if not self.exclude_by_visits(choice))
            if not any(self.passes_sampling(choice, dominate=False) for choice in candidates):
                break
        return True

    def rivals(self) -> tuple[RejectedDesign, ...]:
        """Cheaper designs that were sampled and fail, the most expensive first; the closest are sampled once more."""
        cheaper = [choice for choice in self.failed if self.is_cheaper(choice)]
        closest = sorted(cheaper, key=lambda choice: self.largest_misses[choice])[:SHOWN_NEXT]
        out = []
        for choice in cheaper:
            row = self.failed[choice]
            if choice in closest:
                trials = short_trials(self.search, choice, self.program, self.search.confirmation_seed)
                row = replace(row, undecided=all(overall_verdict_of(tasks) != "not met" for tasks, _ in trials))
            out.append(row)
        return tuple(sorted(out, key=lambda row: -row.price))


def _largest_miss(tasks: Sequence[AssessedTask]) -> float:
    """Largest utilisation of a design among the limits that it misses; 1 is on the limit."""
    missed = (judgement.utilisation for task in tasks for judgement in task.summary.judgements if not judgement.holds)
    return max(missed, default=1.0)
