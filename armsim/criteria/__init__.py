"""Criteria of a requirement: figures compared with limits, from the samples of a task.

Other modules use all criteria through `judge_task` and `judge_joints`, without naming single ones.
"""

from __future__ import annotations

from armsim.criteria.criterion import Criterion
from armsim.criteria.evidence import (
    Evidence,
    finite_or_none,
    first_order_quantile,
    half_width_of_rp,
    largest_interval,
    required_share,
    share_of_passing,
)
from armsim.criteria.joint_criteria import (
    VELOCITY_RIPPLE,
    EvaluatedJoints,
    changes_of_joints,
    judge_joints,
    required_of_joints,
)
from armsim.criteria.paired_changes import CriterionChange, EvaluatedTask, change_of
from armsim.criteria.population_criteria import CRITERIA, REACH, limits_of_arms, passing_units, smallest_limit, yield_of
from armsim.requirement import Judgement
from armsim.requirement.requirement import Requirement

__all__ = [
    "CRITERIA",
    "POSITION_CRITERION",
    "REACH",
    "VELOCITY_RIPPLE",
    "Criterion",
    "CriterionChange",
    "EvaluatedJoints",
    "EvaluatedTask",
    "Evidence",
    "change_of",
    "changes_at_task",
    "changes_of_joints",
    "finite_or_none",
    "first_order_quantile",
    "half_width_of_rp",
    "judge_joints",
    "judge_task",
    "largest_interval",
    "limits_of_arms",
    "passing_units",
    "required_criteria",
    "required_in_words",
    "required_of_joints",
    "required_share",
    "share_of_passing",
    "smallest_limit",
    "yield_of",
]

POSITION_CRITERION: Criterion = CRITERIA[0]
"""Criterion of the error of the tool point, which every requirement states; curves, budgets and maps show it."""


def judge_task(evidence: Evidence) -> tuple[Judgement, ...]:
    """Judgements of all criteria at a task, the deciding figure first."""
    judgements = (criterion.judge(evidence) for criterion in CRITERIA)
    return tuple(judgement for judgement in judgements if judgement is not None)


def changes_at_task(
    requirement: Requirement | None,
    first_design: EvaluatedTask,
    second_design: EvaluatedTask,
    first_criterion: str = "",
) -> tuple[CriterionChange, ...]:
    """Differences of two designs in every criterion that judges at least one of them at a task.

    Parameters
    ----------
    requirement : Requirement, optional
        At the task.
    first_design, second_design : EvaluatedTask
    first_criterion : str
        Name of the criterion that comes first.

    Returns
    -------
    tuple of CriterionChange
    """
    changes = [criterion.change_in_criterion(requirement, first_design, second_design) for criterion in CRITERIA]
    return tuple(
        sorted((change for change in changes if change), key=lambda change: change.criterion != first_criterion)
    )


def required_criteria(requirement: Requirement | None) -> tuple[Criterion, ...]:
    """Criteria of tasks that a requirement states, or states for one of its tasks."""
    if requirement is None:
        return ()
    requirements = [requirement, *(requirement.at_task(task) for task in requirement.tasks)]
    return tuple(criterion for criterion in CRITERIA if any(criterion.required(limits) for limits in requirements))


def required_in_words(requirement: Requirement | None) -> str:
    """The complete requirement in words."""
    if requirement is None:
        return "nothing"
    phrases = [phrase for criterion in CRITERIA if (phrase := criterion.required(requirement))]
    if joint_phrase := required_of_joints(requirement):
        phrases.append(joint_phrase)
    tasks = []
    for name in requirement.tasks:
        at_task = (criterion.required(requirement.at_task(name)) for criterion in CRITERIA)
        tasks.append(f"for {name} {' and '.join(phrase for phrase in at_task if phrase and phrase not in phrases)}")
    return "; ".join([", ".join(phrases), *tasks])
