"""Analysis of measured error curves of sensors, order by order, compared with data sheet and mounting."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import computed_field

from armsim.arrays import Array
from armsim.calibration.amplitude_interval import rice_amplitudes, rice_intervals
from armsim.calibration.calibration_records import OrderRecord
from armsim.calibration.order_law import SAME_ORDER, OrderLaws, SheetErrors, draw_sheet, fold_orders, judge_orders
from armsim.calibration.residual_search import SearchedFit, search_residual
from armsim.documents.curve_file import Curve, read_curves
from armsim.errors import InputError, Problem
from armsim.model.encoder import Encoder
from armsim.model.mounting import Mounting
from armsim.physics.harmonics import HarmonicFit, IndistinguishableOrders
from armsim.requirement.state import Verdict
from armsim.results.json_records import NotInRecord, record_as_dict

MOST_ORDERS = 12
"""Largest number of orders fitted if none are requested."""
SAME_ANGLE = 1e-6
"""Difference of angles below which they count as equal. [turns]"""


@dataclass(frozen=True, eq=False)
class MeasuredSensor:
    """One sensor: its curve, the waves fitted to it, and every order with its expected law, requested orders first.

    ``searched`` is the highest order that was searched in the residual; ``constant_aliases`` are orders of the data
    sheet that cannot be distinguished from a constant.
    """

    curve: NotInRecord[Curve]
    fit: NotInRecord[HarmonicFit]
    orders: tuple[OrderRecord, ...]
    searched: int
    constant_aliases: tuple[float, ...]

    @property
    def contradicted(self) -> tuple[int, ...]:
        """Orders whose amplitude is significantly larger than the data sheet allows, over all orders together."""
        return tuple(order.order for order in self.orders if order.law is not None and order.law.contradicts)

    @property
    def in_residual(self) -> tuple[OrderRecord, ...]:
        """Orders that were not requested and found in the residual, the strongest first."""
        return tuple(order for order in self.orders if order.false_alarm is not None)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def sensor(self) -> str:
        """Name of the sensor."""
        return self.curve.sensor

    @computed_field  # type: ignore[prop-decorator]
    @property
    def points(self) -> int:
        """Number of readings."""
        return len(self.curve.angle)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def constant(self) -> float:
        """Constant of the fit. [rad or m]"""
        return self.fit.constant

    @computed_field  # type: ignore[prop-decorator]
    @property
    def noise(self) -> float:
        """Rms residual after all listed orders are removed. [rad or m]"""
        return self.fit.noise

    @computed_field  # type: ignore[prop-decorator]
    @property
    def reversal(self) -> tuple[float, float] | None:
        """Difference of the readings between the two directions, and its standard uncertainty. [rad or m]"""
        return None if math.isnan(self.fit.reversal) else (self.fit.reversal, self.fit.reversal_uncertainty)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def equal_steps(self) -> int | None:
        """Number of equal steps of a turn or of the travel; None where the angles are not equally spaced."""
        return self.curve.equal_steps

    @computed_field  # type: ignore[prop-decorator]
    @property
    def unit(self) -> str:
        """SI unit of its errors."""
        return "rad" if self.curve.rotary else "m"


@dataclass(frozen=True, eq=False)
class Curves:
    """Result of `armsim curve`: all sensors of a file.

    ``leave_one_out`` is, per sensor, the p-value of its coefficients under the normal distribution of the others.
    """

    file: str
    encoder: str | None
    sensors: tuple[MeasuredSensor, ...]
    leave_one_out: tuple[float, ...] | None
    format: Literal["armsim-curve/1"] = "armsim-curve/1"

    @property
    def agrees(self) -> bool | None:
        """Whether no order of any sensor contradicts the data sheet; None if there is none to compare with."""
        return None if self.encoder is None else not any(sensor.contradicted for sensor in self.sensors)

    @property
    def state(self) -> Verdict:
        """Verdict on the agreement with the data sheet; ``none stated`` if there is none to compare with."""
        return "none stated" if self.agrees is None else "met" if self.agrees else "not met"

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units."""
        return record_as_dict(self)


def analyse_curves(
    path: Path,
    orders: Sequence[int] = (),
    encoder: Encoder | None = None,
    mounting: Mounting | None = None,
    seed: int = 1,
) -> Curves:
    """Fit the orders of every sensor of a file, search the residual, and compare with the data sheet of an encoder.

    Parameters
    ----------
    path : Path
        CSV file of error curves.
    orders : sequence of int
        Orders to fit, per turn or per travel of a linear scale. Default: as many as the angles resolve, up to
        `MOST_ORDERS`. Other significant orders are searched in the residual in any case.
    encoder : Encoder, optional
        Data sheet to compare with.
    mounting : Mounting, optional
        Mounting whose errors are added to those of the data sheet.
    seed : int
        Seed of the draws of the expected amplitudes.

    Returns
    -------
    Curves

    Raises
    ------
    InputError
        The file is wrong, or its angles do not resolve the orders.
    """
    curves = read_curves(path)
    for curve in curves:
        if encoder is not None and encoder.rotary != curve.rotary:
            kind = f"{encoder.name!r} measures {encoder.measures}"
            raise InputError(Problem(str(path), 1, 1, "header", kind, "the curve of a sensor of its kind"))
    fits, laws = [], []
    sheet, law = None, None
    for curve in curves:
        # consecutive sensors read at the same angles share draws and law
        if encoder is not None and (sheet is None or not sheet.applies_to(curve)):
            sheet = draw_sheet(encoder, mounting, curve, seed)
        searched = _search_orders(curve, orders, sheet, path)
        if sheet is not None and (law is None or not law.applies_to(curve, searched.orders)):
            law = fold_orders(sheet, curve, searched.orders)
        unjudged = OrderLaws((None,) * len(searched.orders), ((),) * len(searched.orders))
        laws.append(unjudged if law is None else judge_orders(law, searched.fit, seed))
        fits.append(searched)
    records = iter(_order_records(fits, laws))
    sensors = tuple(
        MeasuredSensor(curve, fit.fit, tuple(next(records) for _ in fit.orders), fit.searched, law.constant_aliases)
        for curve, fit, law in zip(curves, fits, laws, strict=True)
    )
    return Curves(
        path.name,
        None if encoder is None else encoder.name,
        sensors,
        leave_one_out_p_values(_requested_coefficients(fits)),
    )


