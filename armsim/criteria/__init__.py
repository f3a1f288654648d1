"""Criteria of a requirement: figures compared with limits, from the samples of a task.

Whoever judges, shows, searches or compares takes them from `judge_task` and `judge_joints`, and knows none by name.
"""

from __future__ import annotations

from armsim.criteria.criterion import Criterion
from armsim.criteria.evidence import (
    Evidence,
    finite,
    first_order_quantile,
    integration_of_rp,
    largest_interval,
    required_share,
    share_of,
)
from armsim.criteria.of_joints import (
    VELOCITY_RIPPLE,
    JointsEvaluated,
    changes_of_joints,
    judge_joints,
    required_of_joints,
)
from armsim.criteria.of_populations import CRITERIA, REACH, limits_of_arms, passing, smallest_limit, yield_of
from armsim.criteria.paired import CriterionChange, Evaluated, change_of
from armsim.requirement import Judgement
from armsim.requirement.requirement import Requirement

__all__ = [
    "CRITERIA",
    "LEADING",
    "REACH",
    "VELOCITY_RIPPLE",
    "Criterion",
    "CriterionChange",
    "Evaluated",
    "Evidence",
    "JointsEvaluated",
    "change_of",
    "changes_at_task",
    "changes_of_joints",
    "finite",
    "first_order_quantile",
    "integration_of_rp",
    "judge_joints",
    "judge_task",
    "largest_interval",
    "limits_of_arms",
    "passing",
    "required_criteria",
    "required_in_words",
    "required_of_joints",
    "required_share",
    "share_of",
    "smallest_limit",
    "yield_of",
]

LEADING: Criterion = CRITERIA[0]
"""Criterion that every requirement states, the error of the tool point: what curves, budgets and maps are drawn of."""


def judge_task(evidence: Evidence) -> tuple[Judgement, ...]:
    """Judgements of all criteria at a task, the deciding figure first."""
    judgements = (criterion.judge(evidence) for criterion in CRITERIA)
    return tuple(judgement for judgement in judgements if judgement is not None)


def changes_at_task(
    requirement: Requirement | None, one: Evaluated, other: Evaluated, first: str = ""
) -> tuple[CriterionChange, ...]:
    """Differences of two designs in every criterion of a task that judges either.

    Parameters
    ----------
    requirement : Requirement, optional
        At the task.
    one, other : Evaluated
    first : str
        Name of the criterion that comes first.

    Returns
    -------
    tuple of CriterionChange
    """
    changes = [criterion.changed(requirement, one, other) for criterion in CRITERIA]
    return tuple(sorted((change for change in changes if change), key=lambda change: change.criterion != first))


def required_criteria(requirement: Requirement | None) -> tuple[Criterion, ...]:
    """Criteria of tasks that a requirement states, or states for one of its tasks."""
    if requirement is None:
        return ()
    requirements = [requirement, *(requirement.of(task) for task in requirement.tasks)]
    return tuple(criterion for criterion in CRITERIA if any(criterion.required(limits) for limits in requirements))


def required_in_words(requirement: Requirement | None) -> str:
    """The complete requirement in words."""
    if requirement is None:
        return "nothing"
    parts = [part for criterion in CRITERIA if (part := criterion.required(requirement))]
    if of_joints := required_of_joints(requirement):
        parts.append(of_joints)
    tasks = []
    for name in requirement.tasks:
        at_task = (criterion.required(requirement.of(name)) for criterion in CRITERIA)
        tasks.append(f"for {name} {' and '.join(part for part in at_task if part and part not in parts)}")
    return "; ".join([", ".join(parts), *tasks])
