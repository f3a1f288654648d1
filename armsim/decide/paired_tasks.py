"""Two evaluations of the same tasks, held against each other unit by unit."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from armsim.engine.executors import in_order
from armsim.engine.paired import MOST_UNITS, Difference, difference, half_width, influence, pulls, share_difference
from armsim.engine.run import Progress, Sampled
from armsim.engine.work import CHUNK, Job, once_more
from armsim.model.places import Places
from armsim.results import TaskResult
from armsim.spreads import Array

P95 = 0.95


@dataclass(frozen=True, eq=False)
class Evaluated:
    """One task of one design, evaluated.

    Parameters
    ----------
    task : TaskResult
    sampled : Sampled
        Of the whole run.
    places : Places
    number : int
        Of the task.
    """

    task: TaskResult
    sampled: Sampled
    places: Places
    number: int

    @property
    def job(self) -> Job:
        """Of the run."""
        return self.sampled.job

    def pulls(self, pose: int) -> Array:
        """Influence of the first units on the 95 % quantile at a pose, shape (units,). [m]"""
        known = min(self.job.plan.units, MOST_UNITS)
        own = pulls(self.job, self.number, self.places, pose // CHUNK * CHUNK, known, P95)
        return np.asarray(own[pose % CHUNK])


def at_worst_pose(one: Evaluated, other: Evaluated) -> Difference:
    """Other less one: the 95 % quantile, each at its own worst pose. [m]"""
    p95s = [side.task.column("error.p95") for side in (one, other)]
    worst = [int(np.argmax(column)) for column in p95s]
    changed = other.pulls(worst[1]) - one.pulls(worst[0])
    return difference(float(p95s[1].max() - p95s[0].max()), changed, one.job.plan.units)


def repeatability(one: Evaluated, other: Evaluated) -> Difference | None:
    """Other less one: RP of 95 % of units, each at its own worst pose; None from a single visit. [m]"""
    if one.job.plan.visits < 2:
        return None
    both, own = [], []
    for side in (one, other):
        rp = side.task.column("repeatability.p95")
        both.append(float(rp.max()))
        figures = once_more(side.job, side.number, int(np.argmax(rp)), side.places)[1]
        own.append(influence(figures[None], P95))
    return difference(both[1] - both[0], own[1] - own[0], one.job.plan.units)


def passing(one: Evaluated, other: Evaluated) -> Difference | None:
    """Other less one: the yield; None without a requirement."""
    if one.job.requirement is None:
        return None
    return share_difference(*(side.sampled.tasks[side.number].passing for side in (one, other)))


def half_widths(one: Evaluated, other: Evaluated, workers: int, progress: Progress, what: str) -> Array:
    """Half of the 95 % interval of the difference of the 95 % quantile at every pose, shape (poses,). [m]"""
    units = one.job.plan.units
    known = min(units, MOST_UNITS)
    poses = len(one.places)

    def both(chunk: int) -> Array:
        own = [pulls(side.job, side.number, side.places, chunk, known, P95) for side in (one, other)]
        return np.array([half_width(row, units) for row in own[1] - own[0]])

    out = np.empty(poses)
    chunks = range(0, poses, CHUNK)
    with ThreadPoolExecutor(workers) as pool:
        for chunk, values in zip(chunks, in_order(pool, workers, both, chunks), strict=True):
            out[chunk : chunk + CHUNK] = values
            progress(what, min(chunk + CHUNK, poses), poses)
    return out
