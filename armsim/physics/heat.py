"""Errors from heat: a temperature rise of the whole arm, and a further rise of single joints."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from armsim import causes
from armsim.arrays import Array
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.draws import Draw
from armsim.errormodel.shapes import Shape
from armsim.errormodel.terms import Act, Axis, Term


@dataclass(frozen=True)
class TemperatureRiseDraw(Draw):
    """Draw of a temperature rise, and of its product with each drift."""

    rise: Distribution
    drifts: tuple[Distribution, ...]

    @property
    def dimensions(self) -> int:
        return 1 + len(self.drifts)

    def from_uniform(self, uniform: Array) -> Array:
        rise = self.rise.quantile(uniform[0])
        return np.stack([rise, *(rise * drift.quantile(u) for drift, u in zip(self.drifts, uniform[1:], strict=True))])

    @property
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of each coefficient."""
        return (self.rise.limit, *(self.rise.limit * drift.limit for drift in self.drifts))


def temperature(
    rise: Distribution,
    growth: Sequence[tuple[Axis, Shape]],
    drifts: Sequence[tuple[Axis, tuple[Shape, ...], Distribution]] = (),
) -> tuple[Term, ...]:
    """All errors caused by a temperature rise T of the whole arm, as one term.

    Links grow by expansion * length * T, scales by expansion * position * T. A quantity with a drift d changes by d T,
    where d differs from part to part and its sign is unknown. T is the same for all of them:

        mean square    E T^2 of the growth,    E T^2 E d^2 of each drift

    Drifts of zero mean are uncorrelated with the growth and with each other.

    Parameters
    ----------
    rise : Distribution
        T, above the temperature at which the arm was mastered. [K]
    growth : sequence of (Axis, Shape)
        Motions proportional to the temperature, per kelvin. [rad/K or m/K]
    drifts : sequence of (Axis, shapes, Distribution)
        Quantities that drift: one independent coefficient d for each of the shapes. [unit of the quantity per K]

    Returns
    -------
    tuple of Term
        One term on the axes of ``growth`` and ``drifts``, attained minus commanded. [rad or m]

    References
    ----------
    .. [1] ISO 230-3:2020: thermal effects on linear axes; growth is expansion times length times rise.
    """
    drift_distributions = tuple(distribution for _, shapes, distribution in drifts for _ in shapes)
    acts = [Act(0, axis, shape) for axis, shape in growth]
    coefficient = 1
    for axis, shapes, _ in drifts:
        for shape in shapes:
            acts.append(Act(coefficient, axis, shape))
            coefficient += 1
    factors = np.array([1.0, *(distribution.mean for distribution in drift_distributions)])
    second_moments = np.outer(factors, factors)
    np.fill_diagonal(second_moments, [1.0, *(distribution.second_moment for distribution in drift_distributions)])
    term = Term(
        "machine/temperature",
        causes.TEMPERATURE,
        "unit",
        tuple(acts),
        TemperatureRiseDraw(rise, drift_distributions),
        rise.mean * factors,
        rise.second_moment * second_moments,
        math.nan,
    )
    return (term,) if acts else ()


def joint_temperature(
    joint: str,
    rise: Distribution,
    growth: Sequence[tuple[Axis, Shape]],
    drifts: Sequence[tuple[Axis, tuple[Shape, ...], Distribution]] = (),
) -> tuple[Term, ...]:
    """Errors caused by the heat of one joint, whose sensor, drive and link are warmer than the rest of the arm.

    The temperature of the joint rises by T + T_j: the common rise T of the arm, and its own further rise T_j. The
    errors are those of `temperature` with T_j in place of T. T_j is independent of T and of the other joints.
    Neglected: temperature gradients within a link, which bend it, and the time that a link takes to warm up.

    Parameters
    ----------
    joint : str
        Name of the joint.
    rise : Distribution
        T_j, above the common rise. [K]
    growth, drifts : sequence
        Growth and drifts of this joint, as in `temperature`.

    Returns
    -------
    tuple of Term
        One term of this joint, attained minus commanded. [rad or m]

    References
    ----------
    .. [1] ISO/TR 16015:2003: systematic errors from thermal influences; growth is expansion times length times rise.
    """
    (term,) = temperature(rise, growth, drifts) or (None,)
    if term is None:
        return ()
    acts = tuple(act if act.axis.belongs_to_joint else replace(act, drive=joint) for act in term.acts)
    return (replace(term, name=f"{joint}/temperature", cause=causes.JOINT_TEMPERATURE, acts=acts),)
