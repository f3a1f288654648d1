"""A measured error curve of a sensor, order by order, beside the law that its data sheet and its mounting give it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import computed_field

from armsim.arrays import Array
from armsim.calibration.calibration_records import LawRecord
from armsim.documents.curve_file import Curve, read_curves
from armsim.errormodel.shapes import Wave
from armsim.errormodel.terms import SHAFT, Term
from armsim.errors import InputError, Problem
from armsim.model.encoder import Encoder
from armsim.model.mounting import Mounting
from armsim.physics.harmonics import CannotTell, HarmonicFit
from armsim.results.json_records import Beside, plain
from armsim.sampling.plan import UNIT_BLOCK, draw_units
from armsim.sampling.statistics import holm
from armsim.sampling_plan import SamplingPlan

MOST_ORDERS = 12
"""Orders looked for where none are asked for."""
UNITS = 16 * UNIT_BLOCK
"""Units by which the law of an order is known."""
SIGNIFICANT = 0.01
"""Chance of a false alarm over all orders of a sensor. Common practice, no source."""
SAME_ANGLE = 1e-6
"""Turns by which angles differ that count as the same."""


@dataclass(frozen=True)
class Order:
    """An order of a curve: amplitude with its standard uncertainty, its two coefficients, where it lies in the law."""

    order: int
    amplitude: float
    uncertainty: float
    cosine: float
    sine: float
    law: LawRecord | None


@dataclass(frozen=True, eq=False)
class Measured:
    """One sensor: its curve, the waves in it, and where each order lies in the law."""

    curve: Beside[Curve]
    fit: Beside[HarmonicFit]
    orders: tuple[Order, ...]

    @staticmethod
    def of(curve: Curve, fit: HarmonicFit, orders: Sequence[int], laws: Sequence[LawRecord | None]) -> Measured:
        """With the orders that were fitted."""
        waves = fit.coefficients[: 2 * len(orders)].reshape(-1, 2).T.tolist()
        columns = orders, fit.amplitudes.tolist(), fit.uncertainties.tolist(), *waves, laws
        return Measured(curve, fit, tuple(Order(*row) for row in zip(*columns, strict=True)))

    @computed_field  # type: ignore[prop-decorator]
    @property
    def sensor(self) -> str:
        """Its name."""
        return self.curve.sensor

    @computed_field  # type: ignore[prop-decorator]
    @property
    def unit(self) -> str:
        """Of its error: rad or m."""
        return "rad" if self.curve.rotary else "m"

    @computed_field  # type: ignore[prop-decorator]
    @property
    def points(self) -> int:
        """Readings."""
        return len(self.curve.angle)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def constant(self) -> float:
        """Of the fit."""
        return self.fit.constant

    @computed_field  # type: ignore[prop-decorator]
    @property
    def noise(self) -> float:
        """What the fit leaves, rms."""
        return self.fit.noise

    @computed_field  # type: ignore[prop-decorator]
    @property
    def reversal(self) -> tuple[float, float] | None:
        """What one direction reads more than the other, with its standard uncertainty."""
        return None if math.isnan(self.fit.reversal) else (self.fit.reversal, self.fit.reversal_uncertainty)

    @property
    def laws(self) -> tuple[LawRecord | None, ...]:
        """Of every order."""
        return tuple(row.law for row in self.orders)

    @property
    def contradicted(self) -> tuple[int, ...]:
        """Orders that are too large for the law, all orders taken together."""
        return tuple(row.order for row in self.orders if row.law is not None and row.law.contradicts)


@dataclass(frozen=True, eq=False)
class Curves:
    """Of `armsim curve`: all sensors of a file.

    ``leave_one_out``: for every sensor the chance of one at least as far off under the law of the others.
    """

    file: str
    encoder: str | None
    sensors: tuple[Measured, ...]
    leave_one_out: tuple[float, ...] | None
    format: Literal["armsim-curve/1"] = "armsim-curve/1"

    @property
    def agrees(self) -> bool | None:
        """Whether no order of any sensor contradicts the law; None without one."""
        return None if self.encoder is None else not any(own.contradicted for own in self.sensors)

    def to_dict(self) -> dict[str, Any]:
        """For JSON; SI units."""
        return plain(self)


def measure(
    path: Path,
    orders: Sequence[int] = (),
    encoder: Encoder | None = None,
    mounting: Mounting | None = None,
    seed: int = 1,
) -> Curves:
    """Fit every sensor of a file, and hold its orders against the law of an encoder where one is given.

    Parameters
    ----------
    path : Path
    orders : sequence of int
        Per turn, or over the travel of a linear scale; where not given as many as the angles tell, up to `MOST_ORDERS`.
    encoder, mounting : optional
        What its data sheet says, and how it is mounted.
    seed : int
        Of the draws of the law.

    Raises
    ------
    InputError
        The file is wrong, or does not tell the orders apart.
    """
    sensors = []
    for curve in read_curves(path):
        if encoder is not None and encoder.rotary != curve.rotary:
            found = f"{encoder.name!r} measures {encoder.measures}"
            raise InputError(Problem(str(path), 1, 1, "header", found, "the curve of a sensor of its kind"))
        wanted = tuple(orders) or _told(curve)
        fit = fitted(curve, wanted, path)
        laws = _laws(encoder, mounting, wanted, fit, curve, seed) if encoder is not None else (None,) * len(wanted)
        sensors.append(Measured.of(curve, fit, wanted, laws))
    return Curves(
        path.name, None if encoder is None else encoder.name, tuple(sensors), left_out([own.fit for own in sensors])
    )


def _told(curve: Curve) -> tuple[int, ...]:
    """Orders that the angles can tell: below half of the different places on a turn."""
    turn = 2.0 * math.pi if curve.rotary else curve.travel
    places = np.unique(np.round((curve.angle / turn % 1.0) / SAME_ANGLE))
    most = min(MOST_ORDERS, (len(places) - 1) // 2, (len(curve.angle) - 3) // 2)
    return tuple(range(1, max(most, 1) + 1))


def fitted(curve: Curve, orders: Sequence[int], path: Path) -> HarmonicFit:
    """The waves of a curve.

    Raises
    ------
    InputError
        Its angles do not tell the orders apart.
    """
    try:
        return curve.fit(orders)
    except CannotTell as error:
        found = f"the angles of {curve.sensor!r} do not tell apart {error}"
        accepted = "more angles, spread over the turn, or fewer --orders"
        raise InputError(Problem(str(path), 0, 0, "--orders", found, accepted)) from error


def _laws(
    encoder: Encoder, mounting: Mounting | None, orders: Sequence[int], fit: HarmonicFit, curve: Curve, seed: int
) -> tuple[LawRecord | None, ...]:
    base = curve.fundamental
    terms = [term for term in encoder.terms(base, curve.travel, 1.0) if term.life == "unit"]
    terms += [term for term in (mounting or Mounting()).terms(encoder, base, True) if term.life == "unit"]
    found: list[tuple[float, float, float, tuple[str, ...]] | None] = []
    for n, order in enumerate(orders):
        drawn, causes = _amplitudes(terms, order * base, seed)
        if not causes:
            found.append(None)
            continue
        # what is measured is the wave and the noise of its fit
        noise = np.sqrt(np.linalg.eigvalsh(fit.covariance[2 * n : 2 * n + 2, 2 * n : 2 * n + 2]).mean())
        rng = np.random.default_rng(seed)
        seen = np.hypot(drawn + rng.normal(0, noise, UNITS), rng.normal(0, noise, UNITS))
        place = float(np.mean(seen <= fit.amplitudes[n]))
        found.append((float(np.quantile(drawn, 0.5)), float(np.quantile(drawn, 0.95)), place, causes))
    return _judged(found)


def _judged(found: Sequence[tuple[float, float, float, tuple[str, ...]] | None]) -> tuple[LawRecord | None, ...]:
    """Orders too large for their law, all that have one taken together."""
    stated = [n for n, own in enumerate(found) if own is not None]
    judged = holm([max(1.0 - own[2], 1.0 / UNITS) for own in found if own is not None], SIGNIFICANT)
    contradicted = {n for n, far in zip(stated, judged, strict=True) if far}
    return tuple(None if own is None else LawRecord(*own, n in contradicted) for n, own in enumerate(found))


def _amplitudes(terms: Sequence[Term], order: float, seed: int) -> tuple[Array, tuple[str, ...]]:
    """Amplitude of one order in the units of the law, and the causes that make it."""
    cosine, sine, causes = np.zeros(UNITS), np.zeros(UNITS), dict[str, None]()
    drawn, start = draw_units(terms, SamplingPlan(UNITS, 1, seed)), 0
    for term in terms:
        for act in term.acts:
            shape = act.shape
            if act.axis == SHAFT and isinstance(shape, Wave) and abs(abs(shape.order) - order) < 1e-6 * order:
                own = shape.gain * drawn[start + act.coefficient]
                if shape.function == "cos":
                    cosine += own
                else:
                    sine += own
                causes[term.cause.name] = None
        start += len(term.mean)
    return np.hypot(cosine, sine), tuple(causes)


def left_out(fits: Sequence[HarmonicFit]) -> tuple[float, ...] | None:
    """Chance, for every sensor, of one at least as far off under the law of the others; None from too few.

    The coefficients of a new member of a normal population, of which n others are known, are by their own mean and
    covariance as far off as

        d^2 (n - k) n / ((n^2 - 1) k)  of the F law of k and n - k degrees of freedom.

    References
    ----------
    .. [1] Anderson, An Introduction to Multivariate Statistical Analysis, 3rd ed. (2003), 5.3: Hotelling's T^2.
    """
    from scipy.stats import f

    if len({len(fit.coefficients) for fit in fits}) != 1:
        return None
    every = np.array([fit.coefficients for fit in fits])
    n, k = len(every) - 1, every.shape[1]
    if n <= k + 1:
        return None
    out = []
    for number in range(len(every)):
        others = np.delete(every, number, axis=0)
        away = every[number] - others.mean(axis=0)
        square = float(away @ np.linalg.pinv(np.cov(others.T)) @ away)
        out.append(float(f.sf(square * (n - k) * n / ((n * n - 1) * k), k, n - k)))
    return tuple(out)
