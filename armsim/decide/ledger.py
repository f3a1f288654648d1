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
        Largest share of a limit that its errors use there; 1 is on the limit.
    """

    tasks: tuple[AssessedTask, ...]
    utilisation: float


@dataclass(eq=False)
class Ledger:
    """Designs that were sampled: any of them may be the answer.

    Parameters
    ----------
    designs : set of Choice
        Sampled at all, some at few poses or of few units.
    verdicts : mapping of Choice to its tasks
        Sampled whole: all units of the scenario's own population, at all poses.
    failures : mapping of Choice to Failure
        Tried as candidates, and found to fail.
    """

    designs: set[Choice] = field(default_factory=set)
    verdicts: dict[Choice, tuple[AssessedTask, ...]] = field(default_factory=dict)
    failures: dict[Choice, Failure] = field(default_factory=dict)

    def holds(self, choice: Choice) -> bool:
        """Whether a choice was sampled whole and keeps the requirement."""
        tasks = self.verdicts.get(choice)
        return tasks is not None and met(tasks)


def met(tasks: Sequence[AssessedTask]) -> bool:
    """Whether the estimates of a design keep the requirement at all tasks."""
    return all(task.summary.holds for task in tasks)


def at_coverage(tasks: Sequence[AssessedTask]) -> float:
    """Error of a design: the largest quantile at the coverage over all tasks. [m]"""
    return max(task.summary.at_coverage for task in tasks)


def binding(tasks: Sequence[AssessedTask]) -> tuple[AssessedTask, Judgement]:
    """Task and criterion of errors that bind a design: those closest to their limit."""
    pairs = [(task, judgement) for task in tasks for judgement in task.summary.judgements]
    return max(pairs, key=lambda pair: (pair[1].quantity in KINDS, pair[1].utilisation, pair[1].value))


def misses(tasks: Sequence[AssessedTask]) -> tuple[DecidingCriterion, ...]:
    """Criteria that the estimates of a design miss, that with the largest share of its limit first."""
    pairs = [DecidingCriterion(task.name, row) for task in tasks for row in task.summary.judgements if not row.holds]
    return tuple(sorted(pairs, key=lambda pair: -pair.judgement.utilisation))


def arms_to_resolve(tasks: Sequence[AssessedTask]) -> int | None:
    """Arms that would resolve every criterion of a design that is not; None where all are, or no number would do."""
    judgements = (judgement for task in tasks for judgement in task.summary.judgements)
    numbers = [judgement.units_to_resolve for judgement in judgements if judgement.state == "not resolved"]
    return max((number for number in numbers if number is not None), default=None)
