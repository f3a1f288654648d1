"""What every unit has at its worst pose, and the size of the error by first order, without a visit sampled."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.model.configurations import Configurations
from armsim.sampling.chunk import CHUNK, EvaluatedChunk, Extremes, RunSpec
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
    extremes : Extremes
        The largest of what every unit has over the poses, in the limit of infinitely many visits: those of a run.
    operating : (units,) bool
        Units that keep to the limits of operation of their sensors.
    """

    mean_square: Array
    extremes: Extremes
    operating: NDArray[np.bool_]


def survey(spec: RunSpec, configurations: Configurations, workers: int, with_units: bool) -> Surveyed:
    """Look at all poses of a task; what every unit has stays at nothing where it is not asked for."""

    def chunk(first: int) -> tuple[Array, Extremes]:
        part = configurations[first : first + CHUNK]
        stage = EvaluatedChunk.of(spec, part)
        extremes = Extremes.none(spec.plan.units)
        if with_units:
            law = stage.sampler.law(stage.tangents)
            for first_unit, units in blocks(spec.plan.units, spec.layout.unit_block):
                drawn, block = stage.units(spec, first_unit, units), extremes.of(slice(first_unit, first_unit + units))
                for pose in range(len(part)):
                    figures = stage.sampler.attain(pose, law, drawn, units, stage.tangents[pose])[0]
                    block.add(figures[None], law.half_width[pose : pose + 1])
        return stage.linear.mean_square, extremes

    with ThreadPoolExecutor(workers) as pool:
        parts = list(in_order(pool, workers, chunk, range(0, len(configurations), CHUNK)))
    extremes = Extremes.none(spec.plan.units)
    for _, part in parts:
        extremes.join(part)
    return Surveyed(np.concatenate([squares for squares, _ in parts]), extremes, operating(spec.machine, spec.plan))