def _search_orders(curve: Curve, orders: Sequence[int], sheet: SheetErrors | None, path: Path) -> SearchedFit:
    """Fitted orders of a curve; if none are requested, as many as the angles resolve."""
    sheet_orders = [order / curve.fundamental for order in (() if sheet is None else sheet.orders)]
    integers = [round(order) for order in sheet_orders if abs(order - round(order)) < SAME_ORDER * order]
    choices = [tuple(orders)] if orders else [tuple(range(1, most + 1)) for most in range(_most_orders(curve), 0, -1)]
    for choice in choices:
        try:
            return search_residual(curve, choice, integers)
        except IndistinguishableOrders as error:
            reason = str(error)
    steps = "" if curve.equal_steps is None else f" at {curve.equal_steps} equal steps"
    problem = f"the angles of {curve.sensor!r} do not distinguish {reason}{steps}"
    raise InputError(
        Problem(str(path), 0, 0, "--orders", problem, "more angles, spread over the turn, or fewer --orders")
    )


def _most_orders(curve: Curve) -> int:
    """Largest number of orders that the angles resolve: below half of the different angles on a turn."""
    turn = 2.0 * math.pi if curve.rotary else curve.travel
    distinct_angles = np.unique(np.round((curve.angle / turn % 1.0) / SAME_ANGLE))
    return max(1, min(MOST_ORDERS, (len(distinct_angles) - 1) // 2, (len(curve.angle) - 3) // 2))


def _order_records(fits: Sequence[SearchedFit], laws: Sequence[OrderLaws]) -> list[OrderRecord]:
    """Records of all orders, one sensor after the other."""
    pairs = np.concatenate([searched.fit.coefficients.reshape(-1, 2) for searched in fits])
    blocks = np.concatenate([_covariance_blocks(searched.fit) for searched in fits])
    freedom = np.concatenate([np.full(len(searched.orders), searched.fit.freedom) for searched in fits])
    columns = zip(
        [order for searched in fits for order in searched.orders],
        rice_amplitudes(pairs, blocks).tolist(),
        [value for searched in fits for value in searched.fit.uncertainties.tolist()],
        rice_intervals(pairs, blocks, freedom).tolist(),
        pairs.tolist(),
        [alarm for searched in fits for alarm in searched.false_alarms],
        [aliases for judged_orders in laws for aliases in judged_orders.aliases],
        [law for judged_orders in laws for law in judged_orders.laws],
        strict=True,
    )
    return [
        OrderRecord(order, amplitude, uncertainty, (low, high), cosine, sine, aliases, alarm, law)
        for order, amplitude, uncertainty, (low, high), (cosine, sine), alarm, aliases, law in columns
    ]


def _covariance_blocks(fit: HarmonicFit) -> Array:
    """Covariance of cosine and sine of every order, shape (H, 2, 2)."""
    count = len(fit.orders)
    return fit.covariance.reshape(count, 2, count, 2)[np.arange(count), :, np.arange(count), :]


def _requested_coefficients(fits: Sequence[SearchedFit]) -> Array | None:
    """Coefficients of the requested orders, shape (sensors, 2 H); None if the sensors have different orders."""
    if len({searched.false_alarms.count(None) for searched in fits}) != 1:
        return None
    return np.array([searched.fit.coefficients[: 2 * searched.false_alarms.count(None)] for searched in fits])


def leave_one_out_p_values(coefficients: Array | None) -> tuple[float, ...] | None:
    """P-value of every sensor under the normal distribution of the others; None if there are too few sensors.

    The squared Mahalanobis distance d^2 of a new member of a normal population from the mean of n others, by their
    covariance, follows

        d^2 (n - k) n / ((n^2 - 1) k)  ~  F distribution with k and n - k degrees of freedom.

    With e the residual of a member from the mean of all N = n + 1, and S their scatter matrix, that distance is

        d^2 = (n - 1) c^2 q / (1 - c q),   q = e' S^-1 e,   c = N / n

    Parameters
    ----------
    coefficients : (N, k), optional [rad or m]
        Cosine and sine coefficients of every sensor.

    Returns
    -------
    (N,) or None

    References
    ----------
    .. [1] Anderson, An Introduction to Multivariate Statistical Analysis, 3rd ed. (2003), 5.3: Hotelling's T^2.
    .. [2] Sherman, Morrison, Annals of Mathematical Statistics 21 (1950) 124: the inverse without one member.
    """
    from scipy.stats import f

    if coefficients is None:
        return None
    n, k = len(coefficients) - 1, coefficients.shape[1]
    if n <= k + 1:
        return None
    residuals = coefficients - coefficients.mean(axis=0)
    rms = np.maximum(np.sqrt(np.mean(residuals**2, axis=0)), 1e-300)
    unit = residuals / rms
    leverage, ratio = np.einsum("ni,ij,nj->n", unit, np.linalg.pinv(unit.T @ unit), unit), (n + 1) / n
    square = (n - 1) * ratio**2 * leverage / np.maximum(1.0 - ratio * leverage, 1e-300)
    return tuple(f.sf(square * (n - k) * n / ((n * n - 1) * k), k, n - k).tolist())
