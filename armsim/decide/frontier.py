"""Designs by their price: the curve of price against error by first order, and the designs within a range of prices."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import takewhile

import numpy as np

from armsim.decide.designs import cheaper_than
from armsim.decide.program import Choice, Program
from armsim.decide.search import MARGIN, Search

STEP = 0.01
"""Share by which the mean square error must fall from one point to the next: half of that in the quantile."""
MOST_POINTS = 200
CENT = 1e-6
"""Difference of prices below which they are the same, as share."""
MOST_EQUAL = 64
"""Largest number of designs within a range of prices that are all listed."""
SHORTLIST = 12
"""Number of designs with the smallest first-order error that are listed where there are more."""


def cent(price: float) -> float:
    """Difference from a price below which another is the same. [cost units]"""
    return CENT * max(1.0, price)


def frontier(program: Program) -> Iterator[tuple[Choice, float]]:
    """Pareto-optimal choices by first order, the cheapest first.

    The smallest error for a price, then the smallest price for less error, in turn. Each comes with its largest
    utilisation, the mean square error over its limit, at the pose where that is largest.
    """
    cheapest = program.cheapest(factor=1e9)
    for _ in range(MOST_POINTS):
        if cheapest is None:
            return
        price = program.price(cheapest)
        choice, utilisation = program.closest(price_limit=price + cent(price)) or (cheapest, np.inf)
        yield choice, utilisation
        cheapest = program.cheapest(factor=utilisation * (1 - STEP))


def in_range(search: Search, least: float, most: float, listed: int) -> tuple[list[Choice], bool]:
    """Choices within a range of prices, the smallest first-order error first, and whether these are all.

    If there are many, a shortlist: those within the margin of the ratios from the first.

    Parameters
    ----------
    search : Search
        Search by the error alone.
    least, most : float
        Range of prices. [cost units]
    listed : int
        Designs of a catalogue, at most, that are listed.

    Returns
    -------
    list of Choice, bool
    """
    program = search.program()
    cheaper = cheaper_than(search.options, most, listed)
    if cheaper is not None:
        same = list(takewhile(lambda choice: program.price(choice) >= least, cheaper))
        if len(same) <= MOST_EQUAL:
            return sorted(same, key=lambda choice: float(program.largest_utilisation(choice).max())), True
    out: list[Choice] = []
    first = np.inf
    while len(out) < SHORTLIST:
        nearest = program.closest(price_limit=most, least=least)
        if nearest is None:
            return out, True
        choice, utilisation = nearest
        first = min(first, utilisation)
        if utilisation > first * MARGIN:
            break
        out.append(choice)
        program.refuse(choice)
    return out, False
