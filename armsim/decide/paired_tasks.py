"""Two evaluations of the same tasks, held against each other unit by unit."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.engine.executors import in_order
from armsim.engine.paired import (
    UNITS_COMPARED,
    Difference,
    difference,
    half_width,
    influence,
    quantile_influence,
    share_difference,
)
from armsim.engine.run import Progress, Samples
from armsim.engine.statistics import quantile
from armsim.engine.visitlaw import half_width_of_nets
from armsim.engine.work import CHUNK, Job, attained_at
from armsim.model.configurations import Configurations
from armsim.results import TaskResult
from armsim.tasks.base import name_key

P95 = 0.95


@dataclass(frozen=True, eq=False)
class Evaluated:
    """One task of one design, evaluated.

    Parameters
    ----------
    task : TaskResult
    sampled : Samples
        Of the whole run.
    configurations : Configurations
    number : int
        Of the task.
    """

    task: TaskResult
    sampled: Samples
    configurations: Configurations
    number: int

    @property
    def key(self) -> int:
        """Of the task, in the random numbers."""
        return name_key(self.task.name)

    @property
    def job(self) -> Job:
        """Of the run."""
        return self.sampled.job

    def quantile_influence(self, pose: int) -> Array:
        """Influence of the first units on the 95 % quantile at a pose, shape (units,). [m]"""
        known = min(self.job.plan.units, UNITS_COMPARED)
        own = quantile_influence(self.job, self.key, self.configurations, pose // CHUNK * CHUNK, known, P95)
        return np.asarray(own[pose % CHUNK])


def at_worst_pose(one: Evaluated, other: Evaluated) -> Difference:
    """Other less one: the 95 % quantile, each at its own worst pose. [m]"""
    p95s = [side.task.column("error.p95") for side in (one, other)]
    worst = [int(np.argmax(column)) for column in p95s]
    changed = other.quantile_influence(worst[1]) - one.quantile_influence(worst[0])
    return difference(float(p95s[1].max() - p95s[0].max()), changed, one.job.plan.units)


def repeatability(one: Evaluated, other: Evaluated) -> Difference:
    """Other less one: the RP that 95 % of units keep to at all poses. [m]

    The integration is uncertain too: both designs are integrated over the same nets, whose differences tell how much.
    """
    rps = [side.sampled.tasks[side.number].worst[1] for side in (one, other)]
    values = [quantile(np.sort(rp), P95) for rp in rps]
    quantile_influence = [influence(rp[None], P95) for rp in rps]
    nets = [
        attained_at(side.job, int(np.argmax(side.task.column("repeatability.p95"))), side.configurations)[1]
        for side in (one, other)
    ]
    shared = float(half_width_of_nets(nets[1] - nets[0]))
    return difference(values[1] - values[0], quantile_influence[1] - quantile_influence[0], one.job.plan.units, shared)


def passing(one: Evaluated, other: Evaluated) -> Difference | None:
    """Other less one: the yield; None without a requirement."""
    if one.job.requirement is None:
        return None
    return share_difference(*(side.sampled.tasks[side.number].passing for side in (one, other)))


def half_widths(one: Evaluated, other: Evaluated, workers: int, progress: Progress, what: str) -> Array:
    """Half of the 95 % interval of the difference of the 95 % quantile at every pose, shape (poses,). [m]"""
    units = one.job.plan.units
    known = min(units, UNITS_COMPARED)
    poses = len(one.configurations)

    def both(chunk: int) -> Array:
        own = [quantile_influence(side.job, side.key, side.configurations, chunk, known, P95) for side in (one, other)]
        return np.array([half_width(row, units) for row in own[1] - own[0]])

    out = np.empty(poses)
    chunks = range(0, poses, CHUNK)
    with ThreadPoolExecutor(workers) as pool:
        for chunk, values in zip(chunks, in_order(pool, workers, both, chunks), strict=True):
            out[chunk : chunk + CHUNK] = values
            progress(what, min(chunk + CHUNK, poses), poses)
    return out
