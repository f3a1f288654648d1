"""Survey of the yield without sampled visits: worst pose of every unit, and first-order error.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.model.configurations import Configurations
from armsim.run_options import RunOptions
from armsim.sampling.chunk import CHUNK, EvaluatedChunk, Extremes, RunSpec
from armsim.sampling.executors import map_in_threads
from armsim.sampling.first_order import rotation_mean_square
from armsim.sampling.operation_limits import units_within_limits


@dataclass(frozen=True, eq=False)
class SurveyedTask:
    """Survey of a task without sampled visits: first-order error, extremes of every unit, operating limits.

    Parameters
    ----------
    mean_squares : mapping of ``error`` and ``orientation_error`` to (poses,) [m^2 or rad^2]
        Mean squares of the first-order model.
    extremes : Extremes
        Largest figures of every unit over the poses, in the limit of infinitely many visits, as in a run.
    within_operation : (units,) bool
        Units that keep to the limits of operation of their sensors.
    nets : (nets,) [m]
        RP by every net of the integration, at the pose where it is largest for an arm without errors of its own.
    """

    mean_squares: dict[str, Array]
    extremes: Extremes
    within_operation: NDArray[np.bool_]
    nets: Array


def survey(spec: RunSpec, configurations: Configurations, run_options: RunOptions = RunOptions()) -> SurveyedTask:
    """Evaluate all poses of a task.

    Parameters
    ----------
    spec : RunSpec
    configurations : Configurations
    run_options : RunOptions

    Returns
    -------
    SurveyedTask

    Raises
    ------
    Interrupted
        A stop is requested, which is asked before every few poses and every block of units.
    """

    def chunk_at(first: int) -> tuple[tuple[Array, Array], Extremes, Array]:
        run_options.check_stop()
        chunk, extremes = (
            EvaluatedChunk.evaluate(spec, configurations[first : first + CHUNK]),
            Extremes.without_poses(spec.plan.units),
        )
        distribution, poses = chunk.machine_at_poses.visit_distribution(chunk.tangents), range(len(chunk.tangents))
        run_options.check_stop()
        for units, pose, unit_statistics in chunk.unit_statistics(spec, distribution, poses):
            run_options.check_stop()
            extremes.select_units(units).add(unit_statistics[None], distribution.half_width[pose : pose + 1])
        squares = chunk.first_order.mean_square, rotation_mean_square(chunk.evaluated)
        return squares, extremes, distribution.nets[int(np.argmax(distribution.nets.mean(axis=1)))]

    squares, parts, nets = zip(
        *map_in_threads(run_options.threads, chunk_at, range(0, len(configurations), CHUNK)), strict=True
    )
    extremes = Extremes.without_poses(spec.plan.units)
    for part in parts:
        extremes.include(part)
    position_squares, orientation_squares = (np.concatenate(column) for column in zip(*squares, strict=True))
    return SurveyedTask(
        {"error": position_squares, "orientation_error": orientation_squares},
        extremes,
        units_within_limits(spec.machine, spec.plan),
        max(nets, key=lambda row: float(row.mean())),
    )
