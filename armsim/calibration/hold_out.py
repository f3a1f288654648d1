"""Error of an identified arm at poses that were not measured: cross-validation by leaving out blocks of poses.

Let D_b be the squared distances of the measured points of block b from the arm that the other blocks identify, R those
of all points from the arm that all poses identify, and R_b those of all points from the arm that all blocks but b
identify. The mean square at poses that were not measured is estimated as

    mean D_b  +  mean R  -  mean over b of mean R_b

where the last two terms correct for the smaller number of poses without a block. The interval is computed for the
logarithm, with Student's t and one degree of freedom less than there are blocks. The relative variance v of independent
blocks is too small, since all blocks are compared with arms identified from nearly the same readings. With K effective
parameters and n readings of a coordinate it is

    v (n / (n - K))^2  +  2 K / n^2 / (1 + K / n)^2

The first factor is a bound, checked in `tests/calibration/test_hold_out.py` and by simulations of 30 to 80 poses: 93 to
97 % of the 95 % intervals hold the error at fresh poses, against 82 to 92 % with v alone.

References
----------
.. [1] Burman, Biometrika 76 (1989) 503: cross-validation by blocks, corrected for their size.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.calibration.calibration_records import HoldOutRecord
from armsim.calibration.estimate import Estimate, estimate_of
from armsim.calibration.gauss_newton import KinematicModel, identify
from armsim.calibration.population_at_poses import PopulationAtPoses
from armsim.model.machine import Machine

BLOCKS = 10
"""Largest number of blocks of poses, each of which is left out once."""
MIN_BLOCKS = 5
"""Smallest number of blocks for an estimate of the scatter between them."""
CONFIDENCE = 0.95


def hold_out(
    machine: Machine, population: PopulationAtPoses, joints: Array, measured: Array, use_prior: bool
) -> HoldOutRecord | None:
    """Cross-validation over blocks of poses that were measured one after the other.

    Parameters
    ----------
    machine : Machine
        Machine as the instrument sees it, from `measured_machine.as_measured`.
    population : PopulationAtPoses
        Parameters of the arm at the measured poses.
    joints : (M, joints) [rad or m]
    measured : (3 M,) [m]
        Mean displacements.
    use_prior : bool
        Whether the stated population serves as prior of the parameters.

    Returns
    -------
    HoldOutRecord or None
        None if there are too few poses, or too few remain to identify the arm.
    """
    groups = np.arange(len(joints))
    partners = groups if population.conditions is None else population.conditions.partners
    poses = np.flatnonzero(partners == groups)
    number = len(poses)
    blocks = min(BLOCKS, number // 2)
    if blocks < MIN_BLOCKS:
        return None
    sums_of_block, sizes, mean_without_block = np.empty(blocks), np.empty(blocks), np.empty(blocks)
    try:
        mean_of_all = _squared_distances(machine, population, joints, measured, groups, use_prior)[poses].mean()
        for n, block in enumerate(np.array_split(poses, blocks)):
            squares = _squared_distances(
                machine, population, joints, measured, groups[~np.isin(partners, block)], use_prior
            )
            sums_of_block[n], sizes[n], mean_without_block[n] = squares[block].sum(), len(block), squares[poses].mean()
    except ArithmeticError:
        return None
    readings = len(measured)
    estimate = estimate_of(population, use_prior)
    effective = float(np.sum(estimate.jacobian * estimate.gain.T))
    if readings - effective < 1.0:
        return None
    raw = sums_of_block.sum() / number
    square = max(raw + mean_of_all - float(mean_without_block.mean()), mean_of_all)
    from scipy.stats import t

    variance = blocks / (blocks - 1) * np.sum((sums_of_block - raw * sizes) ** 2) / (number * raw) ** 2
    variance *= (readings / (readings - effective)) ** 2
    variance += 2.0 * effective / (readings + effective) ** 2
    reach = np.exp(0.5 * float(t.ppf(0.5 + 0.5 * CONFIDENCE, blocks - 1)) * np.sqrt(variance))
    residual = float(np.sqrt(square))
    return HoldOutRecord(residual, (residual / float(reach), residual * float(reach)), blocks)


def _squared_distances(
    machine: Machine,
    population: PopulationAtPoses,
    joints: Array,
    measured: Array,
    chosen: NDArray[np.intp],
    use_prior: bool,
) -> Array:
    """Squared distances of the measured points of all poses from the arm that some poses identify, shape (M,). [m^2]"""
    chosen_population = population.only(chosen)
    estimate = estimate_of(chosen_population, use_prior)
    rows = (3 * chosen[:, None] + np.arange(3)).ravel()
    model = KinematicModel.of(machine, estimate, joints[chosen], chosen_population.conditions)
    values = identify(model, estimate, measured[rows][None])[0]
    residual = (
        measured
        - KinematicModel.of(machine, estimate, joints, population.conditions).displacement_and_derivative(values)[0][0]
        - _offset(population, estimate)
    )
    return np.asarray(np.sum(residual.reshape(-1, 3) ** 2, axis=1))


def _offset(population: PopulationAtPoses, estimate: Estimate) -> Array:
    """Mean displacement by errors that are not identified, at all poses, shape (3 M,). [m]"""
    if not estimate.uses_prior:
        return np.zeros(len(population.jacobian))
    numbers = [population.parameters.index(parameter) for parameter in estimate.parameters]
    leak = population.linear.gain - population.jacobian[:, numbers] @ estimate.parameter_sensitivity
    return np.asarray(leak @ population.linear.prior_mean + population.linear.visit_mean)
