"""States of a criterion, from an estimate, its interval and a limit."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Literal

State = Literal["met", "not resolved", "not met"]
Verdict = Literal["met", "not resolved", "not met", "none stated"]
"""State, or ``none stated`` where nothing is required."""
FROM_BEST_TO_WORST: tuple[Verdict, ...] = ("none stated", "met", "not resolved", "not met")
"""Verdicts from the best to the worst."""


def state_of(low: float, high: float, limit: float, at_least: bool = False) -> State:
    """State of a figure with the 95 % interval ``low`` to ``high``, against a limit.

    Parameters
    ----------
    low, high : float
        Ends of the interval, infinite where the sample gives none.
    limit : float
        In the unit of the figure.
    at_least : bool
        Whether the figure must reach the limit; otherwise it must not exceed it.

    Returns
    -------
    State
        ``met`` where the whole interval keeps the limit, ``not met`` where all of it is beyond, else ``not resolved``.

    References
    ----------
    .. [1] JCGM 106:2012, 8.3.3, guarded acceptance: accept only where the whole coverage interval
       keeps the limit.
    """
    if at_least:
        low, high, limit = -high, -low, -limit
    if high <= limit:
        return "met"
    return "not met" if low > limit else "not resolved"


def worst_of(verdicts: Iterable[Verdict]) -> Verdict:
    """Worst state of several criteria; ``none stated`` where nothing is required."""
    return FROM_BEST_TO_WORST[max((FROM_BEST_TO_WORST.index(verdict) for verdict in verdicts), default=0)]


def units_for_interval(quantile: float) -> int:
    """Number of arms from which a quantile over arms has an upper end: p^n is at most 2.5 %, rounded.

    References
    ----------
    .. [1] Conover, Practical Nonparametric Statistics (1999), 3.2: order statistics; the largest of n lies below the
       quantile with the chance p^n.
    """
    needed = math.ceil(math.log(0.025) / math.log(quantile)) if quantile < 1.0 else 0
    step = int(10 ** max(0, len(str(needed)) - 2))
    return -(-needed // step) * step


def units_to_resolve(units: int, value: float, low: float, high: float, limit: float) -> int | None:
    """Number of units, rounded, at which the interval about the same value would exclude the limit.

    The half-width falls with the square root of the number of units. None where no number would do (the value is the
    limit) or the sample gives no interval.
    """
    half_width = high - value if limit > value else value - low
    distance = abs(limit - value)
    if not math.isfinite(half_width) or half_width <= 0 or distance <= 0:
        return None
    needed = units * (half_width / distance) ** 2
    if needed <= units or needed > 1e9:
        return None
    step = 10.0 ** (math.floor(math.log10(needed)) - 1)
    return int(math.ceil(needed / step - 1e-6) * step)
