"""Measured error curves named by a scenario or an encoder, read into the waves that represent them."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from pydantic import Field

from armsim.causes import Cause
from armsim.documents.curve_file import Curve, read_curves
from armsim.documents.fields import Document, FilePath, Word, count
from armsim.model.effects import effects
from armsim.model.measured_curve import MeasuredCurve
from armsim.physics.harmonics import HarmonicFit, IndistinguishableOrders
from armsim.sources import KeyPath, Source

Orders = Annotated[
    list[Annotated[int, count(1, 100_000_000, "no scale is finer")]], Field(min_length=1, max_length=200)
]


class CurveDocument(Document):
    """A measured error curve of the sensor of a joint, at its shaft, in place of the causes that it measures."""

    file: FilePath = Field(description="CSV with angle [deg] and error [arcsec], relative to this file.")
    sensor: Word | None = Field(None, description="Which sensor of the file, where there are several.")
    orders: Orders = Field(description="Orders per turn, or over the measured travel, that are taken from it.")
    replaces: Annotated[list[Word], Field(min_length=1)] = Field(description="Causes of error that it measures.")


class BatchDocument(Document):
    """Measured error curves of a batch of sensors: their second moments are the distribution of the population."""

    file: FilePath = Field(description="CSV with sensor, angle [deg] and error [arcsec], relative to this file.")
    orders: Orders = Field(description="Orders per turn, or over the measured travel, that are taken from them.")
    replaces: Annotated[list[Word], Field(min_length=1)] = Field(description="Causes of error that they measure.")


LEAST_SENSORS = 5
"""Minimum number of sensors of a batch: fewer do not determine a distribution."""


def sensor_curve(document: Any, rotary: bool, source: Source, key_path: KeyPath) -> MeasuredCurve:
    """Measured curve of one sensor.

    Raises
    ------
    InputError
        A fault in the file, an unknown sensor, or angles that do not distinguish the orders.
    """
    curves = _read(document, rotary, source, key_path)
    if document.sensor is None and len(curves) > 1:
        names = ", ".join(curve.sensor for curve in curves[:20])
        raise source.error((*key_path, "sensor"), f"{len(curves)} sensors in {document.file}", f"one of {names}")
    matching = [curve for curve in curves if document.sensor in (None, curve.sensor)]
    if not matching:
        names = ", ".join(curve.sensor for curve in curves[:20])
        raise source.error((*key_path, "sensor"), f"no sensor {document.sensor!r} in {document.file}", names)
    fit = _fit(matching[0], document.orders, source, key_path)
    return _curve(fit, fit.coefficients, fit.covariance, document)


def batch_curve(document: Any, rotary: bool, source: Source, key_path: KeyPath) -> MeasuredCurve:
    """Distribution of a batch: mean and covariance of the coefficients of its sensors.

    Raises
    ------
    InputError
        As `sensor_curve`, or too few sensors.
    """
    curves = _read(document, rotary, source, key_path)
    if len(curves) < LEAST_SENSORS:
        raise source.error(
            (*key_path, "file"), f"{len(curves)} sensors in {document.file}", f"{LEAST_SENSORS} at least"
        )
    fits = [_fit(curve, document.orders, source, key_path) for curve in curves]
    coefficients = np.array([fit.coefficients for fit in fits])
    return _curve(fits[0], coefficients.mean(axis=0), np.atleast_2d(np.cov(coefficients.T)), document)


def check_curve(curve: MeasuredCurve, shaft_terms: tuple[Any, ...], source: Source, key_path: KeyPath) -> None:
    """Check that the causes that a curve replaces are stated, and that nothing is counted twice.

    Raises
    ------
    InputError
        A replaced cause that the sensor does not state, or an order that a remaining cause has too.
    """
    causes = list(dict.fromkeys(term.cause for term in shaft_terms if term.life == "unit"))
    for cause in curve.replaces:
        if cause not in causes:
            stated_names = ", ".join(stated_cause.name for stated_cause in causes) or "none"
            raise source.error((*key_path, "replaces"), f"{cause.name!r} is not stated for this sensor", stated_names)
    duplicates = curve.double_counted_causes(shaft_terms)
    if duplicates:
        cause, order = duplicates[0]
        finding = f"order {order:g} is in the curve and in {cause.name!r}, which would count twice"
        raise source.error((*key_path, "replaces"), finding, f"{cause.name!r} among what it replaces, or other orders")


def _read(document: Any, rotary: bool, source: Source, key_path: KeyPath) -> tuple[Curve, ...]:
    curves = read_curves(source.resolve_path((*key_path, "file"), document.file))
    if any(curve.rotary != rotary for curve in curves):
        column, expected = ("position", "angle") if rotary else ("angle", "position")
        raise source.error(
            (*key_path, "file"), f"{document.file} has a column {column}", f"{expected}, as the sensor measures"
        )
    return curves


def _fit(curve: Curve, orders: list[int], source: Source, key_path: KeyPath) -> HarmonicFit:
    try:
        return curve.fit(orders)
    except IndistinguishableOrders as error:
        finding = f"the angles of {curve.sensor!r} do not distinguish {error}"
        raise source.error((*key_path, "orders"), finding, "fewer orders, or more angles") from error


def _curve(fit: HarmonicFit, mean: Any, covariance: Any, document: Any) -> MeasuredCurve:
    rows = tuple(tuple(float(x) for x in row) for row in covariance)
    causes_by_name = {effect.cause.name: effect.cause for effect in effects()}
    # `check_curve` reports names that are not known
    replaces = tuple(causes_by_name.get(name, Cause(name)) for name in document.replaces)
    return MeasuredCurve(tuple(float(x) for x in fit.orders), tuple(float(x) for x in mean), rows, replaces)
