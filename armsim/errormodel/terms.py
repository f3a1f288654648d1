"""Error terms: every error is a random coefficient times a known shape.

    dq_axis(state) = sum_k  c_k * shape_k(state)

A `Term` gathers the coefficients of one cause. Terms are independent of each other; whatever is correlated belongs
into one term. Physics functions make terms, the machine collects them, every analysis reads them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import Enum
from functools import cached_property

import numpy as np

from armsim.arrays import Array
from armsim.causes import Cause, Life
from armsim.errormodel.distributions import Distribution, DistributionName
from armsim.errormodel.draws import Draw
from armsim.errormodel.shapes import Constant, Shape, State, Wave, mean_product, multiple_of

VISIT_DISTRIBUTIONS: tuple[DistributionName, ...] = ("normal", "uniform", "two-valued")
"""Distributions with compiled draws: the only ones allowed for coefficients of visit life."""


class Role(Enum):
    """Role of an axis in the arm: decides the owner of an error on it, and what a calibration may identify."""

    MOTION = "motion of a joint"
    ERROR_MOTION = "error motion of a joint"
    LINK = "constant of a link"
    FRAME = "constant of a frame that no joint moves"


@dataclass(frozen=True)
class Axis:
    """Axis on which a coefficient acts.

    Parameters
    ----------
    owner : str
        Name of the joint, of the joint whose row holds the constants of a link, or of a frame.
    parameter : str
        Name of the motion or constant; empty for the motion of a joint.
    role : Role
    """

    owner: str
    parameter: str = ""
    role: Role = Role.MOTION

    def __post_init__(self) -> None:
        if (self.role is Role.MOTION) == bool(self.parameter):
            raise ValueError(f"{self}: {self.role.value}; the motion of a joint has no parameter, all else has one")

    def __str__(self) -> str:
        return f"{self.owner}.{self.parameter}" if self.parameter else self.owner

    @property
    def of_joint(self) -> bool:
        """Whether it is the motion or an error motion of a joint."""
        return self.role in (Role.MOTION, Role.ERROR_MOTION)


@dataclass(frozen=True)
class Act:
    """Coefficient number ``coefficient`` of a term moves ``axis`` by the value of ``shape``.

    ``drive`` names the joint whose drive state is used to evaluate the shape, and to which the error belongs; it is
    empty if that is the owner of the axis.
    """

    coefficient: int
    axis: Axis
    shape: Shape
    drive: str = ""

    @property
    def owner(self) -> str:
        """Joint to which the error belongs; ``links`` for constants of links and frames."""
        return self.drive or (self.axis.owner if self.axis.of_joint else "links")

    def multiple_of(self, axis: Axis, shape: Shape) -> float | None:
        """Factor k by which this shape is k times ``shape`` at the state of ``axis``; None if it is not a multiple."""
        if self.drive and self.drive != axis.owner and not isinstance(self.shape, Constant):
            return None
        return multiple_of(self.shape, shape)

    def on(self, axis: Axis, gain: float, ratio: float) -> Act:
        """This act moved from the shaft to the axis of a joint; see `Term.on`."""
        if self.axis.role is Role.ERROR_MOTION:
            owned = self.axis if self.axis.owner else replace(self.axis, owner=axis.owner)
            return Act(self.coefficient, owned, self.shape.geared(ratio))
        placed = axis if self.axis == SHAFT else self.axis
        return Act(self.coefficient, placed, self.shape.geared(ratio).scaled(gain))


SHAFT = Axis("")
"""Placeholder: the shaft for which a physics function makes its terms, until `on` puts them at a joint. An error motion
without an owner belongs to the joint of that shaft."""


@dataclass(frozen=True, eq=False)
class Term:
    """An error term: the coefficients of one cause, drawn together, with the shapes they multiply.

    Parameters
    ----------
    name : str
        Unique within a machine; selects the random numbers of the term.
    cause : Cause
        Cause under which the contribution of the term is reported.
    life : str
        ``unit``: drawn once for a built arm; ``visit``: drawn anew at every visit.
    acts : tuple of Act
    draw : Draw
        Called with (generator, n) it returns K coefficients, shape (K, n). A term of visit life has `Independent` draws
        of `VISIT_DISTRIBUTIONS`.
    mean : (K,)
    second_moment : (K, K)
        E c c^T, in closed form.
    limit : float
        Largest magnitude of the error on its axis, for the joint budget [rad or m]; nan if it depends on the state:
        then use `largest`.
    """

    name: str
    cause: Cause
    life: Life
    acts: tuple[Act, ...]
    draw: Draw
    mean: Array
    second_moment: Array
    limit: float

    def __post_init__(self) -> None:
        if self.life == "visit":
            plain = isinstance(self.draw, Independent) and all(
                spread.distribution in VISIT_DISTRIBUTIONS and not spread.centre for spread in self.draw.spreads
            )
            if not plain:
                raise ValueError(
                    f"{self.name}: visit life needs independent {', '.join(VISIT_DISTRIBUTIONS)} draws about zero"
                )

    @cached_property
    def covariance(self) -> Array:
        """Covariance of the coefficients, shape (K, K)."""
        return self.second_moment - np.outer(self.mean, self.mean)

    @cached_property
    def axes(self) -> tuple[Axis, ...]:
        """Axes on which it acts, each once, in order of first use."""
        return tuple(dict.fromkeys(act.axis for act in self.acts))

    @cached_property
    def owner(self) -> str:
        """Joint whose error it is; ``links`` for constants; ``machine`` for several joints."""
        owners = {act.owner for act in self.acts}
        return owners.pop() if len(owners) == 1 else "machine"

    @property
    def joint_or_link(self) -> str:
        """As `owner`, except that constants of a link belong to the joint in whose row they are."""
        rows = {axis.owner for axis in self.axes}
        return rows.pop() if self.owner == "links" and len(rows) == 1 else self.owner

    @property
    def share_name(self) -> tuple[str, str]:
        """Owner and name of the cause, by which a result sums shares."""
        return self.owner, self.cause.name

    def on(self, axis: Axis, gain: float = 1.0, ratio: float = 1.0) -> Term:
        """The term transferred to ``axis``: errors times ``gain``, shaft positions ``ratio`` times the joint's.

        An error motion keeps its size: no gear stands between it and the joint.
        """
        acts = tuple(act.on(axis, gain, ratio) for act in self.acts)
        off_axis = all(act.axis.role is Role.ERROR_MOTION for act in self.acts)
        limit = self.limit if off_axis else self.limit * abs(gain)
        return replace(self, name=f"{axis}/{self.name}", acts=acts, limit=limit)

    def largest(self, axis: Axis, state: State) -> float:
        """Largest magnitude of the error on one axis: the limit, or over the given states where it depends on them."""
        if math.isfinite(self.limit):
            return self.limit
        bounds = self.draw.limits
        acts = [act for act in self.acts if act.axis == axis]
        return float(sum(bounds[act.coefficient] * np.abs(act.shape.value(state)).max() for act in acts))

    def mean_square(self, axis: Axis, state: State) -> float:
        """Mean square of the error on one axis, over all positions or the given states. [rad^2 or m^2]"""
        return self._average(self.second_moment, axis, state)

    def variance(self, axis: Axis, state: State) -> float:
        """Mean square of the error on one axis without its mean: what differs between draws. [rad^2 or m^2]"""
        return self._average(self.covariance, axis, state)

    def expected(self, axis: Axis, state: State) -> Array:
        """Mean of the error on one axis at the given states, shape (poses,). [rad or m]"""
        acts = [act for act in self.acts if act.axis == axis]
        out = np.zeros(len(state.position))
        for act in acts:
            out += self.mean[act.coefficient] * act.shape.value(state)
        return out

    def _average(self, moments: Array, axis: Axis, state: State) -> float:
        acts = [act for act in self.acts if act.axis == axis]
        products = [
            moments[a.coefficient, b.coefficient] * mean_product(a.shape, b.shape, state) for a in acts for b in acts
        ]
        return max(0.0, float(sum(products)))  # a sum of squares, but for rounding


@dataclass(frozen=True)
class Independent(Draw):
    """Draw of independent coefficients, one distribution each."""

    spreads: tuple[Distribution, ...]

    @property
    def dimensions(self) -> int:
        return len(self.spreads)

    def of(self, uniform: Array) -> Array:
        return np.stack([spread.quantile(u) for spread, u in zip(self.spreads, uniform, strict=True)])

    @property
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of each coefficient."""
        return tuple(spread.limit for spread in self.spreads)


