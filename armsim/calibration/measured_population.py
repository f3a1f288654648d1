"""The population of a scenario, measured the way an arm was, arm by arm with its visits."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine
from armsim.sampling.monte_carlo import Sampler
from armsim.sampling.plan import draw_units
from armsim.sampling.statistics import pose_repeatability
from armsim.sampling_plan import SamplingPlan

VISIT_TASK = 0x7E57
"""Keys the random numbers of simulated measurements, apart from those of a study."""


def measured_units(
    machine: Machine, joints: Array, visits: Sequence[int], instrument: float | Array, units: int, seed: int
) -> Iterator[Array]:
    """Visits of built units at every pose, through exact kinematics, as an instrument reads them.

    ``instrument``: standard deviation along every axis, or of shape (M, 3) pose by pose along x, y, z. [m]

    Yields
    ------
    (units, visits, 3) [m]
        Pose by pose: attained less commanded position.
    """
    evaluated = machine.evaluated(Configurations(joints))
    sampler = Sampler.prepare(evaluated, SamplingPlan(units, 2, seed))
    coefficients = draw_units(machine.terms, SamplingPlan(units, 2, seed))
    rng = np.random.default_rng(np.random.SeedSequence([seed, VISIT_TASK]))
    spread = np.broadcast_to(np.asarray(instrument, dtype=float), (len(visits), 3))
    for pose, count in enumerate(visits):
        displacements, _ = sampler.follow(pose, pose, VISIT_TASK, coefficients, 0, units, count)
        read = np.transpose(displacements, (2, 1, 0))
        yield read + spread[pose] * rng.standard_normal(read.shape) if np.any(spread) else read


@dataclass(frozen=True, eq=False)
class Simulated:
    """Arms of the population measured the same way: mean displacement at P poses, AP and RP.

    Parameters
    ----------
    means : (units, 3 P) [m]
    accuracy, repeatability : (P, units) [m]
    """

    means: Array
    accuracy: Array
    repeatability: Array

    @staticmethod
    def of(visits: Iterable[Array], projection: Array | None = None) -> Simulated:
        """From visits of shape (units, visits, 3), pose by pose.

        ``projection``, shape (3 P, 3 P): what is left of displacements once frame and target are fitted.
        """
        means, repeatability = [], []
        for readings in visits:
            means.append(readings.mean(axis=1))
            once = readings.shape[1] == 1  # which tells no scatter
            across = np.transpose(readings, (2, 1, 0))
            repeatability.append(np.zeros(len(readings)) if once else pose_repeatability(across))
        displacements = np.concatenate(means, axis=1)
        if projection is not None:
            displacements = displacements @ projection.T
        accuracy = np.linalg.norm(displacements.reshape(len(displacements), -1, 3), axis=2).T
        return Simulated(displacements, accuracy, np.array(repeatability))
