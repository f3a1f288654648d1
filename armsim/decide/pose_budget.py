"""First-order uncertainty budget of one pose: every row has a quantity, its mean and spread, and its sensitivity.

Every row is one random quantity u that moves the tool point along one direction,

    dp = sum over rows of S u,   mean of dp = sum of S E u,   covariance of dp = sum of S S^T Var u

where u is the error of a joint or a link at the pose, or the temperature, and S the derivative of the tool point with
respect to u. Rows are independent of each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from armsim.arrays import Array
from armsim.errormodel.terms import Term
from armsim.model.machine import EvaluatedMachine
from armsim.physics.heat import TemperatureRiseDraw

RowUnit = Literal["rad", "m", "K", "1"]
MAX_ROUNDING_CORRELATION = 1e-9
"""Correlation up to which two coefficients count as independent (rounding)."""


@dataclass(frozen=True, eq=False)
class BudgetRow:
    """One random quantity at one pose.

    Parameters
    ----------
    key : tuple of str
        Name of the error term and of its axis or coefficient: unique in a budget, the same for a changed machine.
    owner, cause : str
        As in the shares of a result.
    axis : str
        Axis that the quantity moves; empty if it moves several.
    life : str
        ``unit`` (drawn once per arm) or ``visit``.
    unit : str
        SI unit of the quantity; ``1`` if it is counted in standard deviations.
    sensitivity : (3,) [m per unit]
        Movement of the tool point in the base frame by one unit of the quantity.
    mean, std : float [unit]
        Expected value and standard deviation of the quantity.
    """

    key: tuple[str, str]
    owner: str
    cause: str
    axis: str
    life: str
    unit: RowUnit
    sensitivity: Array
    mean: float
    std: float


def budget_rows(evaluated: EvaluatedMachine, pose: int) -> list[BudgetRow]:
    """Rows of all error terms at a pose.

    Parameters
    ----------
    evaluated : EvaluatedMachine
    pose : int

    Returns
    -------
    list of BudgetRow
    """
    gains = evaluated.gains()
    return [
        row
        for (term, gain), acts in zip(gains, evaluated.acts, strict=True)
        for row in _rows(term, gain[pose], [(k, axis, float(value[pose])) for k, axis, value in acts], evaluated, pose)
    ]


def moments(rows: list[BudgetRow]) -> tuple[Array, Array]:
    """Mean, shape (3,) [m], and covariance, shape (3, 3) [m^2], of the error of the tool point."""
    mean, covariance = np.zeros(3), np.zeros((3, 3))
    for row in rows:
        mean += row.sensitivity * row.mean
        covariance += np.outer(row.sensitivity, row.sensitivity) * row.std**2
    return mean, covariance


def _rows(
    term: Term, gain: Array, acts: list[tuple[int, int, float]], evaluated: EvaluatedMachine, pose: int
) -> Iterator[BudgetRow]:
    """Rows of a term: one for each axis moved by coefficients of that axis alone, and one per other coefficient."""
    axes_of: dict[int, set[int]] = {}  # by coefficient
    for k, axis, _ in acts:
        axes_of.setdefault(k, set()).add(axis)
    if not axes_of:
        return
    if len({axis for axes in axes_of.values() for axis in axes}) > 1 and _are_correlated(term, sorted(axes_of)):
        yield from _principal_rows(term, gain)
        return
    coefficients_of_axis: dict[int, list[int]] = {}  # coefficients by the one axis that they move
    for k, axes in axes_of.items():
        if len(axes) == 1:
            coefficients_of_axis.setdefault(next(iter(axes)), []).append(k)
        else:
            yield _row_of_coefficient(term, k, gain[:, k])
    for axis, coefficients in coefficients_of_axis.items():
        weight = np.zeros(len(term.mean))
        for k, moved_axis, value in acts:
            if moved_axis == axis and k in coefficients:
                weight[k] += value
        unit: RowUnit = "rad" if evaluated.postures.rotary[axis] else "m"
        axis_name = str(evaluated.axes[axis])
        mean, variance = float(weight @ term.mean), float(weight @ term.covariance @ weight)
        column = evaluated.postures.column[pose, axis]
        yield BudgetRow(
            (term.name, axis_name),
            *term.share_name,
            axis_name,
            term.life,
            unit,
            column,
            mean,
            max(variance, 0.0) ** 0.5,
        )


def _are_correlated(term: Term, coefficients: list[int]) -> bool:
    block = term.covariance[np.ix_(coefficients, coefficients)]
    size = np.sqrt(np.maximum(np.diag(block), 0.0))
    return bool(np.any(np.abs(block - np.diag(np.diag(block))) > MAX_ROUNDING_CORRELATION * np.outer(size, size)))


def _row_of_coefficient(term: Term, k: int, gain: Array) -> BudgetRow:
    """Row of a coefficient that moves several axes: in K for a temperature, otherwise in standard deviations."""
    mean, std = float(term.mean[k]), max(float(term.covariance[k, k]), 0.0) ** 0.5
    key = (term.name, f"coefficient {k}")
    if isinstance(term.draw, TemperatureRiseDraw):
        return BudgetRow(key, *term.share_name, "", term.life, "K", gain, mean, std)
    size = std or abs(mean) or 1.0
    return BudgetRow(key, *term.share_name, "", term.life, "1", gain * size, mean / size, std / size)


def _principal_rows(term: Term, gain: Array) -> Iterator[BudgetRow]:
    """Rows of correlated coefficients that move several axes: their mean, and the principal axes of their scatter."""
    values, vectors = np.linalg.eigh(gain @ term.covariance @ gain.T)
    parts = [("mean", gain @ term.mean, 1.0, 0.0)]
    parts += [
        (f"principal axis {n + 1}", vectors[:, n] * max(float(values[n]), 0.0) ** 0.5, 0.0, 1.0) for n in (2, 1, 0)
    ]
    for name, direction, mean, std in parts:
        if np.any(direction):
            yield BudgetRow((term.name, name), *term.share_name, "", term.life, "1", direction, mean, std)
