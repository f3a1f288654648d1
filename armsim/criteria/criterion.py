"""What every criterion of a requirement can tell of itself."""

from __future__ import annotations

from abc import ABC, abstractmethod

from armsim.criteria.evidence import Evidence
from armsim.requirement import Judgement, Quantity, show_quantity
from armsim.requirement.requirement import Requirement
from armsim.results.figure import Figure
from armsim.results.pose_table import PoseTable


class Criterion(ABC):
    """One thing that can be required of a task: how it is named, what limits it, how samples judge it."""

    name: str
    quantity: Quantity = "length"
    at_least: bool = False
    errors: str = ""
    """Columns of the poses whose quantile over all errors it limits; empty where it is of single arms."""
    figure: Figure | None = None
    """The figure of a built arm that it limits too, so that it counts for the yield."""
    figure_name: str = ""
    """Of that figure, as the trade calls it."""
    along_paths: bool = False
    """Whether it is judged along paths alone."""

    @abstractmethod
    def statistic(self, requirement: Requirement | None) -> str:
        """What is held against the limit, as the header of a column."""

    @abstractmethod
    def limit(self, requirement: Requirement) -> float | None:
        """The limit; None where nothing is required. [m or 1]"""

    @abstractmethod
    def judge(self, evidence: Evidence) -> Judgement | None:
        """What the samples of a task say; None where there is nothing to tell."""

    def required(self, requirement: Requirement) -> str:
        """What is required of it, as a phrase; empty where nothing is."""
        limit = self.limit(requirement)
        if limit is None:
            return ""
        bound = "at least" if self.at_least else "within"
        return f"{self.statistic(requirement)} {bound} {show_quantity(limit, self.quantity)}"

    def applies(self, requirement: Requirement | None, path: bool) -> bool:
        """Whether it is shown at a task that is a path, or is not: where something is required of it."""
        return self.limit_at(requirement, path) is not None

    def first_order(self, requirement: Requirement | None, poses: PoseTable) -> float | None:
        """The figure at the worst pose by first order; None where there is none. [m or 1]"""
        return None

    def arms(self, requirement: Requirement) -> float | None:
        """Share of the built arms whose figure must keep the limit; None where only all errors together are judged."""
        return None if self.figure is None else requirement.yield_

    def limit_of(self, evidence: Evidence) -> float | None:
        """The limit of the requirement of a task, if there is one."""
        return self.limit_at(evidence.requirement, evidence.path)

    def limit_at(self, requirement: Requirement | None, path: bool) -> float | None:
        """The limit at a task that is a path, or is not; None where it limits nothing there."""
        return None if requirement is None or (self.along_paths and not path) else self.limit(requirement)
