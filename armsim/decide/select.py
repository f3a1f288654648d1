"""The cheapest set of encoders that meets the requirement, and why nothing cheaper does.

Three kinds of reasons exclude a cheaper design; the answer names those that apply.

*Sampled.* It was sampled and fails. If only few cheaper designs remain, all of them are sampled.

*Bounded.* RP of a design, of its tool point and of its orientation, follows from the distribution of its visits without
sampling. A design that exceeds the limit excludes similar ones (`visit_bounds`).

*Predicted.* The quantile at the coverage, of the tool point and of the orientation, is predicted from the mean square
error by a ratio at every pose, estimated from designs that are sampled first. An integer program (`program`) gives
designs in the order of their price. Its limits are wider than the requirement by a margin, since the ratios differ a
little from design to design. A design that is no better at any joint than a failed one is taken to fail too. The
closest of the cheaper designs excluded this way are sampled; if one meets the requirement, the margin is widened.

Criteria without bound or ratio (a yield, the accuracy of a path) are judged on the samples alone.

Every sampled design is a candidate, including those of the curve of price against error. The answer is the cheapest
that meets the requirement; of several at the same price, the one with the smallest error. It is sampled once more on a
population that is independent of the search, and so are its closest cheaper rivals. This shows how far to trust the
choice, and does not change it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from armsim.assessment import AssessedTask, overall_verdict_of
from armsim.decide.decision_records import Alternative, Confirmation, Proof, RejectedDesign
from armsim.decide.designs import cheaper_than, least_price, search_notes
from armsim.decide.frontier import choices_in_price_range, frontier, price_tolerance
from armsim.decide.ledger import arms_to_resolve, design_error, missed_criteria, requirement_met
from armsim.decide.program import Choice, Program
from armsim.decide.search import Search
from armsim.decide.selection import Selection
from armsim.decide.trials import failure, short_trials
from armsim.decide.visit_bounds import FAILURE_MARGIN, Excess, exclude_by_excess
from armsim.model.joint_options import Options
from armsim.run_options import RunOptions
from armsim.study import Study

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

    def rank(self, choice: Choice) -> tuple[float, float, int, Choice]:
        """Sort key for designs of equal price that were sampled at all poses: error, mass, number of types."""
        types = {part.encoder for part in self.search.design(choice)}
        return design_error(self.search.ledger.full_assessments[choice]), self.search.mass(choice), len(types), choice

    def alternative(self, choice: Choice) -> Alternative:
        """Record of a design that was sampled at all poses, as an alternative to the answer."""
        error, mass, types, _ = self.rank(choice)
        state = overall_verdict_of(self.search.ledger.full_assessments[choice])
        return Alternative(self.search.design(choice), error, self.program.price(choice), mass, types, state)

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

    def passes_sampling(self, choice: Choice, dominate: bool = True) -> bool:
        """Sample a choice at few poses and then at all; exclude it from the program if it fails.

        Parameters
        ----------
        choice : Choice
        dominate : bool
            Whether choices that are no better at any joint are taken to fail with it.

        Returns
        -------
        bool
            Whether it meets the requirement.
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
        """Sample all designs at the price of the answer; return whether all were sampled."""
        if self.best is None:
            return True
        price = self.program.price(self.best)
        search, cents = self.search.by_leading_criterion, price_tolerance(price)
        choices, complete = choices_in_price_range(search, price - cents, price + cents, MOST_LISTED)
        for choice in choices:
            if self.search.visit_excess(self.program, choice) is None:
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
    return run_search(Search(study, options, run_options))[0]


def run_search(search: Search) -> tuple[Selection, SearchState]:
    """Run a search: its answer, and its state at the end."""
    options = search.options
    for text in search_notes(options, len(search.names)):
        search.run_options.note(text)
    state = SearchState(search, search.trained_program())
    if any(poses.unreachable and task.must_reach for task, poses in zip(search.tasks, search.poses, strict=True)):
        closest = search.nearest(state.program)[0]  # no sensor makes an unreachable pose reachable
        return _selection_without_answer(state, closest, complete=True, exhausted=True), state
    exhausted = state.find_cheapest()
    complete = state.sample_remaining()
    if not complete and state.sample_curve():
        state.widen_margin()
        exhausted, complete = state.examine_by_price(), state.sample_remaining()
    same_price_complete = state.sample_same_price()
    if state.best is None:
        failed = sorted(state.largest_misses, key=lambda choice: state.largest_misses[choice])
        closest = failed[0] if failed else search.nearest(search.program())[0]
        return _selection_without_answer(state, closest, complete, exhausted), state
    best, *others = state.cheapest_choices
    assessments = search.ledger.full_assessments
    design = search.design(best)
    selection = Selection(
        design,
        state.program.price(best),
        assessments[best],
        design,
        state.rivals(),
        len(search.ledger.designs),
        replace(_proof(state, complete, exhausted), same_price_complete=same_price_complete),
        confirm(search, best),
        search.machine(best),
        tuple(state.alternative(choice) for choice in others),
        options.purchase.arms,
        options.exclusions,
    )
    return selection, state


def _proof(state: SearchState, complete: bool, exhausted: bool) -> Proof:
    price_limit = state.price_to_beat
    sampled = [choice for choice, row in state.failed.items() if row.price <= price_limit]
    bounded = [exceeded for choice, exceeded in state.bounded.items() if state.program.price(choice) <= price_limit]
    failed = Counter(criterion for choice in sampled for criterion in state.failed_criteria[choice])
    return Proof(
        len(sampled),
        len(bounded),
        complete,
        complete or exhausted,
        state.search.margin - 1,
        failed=dict(sorted(failed.items(), key=lambda item: (-item[1], item[0]))),
        bounded_by=tuple(sorted({exceeded.symbol for exceeded in bounded})),
    )


def confirm(search: Search, choice: Choice) -> Confirmation:
    """Evaluate a choice on an independent population.

    Parameters
    ----------
    search : Search
    choice : Choice

    Returns
    -------
    Confirmation
    """
    seed = search.confirmation_seed
    tasks, _ = search.sample(choice, seed=seed)
    worst = max(tasks, key=lambda task: task.summary.at_coverage)
    pose, error = f"{worst.summary.worst_pose}, {worst.name}", worst.summary.at_coverage
    return Confirmation(seed, overall_verdict_of(tasks), error, worst.interval, pose, arms_to_resolve(tasks))


def _selection_without_answer(state: SearchState, choice: Choice, complete: bool, exhausted: bool) -> Selection:
    """Selection if no design meets the requirement: the design that misses its limits by least."""
    search = state.search
    # among designs that miss by the same amount, the cheapest counts as the closest
    missed = state.largest_misses.get(choice, np.inf) * (1.0 + 1e-9)
    equally_close = [other for other, miss in state.largest_misses.items() if miss <= missed]
    choice = min([choice, *equally_close], key=state.program.price)
    tasks = search.full_assessment(choice)
    return Selection(
        None,
        None,
        tasks,
        search.design(choice),
        tuple(row for row in state.rivals() if row.design != search.design(choice)),
        len(search.ledger.designs),
        _proof(state, complete, exhausted),
        None,
        search.machine(choice),
        (),
        search.options.purchase.arms,
        search.options.exclusions,
    )
