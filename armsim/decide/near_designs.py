"""Designs that cost little more than the answer and meet the requirement too."""

from __future__ import annotations

from armsim.decide.decision_records import Alternative
from armsim.decide.frontier import cent, in_range
from armsim.decide.select import MOST_LISTED, SearchState

NEAR_PRICE = 0.05
"""Share of the price by which a design may cost more. Common practice, no source."""


def near_designs(record: SearchState) -> tuple[tuple[Alternative, ...], bool]:
    """Designs within `NEAR_PRICE` above the price of the answer that meet the requirement, sampled.

    Parameters
    ----------
    record : SearchState
        A search that has ended.

    Returns
    -------
    tuple of Alternative
        By price, then as those of one price.
    bool
        Whether every design within that price was looked at, not those alone that err least by first order.
    """
    if record.best is None:
        return (), True
    search, price = record.search, record.program.price(record.best)
    most = price * (1.0 + NEAR_PRICE)
    choices, complete = in_range(search.by_leading_criterion, price + cent(price), most + cent(most), MOST_LISTED)
    good = [
        choice
        for choice in choices
        if search.excess(record.program, choice) is None and record.passes(choice, dominate=False)
    ]
    rows = sorted(good, key=lambda choice: (record.program.price(choice), *record.rank(choice)))
    return tuple(record.alternative(choice) for choice in rows), complete
