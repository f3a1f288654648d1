"""Designs that cost little more than the answer and meet the requirement too."""

from __future__ import annotations

from armsim.decide.decision_records import Alternative
from armsim.decide.frontier import choices_in_price_range, price_tolerance
from armsim.decide.search_state import MOST_LISTED, SearchState

NEAR_PRICE = 0.05
"""Share of the price by which a design may cost more. Common practice, no source."""


def near_designs(state: SearchState) -> tuple[tuple[Alternative, ...], bool]:
    """Designs within `NEAR_PRICE` above the price of the answer that meet the requirement in their short trials.

    Parameters
    ----------
    state : SearchState
        A search that has ended.

    Returns
    -------
    tuple of Alternative
        By price, then in the order of `SearchState.rank`.
    bool
        Whether every design in that range of prices was examined, not only those with the smallest first-order errors.
    """
    if state.best is None:
        return (), True
    search, price = state.search, state.program.price(state.best)
    most = price * (1.0 + NEAR_PRICE)
    choices, complete = choices_in_price_range(
        search.by_leading_criterion, price + price_tolerance(price), most + price_tolerance(most), MOST_LISTED
    )
    good = [
        choice
        for choice in choices
        if search.visit_excess(state.program, choice) is None
        and state.passes_sampling(choice, dominate=False, short=True)
    ]
    rows = sorted(good, key=lambda choice: (state.program.price(choice), *state.rank(choice)))
    return tuple(state.alternative(choice) for choice in rows), complete
