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
that meets the requirement; of several at the same price, the one with the smallest error. The others of its price, and
those that cost a little more, are sampled at the poses with the largest predicted errors only, unless their error there
is below that of the answer. The answer is sampled once more on a population that is independent of the search, and so
are its closest cheaper rivals. This shows how far to trust the choice, and does not change it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np

from armsim.assessment import overall_verdict_of
from armsim.decide.decision_records import Confirmation, Proof
from armsim.decide.designs import search_notes
from armsim.decide.ledger import arms_to_resolve
from armsim.decide.program import Choice
from armsim.decide.search import Search
from armsim.decide.search_state import SearchState
from armsim.decide.selection import Selection
from armsim.model.joint_options import Options
from armsim.run_options import RunOptions
from armsim.study import Study


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
    best = state.best
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
        tuple(state.alternative(choice) for choice in state.equals),
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
