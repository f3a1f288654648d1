"""Utilisation of limits by sampled designs: figure divided by limit, per pose."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from scipy.special import ndtri

from armsim.arrays import Array
from armsim.assessment import AssessedTask
from armsim.criteria import CRITERIA, POSITION_CRITERION, Criterion, limits_of_arms
from armsim.requirement import Quantity
from armsim.requirement.requirement import Requirement
from armsim.results.figure import Figure
from armsim.sampling.population import TaskSample
from armsim.tasks import PoseSet, Task

QUANTITIES: tuple[Quantity, ...] = ("length", "angle")
"""Quantities of errors at a pose: of the tool point, and of its orientation."""


def error_utilisations(
    requirement: Requirement,
    tasks: Sequence[AssessedTask],
    samples: Sequence[TaskSample],
    paths: Sequence[bool],
    criteria: Sequence[Criterion] = CRITERIA,
    with_yields: bool = True,
) -> list[Array]:
    """Largest utilisation of a limit by the errors per pose, for every task; 1 is on the limit.

    It covers all errors together and, if a share of the arms must meet a limit (yield), the mean errors of the arms.
    The scatter of the visits is left out.

    Parameters
    ----------
    requirement : Requirement
    tasks : sequence of AssessedTask
    samples : sequence of TaskSample
    paths : sequence of bool
        Whether each task is a path.
    criteria : sequence of Criterion
        Criteria that are considered.
    with_yields : bool
        Whether limits that a share of the arms must meet are considered.

    Returns
    -------
    list of (poses,)
    """
    out = []
    for task, sample, path in zip(tasks, samples, paths, strict=True):
        limits = requirement.at_task(task.name)
        utilisation = np.zeros(len(task.table))
        for criterion, limit in limits_of_errors(limits, path, criteria):
            utilisation = np.maximum(utilisation, quantiles(criterion, task) / limit)
        for criterion, figure, limit in limits_of_arms(limits, path) if with_yields else ():
            share = criterion.judged_share_of_arms(limits)
            if criterion in criteria and share is not None and not figure.describes_scatter:
                utilisation = np.maximum(utilisation, _scaled_to_worst_pose(share, figure, task, sample) / limit)
        out.append(utilisation)
    return out


def limits_errors(criterion: Criterion) -> bool:
    """Whether a criterion limits errors, and so enters the utilisation, rather than the scatter of the visits."""
    return bool(criterion.error_column) or (criterion.figure is not None and not criterion.figure.describes_scatter)


def limits_of_errors(
    requirement: Requirement, path: bool, criteria: Sequence[Criterion] = CRITERIA
) -> Iterator[tuple[Criterion, float]]:
    """Criteria on all errors together, with their limits at a task.

    Parameters
    ----------
    requirement : Requirement
        Requirement at the task.
    path : bool
        Whether the task is a path.
    criteria : sequence of Criterion
        Criteria that are considered.

    Yields
    ------
    (Criterion, float)
        The criterion and its limit. [m or rad]
    """
    for criterion in criteria:
        limit = criterion.limit_at(requirement, path)
        if criterion.error_column and limit is not None:
            yield criterion, limit


def limited_quantities(requirement: Requirement, tasks: Sequence[Task]) -> list[Quantity]:
    """Quantities of errors that are limited at any task, that of the leading criterion first.

    Parameters
    ----------
    requirement : Requirement
    tasks : sequence of Task

    Returns
    -------
    list of Quantity
    """
    return [
        quantity
        for quantity in QUANTITIES
        if quantity == POSITION_CRITERION.quantity
        or any(
            criterion.quantity == quantity and criterion.limit(requirement.at_task(task.name)) is not None
            for criterion in CRITERIA
            for task in tasks
            if limits_errors(criterion)
        )
    ]


def utilisations_by_quantity(
    requirement: Requirement,
    tasks: Sequence[AssessedTask],
    samples: Sequence[TaskSample],
    paths: Sequence[bool],
    quantities: Sequence[Quantity],
    criteria: Sequence[Criterion] = CRITERIA,
) -> list[Array]:
    """Utilisation as in `error_utilisations`, by the criteria of one quantity at all tasks, then by those of the next.

    Parameters
    ----------
    requirement : Requirement
    tasks : sequence of AssessedTask
    samples : sequence of TaskSample
    paths : sequence of bool
        Whether each task is a path.
    quantities : sequence of Quantity
    criteria : sequence of Criterion
        Criteria that are considered; limits that a share of the arms must meet are considered if these are all
        criteria.

    Returns
    -------
    list of (poses,)
    """
    out = []
    for quantity in quantities:
        criteria_of_quantity = [criterion for criterion in criteria if criterion.quantity == quantity]
        out += error_utilisations(
            requirement, tasks, samples, paths, criteria_of_quantity, with_yields=criteria is CRITERIA
        )
    return out


def smallest_error_limits(
    requirement: Requirement,
    tasks: Sequence[Task],
    pose_sets: Sequence[PoseSet],
    quantities: Sequence[Quantity],
    criteria: Sequence[Criterion] = CRITERIA,
) -> Array:
    """Smallest limit on all errors together at every pose of all tasks, then of the next quantity.

    Parameters
    ----------
    requirement : Requirement
    tasks : sequence of Task
    pose_sets : sequence of PoseSet
    quantities : sequence of Quantity
    criteria : sequence of Criterion
        Criteria that are considered.

    Returns
    -------
    (quantities * poses,) [m or rad]
        inf without a limit.
    """
    limits = []
    for quantity in quantities:
        for task, poses in zip(tasks, pose_sets, strict=True):
            rows = limits_of_errors(requirement.at_task(task.name), poses.configurations.is_path, criteria)
            least = min((limit for criterion, limit in rows if criterion.quantity == quantity), default=math.inf)
            limits.append(np.full(len(poses.names), least))
    return np.concatenate(limits)


def quantiles(criterion: Criterion, task: AssessedTask) -> Array:
    """Quantile at the coverage that a criterion on errors limits, at every pose of a task.

    Parameters
    ----------
    criterion : Criterion
    task : AssessedTask

    Returns
    -------
    (poses,) [m or rad]
    """
    return task.table.column(f"{criterion.error_column}.at_coverage")


def _scaled_to_worst_pose(share: float, figure: Figure, task: AssessedTask, sample: TaskSample) -> Array:
    """Quantile of a figure over the units at every pose, scaled so that it holds for all poses of a task at once.

    A unit (simulated arm) must meet the limit at all poses, so that the quantile over units of the figure at its worst
    pose decides.
    """
    p50, p95 = (task.table.column(f"{figure.column}.{p}") for p in ("p50", "p95"))
    # nearly normal between the two quantiles that are known
    values = p50 + float(ndtri(min(max(share, 0.5), 0.999)) / ndtri(0.95)) * (p95 - p50)
    worst = float(np.quantile(sample.worst[figure], share))
    return np.asarray(values * worst / max(float(values.max()), 1e-30))
