"""Criteria of all built arms together: the yield, and poses out of reach.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from armsim.criteria.arm_criteria import PER_ARM
from armsim.criteria.criterion import Criterion
from armsim.criteria.evidence import Evidence, share_of_passing
from armsim.criteria.paired_changes import EvaluatedTask, difference_and_size
from armsim.formatting import percent
from armsim.requirement import Judgement, show_quantity
from armsim.requirement.requirement import Requirement
from armsim.results.figure import Figure
from armsim.results.summary import Yield
from armsim.sampling.paired_difference import Difference, share_difference

if TYPE_CHECKING:
    from armsim.sampling.chunk import Extremes

MOST_NAMED = 5
"""Most poses out of reach that a sentence names."""


def limits_of_arms(requirement: Requirement | None, path: bool) -> Iterator[tuple[Criterion, Figure, float]]:
    """Criteria of single arms with their figures, and the limits of a requirement at a task.

    Parameters
    ----------
    requirement : Requirement, optional
    path : bool
        Whether the poses of the task are a path.

    Yields
    ------
    (Criterion, Figure, float)
        The criterion, its figure, and its limit. [m or rad]
    """
    for criterion in PER_ARM:
        limit = criterion.limit_at(requirement, path)
        if criterion.figure is not None and limit is not None:
            yield criterion, criterion.figure, limit


def smallest_limit(requirement: Requirement | None, path: bool, column: str) -> float | None:
    """Smallest limit on a quantity at the poses of a task; None where there is none. [m or rad]

    Parameters
    ----------
    requirement : Requirement, optional
        At the task.
    path : bool
        Whether the task is a path.
    column : str
        ``error`` or ``orientation_error``, or the column of a `Figure`.

    Returns
    -------
    float or None [m or rad]
    """
    limits = []
    for criterion in CRITERIA:
        limit = criterion.limit_at(requirement, path)
        if limit is not None and column in (criterion.error_column, criterion.figure and criterion.figure.column):
            limits.append(limit)
    return min(limits, default=None)


def passing_units(
    requirement: Requirement | None,
    path: bool,
    extremes: Extremes,
    within_operation: NDArray[np.bool_],
    left_out: str = "",
) -> NDArray[np.bool_]:
    """Units within every limit at all poses of a task, shape (3, units): as estimated, for certain, possibly.

    The three rows differ where a limit lies within the integration error of RP.

    Parameters
    ----------
    requirement : Requirement, optional
        At the task.
    path : bool
        Whether the task is a path.
    extremes : Extremes
    within_operation : (units,) bool
        Units that keep to the limits of operation of their sensors.
    left_out : str
        Name of a criterion that is left out.

    Returns
    -------
    (3, units) bool
        As estimated, for certain, possibly.
    """
    out = np.repeat(within_operation[None], 3, axis=0)
    for criterion, figure, limit in limits_of_arms(requirement, path):
        if criterion.name != left_out:
            out &= extremes.with_bounds(figure) <= limit
    return out


def yield_of(evidence: Evidence) -> Yield:
    """Share of passing units; its interval covers the integration error of RP."""
    sample = evidence.sample
    passed, *bounds = passing_units(evidence.requirement, evidence.path, sample.extremes, sample.within_operation)
    return share_of_passing(passed, np.array(bounds))


def shares_beyond_limits(evidence: Evidence) -> str:
    """Criteria that units fail, the most frequent first; a unit may fail several."""
    shares: dict[str, float] = {}
    for criterion, figure, limit in limits_of_arms(evidence.requirement, evidence.path):
        above = evidence.sample.worst[figure] > limit
        shares[f"{criterion.figure_name} above {show_quantity(limit, criterion.quantity)}"] = float(np.mean(above))
    if evidence.operation:
        shares[evidence.operation] = float(np.mean(~evidence.sample.within_operation))
    failing = sorted((item for item in shares.items() if item[1] > 0), key=lambda item: -item[1])
    return ", ".join(f"{name} in {percent(share, 2)}" for name, share in failing)


class YieldOfArms(Criterion):
    """Share of built arms within every limit of single arms, operating limits included, at every pose."""

    name = word = "yield"
    quantity = "share"
    at_least = True

    @property
    def needs_no_visits(self) -> bool:
        return True

    def statistic(self, requirement: Requirement | None) -> str:
        return "yield"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.yield_

    def applies(self, requirement: Requirement | None, path: bool) -> bool:
        return requirement is not None

    def change(
        self, requirement: Requirement | None, first_design: EvaluatedTask, second_design: EvaluatedTask
    ) -> Difference:
        return share_difference(
            *(
                passing_units(requirement, design.path, design.extremes, design.within_operation)[0]
                for design in (first_design, second_design)
            )
        )

    def judge(self, evidence: Evidence) -> Judgement | None:
        if evidence.requirement is None:
            return None
        share, cause = yield_of(evidence), shares_beyond_limits(evidence)
        return Judgement.from_interval(
            self.name, self.name, "{} of arms pass", share.value, share.interval, self.limit_of(evidence),
            evidence.units, quantity=self.quantity, at_least=self.at_least, cause=cause,
        )  # fmt: skip


class Reach(Criterion):
    """All named poses are reachable."""

    name = "reach"
    quantity = "count"

    @property
    def needs_no_visits(self) -> bool:
        return True

    def statistic(self, requirement: Requirement | None) -> str:
        return "poses out of reach"

    def limit(self, requirement: Requirement) -> float | None:
        return 0.0

    def required(self, requirement: Requirement) -> str:
        return ""  # required of every task with named poses

    def applies(self, requirement: Requirement | None, path: bool) -> bool:
        return False  # shown only if points are out of reach

    def change(
        self, requirement: Requirement | None, first_design: EvaluatedTask, second_design: EvaluatedTask
    ) -> Difference:
        value, _ = difference_and_size(first_design, second_design, self.name)
        return Difference(value, (value, value))

    def judge(self, evidence: Evidence) -> Judgement | None:
        unreachable = evidence.unreachable
        if evidence.requirement is None or not (evidence.must_reach and unreachable):
            return None
        more = f" and {len(unreachable) - MOST_NAMED} more" if len(unreachable) > MOST_NAMED else ""
        named = ", ".join(unreachable[:MOST_NAMED]).replace("{", "{{").replace("}", "}}")
        count = float(len(unreachable))
        return Judgement.from_interval(
            self.name, self.statistic(None), f"{named}{more} cannot be reached", count, (count, count),
            self.limit_of(evidence), evidence.units, quantity=self.quantity,
        )  # fmt: skip


REACH: Criterion = Reach()
CRITERIA: tuple[Criterion, ...] = (*PER_ARM, YieldOfArms(), REACH)
"""Criteria of every task, with or without a limit."""
