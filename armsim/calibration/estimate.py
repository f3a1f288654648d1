"""Estimate of the parameters from mean displacements at measured poses, its uncertainty, and confounded parameters.

    y = m(q, phi) + errors that are not identified + scatter of visits and instrument

About the nominal arm, with J the derivative of m, C the covariance of visits and instrument and (with the population as
prior) of the errors that are not identified, P the prior covariance of the parameters:

    phi = mu + H (y - E y),   H = R (R^T J^T C^-1 J R + I)^-1 R^T J^T C^-1,   P = R R^T

Without the population as prior, I is omitted, R is diagonal, mu = 0, and C is that of visits and instrument alone.

References
----------
.. [1] Mooring, Roth, Driels, Fundamentals of Manipulator Calibration (1991), ch. 5: identification.
.. [2] Tarantola, Inverse Problem Theory (2005), 3.2: least squares with a prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from armsim.arrays import Array
from armsim.calibration.identifiable import PARAMETER_SCALES, controller_numbers
from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.population_at_poses import PopulationAtPoses
from armsim.model.correction import Parameter

MIN_UNEXPLAINED_SHARE = 3e-3
"""Smallest share of a column of the Jacobian that the other columns do not explain, for its parameter to be separately
identifiable. Common practice (a condition number of a few hundred), no source."""
MIN_NAMED_SHARE = 0.05
"""Smallest amount of another parameter, in standard units, for which it is named among those confounded."""


@dataclass(frozen=True)
class Confounded:
    """Parameter confounded with others at these poses.

    ``combination``: names of the others, and the amount of each that has the same effect as one unit of it; empty if
    the readings hold no information on it.
    """

    name: str
    combination: tuple[tuple[str, float], ...]


@dataclass(frozen=True, eq=False)
class Estimate:
    """Linear estimate of the identifiable parameters from readings at M poses.

    Parameters
    ----------
    parameters : tuple of Parameter
        K parameters that are estimated.
    confounded : tuple of Confounded
        Parameters that are not estimated.
    linear : LinearPopulation
        The population at the poses.
    distinct : (3 M, L) [m]
        Separately identifiable columns of the Jacobian, each per typical size of its parameter.
    jacobian : (3 M, K) [m per unit of the parameter]
    whitening : (3 M, 3 M) [m^-1]
        Inverse of the lower Cholesky factor of C, which whitens displacements.
    parameter_root : (K, coordinates)
        R: the parameters are mu + R z; with the population as prior, z has unit covariance.
    uses_prior : bool
        Whether the stated population serves as prior.
    mean : (K,)
        mu.
    unidentified_mean : (3 M,) [m]
        Mean displacement by the errors that are not identified.
    gain : (K, 3 M)
        H.
    parameter_sensitivity : (K, coefficients)
        True values of the parameters per unit of every error coefficient, including the effect of parameters that are
        confounded with them.
    scale : (K,)
        Typical sizes of the parameters.
    noise : (3 M, 3 M) [m^2]
        Covariance of visits and instrument.
    """

    parameters: tuple[Parameter, ...]
    confounded: tuple[Confounded, ...]
    linear: LinearPopulation
    distinct: Array
    jacobian: Array
    whitening: Array
    parameter_root: Array
    uses_prior: bool
    mean: Array
    unidentified_mean: Array
    gain: Array
    parameter_sensitivity: Array
    scale: Array
    noise: Array

    @property
    def covariance(self) -> Array:
        """Covariance of the error of the estimate over population, visits and instrument, shape (K, K)."""
        leak = self.gain @ self.linear.gain - self.parameter_sensitivity
        return np.asarray(leak @ self.linear.prior_covariance @ leak.T + self.gain @ self.noise @ self.gain.T)

    @property
    def measurement_covariance(self) -> Array:
        """Part of the covariance that is due to visits and instrument, shape (K, K)."""
        return np.asarray(self.gain @ self.noise @ self.gain.T)

    @property
    def intercept(self) -> Array:
        """Estimate for zero displacements, shape (K,): the estimate is this intercept + H y."""
        return np.asarray(self.mean - self.gain @ (self.jacobian @ self.mean + self.unidentified_mean))

    @property
    def spread(self) -> Array:
        """Standard deviation of every parameter in the population, shape (K,)."""
        return standard_deviations(self.parameter_sensitivity, self.linear.prior_covariance)

    @cached_property
    def controller_numbers(self) -> list[int]:
        """Indices of the parameters that the controller uses."""
        return controller_numbers(self.parameters)

    @property
    def corrected(self) -> tuple[Parameter, ...]:
        """Parameters that the controller uses."""
        return tuple(self.parameters[n] for n in self.controller_numbers)

    def observability(self, poses: int) -> tuple[float, float, float, float]:
        """Indices O1 to O4 of the Jacobian, with lengths in mm and angles in mrad.

            O1 = (s1 ... sL)^(1/L) / sqrt(m),   O2 = sL / s1,   O3 = sL,   O4 = sL^2 / s1

        References
        ----------
        .. [1] Borm, Menq, Int. J. Robotics Research 10 (1991) 51: O1.
        .. [2] Driels, Pathre, J. Robotic Systems 7 (1990) 505: O2.
        .. [3] Nahvi, Hollerbach, Hayward, ICRA (1994): O3; Nahvi, Hollerbach, ICRA (1996): O4.
        .. [4] Sun, Hollerbach, ICRA (2008): all of them compared.
        """
        values = np.asarray(np.linalg.svd(self.distinct / PARAMETER_SCALES["length"], compute_uv=False), float)
        return observability_indices(values, poses)


def standard_deviations(parameter_sensitivity: Array, prior_covariance: Array) -> Array:
    """Standard deviations of parameters that are linear in random coefficients.

    Parameters
    ----------
    parameter_sensitivity : (K, coefficients)
        Effect of every coefficient on every parameter.
    prior_covariance : (coefficients, coefficients)
        Covariance of the coefficients.

    Returns
    -------
    (K,)
        In the units of the parameters.
    """
    return np.asarray(
        np.sqrt(
            np.maximum(np.einsum("kc,cd,kd->k", parameter_sensitivity, prior_covariance, parameter_sensitivity), 0.0)
        )
    )


def observability_indices(values: Array, poses: int) -> tuple[float, float, float, float]:
    """Observability indices O1 to O4, as in `Estimate.observability`.

    Parameters
    ----------
    values : (L,)
        Singular values of the scaled Jacobian, the largest first.
    poses : int
        Number of measured poses.

    Returns
    -------
    tuple of four float
        All zero where a singular value is zero.
    """
    largest, least = float(values[0]), float(values[-1])
    if least <= 0.0:
        return 0.0, 0.0, 0.0, 0.0
    product = float(np.exp(np.mean(np.log(values))))
    return product / poses**0.5, least / largest, least, least**2 / largest


def estimate_of(population: PopulationAtPoses, use_prior: bool) -> Estimate:
    """Linear estimate of the parameters from readings at measured poses.

    Parameters
    ----------
    population : PopulationAtPoses
    use_prior : bool
        Whether the stated population serves as prior of the parameters.

    Returns
    -------
    Estimate
    """
    linear, full_jacobian, parameters = population.linear, population.jacobian, population.parameters
    scale, parameter_sensitivity = population.scale, population.parameter_sensitivity
    noise = linear.noise(population.visits, population.covariance_roots)
    whitening = np.linalg.inv(np.linalg.cholesky(noise))
    independent, confounded = separable_columns(
        whitening @ full_jacobian * scale, [parameter.name for parameter in parameters]
    )
    identifiable = [n for n, _ in independent]
    reduction = np.zeros((len(independent), len(parameters)))
    for row, (number, stands_for) in enumerate(independent):
        for n, times in stands_for.items():
            reduction[row, n] = times * scale[number] / scale[n]
    # parameters without spread in the population are exact under the prior, which distinguishes the rest
    numbers = (
        np.flatnonzero(standard_deviations(parameter_sensitivity, linear.prior_covariance) > 0.0).tolist()
        if use_prior
        else identifiable
    )
    jacobian, estimated_sensitivity = full_jacobian[:, numbers], reduction @ parameter_sensitivity
    mean, unidentified_mean, covariance = np.zeros(len(numbers)), np.zeros(len(noise)), noise
    root = np.diag(scale[numbers])
    if use_prior:
        estimated_sensitivity = parameter_sensitivity[numbers]
        leak = linear.gain - jacobian @ estimated_sensitivity
        covariance = noise + leak @ linear.prior_covariance @ leak.T
        root = covariance_root(estimated_sensitivity @ linear.prior_covariance @ estimated_sensitivity.T)
        mean = estimated_sensitivity @ linear.prior_mean
        unidentified_mean = leak @ linear.prior_mean + linear.visit_mean
    displacement_whitening = np.linalg.inv(np.linalg.cholesky(covariance))
    rooted = displacement_whitening @ jacobian @ root
    information = rooted.T @ rooted + (np.eye(root.shape[1]) if use_prior else 0.0)
    distinct = full_jacobian[:, identifiable] * scale[identifiable]
    gain = np.asarray(root @ np.linalg.solve(information, rooted.T @ displacement_whitening), float)
    sizes = scale[numbers]
    return Estimate(
        tuple(parameters[n] for n in numbers), confounded, linear, distinct,
        jacobian, displacement_whitening, root, use_prior, mean, unidentified_mean, gain, estimated_sensitivity, sizes,
        noise,
    )  # fmt: skip


def covariance_root(covariance: Array) -> Array:
    """R with R R^T equal to a covariance, shape (K, rank); directions without variance are left out."""
    sizes = np.sqrt(np.diag(covariance))
    values, vectors = np.linalg.eigh(covariance / np.outer(sizes, sizes))
    positive = values > 1e-10 * values[-1]
    return np.asarray(sizes[:, None] * vectors[:, positive] * np.sqrt(values[positive]), float)


def separable_columns(
    columns: Array, names: Sequence[str]
) -> tuple[list[tuple[int, dict[int, float]]], tuple[Confounded, ...]]:
    """Columns that are separately identifiable from those before them.

    Parameters
    ----------
    columns : (rows, Q)
        Whitened Jacobian with respect to the parameters, in the order of preference.
    names : sequence of str
        Names of the parameters.

    Returns
    -------
    independent : list of (index, mapping)
        Index of every identifiable column. The mapping gives, per column, how much its parameter absorbs: 1 of its own,
        and the share of every confounded one that it takes up.
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
        if np.linalg.norm(remainder) <= MIN_UNEXPLAINED_SHARE * size:
            combination = np.linalg.lstsq(columns[:, independent], column, rcond=None)[0]
            dependent[n] = np.asarray(combination, float)
            sizes = np.abs(combination) * np.linalg.norm(columns[:, independent], axis=0) / size
            order = np.argsort(-sizes, kind="stable")
            pairs = tuple(
                (names[independent[k]], float(combination[k])) for k in order.tolist() if sizes[k] > MIN_NAMED_SHARE
            )
            confounded.append(Confounded(names[n], pairs))
            continue
        basis = np.concatenate([basis, (remainder / np.linalg.norm(remainder))[:, None]], axis=1)
        independent.append(n)
    out = []
    for row, n in enumerate(independent):
        parts = {n: 1.0}
        parts.update(
            {other: float(combination[row]) for other, combination in dependent.items() if row < len(combination)}
        )
        out.append((n, parts))
    return out, tuple(confounded)
