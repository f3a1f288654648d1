"""Rows of the mixed-integer program that depend on no pose: limits of the catalogue, and excluded choices."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise, product

import numpy as np
from scipy.sparse import csr_array, lil_array

from armsim.arrays import Array
from armsim.decide.purchase_rows import purchase_rows, tier_prices, tiers_of
from armsim.model.joint_options import Options

TINY = 1e-9
"""Tolerance of the solver on the limit of mass [kg] and on relative distances."""


def _types(options: Options) -> list[str]:
    return sorted({option.encoder for row in options.joints for option in row})


def columns_of_types(options: Options) -> int:
    """Number of columns, after those of the options, for the types of encoders that a group uses."""
    return len(_types(options)) * len(options.type_limits)


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
        Columns of the program: options of all joints in order, `columns_of_types`, two of every tier, further ones.
    prices : (least, most)
        Bounds of the price of a choice. [cost units]
    excluded : sequence of sequence of sequence of int
        Per joint options; choices made of these alone are excluded.
    neighbourhoods : sequence of (weights of all options, least sum)
        Choices whose weights sum to less are excluded.

    Returns
    -------
    (matrix, low, high)
        Rows, shape (rows, width), and their bounds.
    """
    rows: list[dict[int, float]] = []
    low: list[float] = []
    high: list[float] = []

    def row(entries: dict[int, float], least: float, most: float) -> None:
        rows.append(entries)
        low.append(least)
        high.append(most)

    types, sizes = _types(options), [len(joint) for joint in options.joints]
    starts = np.concatenate([[0], np.cumsum(sizes)]).tolist()
    all_options = [option for joint in options.joints for option in joint]
    for start, size in zip(starts, sizes, strict=False):
        row({start + o: 1.0 for o in range(size)}, 1, 1)
    if options.mass is not None:
        row({i: option.mass for i, option in enumerate(all_options)}, -np.inf, options.mass + TINY)
    if options.changes is not None:
        row({i: 1.0 for i, option in enumerate(all_options) if not option.present}, -np.inf, options.changes)
    for name, pieces in options.stock.items():
        row({i: 1.0 for i, option in enumerate(all_options) if option.encoder == name}, -np.inf, pieces)
    at = {
        (j, name): [starts[j] + o for o, option in enumerate(joint) if option.encoder == name]
        for j, joint in enumerate(options.joints)
        for name in types
    }
    for number, (joints, most) in enumerate(options.type_limits):
        first = len(all_options) + number * len(types)
        for j in joints:
            for t, name in enumerate(types):
                if at[j, name]:  # at most one of them is taken, so one row for all: tighter than one row each
                    row({first + t: -1.0, **dict.fromkeys(at[j, name], 1.0)}, -np.inf, 0)
        row({first + t: 1.0 for t in range(len(types))}, -np.inf, most)
    for joints in options.same_encoder_groups:
        for j, k in pairwise(joints):
            for name in types:
                row({**dict.fromkeys(at[j, name], 1.0), **dict.fromkeys(at[k, name], -1.0)}, 0, 0)
    for joints in options.modules:
        for j, k in pairwise(joints):
            for fit in sorted({option.fit for n in (j, k) for option in options.joints[n]}):
                entries = {
                    starts[n] + o: sign
                    for n, sign in ((j, 1.0), (k, -1.0))
                    for o, option in enumerate(options.joints[n])
                    if option.fit == fit
                }
                row(entries, 0, 0)
    for pair in options.forbidden_pairs:
        joint_ranges = [range(len(sizes)) if j is None else (j,) for j, _ in pair]
        for j, k in product(*joint_ranges):
            columns_of_pair = at.get((j, pair[0][1]), []) + at.get((k, pair[1][1]), [])
            if j != k:
                row(dict.fromkeys(columns_of_pair, 1.0), -np.inf, 1)
    tiers, first_tier = tiers_of(options), len(all_options) + columns_of_types(options)
    for of_tier in purchase_rows(tiers, at, first_tier):
        row(*of_tier)
    if np.isfinite(prices).any():
        of_tiers = enumerate(tier_prices(tiers).tolist(), start=first_tier)
        row({**{i: option.price for i, option in enumerate(all_options)}, **dict(of_tiers)}, *prices)
    for worse in excluded:
        entries = {starts[j] + o: 1.0 for j, columns in enumerate(worse) for o in columns}
        row(entries, -np.inf, len(worse) - 1)
    for weights, least in neighbourhoods:
        row({i: float(w) for i, w in enumerate(weights) if w}, least * (1 - TINY), np.inf)
    matrix = lil_array((len(rows), width))
    for number, entries in enumerate(rows):
        for column, value in entries.items():
            matrix[number, column] = value
    return csr_array(matrix), low, high
