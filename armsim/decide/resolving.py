"""Selection on more and more arms until its answer is resolved."""

from __future__ import annotations

import math
from dataclasses import replace

from armsim.decide.decision_records import Attempt
from armsim.decide.search import Search
from armsim.decide.select import SearchState, choose
from armsim.decide.selection import Selection
from armsim.model.joint_options import Options
from armsim.run_options import RunOptions
from armsim.study import Study

MOST_ATTEMPTS = 4
"""Searches at most."""
MOST_TIMES = 32
"""Arms at most, over those of the scenario: intervals of a sixth of the width."""
SPARE = 1.25
"""Arms over those that would resolve the answer if its figure stayed: it moves within its interval. Common practice, no
source."""


def choose_resolved(study: Study, options: Options, run_options: RunOptions) -> tuple[Selection, SearchState]:
    """The answer of a search, which starts again with more arms as long as the requirement is not resolved.

    Parameters
    ----------
    study : Study
    options : Options
    run_options : RunOptions

    Returns
    -------
    (Selection, SearchState)
        Of the last search, with the attempts; unresolved where no number of arms would do, or more than `MOST_TIMES`
        those of the scenario or `MOST_ATTEMPTS` searches.
    """
    units, attempts = study.scenario.plan.units, list[Attempt]()
    most = MOST_TIMES * units
    while True:
        selection, record = choose(Search(study.with_plan(units=units), options, run_options))
        attempts.append(Attempt(units, selection.sampled, selection.state))
        needed = selection.units_to_resolve
        if needed is None or units == most or len(attempts) == MOST_ATTEMPTS:
            return replace(selection, attempts=tuple(attempts)), record
        units = min(max(math.ceil(SPARE * needed), 2 * units), most)
        run_options.note(f"not resolved with {attempts[-1].units} arms; the search begins anew with {units}")
