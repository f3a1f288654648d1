"""Survey of the yield without sampled visits: worst pose of every unit, and first-order error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.model.configurations import Configurations
from armsim.sampling.chunk import CHUNK, EvaluatedChunk, Extremes, RunSpec
from armsim.sampling.executors import in_threads
from armsim.sampling.operation_limits import operating


@dataclass(frozen=True, eq=False)
class Surveyed:
    """Task evaluated without visits.

    Parameters
    ----------
    mean_square : (poses,) [m^2]
        By first order.
    extremes : Extremes
        The largest of what every unit has over the poses, in the limit of infinitely many visits: those of a run.
    operating : (units,) bool
        Units that keep to the limits of operation of their sensors.
    """

    mean_square: Array
    extremes: Extremes
    operating: NDArray[np.bool_]


def survey(spec: RunSpec, configurations: Configurations, workers: int, with_units: bool) -> Surveyed:
    """Evaluate all poses of a task; without units the extremes are those of no pose.

    Parameters
    ----------
    spec : RunSpec
    configurations : Configurations
    workers : int
    with_units : bool
        Whether to evaluate the figures of units.

    Returns
    -------
    Surveyed
    """

    def chunk_at(first: int) -> tuple[Array, Extremes]:
        chunk, extremes = EvaluatedChunk.of(spec, configurations[first : first + CHUNK]), Extremes.none(spec.plan.units)
        if with_units:
            law, poses = chunk.sampler.law(chunk.tangents), range(len(chunk.tangents))
            for units, pose, figures in chunk.figures(spec, law, poses):
                extremes.of(units).add(figures[None], law.half_width[pose : pose + 1])
        return chunk.linear.mean_square, extremes

    chunks = list(in_threads(workers, chunk_at, range(0, len(configurations), CHUNK)))
    extremes = Extremes.none(spec.plan.units)
    for _, part in chunks:
        extremes.join(part)
    mean_square = np.concatenate([part for part, _ in chunks])
    return Surveyed(mean_square, extremes, operating(spec.machine, spec.plan))
