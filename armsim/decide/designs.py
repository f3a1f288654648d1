"""Designs of a catalogue, listed by their price."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np

from armsim.arrays import Array
from armsim.decide.decision_records import FittedEncoder, FittedMotorEncoder
from armsim.decide.program import Choice
from armsim.model.joint_options import Options


def fitted_encoders(options: Options, choice: Choice) -> tuple[FittedEncoder, ...]:
    """Encoder, mounting, placement and price of every joint of a choice.

    Parameters
    ----------
    options : Options
    choice : Choice

    Returns
    -------
    tuple of FittedEncoder
    """
    chosen = [row[n] for row, n in zip(options.joints, choice, strict=True)]
    pieces, out = Counter(encoder for option in chosen for encoder in option.encoders), []
    for option, (of_joint, *of_motor) in zip(chosen, options.encoder_prices(chosen), strict=True):
        price = option.price + of_joint[1] + sum(one_off for _, one_off in of_motor)
        price += sum(options.purchase.price_change(encoder, pieces[encoder]) for encoder in option.encoders)
        motor = FittedMotorEncoder(option.motor_encoder, *of_motor[0]) if of_motor else None
        out.append(
            FittedEncoder(option.joint.name, option.encoder, option.mounting, option.placement, price, *of_joint, motor)
        )
    return tuple(out)


def cheaper_than(options: Options, price: float, most_listed: int) -> Iterator[Choice] | None:
    """Admissible choices below a price, the most expensive first.

    Parameters
    ----------
    options : Options
    price : float
        [cost units]
    most_listed : int
        Largest number of designs of a catalogue that are listed.

    Returns
    -------
    iterator of Choice, optional
        None if the catalogue has more designs than that.
    """
    sizes = [len(row) for row in options.joints]
    if options.changes is not None:
        return _with_few_changes(options, options.changes, price, most_listed)
    if math.prod(float(size) for size in sizes) > most_listed:
        return None
    total = _sums([[option.price for option in row] for row in options.joints])
    for encoder in options.purchase.price_lists:
        pieces = _sums([[option.encoders.count(encoder) for option in row] for row in options.joints]).astype(int)
        surcharges = [options.purchase.surcharge(encoder, number) for number in range(pieces.max() + 1)]
        total = total + np.array(surcharges)[pieces]
    all_choices = itertools.product(*(range(size) for size in sizes))
    cheaper = [row for row in zip(total.tolist(), all_choices, strict=True) if row[0] < price]
    cheaper.sort(key=lambda row: -row[0])
    return (
        choice
        for _, choice in cheaper
        if options.admits([row[n] for row, n in zip(options.joints, choice, strict=True)])
    )


def _with_few_changes(options: Options, changes: int, price: float, most_listed: int) -> Iterator[Choice] | None:
    """As `cheaper_than`, if only a few joints may change."""
    other = [[n for n, option in enumerate(row) if not option.present] for row in options.joints]
    present = [[n for n, option in enumerate(row) if option.present] for row in options.joints]
    option_sets = [
        [other[j] if j in changed else present[j] for j in range(len(other))]
        for number in range(changes + 1)
        for changed in itertools.combinations(range(len(other)), number)
    ]
    if sum(math.prod(map(len, option_set)) for option_set in option_sets) > most_listed:
        return None
    cheaper = []
    for choice in itertools.chain.from_iterable(itertools.product(*option_set) for option_set in option_sets):
        chosen = [row[n] for row, n in zip(options.joints, choice, strict=True)]
        total = options.price(chosen)
        if total < price and options.admits(chosen):
            cheaper.append((total, choice))
    return (choice for _, choice in sorted(cheaper, key=lambda row: -row[0]))


def _sums(rows: Sequence[Sequence[float]]) -> Array:
    """Sums of a number per option over all joints, for all choices in the order of their numbers, shape (choices,)."""
    total = np.array(rows[0], dtype=float)
    for further in rows[1:]:
        total = (total[:, None] + np.array(further, dtype=float)).ravel()
    return total


def least_price(options: Options) -> float:
    """Lower bound of all prices: the cheapest option at every joint, and one type at least. [cost units]

    Every option counts at the lowest unit price that its types have for any number of pieces in the arm.
    """
    purchase, total, one_off_costs = options.purchase, 0.0, 0.0
    for row in options.joints:
        prices = [option.price + sum(_lowest_surcharge(options, name) for name in option.encoders) for option in row]
        with_type = [
            price + sum(purchase.one_off(name) for name in set(option.encoders))
            for price, option in zip(prices, row, strict=True)
        ]
        total += min(prices)
        one_off_costs = max(one_off_costs, min(with_type) - min(prices))
    return float(total + one_off_costs)


def _lowest_surcharge(options: Options, encoder: str) -> float:
    return min(options.purchase.price_change(encoder, pieces) for pieces in range(1, 2 * len(options.joints) + 1))


def search_notes(options: Options, poses: int) -> Iterator[str]:
    """Notes on what is searched: the number of designs, and encoders whose reference run is taken as exact.

    Parameters
    ----------
    options : Options
    poses : int

    Yields
    ------
    str
    """
    sizes = [len(row) for row in options.joints]
    yield f"{' x '.join(map(str, sizes))} options, {math.prod(map(float, sizes)):.3g} designs, {poses} poses"
    encoders = [option.joint.encoder for row in options.joints for option in row]
    names = sorted({encoder.name for encoder in encoders if encoder.needs_reference_run and not encoder.homing.nonzero})
    if names:
        yield f"no homing error stated, the zero of a reference run is taken as exact: {', '.join(names)}"
