"""Base class of the criteria of a requirement."""

from __future__ import annotations

from abc import ABC, abstractmethod

from armsim.criteria.evidence import Evidence
from armsim.requirement import Judgement, Quantity, show_quantity
from armsim.requirement.requirement import Requirement
from armsim.results.figure import Figure
from armsim.results.pose_table import PoseTable


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
    along_paths: bool = False
    """Whether the criterion applies along paths only."""

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
