"""Base class of the criteria of a requirement."""

from __future__ import annotations

from abc import ABC, abstractmethod
from inspect import cleandoc

from armsim.criteria.evidence import Evidence, required_share
from armsim.criteria.paired import (
    CriterionChange,
    Evaluated,
    change_of_arms,
    change_of_errors,
    size_of,
    value_and_state,
)
from armsim.glossary import sentence
from armsim.requirement import Judgement, Quantity, show_quantity
from armsim.requirement.requirement import Requirement
from armsim.results.figure import Figure
from armsim.results.pose_table import PoseTable
from armsim.sampling.paired_difference import Difference


class Criterion(ABC):
    """Criterion of a requirement: its statistic, limit, and judgement from samples."""

    name: str
    quantity: Quantity = "length"
    at_least: bool = False
    errors: str = ""
    """Column of the pose table whose quantile over all errors is limited; empty for figures of single arms."""
    figure: Figure | None = None
    """Figure of a built arm that is limited, and so counts for the yield."""
    figure_name: str = ""
    """Symbol of the figure in the trade."""
    noun: str = ""
    """Compared quantity as a header; by default the name of the figure, or of the criterion."""
    along_paths: bool = False
    """Whether the criterion applies along paths only."""
    word: str = ""
    """Word of the glossary that explains it; by default its class does."""

    @property
    def meaning(self) -> str:
        """What is judged, as a sentence."""
        summary = cleandoc(type(self).__doc__ or "").split("\n\n")[0].replace("\n", " ")
        return sentence(self.word) if self.word else summary

    @abstractmethod
    def statistic(self, requirement: Requirement | None) -> str:
        """Statistic compared with the limit, as a column header."""

    @abstractmethod
    def limit(self, requirement: Requirement) -> float | None:
        """Limit of the requirement; None where nothing is required. [m or 1]"""

    @abstractmethod
    def judge(self, evidence: Evidence) -> Judgement | None:
        """Judgement from the samples of a task; None where the criterion does not apply."""

    def required(self, requirement: Requirement) -> str:
        """Requirement as a phrase; empty where nothing is required."""
        limit = self.limit(requirement)
        if limit is None:
            return ""
        bound = "at least" if self.at_least else "within"
        return f"{self.statistic(requirement)} {bound} {show_quantity(limit, self.quantity)}"

    def applies(self, requirement: Requirement | None, path: bool) -> bool:
        """Whether the criterion is displayed at a task that is a path, or is not.

        Parameters
        ----------
        requirement : Requirement, optional
        path : bool
            Whether the poses of the task are a path.

        Returns
        -------
        bool
        """
        return self.limit_at(requirement, path) is not None

    def first_order(self, requirement: Requirement | None, poses: PoseTable) -> float | None:
        """Figure at the worst pose by first order; None where not available. [m or 1]

        Parameters
        ----------
        requirement : Requirement, optional
        poses : PoseTable

        Returns
        -------
        float or None [m or 1]
        """
        return None

    def arms(self, requirement: Requirement) -> float | None:
        """Share of built arms whose figure must meet the limit; None where all errors together are judged."""
        return None if self.figure is None else requirement.yield_

    @property
    def of_units(self) -> bool:
        """Whether the criterion follows from the worst pose of every unit, without visits."""
        return self.figure is not None and not self.errors

    @property
    def column(self) -> str:
        """Column of the pose table whose largest value marks the worst pose; empty if there is none."""
        if self.errors:
            return f"{self.errors}.at_coverage"
        return "" if self.figure is None else f"{self.figure.column}.p95"

    def share(self, requirement: Requirement | None) -> float:
        """Share of the built arms of whose figure it is the quantile."""
        return required_share(requirement)

    def phrase(self, requirement: Requirement | None) -> str:
        """Compared quantity as a phrase within a sentence."""
        return self.statistic(requirement)

    def change(self, requirement: Requirement | None, one: Evaluated, other: Evaluated) -> Difference:
        """Difference at a task, unit by unit; without an interval where no figure says how the units differ.

        Parameters
        ----------
        requirement : Requirement, optional
            At the task.
        one, other : Evaluated

        Returns
        -------
        Difference [m, rad or 1]
        """
        if self.errors:
            return change_of_errors(one, other, self.name, self.errors)
        if self.figure is not None:
            return change_of_arms(one, other, self.name, self.figure, self.share(requirement))
        return Difference(size_of(one, other, self.name)[0], None)

    def changed(self, requirement: Requirement | None, one: Evaluated, other: Evaluated) -> CriterionChange | None:
        """Change between two designs at a task, in value and state; None where the criterion judges neither.

        Parameters
        ----------
        requirement : Requirement, optional
            At the task.
        one, other : Evaluated

        Returns
        -------
        CriterionChange, optional
        """
        judgements = [side.judgement(self.name) for side in (one, other)]
        if judgements == [None, None]:
            return None
        noun, phrase = self.noun or self.figure_name or self.name, self.phrase(requirement)
        (first, before), (second, after) = map(value_and_state, judgements)
        return CriterionChange(
            self.name, noun, phrase, self.quantity, self.at_least, "", self.change(requirement, one, other),
            (first, second), (before, after),
        )  # fmt: skip

    def limit_of(self, evidence: Evidence) -> float | None:
        """Limit of the requirement at a task; None where there is none."""
        return self.limit_at(evidence.requirement, evidence.path)

    def limit_at(self, requirement: Requirement | None, path: bool) -> float | None:
        """Limit at a task that is a path, or is not; None where there is none.

        Parameters
        ----------
        requirement : Requirement, optional
        path : bool
            Whether the poses of the task are a path.

        Returns
        -------
        float or None [m, rad or 1]
        """
        return None if requirement is None or (self.along_paths and not path) else self.limit(requirement)
