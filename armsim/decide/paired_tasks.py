"""Two evaluations of the same tasks, held against each other unit by unit."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from armsim.arrays import Array
from armsim.criteria import passing
from armsim.model.configurations import Configurations
from armsim.requirement.requirement import Requirement
from armsim.results.pose_table import PoseTable
from armsim.sampling.chunk import CHUNK, RunSpec, attained_at
from armsim.sampling.executors import in_threads
from armsim.sampling.paired_difference import (
    UNITS_COMPARED,
    Difference,
    beside,
    difference,
    half_width,
    influence,
    quantile_influence,
    share_difference,
)
from armsim.sampling.run_options import RunOptions
from armsim.sampling.sampler import Samples
from armsim.sampling.statistics import LEVEL, quantile
from armsim.sampling.visit_law import half_width_of_nets
from armsim.tasks.base import name_key


@dataclass(frozen=True, eq=False)
class Evaluated:
    """One task of one design, evaluated.

    Parameters
    ----------
    name : str
        Of the task.
    table : PoseTable
    sampled : Samples
        Of the whole run.
    configurations : Configurations
    number : int
        Of the task.
    """

    name: str
    table: PoseTable
    sampled: Samples
    configurations: Configurations
    number: int

    @property
    def key(self) -> int:
        """Of the task, in the random numbers."""
        return name_key(self.name)

    @property
    def spec(self) -> RunSpec:
        """Of the run."""
        return self.sampled.spec

    @cached_property
    def worst(self) -> int:
        """Pose with the largest quantile at the coverage."""
        return int(np.argmax(self.table.column("error.at_coverage")))

    @cached_property
    def worst_influence(self) -> Array:
        """Influence of the first units on the quantile at the coverage at the worst pose, shape (units,). [m]"""
        count = min(self.spec.plan.units, UNITS_COMPARED)
        pose = self.configurations[self.worst : self.worst + 1]
        return np.asarray(quantile_influence(self.spec, self.key, pose, count, self.spec.coverage)[0])


def at_worst_pose(one: Evaluated, other: Evaluated) -> Difference:
    """Difference of the quantile at the coverage between two designs, each at its worst pose.

    Parameters
    ----------
    one, other : Evaluated

    Returns
    -------
    Difference [m]
    """
    sizes = [float(side.table.column("error.at_coverage")[side.worst]) for side in (one, other)]
    change = difference(sizes[1] - sizes[0], other.worst_influence - one.worst_influence, one.spec.plan.units)
    return beside(change, max(sizes))


def repeatability(one: Evaluated, other: Evaluated) -> Difference:
    """Difference of the RP that 95 % of units stay within at all poses.

    The integration is uncertain too: both designs are integrated over the same nets, whose differences tell how much.

    Parameters
    ----------
    one, other : Evaluated

    Returns
    -------
    Difference [m]
    """
    rps = [side.sampled.tasks[side.number].worst[1] for side in (one, other)]
    values = [quantile(np.sort(rp), LEVEL) for rp in rps]
    pulls = [influence(rp[None], LEVEL) for rp in rps]
    nets = [
        attained_at(side.spec, int(np.argmax(side.table.column("repeatability.p95"))), side.configurations)[1]
        for side in (one, other)
    ]
    shared = float(half_width_of_nets(nets[1] - nets[0]))
    change = difference(values[1] - values[0], pulls[1] - pulls[0], one.spec.plan.units, shared)
    return beside(change, max(values))


def yield_difference(one: Evaluated, other: Evaluated, requirement: Requirement | None) -> Difference | None:
    """Difference of the yield at a task; None without a requirement.

    Parameters
    ----------
    one, other : Evaluated
    requirement : Requirement, optional

    Returns
    -------
    Difference or None
    """
    if requirement is None:
        return None
    limits, path = requirement.of(one.name), one.configurations.is_path
    samples = (side.sampled.tasks[side.number] for side in (one, other))
    return share_difference(*(passing(limits, path, sample.extremes, sample.operating)[0] for sample in samples))


def half_widths(one: Evaluated, other: Evaluated, run_options: RunOptions, what: str) -> Array:
    """Half-width of the 95 % interval of the difference of the quantile at the coverage, at every pose.

    Parameters
    ----------
    one, other : Evaluated
    run_options : RunOptions
    what : str
        Name of the stage for the progress.

    Returns
    -------
    (poses,) [m]
    """
    units = one.spec.plan.units
    count = min(units, UNITS_COMPARED)
    poses = len(one.configurations)

    def both(chunk: int) -> Array:
        part = slice(chunk, chunk + CHUNK)
        influences = [
            quantile_influence(side.spec, side.key, side.configurations[part], count, side.spec.coverage)
            for side in (one, other)
        ]
        return np.array([half_width(row, units) for row in influences[1] - influences[0]])

    out = np.empty(poses)
    chunks = range(0, poses, CHUNK)
    for chunk, values in zip(chunks, in_threads(run_options.threads, both, chunks), strict=True):
        out[chunk : chunk + CHUNK] = values
        run_options.progress(what, min(chunk + CHUNK, poses), poses)
    return out
