"""Constraints of the mixed-integer program that do not depend on poses: limits of the catalogue, excluded choices."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise, product
from typing import Any

import numpy as np
from scipy.sparse import csr_array, lil_array

from armsim.arrays import Array
from armsim.decide.purchase_rows import purchase_rows, tier_prices, tiers_of
from armsim.model.joint_options import Option, Options

TOLERANCE = 1e-9
"""Tolerance of the solver on the limit of mass [kg] and on relative distances."""


def _encoder_types(options: Options) -> list[str]:
    return sorted({encoder for row in options.joints for option in row for encoder in option.encoders})


def type_column_count(options: Options) -> int:
    """Number of columns that state which encoder types each group with a limited number of types uses."""
    return len(_encoder_types(options)) * len(options.type_limits)


def choice_rows(
    options: Options,
    width: int,
    prices: tuple[float, float],
    excluded: Sequence[Sequence[Sequence[int]]],
    neighbourhoods: Sequence[tuple[Array, float]],
) -> tuple[csr_array, list[float], list[float]]:
    """Rows for one option per joint, the limits of the catalogue, the price, and excluded choices.

    Parameters
    ----------
    options : Options
    width : int
        Number of columns of the program: options of all joints in order, those counted by `type_column_count`, two for
        every tier of `purchase_rows`, then any further ones.
    prices : (least, most)
        Bounds of the price of a choice. [cost units]
    excluded : sequence of sequence of sequence of int
        Sets of choices, each given by some options per joint: choices of these options alone are excluded.
    neighbourhoods : sequence of (weights of all options, smallest sum)
        Choices whose weights sum to less are excluded.

    Returns
    -------
    (matrix, low, high)
        Rows, shape (rows, width), and their bounds.
    """
    rows: list[dict[int, float]] = []
    low: list[float] = []
    high: list[float] = []

    def add_row(entries: dict[int, float], minimum: float, most: float) -> None:
        rows.append(entries)
        low.append(minimum)
        high.append(most)

    types, sizes = _encoder_types(options), [len(joint) for joint in options.joints]
    starts = np.concatenate([[0], np.cumsum(sizes)]).tolist()
    all_options = [option for joint in options.joints for option in joint]
    for start, size in zip(starts, sizes, strict=False):
        add_row({start + o: 1.0 for o in range(size)}, 1, 1)
    if options.mass is not None:
        add_row({i: option.mass for i, option in enumerate(all_options)}, -np.inf, options.mass + TOLERANCE)
    if options.changes is not None:
        add_row({i: 1.0 for i, option in enumerate(all_options) if not option.present}, -np.inf, options.changes)
    for name, pieces in options.stock.items():
        counts = ((i, float(option.encoders.count(name))) for i, option in enumerate(all_options))
        add_row({i: count for i, count in counts if count}, -np.inf, pieces)
    columns_of = {
        (j, name): {
            starts[j] + o: option.encoders.count(name) for o, option in enumerate(joint) if name in option.encoders
        }
        for j, joint in enumerate(options.joints)
        for name in types
    }
    for number, (joints, most) in enumerate(options.type_limits):
        first_column = len(all_options) + number * len(types)
        for j in joints:
            for t, name in enumerate(types):
                if columns_of[j, name]:  # at most one of them is chosen: one row for all is tighter than one row each
                    add_row({first_column + t: -1.0, **dict.fromkeys(columns_of[j, name], 1.0)}, -np.inf, 0)
        add_row({first_column + t: 1.0 for t in range(len(types))}, -np.inf, most)
    equal_at: list[tuple[Sequence[tuple[int, ...]], Callable[[Option], Any]]] = [
        (options.same_encoder_groups, lambda option: option.encoder),
        (options.same_family_groups, lambda option: option.family),
        (options.modules, lambda option: option.fit),
    ]
    for groups, value_of in equal_at:
        for j, k in (pair for joints in groups for pair in pairwise(joints)):
            for value in sorted({value_of(option) for n in (j, k) for option in options.joints[n]}):
                entries = {
                    starts[n] + o: sign
                    for n, sign in ((j, 1.0), (k, -1.0))
                    for o, option in enumerate(options.joints[n])
                    if value_of(option) == value
                }
                add_row(entries, 0, 0)
    for pair in options.forbidden_pairs:
        joint_ranges = [range(len(sizes)) if j is None else (j,) for j, _ in pair]
        for j, k in product(*joint_ranges):
            first, second = columns_of.get((j, pair[0][1]), {}), columns_of.get((k, pair[1][1]), {})
            if j != k:
                add_row(dict.fromkeys((*first, *second), 1.0), -np.inf, 1)
            else:  # both sensors of one joint
                pieces_of_both = 2 if pair[0][1] == pair[1][1] else 1
                both = [i for i in first if i in second and first[i] >= pieces_of_both]
                add_row(dict.fromkeys(both, 1.0), -np.inf, 0)
    tiers, first_tier = tiers_of(options), len(all_options) + type_column_count(options)
    for tier_row in purchase_rows(tiers, columns_of, first_tier):
        add_row(*tier_row)
    if np.isfinite(prices).any():
        tier_price_of_column = enumerate(tier_prices(tiers).tolist(), start=first_tier)
        add_row({**{i: option.price for i, option in enumerate(all_options)}, **dict(tier_price_of_column)}, *prices)
    for choices in excluded:
        entries = {starts[j] + o: 1.0 for j, columns in enumerate(choices) for o in columns}
        add_row(entries, -np.inf, len(choices) - 1)
    for weights, minimum in neighbourhoods:
        add_row({i: float(w) for i, w in enumerate(weights) if w}, minimum * (1 - TOLERANCE), np.inf)
    matrix = lil_array((len(rows), width))
    for number, entries in enumerate(rows):
        for column, value in entries.items():
            matrix[number, column] = value
    return csr_array(matrix), low, high
