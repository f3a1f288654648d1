"""Share of limit used (load) by sampled designs: figure over limit, per pose."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from scipy.special import ndtri

from armsim.arrays import Array
from armsim.assessment import Judged
from armsim.criteria import CRITERIA, Criterion, limits_of_arms
from armsim.requirement import Quantity
from armsim.requirement.requirement import Requirement
from armsim.results.figure import Figure
from armsim.sampling.population import TaskSample

QUANTITIES: tuple[Quantity, ...] = ("length", "angle")
"""Quantities of errors at a pose: of the tool point, and of its orientation."""


def error_loads(
    requirement: Requirement,
    tasks: Sequence[Judged],
    samples: Sequence[TaskSample],
    paths: Sequence[bool],
    criteria: Sequence[Criterion] = CRITERIA,
    of_arms: bool = True,
) -> list[Array]:
    """Largest share of a limit used by errors per pose, for every task; 1 is on the limit.

    Covers all errors together, and the mean errors of the arms where a share of the arms must keep a limit. The scatter
    of the visits is left out.

    Parameters
    ----------
    requirement : Requirement
    tasks : sequence of Judged
    samples : sequence of TaskSample
    paths : sequence of bool
        Whether each task is a path.
    criteria : sequence of Criterion
        Those that count.
    of_arms : bool
        Whether limits that a share of the arms must keep count.

    Returns
    -------
    list of (poses,)
    """
    out = []
    for task, sample, path in zip(tasks, samples, paths, strict=True):
        limits = requirement.of(task.name)
        load = np.zeros(len(task.table))
        for criterion, limit in limits_of_errors(limits, path, criteria):
            load = np.maximum(load, quantiles(criterion, task) / limit)
        for criterion, figure, limit in limits_of_arms(limits, path) if of_arms else ():
            share = criterion.arms(limits)
            if criterion in criteria and share is not None and not figure.of_visits:
                load = np.maximum(load, _at_all_poses(share, figure, task, sample) / limit)
        out.append(load)
    return out


def limits_of_errors(
    requirement: Requirement, path: bool, criteria: Sequence[Criterion] = CRITERIA
) -> Iterator[tuple[Criterion, float]]:
    """Criteria of all errors together with their limits at a task.

    Parameters
    ----------
    requirement : Requirement
        At the task.
    path : bool
        Whether the task is a path.
    criteria : sequence of Criterion
        Those that count.

    Yields
    ------
    (Criterion, float)
        The criterion and its limit. [m or rad]
    """
    for criterion in criteria:
        limit = criterion.limit_at(requirement, path)
        if criterion.errors and limit is not None:
            yield criterion, limit


def quantiles(criterion: Criterion, task: Judged) -> Array:
    """Quantile at the coverage that a criterion of errors limits, at every pose of a task, shape (poses,). [m or rad]

    Parameters
    ----------
    criterion : Criterion
    task : Judged

    Returns
    -------
    (poses,) [m or rad]
    """
    return task.table.column(f"{criterion.errors}.at_coverage")


def _at_all_poses(share: float, figure: Figure, task: Judged, sample: TaskSample) -> Array:
    """A figure at every pose of the units that must pass, raised so that its largest is that over all poses of a task.

    A unit must hold at all poses at once, so that the quantile over units of its worst pose is what counts.
    """
    p50, p95 = (task.table.column(f"{figure.column}.{p}") for p in ("p50", "p95"))
    # nearly normal between the two quantiles that are known
    values = p50 + float(ndtri(min(max(share, 0.5), 0.999)) / ndtri(0.95)) * (p95 - p50)
    worst = float(np.quantile(sample.worst[figure], share))
    return np.asarray(values * worst / max(float(values.max()), 1e-30))
