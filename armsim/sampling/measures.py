"""Measures of ISO 9283 over several poses, for every unit.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from armsim.arrays import Array
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations, ToolConstraint
from armsim.results import Measure
from armsim.sampling import statistics as stats
from armsim.sampling.chunk import RunSpec
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling.random_draws import UNIT_BLOCK

REST_SPEED_SHARE = 1e-9
"""Share of the fastest joint's speed below which a joint counts as at rest."""
SINGULAR = 1e-6
"""Share of the largest singular value below which the others count as zero."""
APPROACH_TOLERANCE = 1e-6
"""Relative deviation of an approach from its line, or rotation per reach, that is tolerated."""


def measure(name: str, what: str, clause: str, poses: str, values: Array, half_width: float = 0.0) -> Measure:
    """Quantiles of a figure over the units; ``half_width`` as in `unit_quantiles`.

    Parameters
    ----------
    name : str
        Symbol, such as AD.
    what : str
        Meaning.
    clause : str
        Clause of ISO 9283:1998.
    poses : str
        Names of the poses.
    values : (units,) [m]
    half_width : float
        Half-width of the integration error, as in `unit_quantiles`. [m]

    Returns
    -------
    Measure
    """
    p50, p95 = stats.unit_quantiles(np.abs(values), (0.5, 0.95), half_width)
    return Measure(name, what, clause, poses, p50.value, p95.value, p50.interval, p95.interval)


def distance_measures(spec: RunSpec, configurations: Configurations, pair: tuple[int, int]) -> tuple[Array, Array]:
    """AD and RD of every unit between two poses, at rest, in the limit of infinitely many visits.

        AD = mean attained distance - commanded distance,  RD = 3 standard deviations of the attained distance

    The mean distance is the distance of the barycentres plus a second-order term from the scatter across their line.
    The standard deviation is that of the scatter along the line, from the columns of the Jacobian, which the errors of
    the unit rotate.

    Parameters
    ----------
    spec : RunSpec
    configurations : Configurations
        Joint positions of all poses of the task.
    pair : (first, second)
        Numbers of the poses.

    Returns
    -------
    accuracy, repeatability : (units,) [m]

    References
    ----------
    .. [1] ISO 9283:1998 7.3.
    """
    evaluated = spec.machine.at(configurations.joints[list(pair)])
    sampler = MachineAtPoses.prepare(evaluated, spec.plan)
    nominal = evaluated.postures.tool[:, :3, 3]
    nominal_vector = nominal[1] - nominal[0]
    commanded = float(np.linalg.norm(nominal_vector))
    accuracy, repeatability = np.empty(spec.plan.units), np.empty(spec.plan.units)
    for units, coefficients in spec.unit_blocks(_units_per_block(spec)):
        count = units.stop - units.start
        a, b = (sampler.barycentres(n, coefficients, count) for n in (0, 1))
        line = b - a + nominal_vector[:, None]
        length = np.linalg.norm(line, axis=0)
        along = np.divide(line, length, out=np.zeros_like(line), where=length > 0)
        gains_of_both = np.concatenate([sampler.visit_gains(n, coefficients, count) for n in (0, 1)], axis=2)
        variance = np.sum(np.einsum("juk,ju->uk", gains_of_both, along) ** 2, axis=1)
        variance_across = np.sum(gains_of_both**2, axis=(0, 2)) - variance
        across_term = np.divide(variance_across, 2.0 * length, out=np.zeros(count), where=length > 0)
        accuracy[units] = length + across_term - commanded
        repeatability[units] = 3.0 * np.sqrt(variance)
    return accuracy, repeatability


def direction_variation(
    spec: RunSpec, configurations: Configurations, pose_numbers: Sequence[int], constraints: Sequence[ToolConstraint]
) -> Array:
    """vAP of every unit at some poses: largest distance between barycentres approached along x, y and z.

    The last direction of motion of each joint follows, through the Jacobian, from the line along which the tool
    approaches with the orientation that the task requires. It decides the sign of lost motion and hysteresis.

    Parameters
    ----------
    spec : RunSpec
    configurations : Configurations
        Joint positions of all poses of the task.
    pose_numbers : sequence of int
        Numbers of the poses in the task.
    constraints : sequence of str
        Orientation that the task requires at each of them.

    Returns
    -------
    (poses, units) [m]

    References
    ----------
    .. [1] ISO 9283:1998 7.2.3: three perpendicular directions.
    """
    samplers = []
    for number, orientation in zip(pose_numbers, constraints, strict=True):
        joints = configurations.joints[number : number + 1]
        for direction in np.eye(3):
            motion = approach_motion(spec.machine.arm, joints, direction, orientation)
            directions = np.where(np.abs(motion) > REST_SPEED_SHARE * np.abs(motion).max(), np.sign(motion), 0.0)
            samplers.append(
                MachineAtPoses.prepare(
                    spec.machine.evaluate(Configurations(joints, directions=directions[None])), spec.plan
                )
            )
    out = np.empty((len(pose_numbers), spec.plan.units))
    for units, coefficients in spec.unit_blocks(_units_per_block(spec), in_motion=True):
        count = units.stop - units.start
        for pose in range(len(pose_numbers)):
            centres = [sampler.barycentres(0, coefficients, count) for sampler in samplers[3 * pose : 3 * pose + 3]]
            distances = [np.linalg.norm(a - b, axis=0) for a, b in combinations(centres, 2)]
            out[pose, units] = np.max(distances, axis=0)
    return out


def approach_motion(arm: Arm, joints: Array, direction: Array, constraint: ToolConstraint) -> Array:
    """Joint motion per unit of path with which the tool approaches a pose along a line.

    The tool keeps its orientation, or with ``direction`` that of its z axis, by the least motion. If the arm cannot
    (fewer joints, a singular posture) or need not (``free``) do so, it is the least motion that leads along the line.

    Parameters
    ----------
    arm : Arm
    joints : (1, joints)
    direction : (3,)
        Unit vector.
    constraint : str

    Returns
    -------
    (joints,)
    """
    postures = arm.postures(joints)
    column, rotation_axes = postures.column[0].T, np.where(postures.rotary[:, None], postures.direction[0], 0.0).T
    if constraint != "free":
        if constraint == "direction":
            z = postures.tool[0, :3, 2]
            rotation_axes = rotation_axes - np.outer(z, z @ rotation_axes)  # the tool may rotate about its z axis
        size = arm.reach or 1.0
        constrained_columns = np.concatenate([column, size * rotation_axes])
        twist = np.concatenate([direction, np.zeros(3)])
        motion = np.linalg.pinv(constrained_columns, rcond=SINGULAR) @ twist
        if np.linalg.norm(constrained_columns @ motion - twist) < APPROACH_TOLERANCE:
            return np.asarray(motion)
    return np.asarray(np.linalg.pinv(column, rcond=SINGULAR) @ direction)


def _units_per_block(spec: RunSpec) -> int:
    """Units evaluated together: 64 MB for thirty coefficients of visit life."""
    return min(8 * UNIT_BLOCK, -(-spec.plan.units // UNIT_BLOCK) * UNIT_BLOCK)
