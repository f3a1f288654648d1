"""What every criterion of a requirement can tell of itself."""

from __future__ import annotations

from abc import ABC, abstractmethod

from armsim.criteria.evidence import Evidence
from armsim.requirement import Judgement, Quantity, show_quantity
from armsim.requirement.requirement import Requirement
from armsim.results.pose_table import PoseTable


class Criterion(ABC):
    """One thing that can be required of a task: how it is named, what limits it, how samples judge it."""

    name: str
    quantity: Quantity = "length"
    at_least: bool = False

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

    def told(self, requirement: Requirement | None) -> bool:
        """Whether it is shown: where something is required of it."""
        return requirement is not None and self.limit(requirement) is not None

    def first_order(self, requirement: Requirement | None, poses: PoseTable) -> float | None:
        """The figure at the worst pose by first order; None where there is none. [m or 1]"""
        return None

    def stated(self, evidence: Evidence) -> float | None:
        """The limit of the requirement of a task, if there is one."""
        return None if evidence.requirement is None else self.limit(evidence.requirement)
