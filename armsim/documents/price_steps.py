"""Price of an encoder as a document states it: one number, or prices by the number of pieces."""

from __future__ import annotations

from typing import Any

from armsim.documents.fields import Check, invalid

Steps = tuple[tuple[int, float], ...]
MOST_STEPS = 20
"""Largest number of steps; a price list has fewer."""
MOST_PIECES = 10**9
"""Largest number of pieces of a step."""
ACCEPTED = (
    f"a number of cost units, or prices by the number of pieces from 1 on, such as {{1: 40, 100: 31}}, at most "
    f"{MOST_STEPS} of them; not negative, at most a million"
)


def _cost(value: Any) -> float | None:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number and 0 <= value <= 1e6 else None


def _pieces(value: Any) -> int | None:
    """Number of pieces, also where a key is quoted."""
    text = str(value) if isinstance(value, str | int) and not isinstance(value, bool) else ""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 11 and 1 <= int(text) <= MOST_PIECES else None


def read_price(value: Any) -> Steps:
    """Price of a piece from a number of pieces on, in their order; a single price is that from 1 on.

    Raises
    ------
    PydanticCustomError
        A price that is no number or negative, or steps that do not begin with 1.
    """
    entries = value if isinstance(value, dict) else {1: value}
    steps: dict[int, float] = {}
    for key, price in entries.items():
        pieces, cost = _pieces(key), _cost(price)
        if pieces is None:
            raise invalid(f"{str(key)[:40]!r} pieces", ACCEPTED)
        if cost is None:
            finding = f"{repr(price)[:40]} is not accepted"
            raise invalid(finding if not isinstance(value, dict) else f"from {pieces} pieces on {finding}", ACCEPTED)
        if pieces in steps:
            raise invalid(f"two prices from {pieces} pieces on", ACCEPTED)
        steps[pieces] = cost
    if not 1 <= len(steps) <= MOST_STEPS or 1 not in steps:
        raise invalid("no price of a single piece" if len(steps) <= MOST_STEPS else f"{len(steps)} prices", ACCEPTED)
    return tuple(sorted(steps.items()))


_NUMBER = {"type": "number", "minimum": 0}
PRICE = Check(
    read_price,
    {
        "description": "Cost units of one piece, or by the number bought: {1: 40, 100: 31}.",
        "anyOf": [_NUMBER, {"type": "object", "patternProperties": {"^[1-9][0-9]*$": _NUMBER}, "minProperties": 1}],
    },
)
"""Check of the key ``price`` of an encoder."""
