"""Constraints of the mixed-integer program for prices by quantity and one-off costs of encoder types.

An encoder type with n pieces in an arm costs p(n) per piece, and f once. A tier k is a range of numbers of pieces, from
a_k to b_k, with the same price. Two columns per tier, y (1 if the tier applies, else 0) and m (its pieces), relate the
price to the choice exactly:

    sum_k m_k = pieces chosen      a_k y_k <= m_k <= b_k y_k      sum_k y_k <= 1
    options of the type at a joint <= sum_k y_k

The last constraint follows from the others for whole numbers; it makes the relaxation tighter.

References
----------
.. [1] Nemhauser, Wolsey, Integer and Combinatorial Optimization (1988), I.1.3 and I.1.4: fixed charges and piecewise
   linear costs; tested against full enumeration.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from armsim.arrays import Array
from armsim.model.joint_options import Options

Row = tuple[dict[int, float], float, float]


@dataclass(frozen=True)
class Tier:
    """Range of the number of pieces of an encoder type in an arm for which the price per piece is the same.

    ``change`` is the price per piece minus that of a single piece, ``one_off`` the share of one arm in the one-off
    costs of the type. [cost units]
    """

    encoder: str
    least: int
    most: int
    change: float
    one_off: float


def tiers_of(options: Options) -> tuple[Tier, ...]:
    """Tiers of all types that have prices by quantity or one-off costs, ordered by type."""
    out: list[Tier] = []
    purchase = options.purchase
    for encoder in purchase.price_lists:
        most = sum(max(option.encoders.count(encoder) for option in row) for row in options.joints)
        changes = [purchase.price_change(encoder, pieces) for pieces in range(1, most + 1)]
        if not purchase.one_off(encoder) and not any(changes):
            continue
        for change, group in groupby(range(1, most + 1), key=lambda pieces: changes[pieces - 1]):
            numbers = list(group)
            out.append(Tier(encoder, numbers[0], numbers[-1], change, purchase.one_off(encoder)))
    return tuple(out)


def tier_prices(tiers: Sequence[Tier]) -> Array:
    """Prices of the two columns of every tier, shape (2 * tiers,): one-off cost, and change per piece. [cost units]"""
    return np.array([price for tier in tiers for price in (tier.one_off, tier.change)], dtype=float)


def purchase_rows(
    tiers: Sequence[Tier], columns: Mapping[tuple[int, str], Mapping[int, int]], first: int
) -> Iterator[Row]:
    """Constraints that relate the tiers to the choice.

    Parameters
    ----------
    tiers : sequence of Tier
    columns : mapping of (joint, encoder) to pieces by column
        Columns of the options that contain the encoder, and how often each does.
    first : int
        Column of the first tier.

    Yields
    ------
    Row
        Coefficient by column, smallest and largest sum.
    """
    for encoder, group in groupby(enumerate(tiers), key=lambda row: row[1].encoder):
        flags: dict[int, float] = {}
        pieces: dict[int, float] = {}
        for number, tier in group:
            flag_column, pieces_column = first + 2 * number, first + 2 * number + 1
            flags[flag_column], pieces[pieces_column] = 1.0, 1.0
            yield {pieces_column: 1.0, flag_column: -float(tier.most)}, -np.inf, 0.0
            yield {pieces_column: 1.0, flag_column: -float(tier.least)}, 0.0, np.inf
        by_joint = [joint_columns for (_, name), joint_columns in columns.items() if name == encoder and joint_columns]
        chosen = {column: -float(count) for counts in by_joint for column, count in counts.items()}
        yield {**pieces, **chosen}, 0.0, 0.0
        yield flags, -np.inf, 1.0
        for joint_columns in by_joint:
            yield {**dict.fromkeys(joint_columns, 1.0), **dict.fromkeys(flags, -1.0)}, -np.inf, 0.0
