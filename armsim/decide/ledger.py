"""Designs that a search has sampled, and what their samples say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from armsim.assessment import AssessedTask
from armsim.decide.decision_records import DecidingCriterion
from armsim.decide.program import Choice
from armsim.requirement import Judgement
from armsim.requirement.judgement import KINDS


@dataclass(frozen=True, eq=False)
class Failure:
    """A design that fails when sampled.

    Parameters
    ----------
    tasks : tuple of AssessedTask
        Judgements at the poses at which it was tried.
    utilisation : float
        Largest ratio there of a figure of its errors to the limit; 1 is on the limit.
    """

    tasks: tuple[AssessedTask, ...]
    utilisation: float


@dataclass(eq=False)
class Ledger:
    """Designs that were sampled: any of them may be the answer.

    Parameters
    ----------
    designs : set of Choice
        All sampled designs, some of them at few poses or with few units only.
    full_assessments : mapping of Choice to its tasks
        Designs sampled with all units of the scenario's own population at all poses.
    passed_trials : mapping of Choice to its tasks
        Designs that pass the short trials, with their judgements at the poses that were sampled.
    failures : mapping of Choice to Failure
        Tried as candidates, and found to fail.
    """

    designs: set[Choice] = field(default_factory=set)
    full_assessments: dict[Choice, tuple[AssessedTask, ...]] = field(default_factory=dict)
    passed_trials: dict[Choice, tuple[AssessedTask, ...]] = field(default_factory=dict)
    failures: dict[Choice, Failure] = field(default_factory=dict)

    def assessment(self, choice: Choice) -> tuple[AssessedTask, ...]:
        """Judgements of a choice at all poses, else at those of its short trials.

        Raises
        ------
        KeyError
            It was tried neither way, or failed.
        """
        return self.full_assessments[choice] if choice in self.full_assessments else self.passed_trials[choice]

    def meets_requirement(self, choice: Choice) -> bool:
        """Whether a choice was sampled with all units at all poses and meets the requirement."""
        tasks = self.full_assessments.get(choice)
        return tasks is not None and requirement_met(tasks)


def requirement_met(tasks: Sequence[AssessedTask]) -> bool:
    """Whether the estimates of a design meet the requirement at all tasks."""
    return all(task.summary.holds for task in tasks)


def design_error(tasks: Sequence[AssessedTask]) -> float:
    """Error of a design: the largest quantile at the coverage over all tasks. [m]"""
    return max(task.summary.at_coverage for task in tasks)


def deciding_judgement(tasks: Sequence[AssessedTask]) -> tuple[AssessedTask, Judgement]:
    """Task and judgement of errors that decide for a design: those closest to their limit, or missing it by most."""
    pairs = [(task, judgement) for task in tasks for judgement in task.summary.judgements]
    return max(pairs, key=lambda pair: (pair[1].quantity in KINDS, pair[1].utilisation, pair[1].value))


def missed_criteria(tasks: Sequence[AssessedTask]) -> tuple[DecidingCriterion, ...]:
    """Criteria that the estimates of a design miss, the one with the largest utilisation of its limit first."""
    pairs = [DecidingCriterion(task.name, row) for task in tasks for row in task.summary.judgements if not row.holds]
    return tuple(sorted(pairs, key=lambda pair: -pair.judgement.utilisation))


def arms_to_resolve(tasks: Sequence[AssessedTask]) -> int | None:
    """Number of arms that would resolve all unresolved criteria of a design.

    None if all are resolved, or no number of arms would resolve them.
    """
    judgements = (judgement for task in tasks for judgement in task.summary.judgements)
    numbers = [judgement.units_to_resolve for judgement in judgements if judgement.state == "not resolved"]
    return max((number for number in numbers if number is not None), default=None)
