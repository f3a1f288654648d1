"""Designs that the distribution of their visits excludes, without sampling.

*Repeatability.* With S the rms of the visits, RP >= S; and two distributions at a distance d (rms, in any coupling)
have RPs at most sqrt(10) d apart, since RP is m + 3 s with |dm|^2 + |ds|^2 <= d^2. So a design whose RP exceeds the
limit by x excludes all within x / sqrt(10).

*Repeatability of the orientation*: three standard deviations about the axis of the largest scatter, known from the
covariance of the rotation. A design that exceeds the limit excludes all whose scatter about that axis is as large.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.criteria import limits_of_arms
from armsim.decide.program import Choice, Program
from armsim.requirement.requirement import Requirement
from armsim.results.figure import Figure
from armsim.sampling.visit_integrals import integrate
from armsim.sampling_plan import SamplingPlan
from armsim.tasks import PoseSet, Task

RP_PER_RMS = math.sqrt(10.0)
"""Largest ratio of RP to the rms of the visits, m + 3 s with m^2 + s^2 = 1. Also the largest ratio of a change of RP to
the distance of the two distributions of visits."""
CERTAIN_SHARE = 1e-3
"""Share of the limit by which a figure must exceed it to exclude a design without sampling. Its spread between units
(simulated arms), whose errors differ in direction, is far smaller."""
POSES_PER_BATCH = 64
"""Number of poses at which RP is integrated together."""
FAILURE_MARGIN = 1.01
"""Factor on a limit of the mean square error that was tightened to the ratio of a failed design."""
DEVIATIONS = 3.0
"""Standard deviations in a repeatability."""


@dataclass(frozen=True, eq=False)
class VisitLimit:
    """Limit of a figure of the scatter of the visits (a repeatability).

    Parameters
    ----------
    figure : Figure
    limit : (poses,) [m or rad]
        At the poses of all tasks; inf where there is none.
    symbols : (poses,)
        Symbol of the limited figure at every pose, such as RT along a path.
    """

    figure: Figure
    limit: Array
    symbols: tuple[str, ...]


@dataclass(frozen=True)
class Excess:
    """A design that exceeds the limit of a figure of its visits at a pose.

    Parameters
    ----------
    figure : Figure
    symbol : str
        Symbol of the limited figure, such as RP.
    pose : int
    value, limit : float [m or rad]
    certain : float [m or rad]
        Excess beyond the tolerance `CERTAIN_SHARE` and the uncertainty of the integration.
    """

    figure: Figure
    symbol: str
    pose: int
    value: float
    limit: float
    certain: float


def visit_limits(requirement: Requirement, tasks: Sequence[Task], pose_sets: Sequence[PoseSet]) -> list[VisitLimit]:
    """Limits on all figures of the visits that are limited at any pose.

    Parameters
    ----------
    requirement : Requirement
    tasks : sequence of Task
    pose_sets : sequence of PoseSet

    Returns
    -------
    list of VisitLimit
    """
    out = []
    for figure in Figure:
        limits: list[float] = []
        symbols: list[str] = []
        for task, poses in zip(tasks, pose_sets, strict=True):
            limit, symbol = math.inf, ""
            for criterion, limited, value in limits_of_arms(
                requirement.at_task(task.name), poses.configurations.is_path
            ):
                if limited is figure and value < limit:
                    limit, symbol = value, criterion.figure_name
            limits += [limit] * len(poses.names)
            symbols += [symbol] * len(poses.names)
        if figure in _EXCESS and min(limits) < math.inf:
            out.append(VisitLimit(figure, np.array(limits), tuple(symbols)))
    return out


def mean_square_limit(limits: Sequence[VisitLimit], figure: Figure, poses: int) -> Array:
    """Limit of the mean square of the visits that no design within the limit of a figure exceeds.

    Parameters
    ----------
    limits : sequence of VisitLimit
    figure : Figure
        RP of the tool point, for the mean square of the displacement; or RP of the orientation, for the variance of the
        rotation about one axis.
    poses : int
        Number of poses.

    Returns
    -------
    (poses,) [m^2 or rad^2]
        inf where there is no limit.
    """
    figure_limit = next((row.limit for row in limits if row.figure is figure), np.full(poses, math.inf))
    divisor = DEVIATIONS if figure is Figure.ORIENTATION_REPEATABILITY else 1.0
    return np.asarray((figure_limit * (1 + CERTAIN_SHARE) / divisor) ** 2)


def visit_excess(limits: Sequence[VisitLimit], program: Program, choice: Choice, plan: SamplingPlan) -> Excess | None:
    """Excess at the pose where a figure of the visits of a choice certainly exceeds its limit; None if there is none.

    Parameters
    ----------
    limits : sequence of VisitLimit
    program : Program
    choice : Choice
    plan : SamplingPlan
        Its number of visits enters RP.

    Returns
    -------
    Excess, optional
    """
    for row in limits:
        exceeded = _EXCESS[row.figure](row, program, choice, plan)
        if exceeded is not None:
            return exceeded
    return None


def exclude_by_excess(program: Program, choice: Choice, exceeded: Excess, shortcut: bool = False) -> None:
    """Exclude from a program a choice that exceeds a limit, and all that exceed it for the same reason.

    Parameters
    ----------
    program : Program
    choice : Choice
    exceeded : Excess
    shortcut : bool
        Whether to exclude for now also all whose mean square of the visits is as large at that pose.
    """
    if exceeded.figure is Figure.ORIENTATION_REPEATABILITY:
        program.refuse_turning(choice, exceeded.pose)
        return
    program.refuse_near(choice, exceeded.pose, exceeded.certain / RP_PER_RMS)
    if shortcut:
        bound = (
            program.visit_mean_square(choice)[exceeded.pose] * (exceeded.limit / exceeded.value) ** 2 * FAILURE_MARGIN
        )
        program.visit_limit[exceeded.pose] = min(program.visit_limit[exceeded.pose], bound)


def _excess_of_distance(row: VisitLimit, program: Program, choice: Choice, plan: SamplingPlan) -> Excess | None:
    rms, limit = np.sqrt(program.visit_mean_square(choice)), row.limit
    order = np.argsort(-rms / limit, kind="stable")
    order = order[rms[order] * RP_PER_RMS > limit[order]]  # elsewhere RP cannot reach it
    for start in range(0, len(order), POSES_PER_BATCH):
        poses = order[start : start + POSES_PER_BATCH]
        repeatability, half_width = _repeatability(program, choice, poses, plan)
        beyond = repeatability - 2.0 * half_width - limit[poses] * (1 + CERTAIN_SHARE)
        most = int(np.argmax(beyond))
        if beyond[most] > 0:
            return _exceeded(row, int(poses[most]), float(repeatability[most]), float(beyond[most]))
    return None


def _excess_of_turning(row: VisitLimit, program: Program, choice: Choice, plan: SamplingPlan) -> Excess | None:
    widest = np.linalg.eigvalsh(program.turning_covariance(choice))[:, -1]
    repeatability = DEVIATIONS * np.sqrt(np.maximum(widest, 0.0))
    pose = int(np.argmax(repeatability / row.limit))
    certain = float(repeatability[pose] - row.limit[pose] * (1 + CERTAIN_SHARE))
    return _exceeded(row, pose, float(repeatability[pose]), certain) if certain > 0 else None


def _exceeded(row: VisitLimit, pose: int, value: float, certain: float) -> Excess:
    return Excess(row.figure, row.symbols[pose], pose, value, float(row.limit[pose]), certain)


_EXCESS: dict[Figure, Callable[[VisitLimit, Program, Choice, SamplingPlan], Excess | None]] = {
    Figure.REPEATABILITY: _excess_of_distance,
    Figure.ORIENTATION_REPEATABILITY: _excess_of_turning,
}
"""Function that computes the excess of a figure from the distribution of the visits; other figures are sampled."""


def _repeatability(program: Program, choice: Choice, poses: np.ndarray, plan: SamplingPlan) -> tuple[Array, Array]:
    """RP of a choice at poses by the distribution of its visits, and the half-width of its interval. [m]"""
    parts = [program.fixed_moments, *(row[n] for row, n in zip(program.option_moments, choice, strict=True))]
    coefficients = [coefficient for part in parts for coefficient in part.visit_coefficients.values()]
    gains = np.zeros((len(poses), len(coefficients), 3))
    for k, coefficient in enumerate(coefficients):
        gains[:, k] = coefficient.gain[poses]
    value, _, half_width, _ = integrate(tuple(coefficient.distribution for coefficient in coefficients), gains, plan)
    return value, half_width
