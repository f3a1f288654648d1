"""Estimate of the parameters from mean displacements at measured poses, its uncertainty, and confounded parameters.

    y = m(q, phi) + what is not identified + visits and instrument

About the nominal arm, with J the derivative of m, C the covariance of what is not identified (with the population as
prior) and of visits and instrument, P the prior covariance of the parameters:

    phi = mu + H (y - E y),   H = R (R^T J^T C^-1 J R + I)^-1 R^T J^T C^-1,   P = R R^T

Without the population as prior I is left out, R is diagonal, mu = 0, and C is that of visits and instrument alone.

References
----------
.. [1] Mooring, Roth, Driels, Fundamentals of Manipulator Calibration (1991), ch. 5 (from memory): identification.
.. [2] Tarantola, Inverse Problem Theory (2005), 3.2: least squares with a prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from armsim import causes
from armsim.arrays import Array
from armsim.calibration.identifiable import UNITS, controlled, folded, kind_of
from armsim.calibration.linear_population import Linear
from armsim.calibration.reading_conditions import Conditions
from armsim.calibration.reading_noise import Instrument, roots_of
from armsim.errormodel.shapes import State
from armsim.model.configurations import Configurations
from armsim.model.correction import Parameter
from armsim.model.machine import Machine

APART = 3e-3
"""Share of a column that the others must leave for it to be told apart from them. Common practice (a condition of a few
hundred), no source."""
NAMED = 0.05
"""Part of another parameter, in standard units, from which on it is named."""


@dataclass(frozen=True)
class Confounded:
    """Parameter confounded with others at these poses, with the amount of each that equals one unit of it.

    ``alike`` is empty where the poses tell nothing of it at all.
    """

    name: str
    alike: tuple[tuple[str, float], ...]


@dataclass(frozen=True, eq=False)
class Estimate:
    """Linear estimate of the identifiable parameters from readings at M poses.

    Parameters
    ----------
    parameters : tuple of Parameter
        K parameters that are estimated.
    confounded : tuple of Confounded
        What was left out.
    linear : Linear
        The population at the poses.
    distinct : (3 M, L) [m]
        Separately identifiable columns, each in its scale.
    jacobian : (3 M, K)
    inverse : (3 M, 3 M) [m^-1]
        Whitens displacements: inverse of the lower root of C.
    root : (K, coordinates)
        The parameters are mu + root z; with the population as prior z has unit covariance.
    prior : bool
    mean, offset : (K,), (3 M,) [m]
        mu, and the mean of what is not identified.
    gain : (K, 3 M)
        H.
    truth : (K, coefficients)
        What the parameters are in an arm of the population: its own, and what it is confounded with.
    scale : (K,)
        Sizes in which parameters are counted.
    noise : (3 M, 3 M) [m^2]
        Covariance of visits and instrument.
    """

    parameters: tuple[Parameter, ...]
    confounded: tuple[Confounded, ...]
    linear: Linear
    distinct: Array
    jacobian: Array
    inverse: Array
    root: Array
    prior: bool
    mean: Array
    offset: Array
    gain: Array
    truth: Array
    scale: Array
    noise: Array

    @property
    def covariance(self) -> Array:
        """Covariance of the error of the estimate over population, visits and instrument, shape (K, K)."""
        leak = self.gain @ self.linear.gain - self.truth
        return np.asarray(leak @ self.linear.prior @ leak.T + self.gain @ self.noise @ self.gain.T)

    @property
    def by_measurement(self) -> Array:
        """The part of visits and instrument, shape (K, K)."""
        return np.asarray(self.gain @ self.noise @ self.gain.T)

    @property
    def base(self) -> Array:
        """Estimate where nothing is displaced: with y it is base + H y, shape (K,)."""
        return np.asarray(self.mean - self.gain @ (self.jacobian @ self.mean + self.offset))

    @property
    def spread(self) -> Array:
        """Standard deviation of every parameter in the population, shape (K,)."""
        return spread_of(self.truth, self.linear.prior)

    @cached_property
    def controlled(self) -> list[int]:
        """Numbers of the parameters that are put into the controller."""
        return controlled(self.parameters)

    @property
    def corrected(self) -> tuple[Parameter, ...]:
        """Parameters that are put into the controller."""
        return tuple(self.parameters[n] for n in self.controlled)

    def observability(self, poses: int) -> tuple[float, float, float, float]:
        """Indices O1 to O4 of the Jacobian, with lengths in mm and angles in mrad.

            O1 = (s1 ... sL)^(1/L) / sqrt(m),   O2 = sL / s1,   O3 = sL,   O4 = sL^2 / s1

        References
        ----------
        .. [1] Borm, Menq, Int. J. Robotics Research 10 (1991) 51: O1.
        .. [2] Driels, Pathre, J. Robotic Systems 7 (1990) 505: O2.
        .. [3] Nahvi, Hollerbach, Hayward, ICRA (1994): O3; Nahvi, Hollerbach, ICRA (1996): O4.
        .. [4] Sun, Hollerbach, ICRA (2008): all of them compared (all from memory).
        """
        values = np.asarray(np.linalg.svd(self.distinct / UNITS["length"], compute_uv=False), float)
        return indices(values, poses)


def spread_of(truth: Array, prior: Array) -> Array:
    """Standard deviations, shape (K,), of what coefficients with a covariance make by rows (K, coefficients)."""
    return np.asarray(np.sqrt(np.maximum(np.einsum("kc,cd,kd->k", truth, prior, truth), 0.0)))


def indices(values: Array, poses: int) -> tuple[float, float, float, float]:
    """O1 to O4 of singular values, the largest first."""
    largest, least = float(values[0]), float(values[-1])
    if least <= 0.0:
        return 0.0, 0.0, 0.0, 0.0
    product = float(np.exp(np.mean(np.log(values))))
    return product / poses**0.5, least / largest, least, least**2 / largest


def jacobian_of(
    machine: Machine,
    configurations: Configurations,
    parameters: tuple[Parameter, ...],
    conditions: Conditions | None = None,
) -> Array:
    """Jacobian of the rows of every pose of the nominal arm by the parameters, shape (poses, 3, parameters).

    Parameters
    ----------
    machine : Machine
    configurations : Configurations
    parameters : tuple of Parameter
    conditions : Conditions, optional

    Returns
    -------
    (poses, 3, parameters) [m per unit of the parameter]
        In the base frame.
    """
    axes = [parameter.axis for parameter in parameters]
    at = machine.arm.postures(configurations.joints, axes)
    column = at.column if conditions is None else conditions.columns(at, axes)
    values = shapes_of(machine, configurations, parameters, conditions)
    return np.asarray(column.swapaxes(1, 2) * values.T[:, None, :])


def shapes_of(
    machine: Machine,
    configurations: Configurations,
    parameters: tuple[Parameter, ...],
    conditions: Conditions | None = None,
) -> Array:
    """Values of the shapes of parameters at poses, shape (parameters, poses).

    Parameters
    ----------
    machine : Machine
    configurations : Configurations
    parameters : tuple of Parameter
    conditions : Conditions, optional

    Returns
    -------
    (parameters, poses)
    """
    states = machine.states(configurations.joints, configurations.speeds, configurations.directions)
    fixed = State.at_rest(np.zeros(len(configurations)))
    values = [parameter.shape.value(parameter.axis.state(states, fixed)) for parameter in parameters]
    if conditions is not None:
        values = [conditions.factor(own.axis) * row for own, row in zip(parameters, values, strict=True)]
    return np.array(values).reshape(len(parameters), len(configurations))


@dataclass(frozen=True, eq=False)
class Seen:
    """A population and its parameters at M poses, as an instrument sees them.

    Parameters
    ----------
    parameters : tuple of Parameter
        All Q parameters to identify.
    linear : Linear
    jacobian : (3 M, Q)
    visits : tuple of int
        Visits per pose.
    instrument : tuple of (readings or 1, 3, 3) [m]
        Roots of the covariance of the readings of every pose.
    scale : (Q,)
        Sizes in which parameters are counted.
    truth : (Q, coefficients)
        What every coefficient is of the parameters.
    conditions : Conditions, optional
        Conditions under which the readings were taken.
    """

    parameters: tuple[Parameter, ...]
    linear: Linear
    jacobian: Array
    visits: tuple[int, ...]
    instrument: tuple[Array, ...]
    scale: Array
    truth: Array
    conditions: Conditions | None = None

    @staticmethod
    def of(
        machine: Machine,
        parameters: tuple[Parameter, ...],
        joints: Array,
        visits: Sequence[int],
        instrument: Instrument,
        conditions: Conditions | None = None,
    ) -> Seen:
        """A machine as it is measured (of `with_target`) at joint positions (M, joints).

        Parameters
        ----------
        machine : Machine
        parameters : tuple of Parameter
        joints : (M, joints) [rad or m]
        visits : sequence of int
        instrument : Instrument
        conditions : Conditions, optional

        Returns
        -------
        Seen
        """
        linear = Linear.of(machine, joints, conditions)
        jacobian = jacobian_of(machine, Configurations(joints), parameters, conditions).reshape(3 * len(joints), -1)
        scale = np.array([UNITS[kind_of(parameter, machine.arm)] for parameter in parameters])
        truth = folded(linear, parameters, machine.perturbed_arm)
        if conditions is not None and conditions.rises is not None:  # parameters are those at mastering
            for term, part in linear.parts():
                truth[:, part] *= term.cause is not causes.TEMPERATURE
        roots = tuple(roots_of(instrument, len(joints)))
        return Seen(parameters, linear, jacobian, tuple(visits), roots, scale, truth, conditions)

    def only(self, poses: NDArray[np.intp]) -> Seen:
        """Selection of some of the poses."""
        rows = (3 * poses[:, None] + np.arange(3)).ravel()
        visits = tuple(self.visits[n] for n in poses.tolist())
        roots = tuple(self.instrument[n] for n in poses.tolist())
        at_poses = self.linear.only(poses), self.jacobian[rows], visits, roots
        conditions = None if self.conditions is None else self.conditions.only(poses)
        return Seen(self.parameters, *at_poses, self.scale, self.truth, conditions)


def estimate_of(population: Seen, prior: bool) -> Estimate:
    """The estimate at measured poses; ``prior``: whether the population is known beforehand."""
    linear, every, parameters = population.linear, population.jacobian, population.parameters
    scale, truth = population.scale, population.truth
    noise = linear.noise(population.visits, population.instrument)
    whitening = np.linalg.inv(np.linalg.cholesky(noise))
    independent, confounded = told_apart(whitening @ every * scale, [parameter.name for parameter in parameters])
    apart = [n for n, _ in independent]
    into = np.zeros((len(independent), len(parameters)))
    for row, (number, stands_for) in enumerate(independent):
        for n, times in stands_for.items():
            into[row, n] = times * scale[number] / scale[n]
    # what the population says nothing of is exact where it is known beforehand; the prior tells the rest apart
    numbers = np.flatnonzero(spread_of(truth, linear.prior) > 0.0).tolist() if prior else apart
    jacobian, own_truth = every[:, numbers], into @ truth
    mean, offset, covariance = np.zeros(len(numbers)), np.zeros(len(noise)), noise
    root = np.diag(scale[numbers])
    if prior:
        own_truth = truth[numbers]
        leak = linear.gain - jacobian @ own_truth
        covariance = noise + leak @ linear.prior @ leak.T
        root = root_of(own_truth @ linear.prior @ own_truth.T)
        mean = own_truth @ linear.prior_mean
        offset = leak @ linear.prior_mean + linear.fixed
    inverse = np.linalg.inv(np.linalg.cholesky(covariance))
    rooted = inverse @ jacobian @ root
    information = rooted.T @ rooted + (np.eye(root.shape[1]) if prior else 0.0)
    distinct = every[:, apart] * scale[apart]
    gain = np.asarray(root @ np.linalg.solve(information, rooted.T @ inverse), float)
    sizes = scale[numbers]
    return Estimate(
        tuple(parameters[n] for n in numbers), confounded, linear, distinct,
        jacobian, inverse, root, prior, mean, offset, gain, own_truth, sizes, noise
    )  # fmt: skip


def root_of(covariance: Array) -> Array:
    """R with R R^T a covariance, shape (K, rank); directions without variance are left out."""
    sizes = np.sqrt(np.diag(covariance))
    values, vectors = np.linalg.eigh(covariance / np.outer(sizes, sizes))
    positive = values > 1e-10 * values[-1]
    return np.asarray(sizes[:, None] * vectors[:, positive] * np.sqrt(values[positive]), float)


def told_apart(
    columns: Array, names: Sequence[str]
) -> tuple[list[tuple[int, dict[int, float]]], tuple[Confounded, ...]]:
    """Columns that are separately identifiable from those before them.

    Returns
    -------
    kept : list of (number, mapping)
        With how much of every column stands in it: of its own one, and of those that are left out.
    confounded : tuple of Confounded
    """
    basis = np.zeros((len(columns), 0))
    independent: list[int] = []
    dependent: dict[int, Array] = {}
    confounded = []
    largest = float(np.linalg.norm(columns, axis=0).max(initial=0.0))
    for n in range(columns.shape[1]):
        column = columns[:, n]
        size = float(np.linalg.norm(column))
        remainder = column - basis @ (basis.T @ column)
        remainder = remainder - basis @ (basis.T @ remainder)  # twice is enough: Giraud, Langou, Rozloznik (2005)
        if size <= 1e-9 * largest:
            confounded.append(Confounded(names[n], ()))
            continue
        if np.linalg.norm(remainder) <= APART * size:
            alike = np.linalg.lstsq(columns[:, independent], column, rcond=None)[0]
            dependent[n] = np.asarray(alike, float)
            sizes = np.abs(alike) * np.linalg.norm(columns[:, independent], axis=0) / size
            order = np.argsort(-sizes, kind="stable")
            pairs = tuple((names[independent[k]], float(alike[k])) for k in order.tolist() if sizes[k] > NAMED)
            confounded.append(Confounded(names[n], pairs))
            continue
        basis = np.concatenate([basis, (remainder / np.linalg.norm(remainder))[:, None]], axis=1)
        independent.append(n)
    out = []
    for place, n in enumerate(independent):
        parts = {n: 1.0}
        parts.update({other: float(alike[place]) for other, alike in dependent.items() if place < len(alike)})
        out.append((n, parts))
    return out, tuple(confounded)
