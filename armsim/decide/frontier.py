"""Designs by their price: the curve of price against error by first order, and the designs within a range of prices."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import takewhile

import numpy as np

from armsim.decide.designs import cheaper_than
from armsim.decide.program import Choice, Program
from armsim.decide.search import MARGIN, Search

STEP = 0.01
"""Share by which the mean square error must fall from one point to the next; the quantile falls by half that share."""
MOST_POINTS = 200
SAME_PRICE_SHARE = 1e-6
"""Difference of two prices, as a share of the price, below which they count as the same."""
MOST_EQUAL = 64
"""Largest number of designs within a range of prices that are all listed."""
SHORTLIST = 12
"""Number of designs listed if more are within the range: those with the smallest first-order errors."""


def price_tolerance(price: float) -> float:
    """Difference from a price below which another price counts as the same. [cost units]"""
    return SAME_PRICE_SHARE * max(1.0, price)


def frontier(program: Program) -> Iterator[tuple[Choice, float]]:
    """Pareto-optimal choices by first order, the cheapest first.

    It minimises, in turn, the error at a price and the price for a smaller error. Each choice comes with its largest
    utilisation over the poses, the mean square error divided by its limit.
    """
    cheapest = program.cheapest(factor=1e9)
    for _ in range(MOST_POINTS):
        if cheapest is None:
            return
        price = program.price(cheapest)
        choice, utilisation = program.closest(price_limit=price + price_tolerance(price)) or (cheapest, np.inf)
        yield choice, utilisation
        cheapest = program.cheapest(factor=utilisation * (1 - STEP))


def choices_in_price_range(search: Search, least: float, most: float, most_listed: int) -> tuple[list[Choice], bool]:
    """Choices within a range of prices, the smallest first-order error first, and whether these are all.

    If there are many, a shortlist: those whose utilisation is within `search.MARGIN` of the smallest one.

    Parameters
    ----------
    search : Search
        Search by the error alone, as `Search.by_leading_criterion`.
    least, most : float
        Range of prices. [cost units]
    most_listed : int
        Largest number of designs of a catalogue that are listed.

    Returns
    -------
    list of Choice, bool
    """
    program = search.program()
    cheaper = cheaper_than(search.options, most, most_listed)
    if cheaper is not None:
        within_range = list(takewhile(lambda choice: program.price(choice) >= least, cheaper))
        if len(within_range) <= MOST_EQUAL:
            return sorted(within_range, key=lambda choice: float(program.largest_utilisation(choice).max())), True
    out: list[Choice] = []
    smallest_utilisation = np.inf
    while len(out) < SHORTLIST:
        nearest = program.closest(price_limit=most, least_price=least)
        if nearest is None:
            return out, True
        choice, utilisation = nearest
        smallest_utilisation = min(smallest_utilisation, utilisation)
        if utilisation > smallest_utilisation * MARGIN:
            break
        out.append(choice)
        program.refuse(choice)
    return out, False
