"""A complete selection report: choice, price-error curve, result of the chosen design and its sensitivities."""

from __future__ import annotations

from dataclasses import dataclass, replace

from armsim.criteria import REACH
from armsim.decide.near_designs import near_designs
from armsim.decide.refit import refits
from armsim.decide.resolving import choose_resolved
from armsim.decide.robustness import robustness
from armsim.decide.search import Search
from armsim.decide.select import SearchState, choose
from armsim.decide.selection import Selection
from armsim.decide.sensitivity import Sensitivities, sensitivities
from armsim.decide.trade_off import TradeOff, along
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
    """Select encoders and report on the selection; parameters as of `select`.

    Parameters
    ----------
    study : Study
    options : Options
    run_options : RunOptions
    resolve : bool
        Whether to go on with more arms until the answer is resolved, within bounds.

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
    selection, record = _chosen(study, options, run_options, resolve)
    curve = along(record.search, record.best, selection.state, no_note)
    selection = tested(selection, record)
    units = record.search.study.scenario.plan.units
    chosen = study.with_plan(units=units).with_scenario(machine=selection.machine)
    quiet = run_options.without_notes
    result = chosen.evaluate(chosen.find(quiet.progress), quiet)[0]
    return Decision(selection, curve, result, sensitivities(chosen, quiet))


def select_tested(
    study: Study,
    options: Options,
    run_options: RunOptions = RunOptions(),
    resolve: bool = False,
) -> Selection:
    """Find the cheapest choice as `select`, and whether it remains the answer under changed assumptions.

    Parameters
    ----------
    study : Study
    options : Options
    run_options : RunOptions
    resolve : bool
        Whether to go on with more arms until the answer is resolved, within bounds.

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
    return tested(*_chosen(study, options, run_options, resolve))


def _chosen(study: Study, options: Options, run_options: RunOptions, resolve: bool) -> tuple[Selection, SearchState]:
    if resolve:
        return choose_resolved(study, options, run_options)
    return choose(Search(study, options, run_options))


def tested(selection: Selection, record: SearchState) -> Selection:
    """A selection with its robustness, designs that cost little more, and the cheapest changes to the scenario's own.

    Parameters
    ----------
    selection : Selection
    record : SearchState
        State of the search that found it.

    Returns
    -------
    Selection
    """
    if any(judgement.criterion == REACH.name for task in selection.tasks for judgement in task.summary.judgements):
        return selection  # no sensor can make good a pose out of reach
    rows = robustness(record)
    near, complete = near_designs(record)
    changes = tuple(refits(record.search))
    return replace(selection, robustness=rows, refits=changes, near=near, near_complete=complete)
