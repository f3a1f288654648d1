"""Measured error curves as sums of waves: least squares, uncertainty, and the term that represents a curve."""

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

WORST_CONDITION = 1e4
"""Condition number of the scaled least-squares problem above which its columns are indistinguishable."""
INDISTINGUISHABLE = 0.99
"""Share of the mean square of a wave, at the measured angles, which another order explains where the two are
indistinguishable. Common practice, no source."""


class IndistinguishableOrders(Exception):
    """Orders that the measured angles do not distinguish, by name."""


@dataclass(frozen=True, eq=False)
class HarmonicFit:
    """Waves fitted to a curve.

    Parameters
    ----------
    orders : (H,)
    coefficients : (2 H,)
        Coefficients of cosine and sine of every order, one after the other. [rad or m]
    covariance : (2 H, 2 H)
    constant, reversal : float
        Mean; difference of the readings of the two directions, nan where there is one. [rad or m]
    reversal_uncertainty : float
        Standard uncertainty; nan likewise.
    noise : float
        Standard deviation of the residual. [rad or m]
    residual : (n,)
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
        """Degrees of freedom of the noise."""
        return len(self.residual) - len(self.coefficients) - (1 if np.isnan(self.reversal) else 2)

    @property
    def amplitudes(self) -> Array:
        """Amplitude of every order, noise included, shape (H,). [rad or m]"""
        return np.asarray(np.hypot(self.coefficients[0::2], self.coefficients[1::2]))

    @property
    def uncertainties(self) -> Array:
        """Standard uncertainties of the amplitudes, along the fitted waves, shape (H,). [rad or m]"""
        out = []
        for n, amplitude in enumerate(self.amplitudes.tolist()):
            block = self.covariance[2 * n : 2 * n + 2, 2 * n : 2 * n + 2]
            along = self.coefficients[2 * n : 2 * n + 2] / amplitude if amplitude else np.array([1.0, 0.0])
            out.append(float(np.sqrt(along @ block @ along)))
        return np.array(out)

    def at(self, angle: ArrayLike, finest: float = np.inf) -> Array:
        """Sum of the waves up to an order, without constant and reversal, in the shape of the angles. [rad or m]

        Parameters
        ----------
        angle : array
            Angles, any shape. [rad, or m with orders per metre times 2 pi]
        finest : float
            Largest order included.

        Returns
        -------
        array, shape of ``angle``
            Sum of the waves. [rad or m]
        """
        angles = np.asarray(angle, dtype=float)
        included = np.repeat(self.orders <= finest, 2)
        return np.asarray(_waves(angles, self.orders[included[::2]]) @ self.coefficients[included])


def _waves(angle: Array, orders: Array) -> Array:
    phase = np.multiply.outer(angle, orders)
    return np.stack([np.cos(phase), np.sin(phase)], axis=-1).reshape(*angle.shape, -1)


def least_squares(design: Array, readings: Array) -> tuple[Array, Array, float, Array]:
    """Solve a linear least-squares problem, its columns scaled to the same length.

    Parameters
    ----------
    design : (n, K)
    readings : (n,)

    Returns
    -------
    solution : (K,)
    covariance : (K, K)
    variance : float
        Variance of the noise.
    residual : (n,)

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
    """Columns of the fit: constant, cosine and sine of every order, reversal where there are two directions.

    Parameters
    ----------
    angle : (n,)
    orders : (H,)
    direction : (n,)

    Returns
    -------
    (n, 1 + 2 H) or (n, 2 + 2 H)
    """
    columns = [np.ones((len(angle), 1)), _waves(angle, np.asarray(orders, dtype=float))]
    columns += [0.5 * direction[:, None]] if np.any(direction > 0) and np.any(direction < 0) else []
    return np.concatenate(columns, axis=1)


def indistinguishable(angle: Array, order: float, others: Sequence[float]) -> tuple[float, ...]:
    """Other orders that look like one order at the measured angles, whatever their phase.

    A constant and the waves of the order take up nearly all of theirs (`INDISTINGUISHABLE`). Of n equal steps a turn
    these are the orders k n + h and k n - h. Order 0 is the constant.

    Parameters
    ----------
    angle : (n,)
    order : float
    others : sequence of float

    Returns
    -------
    tuple of float

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
    """Least squares of a constant, waves and a reversal.

        e_k = c + sum_h (a_h cos h t_k + b_h sin h t_k) + r d_k / 2 + noise

    Noise is taken as independent, of one variance; the residual has as many degrees of freedom as there are angles
    beyond the coefficients.

    Parameters
    ----------
    angle : (n,)
        t. [rad, or m with orders per metre times 2 pi]
    error : (n,)
        Reading minus truth. [rad or m]
    orders : sequence of float
        h.
    direction : (n,)
        d, +1 or -1; 0 where it is not known.

    Returns
    -------
    HarmonicFit
        Coefficients with covariance, noise and residual.

    Raises
    ------
    IndistinguishableOrders
        The angles do not resolve the orders, or are too few.

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
    # columns have sizes of one kind: a wave that is zero at all angles is not resolved
    scaled = design / np.sqrt(len(angles))
    _, singular_values, right_vectors = np.linalg.svd(scaled, full_matrices=False)
    if singular_values[-1] * WORST_CONDITION < singular_values[0]:
        mixed = np.flatnonzero(np.abs(right_vectors[-1]) > 0.1)
        mixed_names = list(dict.fromkeys(names[k] for k in mixed))
        raise IndistinguishableOrders(
            " and ".join(mixed_names if len(mixed_names) > 1 else [f"sine and cosine of {mixed_names[0]}"])
        )
    solution, covariance, variance, residual = least_squares(design, readings)
    last = 1 + 2 * len(order_array)
    reversal = (float(solution[last]), float(np.sqrt(covariance[last, last]))) if has_reversal else (np.nan, np.nan)
    return HarmonicFit(
        order_array,
        solution[1:last],
        covariance[1:last, 1:last],
        float(solution[0]),
        *reversal,
        float(np.sqrt(variance)),
        residual,
    )


def measured_curve(
    orders: tuple[float, ...], mean: tuple[float, ...], covariance: tuple[tuple[float, ...], ...]
) -> tuple[Term, ...]:
    """A measured curve in place of the causes that it measures: waves with the uncertainty of their coefficients.

        r(t) = sum_h a_h cos h t + b_h sin h t

    For one sensor the covariance is that of the fit; for a batch that of its sensors, which is their distribution.

    Parameters
    ----------
    orders : (H,)
    mean : (2 H,)
        a, b of every order. [rad or m]
    covariance : (2 H, 2 H)

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
    second = np.outer(m, m) + np.array(covariance)
    return (Term("measured curve", causes.MEASURED_CURVE, "unit", acts, draw, m, second, float(sum(draw.limits))),)
