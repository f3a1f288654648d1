"""The estimate of the parameters from mean displacements at measured poses, its uncertainty, and what it cannot tell.

    y = m(q, phi) + what is not identified + visits and instrument

About the nominal arm, with J the derivative of m, C the covariance of what is not identified (with the population as
prior) and of visits and instrument, P the prior covariance of the parameters:

    phi = mu + H (y - E y),   H = (J^T C^-1 J + P^-1)^-1 J^T C^-1

Without the population as prior P^-1 = 0, mu = 0, and C is that of visits and instrument alone.

References
----------
.. [1] Mooring, Roth, Driels, Fundamentals of Manipulator Calibration (1991), ch. 5 (from memory): identification.
.. [2] Tarantola, Inverse Problem Theory (2005), 3.2: least squares with a prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.errormodel.shapes import State
from armsim.identification.linear import Linear
from armsim.identification.parameters import UNITS, folded, kind_of
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
    """A parameter that the poses do not tell apart from others, with how much of each stands for one of it.

    ``alike`` is empty where the poses tell nothing of it at all.
    """

    name: str
    alike: tuple[tuple[str, float], ...]


@dataclass(frozen=True, eq=False)
class Estimate:
    """Of the kept parameters, at M poses.

    Parameters
    ----------
    parameters : tuple of Parameter
        K that are kept.
    confounded : tuple of Confounded
        What was left out.
    linear : Linear
        The population at the poses.
    jacobian : (3 M, K)
    inverse : (3 M, 3 M) [m^-1]
        Whitens displacements: inverse of the lower root of C.
    information : (K, K)
    prior_information : (K, K)
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
    jacobian: Array
    inverse: Array
    information: Array
    prior_information: Array
    mean: Array
    offset: Array
    gain: Array
    truth: Array
    scale: Array
    noise: Array

    @property
    def covariance(self) -> Array:
        """Of the error of the estimate over population, visits and instrument, shape (K, K)."""
        leak = self.gain @ self.linear.gain - self.truth
        return np.asarray(leak @ self.linear.prior @ leak.T + self.gain @ self.noise @ self.gain.T)

    @property
    def by_measurement(self) -> Array:
        """The part of visits and instrument, shape (K, K)."""
        return np.asarray(self.gain @ self.noise @ self.gain.T)

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
        values = np.asarray(np.linalg.svd(self.jacobian * self.scale / UNITS["length"], compute_uv=False), float)
        return indices(values, poses)


def indices(values: Array, poses: int) -> tuple[float, float, float, float]:
    """O1 to O4 of singular values, the largest first."""
    largest, least = float(values[0]), float(values[-1])
    if least <= 0.0:
        return 0.0, 0.0, 0.0, 0.0
    product = float(np.exp(np.mean(np.log(values))))
    return product / poses**0.5, least / largest, least, least**2 / largest


def jacobian_of(machine: Machine, configurations: Configurations, parameters: tuple[Parameter, ...]) -> Array:
    """What every parameter does to the tool point of the nominal arm, shape (poses, 3, parameters)."""
    at = machine.arm.postures(configurations.joints, [own.axis for own in parameters])
    return np.asarray(at.column.swapaxes(1, 2) * shapes_of(machine, configurations, parameters).T[:, None, :])


def shapes_of(machine: Machine, configurations: Configurations, parameters: tuple[Parameter, ...]) -> Array:
    """Values of the shapes of parameters at poses, shape (parameters, poses)."""
    states = machine.states(configurations.joints, configurations.speeds, configurations.directions)
    fixed = State.at_rest(np.zeros(len(configurations)))
    values = [own.shape.value(states.get(own.axis.joint, fixed)) for own in parameters]
    return np.array(values).reshape(len(parameters), len(configurations))


