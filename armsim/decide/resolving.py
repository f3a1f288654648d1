"""Selection with a growing number of simulated arms until its answer is resolved."""

from __future__ import annotations

import math
from dataclasses import replace

from armsim.decide.decision_records import Attempt
from armsim.decide.search import Search
from armsim.decide.search_state import SearchState
from armsim.decide.select import run_search
from armsim.decide.selection import Selection
from armsim.model.joint_options import Options
from armsim.run_options import RunOptions
from armsim.study import Study

MOST_ATTEMPTS = 4
"""Largest number of searches."""
MOST_UNITS_FACTOR = 32
"""Largest number of arms, relative to that of the scenario; it narrows the intervals to about a sixth."""
UNITS_MARGIN = 1.25
"""Margin on the number of arms that would resolve the answer if its figure stayed the same; with more arms it moves
within its interval. Common practice, no source."""


def search_until_resolved(study: Study, options: Options, run_options: RunOptions) -> tuple[Selection, SearchState]:
    """Answer of a search that starts again with more arms as long as the requirement is not resolved.

    Parameters
    ----------
    study : Study
    options : Options
    run_options : RunOptions

    Returns
    -------
    (Selection, SearchState)
        Answer and state of the last search, with the record of all attempts. The answer stays unresolved if no number
        of arms would resolve it, or if that takes more arms than `MOST_UNITS_FACTOR` allows or more than
        `MOST_ATTEMPTS` searches.
    """
    units, attempts = study.scenario.plan.units, list[Attempt]()
    most = MOST_UNITS_FACTOR * units
    while True:
        selection, state = run_search(Search(study.with_plan(units=units), options, run_options))
        attempts.append(Attempt(units, selection.sampled, selection.state))
        needed = selection.units_to_resolve
        if needed is None or units == most or len(attempts) == MOST_ATTEMPTS:
            return replace(selection, attempts=tuple(attempts)), state
        units = min(max(math.ceil(UNITS_MARGIN * needed), 2 * units), most)
        run_options.note(f"not resolved with {attempts[-1].units} arms; the search begins anew with {units}")
