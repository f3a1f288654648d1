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

LEAST = math.sqrt(10.0)
"""Largest RP over the rms of the visits, m + 3 s with m^2 + s^2 = 1; also of the change of RP over the distance of
two distributions."""
SURELY = 1e-3
"""Share of the limit by which a figure must exceed it before it excludes a design without sampling. Between units it
differs by the angles of their errors, far less."""
AT_ONCE = 64
"""Poses at which RP is integrated together."""
NEAR = 1.01
"""Margin in mean square at a pose at which a design like it has failed."""
DEVIATIONS = 3.0
"""Standard deviations in a repeatability."""


@dataclass(frozen=True, eq=False)
class VisitLimit:
    """Limit of a figure of the visits.

    Parameters
    ----------
    figure : Figure
    limit : (poses,) [m or rad]
        At the poses of all tasks; inf where there is none.
    symbols : (poses,)
        Name of the limited figure in the trade, such as RT along a path.
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
        Name of the limited figure in the trade.
    pose : int
    value, limit : float [m or rad]
    certain : float [m or rad]
        Part of the excess that is beyond doubt.
    """

    figure: Figure
    symbol: str
    pose: int
    value: float
    limit: float
    certain: float


def visit_limits(requirement: Requirement, tasks: Sequence[Task], pose_sets: Sequence[PoseSet]) -> list[VisitLimit]:
    """Limits on figures of the visits, of every figure that is limited anywhere.

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
            for criterion, limited, value in limits_of_arms(requirement.of(task.name), poses.configurations.is_path):
                if limited is figure and value < limit:
                    limit, symbol = value, criterion.figure_name
            limits += [limit] * len(poses.names)
            symbols += [symbol] * len(poses.names)
        if figure in _EXCESS and min(limits) < math.inf:
            out.append(VisitLimit(figure, np.array(limits), tuple(symbols)))
    return out


def mean_square_limit(limits: Sequence[VisitLimit], figure: Figure, poses: int) -> Array:
    """Limit of the mean square of the visits that no design within the limit of a figure exceeds, shape (poses,).

    Parameters
    ----------
    limits : sequence of VisitLimit
    figure : Figure
        RP, of the distance; or that of the orientation, of the rotation about one axis.
    poses : int
        Number of poses.

    Returns
    -------
    (poses,) [m^2 or rad^2]
        inf where there is no limit.
    """
    of_figure = next((row.limit for row in limits if row.figure is figure), np.full(poses, math.inf))
    least = DEVIATIONS if figure is Figure.ORIENTATION_REPEATABILITY else 1.0
    return np.asarray((of_figure * (1 + SURELY) / least) ** 2)


def excess(limits: Sequence[VisitLimit], program: Program, choice: Choice, plan: SamplingPlan) -> Excess | None:
    """Pose at which a figure of the visits of a choice certainly exceeds its limit by most; None where none does.

    Parameters
    ----------
    limits : sequence of VisitLimit
    program : Program
    choice : Choice
    plan : SamplingPlan
        That of the integration of RP.

    Returns
    -------
    Excess, optional
    """
    for row in limits:
        exceeded = _EXCESS[row.figure](row, program, choice, plan)
        if exceeded is not None:
            return exceeded
    return None


def exclude(program: Program, choice: Choice, exceeded: Excess, shortcut: bool = False) -> None:
    """Take a choice that exceeds a limit out of a program, and all that exceed it for the same reason.

    Parameters
    ----------
    program : Program
    choice : Choice
    exceeded : Excess
    shortcut : bool
        Leave out for the time being all whose visits are as large at that pose too.
    """
    if exceeded.figure is Figure.ORIENTATION_REPEATABILITY:
        program.refuse_turning(choice, exceeded.pose)
        return
    program.refuse_near(choice, exceeded.pose, exceeded.certain / LEAST)
    if shortcut:
        bound = program.visit_square(choice)[exceeded.pose] * (exceeded.limit / exceeded.value) ** 2 * NEAR
        program.visit_limit[exceeded.pose] = min(program.visit_limit[exceeded.pose], bound)


def _excess_of_distance(row: VisitLimit, program: Program, choice: Choice, plan: SamplingPlan) -> Excess | None:
    rms, limit = np.sqrt(program.visit_square(choice)), row.limit
    order = np.argsort(-rms / limit, kind="stable")
    order = order[rms[order] * LEAST > limit[order]]  # elsewhere RP cannot reach it
    for start in range(0, len(order), AT_ONCE):
        poses = order[start : start + AT_ONCE]
        repeatability, half_width = _repeatability(program, choice, poses, plan)
        beyond = repeatability - 2.0 * half_width - limit[poses] * (1 + SURELY)
        most = int(np.argmax(beyond))
        if beyond[most] > 0:
            return _exceeded(row, int(poses[most]), float(repeatability[most]), float(beyond[most]))
    return None


def _excess_of_turning(row: VisitLimit, program: Program, choice: Choice, plan: SamplingPlan) -> Excess | None:
    widest = np.linalg.eigvalsh(program.turning_covariance(choice))[:, -1]
    repeatability = DEVIATIONS * np.sqrt(np.maximum(widest, 0.0))
    pose = int(np.argmax(repeatability / row.limit))
    certain = float(repeatability[pose] - row.limit[pose] * (1 + SURELY))
    return _exceeded(row, pose, float(repeatability[pose]), certain) if certain > 0 else None


def _exceeded(row: VisitLimit, pose: int, value: float, certain: float) -> Excess:
    return Excess(row.figure, row.symbols[pose], pose, value, float(row.limit[pose]), certain)


_EXCESS: dict[Figure, Callable[[VisitLimit, Program, Choice, SamplingPlan], Excess | None]] = {
    Figure.REPEATABILITY: _excess_of_distance,
    Figure.ORIENTATION_REPEATABILITY: _excess_of_turning,
}
"""How a figure follows from the distribution of the visits; others are sampled."""


def _repeatability(program: Program, choice: Choice, poses: np.ndarray, plan: SamplingPlan) -> tuple[Array, Array]:
    """RP of a choice at poses by the distribution of its visits, and the half-width of its interval. [m]"""
    parts = [program.fixed, *(row[n] for row, n in zip(program.option_moments, choice, strict=True))]
    coefficients = [coefficient for part in parts for coefficient in part.of_visits.values()]
    gains = np.zeros((len(poses), len(coefficients), 3))
    for k, coefficient in enumerate(coefficients):
        gains[:, k] = coefficient.gain[poses]
    value, _, half, _ = integrate(tuple(coefficient.distribution for coefficient in coefficients), gains, plan)
    return value, half
