"""Measures of ISO 9283 that speak of more than one pose, for every built unit."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from armsim.engine import statistics as stats
from armsim.engine.montecarlo import Sampler, blocks
from armsim.engine.plan import UNIT_BLOCK, draw_units
from armsim.engine.work import Job
from armsim.model.places import Places
from armsim.results import Measure
from armsim.spreads import Array

APART = 1 << 16
"""Added to the number of the task for every direction of approach, so that each has random numbers of its own."""
STILL = 1e-9
"""Share of the fastest joint below which a joint is taken as not moving."""


def measure(name: str, what: str, clause: str, where: str, values: Array) -> Measure:
    """A figure that every unit has, as quantiles over the units."""
    p50, p95 = stats.unit_quantiles(np.abs(values), (0.5, 0.95))
    return Measure(name, what, clause, where, p50.value, p95.value, p50.interval, p95.interval)


def distance(job: Job, task: int, places: Places, pair: tuple[int, int]) -> tuple[Array, Array]:
    """AD and RD of every unit between two poses.

        AD = mean attained distance - commanded distance,  RD = 3 standard deviations of the attained distance

    Parameters
    ----------
    job : Job
    task : int
        Its number.
    places : Places
        Of the task.
    pair : (first, second)
        Numbers of the poses.

    Returns
    -------
    accuracy, repeatability : (units,) [m]
        Repeatability is nan from a single visit.

    References
    ----------
    .. [1] ISO 9283:1998 7.3 (clause number from memory).
    """
    situation = job.machine.at(places.joints[list(pair)], None if places.speeds is None else places.speeds[list(pair)])
    sampler = Sampler.prepare(situation, job.plan)
    nominal = situation.postures.tool[:, :3, 3]
    apart = nominal[1] - nominal[0]
    commanded = float(np.linalg.norm(apart))
    accuracy, repeatability = np.empty(job.plan.units), np.full(job.plan.units, np.nan)
    for first, units in blocks(job.plan.units, _block(job)):
        drawn = draw_units(job.machine.terms, job.plan, first, units)
        a, b = (sampler.follow(n, pair[n], task, drawn, first, units)[0] for n in (0, 1))
        attained = np.linalg.norm(b - a + apart[:, None, None], axis=0)
        accuracy[first : first + units] = attained.mean(axis=0) - commanded
        if job.plan.visits > 1:
            repeatability[first : first + units] = 3.0 * attained.std(axis=0, ddof=1)
    return accuracy, repeatability


def direction_variation(job: Job, task: int, places: Places, number: int) -> Array:
    """vAP of every unit at one pose: largest distance between its barycentres when it comes along x, y and z.

    The way in which each joint moves last follows from the direction in which the tool comes, through the Jacobian; it
    decides the side of lost motion and hysteresis.

    Returns
    -------
    (units,) [m]

    References
    ----------
    .. [1] ISO 9283:1998 7.2.3 (clause number from memory): three perpendicular directions.
    """
    joints = places.joints[number : number + 1]
    jacobian = job.machine.arm.postures(joints).column[0].T
    centres = []
    for turn, direction in enumerate(np.eye(3), start=1):
        motion = np.linalg.pinv(jacobian) @ direction
        ways = np.where(np.abs(motion) > STILL * np.abs(motion).max(), np.sign(motion), 0.0)
        situation = job.machine.there(Places(joints, directions=ways[None]))
        sampler = Sampler.prepare(situation, job.plan)
        centre = np.empty((3, job.plan.units))
        for first, units in blocks(job.plan.units, _block(job)):
            drawn = draw_units(situation.terms, job.plan, first, units)
            moved, _ = sampler.follow(0, number, task + turn * APART, drawn, first, units)
            centre[:, first : first + units] = moved.mean(axis=1)
        centres.append(centre)
    between = [np.linalg.norm(a - b, axis=0) for a, b in combinations(centres, 2)]
    return np.asarray(np.max(between, axis=0))


def _block(job: Job) -> int:
    """Units followed visit by visit at a time: 32 MB up to 1000 visits."""
    most = min((1 << 20) // job.plan.visits, 8 * UNIT_BLOCK)
    return max(UNIT_BLOCK, most // UNIT_BLOCK * UNIT_BLOCK)