def estimate_of(
    machine: Machine,
    parameters: tuple[Parameter, ...],
    joints: Array,
    visits: Sequence[int],
    instrument: Array,
    prior: bool,
) -> Estimate:
    """The estimate at measured poses.

    Parameters
    ----------
    machine : Machine
        As it is measured, of `parameters.with_target`.
    parameters : tuple of Parameter
        Those asked for.
    joints : (M, joints)
    visits : sequence of int
        Of every pose.
    instrument : (M, 3) [m]
        Standard deviation along x, y, z.
    prior : bool
        Whether the population is known beforehand.
    """
    linear = Linear.of(machine, joints)
    every = jacobian_of(machine, Configurations(joints), parameters).reshape(3 * len(joints), -1)
    noise = linear.noise(visits, instrument)
    root = np.linalg.inv(np.linalg.cholesky(noise))
    scale = np.array([UNITS[kind_of(own, machine.arm)] for own in parameters])
    truth = folded(linear, parameters, machine.arm)
    kept, confounded = told_apart(root @ every * scale, [own.name for own in parameters])
    spread = truth @ linear.prior @ truth.T
    if prior:
        # what the population says nothing of is exact; the rest the prior tells apart
        kept = [(n, {n: 1.0}) for n in range(len(parameters)) if spread[n, n] > 0.0]
    numbers = [n for n, _ in kept]
    into = np.zeros((len(numbers), len(parameters)))
    for row, (_, stands_for) in enumerate(kept):
        for n, times in stands_for.items():
            into[row, n] = times * scale[numbers[row]] / scale[n] if n != numbers[row] else 1.0
    jacobian = every[:, numbers]
    own_truth = into @ truth
    mean, offset = np.zeros(len(numbers)), np.zeros(len(noise))
    information_before = np.zeros((len(numbers),) * 2)
    whole = noise
    if prior:
        own_truth = truth[numbers]
        rest = linear.gain - jacobian @ own_truth
        whole = noise + rest @ linear.prior @ rest.T
        before = own_truth @ linear.prior @ own_truth.T
        sizes = np.sqrt(np.diag(before))
        information_before = np.linalg.pinv(before / np.outer(sizes, sizes), rcond=1e-10, hermitian=True)
        information_before = information_before / np.outer(sizes, sizes)
        mean = own_truth @ linear.prior_mean
        offset = rest @ linear.prior_mean + linear.fixed
    inverse = np.linalg.inv(np.linalg.cholesky(whole))
    seen = inverse @ jacobian
    information = seen.T @ seen + information_before
    gain = solve(information, scale[numbers], seen.T @ inverse)
    return Estimate(
        tuple(parameters[n] for n in numbers), confounded, linear, jacobian, inverse, information, information_before,
        mean, offset, gain, own_truth, scale[numbers], noise,
    )  # fmt: skip


def solve(information: Array, scale: Array, right: Array) -> Array:
    """Solution of the normal equations, parameters counted in ``scale``."""
    scaled = information * np.outer(scale, scale)
    return np.asarray(scale[:, None] * np.linalg.solve(scaled, scale[:, None] * right))


def told_apart(
    columns: Array, names: Sequence[str]
) -> tuple[list[tuple[int, dict[int, float]]], tuple[Confounded, ...]]:
    """Columns that are told apart from those before them.

    Returns
    -------
    kept : list of (number, mapping)
        With how much of every column stands in it: of its own one, and of those that are left out.
    confounded : tuple of Confounded
    """
    basis = np.zeros((len(columns), 0))
    kept: list[int] = []
    left: dict[int, Array] = {}
    confounded = []
    largest = float(np.linalg.norm(columns, axis=0).max(initial=0.0))
    for n in range(columns.shape[1]):
        own = columns[:, n]
        size = float(np.linalg.norm(own))
        rest = own - basis @ (basis.T @ own)
        rest = rest - basis @ (basis.T @ rest)  # twice is enough: Giraud, Langou, Rozloznik (2005)
        if size <= 1e-9 * largest:
            confounded.append(Confounded(names[n], ()))
            continue
        if np.linalg.norm(rest) <= APART * size:
            alike = np.linalg.lstsq(columns[:, kept], own, rcond=None)[0]
            left[n] = np.asarray(alike, float)
            sizes = np.abs(alike) * np.linalg.norm(columns[:, kept], axis=0) / size
            order = np.argsort(-sizes, kind="stable")
            pairs = tuple((names[kept[k]], float(alike[k])) for k in order.tolist() if sizes[k] > NAMED)
            confounded.append(Confounded(names[n], pairs))
            continue
        basis = np.concatenate([basis, (rest / np.linalg.norm(rest))[:, None]], axis=1)
        kept.append(n)
    out = []
    for place, n in enumerate(kept):
        stands = {n: 1.0}
        stands.update({other: float(alike[place]) for other, alike in left.items() if place < len(alike)})
        out.append((n, stands))
    return out, tuple(confounded)
