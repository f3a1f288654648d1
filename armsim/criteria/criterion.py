"""Base class of the criteria of a requirement."""

from __future__ import annotations

from abc import ABC, abstractmethod
from inspect import cleandoc

from armsim.criteria.evidence import Evidence, required_share
from armsim.criteria.paired_changes import (
    CriterionChange,
    EvaluatedTask,
    change_of_arms,
    change_of_errors,
    difference_and_size,
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
    error_column: str = ""
    """Column of the pose table whose quantile over all errors is limited; empty for figures of single arms."""
    figure: Figure | None = None
    """Figure of a built arm that is limited, and so counts for the yield."""
    figure_name: str = ""
    """Symbol of the figure, such as AP."""
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
        """Whether the criterion is displayed at a task.

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

    def judged_share_of_arms(self, requirement: Requirement) -> float | None:
        """Share of built arms whose figure must meet the limit; None where all errors together are judged."""
        return None if self.figure is None else requirement.yield_

    @property
    def needs_no_visits(self) -> bool:
        """Whether the criterion follows from the worst pose of every unit, without visits."""
        return self.figure is not None and not self.error_column

    @property
    def column(self) -> str:
        """Column of the pose table whose largest value marks the worst pose; empty if there is none."""
        if self.error_column:
            return f"{self.error_column}.at_coverage"
        return "" if self.figure is None else f"{self.figure.column}.p95"

    def share(self, requirement: Requirement | None) -> float:
        """Share of the built arms that the figure must cover: the figure is this quantile over the arms."""
        return required_share(requirement)

    def phrase(self, requirement: Requirement | None) -> str:
        """Compared quantity as a phrase within a sentence."""
        return self.statistic(requirement)

    def change(
        self, requirement: Requirement | None, first_design: EvaluatedTask, second_design: EvaluatedTask
    ) -> Difference:
        """Difference between two designs at a task, unit by unit; without an interval if the criterion has no figure
        per unit.

        Parameters
        ----------
        requirement : Requirement, optional
            At the task.
        first_design, second_design : EvaluatedTask
            The task with the first and with the second design.

        Returns
        -------
        Difference [m, rad or 1]
        """
        if self.error_column:
            return change_of_errors(first_design, second_design, self.name, self.error_column)
        if self.figure is not None:
            return change_of_arms(first_design, second_design, self.name, self.figure, self.share(requirement))
        return Difference(difference_and_size(first_design, second_design, self.name)[0], None)

    def change_in_criterion(
        self, requirement: Requirement | None, first_design: EvaluatedTask, second_design: EvaluatedTask
    ) -> CriterionChange | None:
        """Change between two designs at a task, in value and state; None where the criterion judges neither.

        Parameters
        ----------
        requirement : Requirement, optional
            At the task.
        first_design, second_design : EvaluatedTask
            The task with the first and with the second design.

        Returns
        -------
        CriterionChange, optional
        """
        judgements = [design.judgement(self.name) for design in (first_design, second_design)]
        if judgements == [None, None]:
            return None
        noun, phrase = self.noun or self.figure_name or self.name, self.phrase(requirement)
        (first_value, first_state), (second_value, second_state) = map(value_and_state, judgements)
        return CriterionChange(
            self.name, noun, phrase, self.quantity, self.at_least, "",
            self.change(requirement, first_design, second_design),
            (first_value, second_value), (first_state, second_state),
        )  # fmt: skip

    def limit_of(self, evidence: Evidence) -> float | None:
        """Limit of the requirement at a task; None where there is none."""
        return self.limit_at(evidence.requirement, evidence.path)

    def limit_at(self, requirement: Requirement | None, path: bool) -> float | None:
        """Limit at a task; None if there is none.

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
