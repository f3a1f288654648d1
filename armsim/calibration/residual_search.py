"""Significant orders in the residual of the fit of an error curve, by Lomb-Scargle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.documents.curve_file import Curve
from armsim.physics.harmonics import HarmonicFit, IndistinguishableOrders

FALSE_ALARM = 0.01
"""Probability that any order is found in pure noise, over all orders searched. Common practice, no source."""
HIGHEST_ORDER = 4096
"""Highest order searched if the angles do not limit it. Common practice, no source."""
MOST_FOUND = 12
"""Largest number of orders searched for in the residual."""
MAX_ANGLES_TIMES_ORDERS = 10_000_000
"""Largest number of angles times orders of a search, so that it takes seconds."""
BLOCK = 2_000_000
"""Largest number of angles times orders computed at once."""
NEGLIGIBLE = 1e-9
"""Share of the largest error below which a residual is rounding."""


@dataclass(frozen=True, eq=False)
class SearchedFit:
    """Waves of the requested orders and of those found in the residual, fitted together.

    Parameters
    ----------
    fit : HarmonicFit
    orders : (H,)
        Requested orders, then orders found in the residual.
    false_alarms : (H,)
        Probability of an order as large in pure noise, over all orders searched; None for a requested order.
    searched : int
        Highest order that was searched.
    """

    fit: HarmonicFit
    orders: tuple[int, ...]
    false_alarms: tuple[float | None, ...]
    searched: int


def search_residual(curve: Curve, orders: Sequence[int], sheet_orders: Sequence[int] = ()) -> SearchedFit:
    """Fit orders, and search the residual for further significant ones, the strongest first.

    The strongest order of the Lomb-Scargle periodogram of the residual is fitted together with all before. It takes the
    share z of the residual's sum of squares; in noise alone, with k degrees of freedom left after it, a share as large
    has the p-value

        p = (1 - z)^(k / 2),   over M orders   1 - (1 - p)^M

    The first is exact for independent normal noise, as a fit of the two waves with all others makes z beta-distributed;
    the second is exact for orders that are orthogonal, and too large for others.

    Parameters
    ----------
    curve : Curve
    orders : sequence of int
        Orders that are fitted in any case.
    sheet_orders : sequence of int
        Orders of the data sheet, which are searched even if `MAX_ANGLES_TIMES_ORDERS` excludes orders as high; but not
        beyond half the number of equal steps, where they look like lower orders.

    Returns
    -------
    SearchedFit

    Raises
    ------
    IndistinguishableOrders
        The angles do not resolve the requested orders.

    References
    ----------
    .. [1] Lomb, Astrophysics and Space Science 39 (1976) 447; Scargle, Astrophysical Journal 263 (1982) 835.
    .. [2] Horne, Baliunas, Astrophysical Journal 302 (1986) 757: 1 - (1 - p)^M over the frequencies searched.
    .. [3] Schwarzenberg-Czerny, Monthly Notices of the RAS 301 (1998) 831: beta distribution where the noise is
       estimated from the same data.
    """
    fit = curve.fit(orders)
    searched, steps = highest_order(curve), curve.equal_steps
    higher = [order for order in sheet_orders if order > searched and (steps is None or order <= (steps - 1) // 2)]
    listed, alarms = list(orders), [None for _ in orders]  # type: list[int], list[float | None]
    while len(listed) < len(orders) + MOST_FOUND and not _negligible(fit, curve):
        candidates = np.setdiff1d([*range(1, searched + 1), *higher], listed)
        trial = _strongest(curve, fit, listed, candidates)
        if trial is None:
            break
        order, wider = trial
        ratio = float(wider.residual @ wider.residual) / float(fit.residual @ fit.residual)
        p_value = ratio ** (wider.freedom / 2)
        alarm = float(-np.expm1(len(candidates) * np.log1p(-p_value))) if p_value < 1.0 else 1.0
        if alarm > FALSE_ALARM:
            break
        fit = wider
        listed.append(order)
        alarms.append(alarm)
    return SearchedFit(fit, tuple(listed), tuple(alarms), searched)


def highest_order(curve: Curve) -> int:
    """Highest order that is searched: below half the number of equal steps, if the angles are equally spaced."""
    steps = curve.equal_steps
    bound = HIGHEST_ORDER if steps is None else min(HIGHEST_ORDER, (steps - 1) // 2)
    return min(bound, max(1, MAX_ANGLES_TIMES_ORDERS // len(curve.angle)))


def _negligible(fit: HarmonicFit, curve: Curve) -> bool:
    """Whether the residual of a fit is rounding."""
    return float(np.sqrt(np.mean(fit.residual**2))) <= NEGLIGIBLE * float(np.abs(curve.error).max())


def _strongest(
    curve: Curve, fit: HarmonicFit, listed: Sequence[int], candidates: Array
) -> tuple[int, HarmonicFit] | None:
    """Strongest order of the residual that the angles separate from those before, and the fit with it."""
    if fit.freedom <= 2 or not len(candidates):
        return None
    power = _periodogram(curve, fit.residual, candidates)
    # aliases have the same power except for rounding: take the lowest of them
    for index in np.argsort(-np.round(power / power.max(), 9), kind="stable").tolist():
        order = int(candidates[index])
        try:
            return order, curve.fit((*listed, order))
        except IndistinguishableOrders:
            continue
    return None


def _periodogram(curve: Curve, residual: Array, orders: Array) -> Array:
    """Lomb-Scargle power of orders, shape (orders,)."""
    from scipy.signal import lombscargle

    waves = orders * curve.fundamental
    blocks = np.array_split(waves, -(-len(waves) * len(residual) // BLOCK))
    return np.concatenate([np.atleast_1d(lombscargle(curve.angle, residual, block)) for block in blocks])
