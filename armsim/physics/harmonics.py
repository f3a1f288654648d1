"""Measured error curves as sums of harmonics: least-squares fit, uncertainty, and the term of a curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from armsim import causes
from armsim.arrays import Array
from armsim.errormodel.draws import Gaussian
from armsim.errormodel.shapes import Wave
from armsim.errormodel.terms import SHAFT, Act, Term

LARGEST_CONDITION_NUMBER = 1e4
"""Condition number of the scaled least-squares problem above which its columns cannot be distinguished."""
INDISTINGUISHABLE = 0.99
"""Two orders are indistinguishable if one explains this share of the mean square of the other, at the measured
angles. Common practice, no source."""


class IndistinguishableOrders(Exception):
    """Raised if the measured angles do not distinguish some orders; its message names them."""


@dataclass(frozen=True, eq=False)
class HarmonicFit:
    """Harmonics fitted to a measured curve.

    Parameters
    ----------
    orders : (H,)
        Periods per turn. [1, or rad/m for a linear scale]
    coefficients : (2 H,)
        Coefficients of cosine and sine: a, b of the first order, then of the next. [rad or m]
    covariance : (2 H, 2 H)
        Covariance of the coefficients. [rad^2 or m^2]
    constant : float
        Mean of the curve. [rad or m]
    reversal : float
        Difference between the readings of the two directions; nan where only one was measured. [rad or m]
    reversal_uncertainty : float
        Standard uncertainty of the reversal; nan where only one direction was measured. [rad or m]
    noise : float
        Standard deviation of the residual. [rad or m]
    residual : (n,)
        Reading minus fit at every angle. [rad or m]
    """

    orders: Array
    coefficients: Array
    covariance: Array
    constant: float
    reversal: float
    reversal_uncertainty: float
    noise: float
    residual: Array

    @property
    def freedom(self) -> int:
        """Degrees of freedom of the residual."""
        return len(self.residual) - len(self.coefficients) - (1 if np.isnan(self.reversal) else 2)

    @property
    def amplitudes(self) -> Array:
        """Amplitude of every order as fitted, which includes noise, shape (H,). [rad or m]"""
        return np.asarray(np.hypot(self.coefficients[0::2], self.coefficients[1::2]))

    @property
    def uncertainties(self) -> Array:
        """Standard uncertainty of every amplitude at its fitted phase, shape (H,). [rad or m]"""
        out = []
        for n, amplitude in enumerate(self.amplitudes.tolist()):
            block = self.covariance[2 * n : 2 * n + 2, 2 * n : 2 * n + 2]
            along = self.coefficients[2 * n : 2 * n + 2] / amplitude if amplitude else np.array([1.0, 0.0])
            out.append(float(np.sqrt(along @ block @ along)))
        return np.array(out)

    def evaluate(self, angle: ArrayLike, largest_order: float = np.inf) -> Array:
        """Sum of the harmonics up to an order, without constant and reversal. [rad or m]

        Parameters
        ----------
        angle : array
            Angles, any shape. [rad, or m with orders per metre times 2 pi]
        largest_order : float
            Largest order in the sum.

        Returns
        -------
        array, shape of ``angle``
            Sum of the harmonics. [rad or m]
        """
        angles = np.asarray(angle, dtype=float)
        included = np.repeat(self.orders <= largest_order, 2)
        return np.asarray(_waves(angles, self.orders[included[::2]]) @ self.coefficients[included])


def _waves(angle: Array, orders: Array) -> Array:
    phase = np.multiply.outer(angle, orders)
    return np.stack([np.cos(phase), np.sin(phase)], axis=-1).reshape(*angle.shape, -1)


def least_squares(design: Array, readings: Array) -> tuple[Array, Array, float, Array]:
    """Solve a linear least-squares problem, its columns scaled to the same length.

    Parameters
    ----------
    design : (n, K)
        A row per reading, a column per coefficient.
    readings : (n,)

    Returns
    -------
    solution : (K,)
        Coefficients. [unit of the readings over that of the column]
    covariance : (K, K)
        Covariance of the coefficients.
    variance : float
        Variance of the noise, from the residual. [square of the unit of the readings]
    residual : (n,)
        Readings minus fit.

    References
    ----------
    .. [1] Seber, Lee, Linear Regression Analysis, 2nd ed. (2003), 3.1 to 3.3: estimate, covariance, variance.
    .. [2] Golub, Van Loan, Matrix Computations, 4th ed. (2013), 5.5: least squares by singular values.
    """
    column_norms = np.maximum(np.linalg.norm(design, axis=0), 1e-300)
    left_vectors, singular_values, right_vectors = np.linalg.svd(design / column_norms, full_matrices=False)
    solution = right_vectors.T @ ((left_vectors.T @ readings) / singular_values) / column_norms
    residual = readings - design @ solution
    variance = float(residual @ residual) / (len(readings) - design.shape[1])
    inverse = (right_vectors.T / singular_values**2) @ right_vectors
    return solution, variance * inverse / np.outer(column_norms, column_norms), variance, residual


def design_matrix(angle: Array, orders: ArrayLike, direction: Array) -> Array:
    """Columns of the fit: constant, cosine and sine of every order, and the reversal if both directions occur.

    Parameters
    ----------
    angle : (n,)
        [rad, or m with orders per metre times 2 pi]
    orders : (H,)
    direction : (n,)
        +1 or -1; 0 where it is not known.

    Returns
    -------
    (n, 1 + 2 H) or (n, 2 + 2 H)
        A row per angle.
    """
    columns = [np.ones((len(angle), 1)), _waves(angle, np.asarray(orders, dtype=float))]
    columns += [0.5 * direction[:, None]] if np.any(direction > 0) and np.any(direction < 0) else []
    return np.concatenate(columns, axis=1)


def indistinguishable_orders(angle: Array, order: float, others: Sequence[float]) -> tuple[float, ...]:
    """Orders that cannot be distinguished from a given order at the measured angles, for any phase (aliases).

    A fit of a constant and the given order explains nearly all of them (`INDISTINGUISHABLE`). With n equal steps per
    turn the aliases of order h are k n + h and k n - h. Order 0 is the constant.

    Parameters
    ----------
    angle : (n,)
        [rad, or m with orders per metre times 2 pi]
    order : float
        The given order.
    others : sequence of float
        Orders to be compared with it.

    Returns
    -------
    tuple of float
        Those of ``others`` that are aliases of ``order``.

    References
    ----------
    .. [1] Shannon, Proceedings of the IRE 37 (1949) 10: sampling; for any angles the coefficient of determination,
       Seber, Lee, Linear Regression Analysis, 2nd ed. (2003), 4.4.
    """
    columns = [np.ones((len(angle), 1)), _waves(angle, np.array([order] if order else []))]
    basis, _ = np.linalg.qr(np.concatenate(columns, axis=1))
    out = []
    for other in others:
        waves = _waves(angle, np.array([other]))
        centred = waves - waves.mean(axis=0)
        constant = np.sum(centred**2) <= (1.0 - INDISTINGUISHABLE) * len(angle)
        indistinguishable_wave = np.sum((basis.T @ centred) ** 2) > INDISTINGUISHABLE * np.sum(centred**2)
        if constant if not order else indistinguishable_wave and not constant:
            out.append(other)
    return tuple(out)


def fit_harmonics(angle: ArrayLike, error: ArrayLike, orders: Sequence[float], direction: ArrayLike) -> HarmonicFit:
    """Least-squares fit of a constant, harmonics and a reversal to a measured error curve.

        e_k = c + sum_h (a_h cos h t_k + b_h sin h t_k) + r d_k / 2 + noise

    The noise is taken as independent with one variance. The residual has as many degrees of freedom as there are more
    angles than coefficients.

    Parameters
    ----------
    angle : (n,)
        t, measured angles. [rad, or m with orders per metre times 2 pi]
    error : (n,)
        e, reading minus truth. [rad or m]
    orders : sequence of float
        h, orders to be fitted.
    direction : (n,)
        d, direction of approach: +1 or -1; 0 where it is not known.

    Returns
    -------
    HarmonicFit
        Coefficients with covariance, noise and residual. [rad or m]

    Raises
    ------
    IndistinguishableOrders
        The angles do not distinguish the orders, or are too few.

    References
    ----------
    .. [1] Seber, Lee, Linear Regression Analysis, 2nd ed. (2003), 3.1 to 3.3.
    .. [2] JCGM 100:2008 H.3: a calibration curve by least squares and its uncertainty.
    """
    angles, readings, directions = (np.asarray(values, dtype=float) for values in (angle, error, direction))
    order_array = np.asarray(orders, dtype=float)
    design = design_matrix(angles, order_array, directions)
    has_reversal = design.shape[1] > 1 + 2 * len(order_array)
    names = ["the constant", *(f"order {h:g}" for h in order_array for _ in range(2)), "the reversal"]
    if len(angles) <= design.shape[1]:
        raise IndistinguishableOrders(f"{len(angles)} angles for {design.shape[1]} coefficients")
    # all columns have a root mean square of at most 1: a wave that is zero at all angles cannot be fitted
    scaled = design / np.sqrt(len(angles))
    _, singular_values, right_vectors = np.linalg.svd(scaled, full_matrices=False)
    if singular_values[-1] * LARGEST_CONDITION_NUMBER < singular_values[0]:
        mixed = np.flatnonzero(np.abs(right_vectors[-1]) > 0.1)
        mixed_names = list(dict.fromkeys(names[k] for k in mixed))
        raise IndistinguishableOrders(
            " and ".join(mixed_names if len(mixed_names) > 1 else [f"sine and cosine of {mixed_names[0]}"])
        )
    solution, covariance, variance, residual = least_squares(design, readings)
    reversal_column = 1 + 2 * len(order_array)
    reversal = (
        (float(solution[reversal_column]), float(np.sqrt(covariance[reversal_column, reversal_column])))
        if has_reversal
        else (np.nan, np.nan)
    )
    return HarmonicFit(
        order_array,
        solution[1:reversal_column],
        covariance[1:reversal_column, 1:reversal_column],
        float(solution[0]),
        *reversal,
        float(np.sqrt(variance)),
        residual,
    )


def measured_curve(
    orders: tuple[float, ...], mean: tuple[float, ...], covariance: tuple[tuple[float, ...], ...]
) -> tuple[Term, ...]:
    """Measured error curve of a sensor, in place of the causes that it contains: harmonics with uncertain coefficients.

        r(t) = sum_h a_h cos h t + b_h sin h t

    For one measured sensor the covariance is the uncertainty of the fit. For a batch it is the covariance over the
    sensors, which describes how they differ.

    Parameters
    ----------
    orders : (H,)
        h, periods per turn.
    mean : (2 H,)
        a, b of every order. [rad or m]
    covariance : (2 H, 2 H)
        Covariance of the coefficients. [rad^2 or m^2]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad or m]

    References
    ----------
    .. [1] JCGM 102:2011 for quantities that are known together; least squares of `fit_harmonics`.
    """
    draw = Gaussian(mean, covariance)
    acts = tuple(
        act
        for n, order in enumerate(orders)
        for act in (Act(2 * n, SHAFT, Wave("cos", order)), Act(2 * n + 1, SHAFT, Wave("sin", order)))
    )
    m = np.array(mean)
    second_moments = np.outer(m, m) + np.array(covariance)
    return (
        Term("measured curve", causes.MEASURED_CURVE, "unit", acts, draw, m, second_moments, float(sum(draw.limits))),
    )