def independent(
    name: str,
    cause: Cause,
    spreads: tuple[Distribution, ...],
    shapes: tuple[Shape, ...],
    limit: float,
    life: Life = "unit",
    axis: Axis = SHAFT,
) -> Term:
    """Term of independent coefficients on one axis, by default the shaft, with one shape each."""
    mean = np.array([spread.mean for spread in spreads])
    second = np.outer(mean, mean)
    np.fill_diagonal(second, [spread.second_moment for spread in spreads])
    acts = tuple(Act(k, axis, shape) for k, shape in enumerate(shapes))
    return Term(name, cause, life, acts, Independent(spreads), mean, second, limit)


@dataclass(frozen=True)
class PolarHarmonic:
    """One harmonic of a polar term: scale * r^power * sin(order * position - turns * phi - lag)."""

    scale: float
    power: int
    turns: int
    order: float
    lag: float = 0.0


@dataclass(frozen=True)
class Polar(Draw):
    """Draw of a magnitude r = abs(spread) in a direction phi, and of the harmonics that both make.

    With a = turns * phi + lag, part p gives the coefficients scale * r^power * (cos a, -sin a), on sine and cosine.
    """

    spread: Distribution
    phase: float | None
    parts: tuple[PolarHarmonic, ...]

    @property
    def dimensions(self) -> int:
        return 1 if self.phase is not None else 2

    def of(self, uniform: Array) -> Array:
        r = np.abs(self.spread.quantile(uniform[0]))
        phi = 2 * np.pi * uniform[1] if self.phase is None else np.full(uniform.shape[1], self.phase)
        rows = []
        for part in self.parts:
            size = part.scale * r**part.power
            rows += [size * np.cos(part.turns * phi + part.lag), -size * np.sin(part.turns * phi + part.lag)]
        return np.stack(rows)

    @property
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of each coefficient."""
        return tuple(abs(part.scale) * self.spread.limit**part.power for part in self.parts for _ in range(2))


def polar(name: str, cause: Cause, spread: Distribution, phase: float | None, parts: tuple[PolarHarmonic, ...]) -> Term:
    """Term of one random magnitude and direction; the direction is uniform where ``phase`` is None."""
    k = 2 * len(parts)
    mean, second = np.zeros(k), np.zeros((k, k))
    powers = [part.power for part in parts for _ in range(2)]
    scales = [part.scale for part in parts for _ in range(2)]
    if phase is None:
        # uniform direction: sines and cosines of different multiples of phi are uncorrelated, their squares average 1/2
        for i in range(k):
            for j in range(k):
                if i % 2 == j % 2 and parts[i // 2].turns == parts[j // 2].turns:
                    second[i, j] = 0.5 * scales[i] * scales[j] * spread.absolute_moment(powers[i] + powers[j])
    else:
        angles = [part.turns * phase + part.lag for part in parts]
        angular = [f for angle in angles for f in (math.cos(angle), -math.sin(angle))]
        for i in range(k):
            mean[i] = scales[i] * angular[i] * spread.absolute_moment(powers[i])
            for j in range(k):
                moment = spread.absolute_moment(powers[i] + powers[j])
                second[i, j] = scales[i] * scales[j] * angular[i] * angular[j] * moment
    acts = tuple(
        act
        for i, part in enumerate(parts)
        for act in (
            Act(2 * i, SHAFT, Wave("sin", part.order)),
            Act(2 * i + 1, SHAFT, Wave("cos", part.order)),
        )
    )
    limit = sum(abs(part.scale) * spread.limit**part.power for part in parts)
    return Term(name, cause, "unit", acts, Polar(spread, phase, parts), mean, second, limit)


@dataclass(frozen=True)
class UnknownOrder(Draw):
    """Draw of one harmonic of unknown order and unknown phase; the magnitude of its amplitude counts."""

    amplitude: Distribution
    orders: int

    @property
    def dimensions(self) -> int:
        return 2 if self.amplitude.distribution == "fixed" else 3

    def of(self, uniform: Array) -> Array:
        n = uniform.shape[1]
        out = np.zeros((2 * self.orders, n))
        order_index = np.minimum((uniform[0] * self.orders).astype(int), self.orders - 1)
        phase = 2 * np.pi * uniform[1]
        size = np.abs(self.amplitude.quantile(uniform[-1]))
        out[2 * order_index, np.arange(n)] = size * np.cos(phase)
        out[2 * order_index + 1, np.arange(n)] = size * np.sin(phase)
        return out

    @property
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of each coefficient."""
        return (self.amplitude.limit,) * (2 * self.orders)


