"""The budget of one pose by first order, as a metrologist writes it: a size, a sensitivity, an effect on every line.

Every row is one random quantity u that moves the tool along one line,

    dp = sum over rows of S u,   mean of dp = sum of S E u,   covariance of dp = sum of S S^T Var u

where u is the error of a joint or of a link at the pose, or the temperature, and S the derivative of the tool point by
it. Rows are independent of each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from armsim.arrays import Array
from armsim.errormodel.terms import Term
from armsim.model.machine import EvaluatedMachine
from armsim.physics.heat import WarmDraw

RowUnit = Literal["rad", "m", "K", "1"]
APART = 1e-9
"""Correlation below which two coefficients are independent but for rounding."""


@dataclass(frozen=True, eq=False)
class BudgetRow:
    """One random quantity at one pose.

    Parameters
    ----------
    key : tuple of str
        Name of the term, and of the part of it: unique in a budget, the same for a changed machine.
    owner, cause : str
        As in the shares of a result.
    axis : str
        Axis that it moves; empty where it moves several.
    life : str
        ``unit`` or ``visit``.
    unit : str
        SI unit of the quantity; ``1`` where it is counted in standard deviations.
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
    """Rows of all terms at a pose.

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
    """Rows of a term: one for each axis that it moves alone; further ones for coefficients that move several."""
    axes_of: dict[int, set[int]] = {}  # by coefficient
    for k, axis, _ in acts:
        axes_of.setdefault(k, set()).add(axis)
    if not axes_of:
        return
    if len({axis for axes in axes_of.values() for axis in axes}) > 1 and _correlated(term, sorted(axes_of)):
        yield from _principal(term, gain)
        return
    coefficients_of_axis: dict[int, list[int]] = {}  # coefficients by the one axis that they move
    for k, axes in axes_of.items():
        if len(axes) == 1:
            coefficients_of_axis.setdefault(next(iter(axes)), []).append(k)
        else:
            yield _shared(term, k, gain[:, k])
    for axis, coefficients in coefficients_of_axis.items():
        weight = np.zeros(len(term.mean))
        for k, at, value in acts:
            if at == axis and k in coefficients:
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


def _correlated(term: Term, coefficients: list[int]) -> bool:
    block = term.covariance[np.ix_(coefficients, coefficients)]
    size = np.sqrt(np.maximum(np.diag(block), 0.0))
    return bool(np.any(np.abs(block - np.diag(np.diag(block))) > APART * np.outer(size, size)))


def _shared(term: Term, k: int, gain: Array) -> BudgetRow:
    """A coefficient that moves several axes: the temperature itself, else in standard deviations."""
    mean, std = float(term.mean[k]), max(float(term.covariance[k, k]), 0.0) ** 0.5
    key = (term.name, f"coefficient {k}")
    if isinstance(term.draw, WarmDraw):
        return BudgetRow(key, *term.share_name, "", term.life, "K", gain, mean, std)
    size = std or abs(mean) or 1.0
    return BudgetRow(key, *term.share_name, "", term.life, "1", gain * size, mean / size, std / size)


def _principal(term: Term, gain: Array) -> Iterator[BudgetRow]:
    """Correlated coefficients that move several axes: their mean, and the principal axes of their scatter."""
    values, vectors = np.linalg.eigh(gain @ term.covariance @ gain.T)
    parts = [("mean", gain @ term.mean, 1.0, 0.0)]
    parts += [
        (f"principal axis {n + 1}", vectors[:, n] * max(float(values[n]), 0.0) ** 0.5, 0.0, 1.0) for n in (2, 1, 0)
    ]
    for name, along, mean, std in parts:
        if np.any(along):
            yield BudgetRow((term.name, name), *term.share_name, "", term.life, "1", along, mean, std)
