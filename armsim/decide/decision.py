"""One decision, whole: the choice, the curve that it lies on, what the chosen design does and what moves it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from armsim.decide.search import Search
from armsim.decide.select import choose
from armsim.decide.selection import Selection
from armsim.decide.sensitivity import Sensitivities, sensitivities
from armsim.decide.trade_off import TradeOff, along
from armsim.model.joint_options import Options
from armsim.results import Result
from armsim.sampling.layout import MEMORY
from armsim.sampling.sampler import Progress
from armsim.study import Study


@dataclass(frozen=True, eq=False)
class Decision:
    """What a review needs of a choice.

    Parameters
    ----------
    selection : Selection
    curve : TradeOff
    result : Result
        Of the chosen design, or of that which comes closest.
    sensitivities : Sensitivities
        Of that design.
    """

    selection: Selection
    curve: TradeOff
    result: Result
    sensitivities: Sensitivities


def decide(
    study: Study,
    options: Options,
    workers: int | None = None,
    progress: Progress = lambda what, done, total: None,
    memory: int = MEMORY,
    note: Callable[[str], None] = lambda text: None,
) -> Decision:
    """Choose, and look at the choice from all sides; parameters as of `select`.

    Raises
    ------
    InputError
        There is no requirement.
    RunError
        As `Study.run`.
    """
    search = Search(study, options, workers, progress, memory)
    selection, answer = choose(search, note)
    curve = along(search, answer, selection.state, lambda text: None)
    chosen = study.with_scenario(machine=selection.machine)
    result = chosen.run(workers, progress, memory)
    return Decision(selection, curve, result, sensitivities(chosen, workers, progress, memory))