def unknown_curve(
    name: str, cause: Cause, spread: Distribution, orders: tuple[float, ...], shares: tuple[float, ...]
) -> Term:
    """Term of a curve over the turn of which only the size is known.

    Each unit carries one harmonic, every order equally likely, with the amplitude sqrt(2) times the rms of ``spread``:
    at a position picked at random the error then has the standard uncertainty that the tolerance states (a/sqrt(3) for
    +-a, JCGM 100:2008 4.3.7). Where the tolerance has a limit the amplitude stays within it. ``shares`` is the
    share of every order that the averaged heads leave; orders averaged away stay as draws without effect.
    """
    amplitude = min(math.sqrt(2.0) * spread.rms, spread.limit)
    limit = spread.limit * max(shares)
    return replace(unknown_wave(name, cause, Distribution("fixed", amplitude), orders, shares), limit=limit)


def unknown_wave(
    name: str, cause: Cause, amplitude: Distribution, orders: tuple[float, ...], shares: tuple[float, ...]
) -> Term:
    """Term of one harmonic per unit, every order equally likely, of random amplitude and unknown phase.

    ``shares`` as in `unknown_curve`.
    """
    n = len(orders)
    acts = tuple(
        act
        for i, order in enumerate(orders)
        if shares[i]
        for act in (
            Act(2 * i, SHAFT, Wave("sin", order, shares[i])),
            Act(2 * i + 1, SHAFT, Wave("cos", order, shares[i])),
        )
    )
    second, limit = np.eye(2 * n) * amplitude.second_moment / (2 * n), amplitude.limit * max(shares)
    return Term(name, cause, "unit", acts, UnknownOrder(amplitude, n), np.zeros(2 * n), second, limit)
