"""A complete selection report: choice, price-error curve, result of the chosen design and its sensitivities."""

from __future__ import annotations

from dataclasses import dataclass, replace

from armsim.criteria import REACH
from armsim.decide.near_designs import near_designs
from armsim.decide.refit import refits
from armsim.decide.resolving import search_until_resolved
from armsim.decide.robustness import robustness
from armsim.decide.search import Search
from armsim.decide.search_state import SearchState
from armsim.decide.select import run_search
from armsim.decide.selection import Selection
from armsim.decide.sensitivity import Sensitivities, sensitivities
from armsim.decide.trade_off import TradeOff, curve_of_search
from armsim.model.joint_options import Options
from armsim.results import Result
from armsim.run_options import RunOptions, no_note
from armsim.study import Study


@dataclass(frozen=True, eq=False)
class Decision:
    """Selection with everything that its review shows.

    Parameters
    ----------
    selection : Selection
    curve : TradeOff
    result : Result
        Result of the chosen design, or of the closest one.
    sensitivities : Sensitivities
        Sensitivities of that design.
    """

    selection: Selection
    curve: TradeOff
    result: Result
    sensitivities: Sensitivities


def decide(
    study: Study,
    options: Options,
    run_options: RunOptions = RunOptions(),
    resolve: bool = False,
) -> Decision:
    """Select encoders and report on the selection.

    Parameters
    ----------
    study : Study
    options : Options
    run_options : RunOptions
    resolve : bool
        Whether to repeat the search with more arms until the answer is resolved, as `search_until_resolved`.

    Returns
    -------
    Decision

    Raises
    ------
    InputError
        There is no requirement.
    RunError
        As `Study.run`.
    """
    selection, state = _run_search(study, options, run_options, resolve)
    curve = curve_of_search(state.search, state.best, selection.state, no_note)
    selection = with_robustness(selection, state)
    units = state.search.study.scenario.plan.units
    chosen = study.with_plan(units=units).with_scenario(machine=selection.machine)
    quiet = run_options.without_notes
    result = chosen.evaluate(chosen.find(quiet.progress), quiet)[0]
    return Decision(selection, curve, result, sensitivities(chosen, quiet))


def select_with_robustness(
    study: Study,
    options: Options,
    run_options: RunOptions = RunOptions(),
    resolve: bool = False,
) -> Selection:
    """Find the cheapest choice as `select` does, and whether it remains the answer under changed assumptions.

    Parameters
    ----------
    study : Study
    options : Options
    run_options : RunOptions
    resolve : bool
        Whether to repeat the search with more arms until the answer is resolved, as `search_until_resolved`.

    Returns
    -------
    Selection
        With its robustness, and the cheapest changes to the design of the scenario.

    Raises
    ------
    InputError
        There is no requirement.
    RunError
        As `Study.run`.
    """
    return with_robustness(*_run_search(study, options, run_options, resolve))


def _run_search(
    study: Study, options: Options, run_options: RunOptions, resolve: bool
) -> tuple[Selection, SearchState]:
    if resolve:
        return search_until_resolved(study, options, run_options)
    return run_search(Search(study, options, run_options))


def with_robustness(selection: Selection, state: SearchState) -> Selection:
    """Add to a selection its robustness, designs that cost little more, and the cheapest changes to the present design.

    Parameters
    ----------
    selection : Selection
    state : SearchState
        State of the search that found it.

    Returns
    -------
    Selection
    """
    if any(judgement.criterion == REACH.name for task in selection.tasks for judgement in task.summary.judgements):
        return selection  # no sensor makes an unreachable pose reachable
    rows = robustness(state)
    near, complete = near_designs(state)
    changes = tuple(refits(state.search))
    return replace(selection, robustness=rows, refits=changes, near=near, near_complete=complete)
