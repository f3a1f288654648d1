"""Heat: a temperature rise that every joint and link of a built arm shares, and that of a joint above it."""

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
class WarmDraw(Draw):
    """Draw of a temperature rise, and of its product with the drift of every part."""

    rise: Distribution
    drifts: tuple[Distribution, ...]

    @property
    def dimensions(self) -> int:
        return 1 + len(self.drifts)

    def of(self, uniform: Array) -> Array:
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
    """All errors caused by a temperature rise T, as one term.

    Coefficient 0 is T itself, shared by all that grows in proportion: links (expansion * length), scales (expansion *
    position). Each drift adds coefficients T d, with d of the part: its sign is not known, but T is the same for all.

        E T^2 for the growth, E T^2 E d^2 for each drift, and no correlation between T and T d, or T d and T d'

    while means of T and d are zero or multiply.

    Parameters
    ----------
    rise : Distribution
        Above the temperature of mastering. [K]
    growth : sequence of (Axis, Shape)
        Motions in proportion to the temperature, per kelvin.
    drifts : sequence of (Axis, shapes, Distribution)
        Drifting quantities: one independent coefficient d for each of the shapes. [1/K of the shape]

    Returns
    -------
    tuple of Term
        One term, on the axes of ``growth`` and ``drifts``, attained minus commanded. [rad or m]

    References
    ----------
    .. [1] ISO 230-3:2020: thermal effects on linear axes; growth is expansion times length times rise.
    """
    spreads = tuple(spread for _, shapes, spread in drifts for _ in shapes)
    acts = [Act(0, axis, shape) for axis, shape in growth]
    number = 1
    for axis, shapes, _ in drifts:
        for shape in shapes:
            acts.append(Act(number, axis, shape))
            number += 1
    factors = np.array([1.0, *(spread.mean for spread in spreads)])
    second = np.outer(factors, factors)
    np.fill_diagonal(second, [1.0, *(spread.second_moment for spread in spreads)])
    term = Term(
        "machine/temperature",
        causes.TEMPERATURE,
        "unit",
        tuple(acts),
        WarmDraw(rise, spreads),
        rise.mean * factors,
        rise.second_moment * second,
        math.nan,
    )
    return (term,) if acts else ()


def joint_temperature(
    joint: str,
    rise: Distribution,
    growth: Sequence[tuple[Axis, Shape]],
    drifts: Sequence[tuple[Axis, tuple[Shape, ...], Distribution]] = (),
) -> tuple[Term, ...]:
    """Errors by the heat of one joint, whose sensor, drive and link are warmer than the rest of the arm.

    Its temperature is T + T_j, the rise T that the whole arm shares and its part T_j; what is linear in it splits into
    the term of T and one of T_j, which is independent of T and of the parts of other joints. The link is uniformly
    warm: neglected are gradients within it, that bend it, and the time that it takes to soak.

    Parameters
    ----------
    joint : str
        Its owner.
    rise : Distribution
        T_j, above the shared rise. [K]
    growth, drifts : sequence
        Of this joint, as of `temperature`.

    Returns
    -------
    tuple of Term
        One term of the joint, attained minus commanded. [rad or m]

    References
    ----------
    .. [1] ISO/TR 16015:2003: systematic errors from thermal influences; growth is expansion times length times rise
       (from memory).
    """
    (out,) = temperature(rise, growth, drifts) or (None,)
    if out is None:
        return ()
    acts = tuple(act if act.axis.of_joint else replace(act, drive=joint) for act in out.acts)
    return (replace(out, name=f"{joint}/temperature", cause=causes.JOINT_TEMPERATURE, acts=acts),)
