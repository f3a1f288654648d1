"""Expected distribution of the fitted amplitude of an order from data sheet and mounting, including aliases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibration_records import LawRecord
from armsim.documents.curve_file import Curve
from armsim.errormodel.shapes import Shape, State, Wave
from armsim.errormodel.terms import SHAFT
from armsim.model.encoder import Encoder
from armsim.model.mounting import Mounting
from armsim.physics.harmonics import HarmonicFit, design_matrix, indistinguishable_orders
from armsim.sampling.random_draws import UNIT_BLOCK, draw_units
from armsim.sampling.statistics import holm
from armsim.sampling_plan import SamplingPlan

DRAWN_SENSORS = 16 * UNIT_BLOCK
"""Number of sensors drawn to estimate the distribution of each order."""
SIGNIFICANT = 0.01
"""Chance of a false alarm over all orders of a sensor. Common practice, no source."""
SAME_ORDER = 1e-6
"""Relative difference of orders that count as the same."""


@dataclass(frozen=True, eq=False)
class SheetErrors:
    """Errors that data sheet and mounting state and that are drawn once per sensor, for many sensors.

    Parameters
    ----------
    fundamental, travel : float
        Order 1 [rad/rad or rad/m], and travel of a linear scale [m]; 0 for a rotary encoder, on which no error depends
        on the travel.
    shapes : (K,)
    causes : (K,)
    draws : (K, DRAWN_SENSORS)
        Coefficient of every shape, per sensor. [rad or m]
    """

    fundamental: float
    travel: float
    shapes: tuple[Shape, ...]
    causes: tuple[str, ...]
    draws: Array

    def applies_to(self, curve: Curve) -> bool:
        """Whether the drawn errors apply to the sensor of a curve, which has the same turn or travel."""
        return (self.fundamental, self.travel) == (curve.fundamental, 0.0 if curve.rotary else curve.travel)

    @property
    def orders(self) -> tuple[float, ...]:
        """Distinct orders of the stated waves, the lowest first. [rad/rad or rad/m]"""
        return tuple(sorted({abs(shape.order) for shape in self.shapes if isinstance(shape, Wave)}))


@dataclass(frozen=True, eq=False)
class FoldedLaw:
    """Distribution of the fitted coefficients from the errors of a data sheet, including aliases at the measured
    angles.

    Parameters
    ----------
    curve : Curve
    orders : (H,)
    coefficients : (2 H, DRAWN_SENSORS)
        Fitted cosine and sine of every order, without noise. [rad or m]
    quantiles : (H, 2)
        Amplitudes that 50 and 95 % do not exceed. [rad or m]
    causes : (H,)
        Causes of every order and of its aliases; empty if the data sheet states none.
    aliases : (H,)
        Orders of the sheet that cannot be distinguished from each order at these angles, per turn or over the travel.
    constant_aliases : tuple of float
        Orders of the sheet that cannot be distinguished from a constant, per turn or over the travel.
    unlisted : int
        Number of further orders of the sheet.
    """

    curve: Curve
    orders: tuple[int, ...]
    coefficients: Array
    quantiles: Array
    causes: tuple[tuple[str, ...], ...]
    aliases: tuple[tuple[float, ...], ...]
    constant_aliases: tuple[float, ...]
    unlisted: int

    def applies_to(self, curve: Curve, orders: Sequence[int]) -> bool:
        """Whether the law is that of a curve at the same angles with the same orders.

        Parameters
        ----------
        curve : Curve
        orders : sequence of int

        Returns
        -------
        bool
        """
        same = np.array_equal(self.curve.angle, curve.angle) and np.array_equal(self.curve.direction, curve.direction)
        return same and self.orders == tuple(orders)


@dataclass(frozen=True)
class OrderLaws:
    """Expected distributions of the orders of one sensor, None for an order that the data sheet does not state.

    ``aliases`` and ``constant_aliases`` as in `FoldedLaw`.
    """

    laws: tuple[LawRecord | None, ...]
    aliases: tuple[tuple[float, ...], ...]
    constant_aliases: tuple[float, ...] = ()


def draw_sheet(encoder: Encoder, mounting: Mounting | None, curve: Curve, seed: int) -> SheetErrors:
    """Draw the errors of sensors built to a data sheet and a mounting, over the turn or the travel of a curve.

    Parameters
    ----------
    encoder : Encoder
    mounting : Mounting or None
        By default without errors.
    curve : Curve
    seed : int

    Returns
    -------
    SheetErrors
    """
    fundamental, travel = curve.fundamental, 0.0 if curve.rotary else curve.travel
    terms = [term for term in encoder.terms(fundamental, travel, 1.0) if term.life == "unit"]
    terms += [term for term in (mounting or Mounting()).terms(encoder, fundamental, True) if term.life == "unit"]
    coefficients, start = draw_units(terms, SamplingPlan(DRAWN_SENSORS, 1, seed)), 0
    shapes: list[Shape] = []
    causes: list[str] = []
    rows: list[int] = []
    for term in terms:
        for act in term.acts:
            if act.axis == SHAFT:
                shapes.append(act.shape)
                causes.append(term.cause.name)
                rows.append(start + act.coefficient)
        start += len(term.mean)
    return SheetErrors(fundamental, travel, tuple(shapes), tuple(causes), coefficients[rows])


def fold_orders(sheet: SheetErrors, curve: Curve, orders: Sequence[int]) -> FoldedLaw:
    """Fit the drawn errors of a data sheet at the angles of a measured curve, in the same way as the curve.

    A wave w that is not among the fitted waves F adds (F^T F)^-1 F^T w to the coefficients: at equal steps its full
    amplitude to its alias, at irregular angles a little to every order.

    Parameters
    ----------
    sheet : SheetErrors
    curve : Curve
    orders : (H,)
        Orders that are fitted, per turn or over the travel.

    Returns
    -------
    FoldedLaw

    References
    ----------
    .. [1] Seber, Lee, Linear Regression Analysis, 2nd ed. (2003), 9.2: bias of least squares from regressors left out.
    """
    remainder = np.zeros_like(curve.angle)
    state = State(curve.angle, remainder, remainder, curve.direction)
    listed = [order * curve.fundamental for order in orders]
    shapes = np.array([shape.value(state) for shape in sheet.shapes]).reshape(len(sheet.shapes), len(curve.angle))
    design = design_matrix(curve.angle, listed, curve.direction)
    gains = (np.linalg.pinv(design) @ shapes.T)[1 : 1 + 2 * len(listed)]
    causes, aliases = [], []
    covered: set[float] = set()
    for order in listed:
        same = {other for other in sheet.orders if abs(other - order) < SAME_ORDER * order}
        others = [other for other in sheet.orders if other not in same]
        folded = set(indistinguishable_orders(curve.angle, order, others))
        aliases.append(_per_fundamental(folded, curve))
        is_folded = [isinstance(shape, Wave) and abs(shape.order) in same | folded for shape in sheet.shapes]
        causes.append(tuple(dict.fromkeys(c for c, is_near in zip(sheet.causes, is_folded, strict=True) if is_near)))
        covered |= same | folded
    coefficients = gains @ sheet.draws
    quantiles = np.quantile(np.hypot(coefficients[0::2], coefficients[1::2]), [0.5, 0.95], axis=1).T
    constant = set(indistinguishable_orders(curve.angle, 0.0, sheet.orders)) - covered
    unlisted = len(sheet.orders) - len(covered) - len(constant)
    hidden = _per_fundamental(constant, curve)
    return FoldedLaw(curve, tuple(orders), coefficients, quantiles, tuple(causes), tuple(aliases), hidden, unlisted)


def _per_fundamental(orders: set[float], curve: Curve) -> tuple[float, ...]:
    """Orders per turn or over the travel, the lowest first."""
    return tuple(sorted(round(order / curve.fundamental, 6) for order in orders))


def judge_orders(law: FoldedLaw, fit: HarmonicFit, seed: int) -> OrderLaws:
    """Rank the fitted amplitudes among those of drawn sensors, measured with the same noise.

    The p-value of an amplitude is its rank among the drawn sensors. Their noise is that of the fit, with Student's
    distribution since its size is estimated. Stated orders that are not listed are included in Holm's correction, since
    they would have been judged if the residual had shown them.

    Parameters
    ----------
    law : FoldedLaw
    fit : HarmonicFit
        With the orders of the law.
    seed : int
        Seed of the noise.

    Returns
    -------
    OrderLaws

    References
    ----------
    .. [1] Davison, Hinkley, Bootstrap Methods and their Application (1997), 4.2: Monte Carlo tests, (1 + r) / (1 + n).
    """
    rng = np.random.default_rng(seed)
    size = np.sqrt(fit.freedom / rng.chisquare(fit.freedom, DRAWN_SENSORS))
    noise = rng.normal(size=(2, DRAWN_SENSORS)) * size
    expectations: list[tuple[float, float, float, tuple[str, ...]] | None] = []
    p_values = []
    for n, causes in enumerate(law.causes):
        if not causes:
            expectations.append(None)
            continue
        rows = slice(2 * n, 2 * n + 2)
        cosine, sine = law.coefficients[rows]
        values, vectors = np.linalg.eigh(fit.covariance[rows, rows])
        scatter = (vectors * np.sqrt(np.maximum(values, 0.0))) @ noise
        amplitudes = np.hypot(cosine + scatter[0], sine + scatter[1])
        below = int(np.count_nonzero(amplitudes <= np.hypot(*fit.coefficients[rows])))
        p50, p95 = law.quantiles[n].tolist()
        expectations.append((p50, p95, below / DRAWN_SENSORS, causes))
        p_values.append((1 + DRAWN_SENSORS - below) / (1 + DRAWN_SENSORS))
    contradicts = iter(holm([*p_values, *[1.0] * law.unlisted], SIGNIFICANT))
    laws = tuple(
        None if expectation is None else LawRecord(*expectation, next(contradicts)) for expectation in expectations
    )
    return OrderLaws(laws, law.aliases, law.constant_aliases)
