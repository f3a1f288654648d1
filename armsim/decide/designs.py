"""Designs of a catalogue, listed by their price."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import numpy as np

from armsim.decide.decision_records import Fitted
from armsim.decide.program import Choice
from armsim.model.joint_options import Options


def fitted(options: Options, choice: Choice) -> tuple[Fitted, ...]:
    """Encoder, mounting and placement of every joint.

    Parameters
    ----------
    options : Options
    choice : Choice

    Returns
    -------
    tuple of Fitted
    """
    chosen = [row[n] for row, n in zip(options.joints, choice, strict=True)]
    return tuple(
        Fitted(option.joint.name, option.encoder, option.mounting, option.placement, option.price) for option in chosen
    )


def cheaper_than(options: Options, price: float, most: int) -> Iterator[Choice] | None:
    """Admissible choices below a price, the most expensive first.

    Parameters
    ----------
    options : Options
    price : float
        [cost units]
    most : int
        Designs of a catalogue, at most, that are listed.

    Returns
    -------
    iterator of Choice, optional
        None where the catalogue has more.
    """
    sizes = [len(row) for row in options.joints]
    if math.prod(float(size) for size in sizes) > most:
        return None
    prices = [np.array([option.price for option in row]) for row in options.joints]
    total = prices[0]
    for further in prices[1:]:
        total = (total[:, None] + further).ravel()
    listed = itertools.product(*(range(size) for size in sizes))
    cheaper = [choice for choice, of_choice in zip(listed, total.tolist(), strict=True) if of_choice < price]
    cheaper.sort(key=lambda choice: -sum(row[n] for row, n in zip(prices, choice, strict=True)))
    return (
        choice for choice in cheaper if options.admits([row[n] for row, n in zip(options.joints, choice, strict=True)])
    )


def least_price(options: Options) -> float:
    """Price of the cheapest option at every joint, a lower bound of all prices. [cost units]"""
    return float(sum(min(option.price for option in row) for row in options.joints))
