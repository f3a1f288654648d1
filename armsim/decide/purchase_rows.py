"""Rows of the mixed-integer program for prices by quantity and one-off costs of types.

A type with n pieces in an arm costs p(n) a piece, and f once. Numbers of pieces with one price make a tier k, from
a_k to b_k pieces. Two columns a tier, y whether it is the one, m its pieces, tie the price to the choice exactly:

    sum_k m_k = pieces chosen      a_k y_k <= m_k <= b_k y_k      sum_k y_k <= 1
    options of the type at a joint <= sum_k y_k

The last row follows from the others for whole numbers and makes the relaxation tighter.

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
    """Numbers of pieces of a type in an arm for which every piece costs the same.

    ``change`` is the price of a piece less that of a single one, ``one_off`` the part of an arm in what the type costs
    once. [cost units]
    """

    encoder: str
    least: int
    most: int
    change: float
    one_off: float


def tiers_of(options: Options) -> tuple[Tier, ...]:
    """Tiers of all types that have prices by quantity or one-off costs, those of a type next to each other."""
    out: list[Tier] = []
    purchase = options.purchase
    for encoder in purchase.tariffs:
        joints = sum(any(option.encoder == encoder for option in row) for row in options.joints)
        changes = [purchase.change(encoder, pieces) for pieces in range(1, joints + 1)]
        if not purchase.one_off(encoder) and not any(changes):
            continue
        for change, group in groupby(range(1, joints + 1), key=lambda pieces: changes[pieces - 1]):
            numbers = list(group)
            out.append(Tier(encoder, numbers[0], numbers[-1], change, purchase.one_off(encoder)))
    return tuple(out)


def tier_prices(tiers: Sequence[Tier]) -> Array:
    """Prices of the columns of tiers, shape (2 tiers,): of each whether it is taken, and its pieces. [cost units]"""
    return np.array([price for tier in tiers for price in (tier.one_off, tier.change)], dtype=float)


def purchase_rows(tiers: Sequence[Tier], columns: Mapping[tuple[int, str], Sequence[int]], first: int) -> Iterator[Row]:
    """Rows that tie the tiers to the choice: coefficient by column, least and largest sum.

    Parameters
    ----------
    tiers : sequence of Tier
    columns : mapping of (joint, encoder) to columns
        Columns of the options.
    first : int
        Column of the first tier.

    Yields
    ------
    Row
    """
    for encoder, group in groupby(enumerate(tiers), key=lambda row: row[1].encoder):
        flags: dict[int, float] = {}
        pieces: dict[int, float] = {}
        for number, tier in group:
            flag, of_tier = first + 2 * number, first + 2 * number + 1
            flags[flag], pieces[of_tier] = 1.0, 1.0
            yield {of_tier: 1.0, flag: -float(tier.most)}, -np.inf, 0.0
            yield {of_tier: 1.0, flag: -float(tier.least)}, 0.0, np.inf
        by_joint = [at for (_, name), at in columns.items() if name == encoder and at]
        yield {**pieces, **{column: -1.0 for at in by_joint for column in at}}, 0.0, 0.0
        yield flags, -np.inf, 1.0
        for at in by_joint:
            yield {**dict.fromkeys(at, 1.0), **dict.fromkeys(flags, -1.0)}, -np.inf, 0.0
