"""Which units pass, and the size of the error by first order: what a change does, without a visit sampled."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.model.configurations import Configurations
from armsim.sampling.chunk import CHUNK, Job, Stage, passes
from armsim.sampling.executors import in_order
from armsim.sampling.monte_carlo import blocks
from armsim.sampling.operation_limits import operating


@dataclass(frozen=True, eq=False)
class Surveyed:
    """A task looked at without visits.

    Parameters
    ----------
    mean_square : (poses,) [m^2]
        By first order.
    passing : (units,) bool
        Units whose AP and RP, of visits without number, are within the requirement at every pose: those of a run.
    """

    mean_square: Array
    passing: NDArray[np.bool_]


def survey(job: Job, configurations: Configurations, workers: int) -> Surveyed:
    """Look at all poses of a task; units are not looked at without a requirement."""

    def chunk(first: int) -> tuple[Array, NDArray[np.bool_]]:
        own = configurations[first : first + CHUNK]
        stage = Stage.of(job, own)
        passing = np.ones(job.plan.units, dtype=bool)
        if job.requirement is not None:
            law = stage.sampler.law(stage.tangents)
            for first_unit, units in blocks(job.plan.units, job.layout.unit_block):
                drawn, those = stage.units(job, first_unit, units), slice(first_unit, first_unit + units)
                for pose in range(len(own)):
                    figures = stage.sampler.attain(pose, law, drawn, units, stage.tangents[pose])[0]
                    passing[those] &= passes(figures[None], job.requirement, law.half_width[pose : pose + 1])[0]
        return stage.linear.mean_square, passing

    with ThreadPoolExecutor(workers) as pool:
        found = list(in_order(pool, workers, chunk, range(0, len(configurations), CHUNK)))
    fit = operating(job.machine, job.plan) if job.requirement is not None else np.ones(job.plan.units, dtype=bool)
    passing = np.logical_and.reduce([fit, *(own[1] for own in found)])
    return Surveyed(np.concatenate([own[0] for own in found]), passing)
