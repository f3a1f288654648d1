"""One decision, whole: the choice, the curve that it lies on, what the chosen design does and what moves it."""

from __future__ import annotations

from dataclasses import dataclass

from armsim.decide.search import Search
from armsim.decide.select import choose
from armsim.decide.selection import Selection
from armsim.decide.sensitivity import Sensitivities, sensitivities
from armsim.decide.trade_off import TradeOff, along
from armsim.model.joint_options import Options
from armsim.results import Result
from armsim.sampling.run_options import RunOptions, no_note
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
) -> Decision:
    """Select encoders and report on the selection; parameters as of `select`.

    Parameters
    ----------
    study : Study
    options : Options
    run_options : RunOptions

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
    search = Search(study, options, run_options)
    selection, answer = choose(search)
    curve = along(search, answer, selection.state, no_note)
    chosen = study.with_scenario(machine=selection.machine)
    quiet = run_options.without_notes
    result = chosen.evaluate(chosen.find(quiet.progress), quiet)[0]
    return Decision(selection, curve, result, sensitivities(chosen, quiet))
