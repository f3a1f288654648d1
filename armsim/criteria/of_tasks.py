"""The criteria that are judged at every task."""

from __future__ import annotations

import math

import numpy as np

from armsim.criteria.criterion import Criterion
from armsim.criteria.evidence import (
    Evidence,
    arms_kept,
    first_order_quantile,
    integration_of_rp,
    largest_interval,
    losses,
    surely_above,
    yield_of,
)
from armsim.formatting import percent
from armsim.requirement import Judgement
from armsim.requirement.requirement import Requirement, coverage_of
from armsim.results.pose_table import PoseTable
from armsim.sampling import statistics as stats

MOST_NAMED = 5
"""Points out of reach, at most, that a sentence names."""


class Position(Criterion):
    """Quantile at the coverage of the tool-point error, at every pose."""

    name = "position"

    def statistic(self, requirement: Requirement | None) -> str:
        return f"{percent(coverage_of(requirement))} of errors"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.position

    def told(self, requirement: Requirement | None) -> bool:
        return True

    def judge(self, evidence: Evidence) -> Judgement | None:
        poses, statistic = evidence.poses, self.statistic(evidence.requirement)
        value = float(poses.column("error.at_coverage")[evidence.worst])
        coverage = coverage_of(evidence.requirement)
        return Judgement.of(
            self.name, statistic, f"{statistic} lie within {{}}", value, largest_interval(poses, coverage),
            self.stated(evidence), evidence.units, poses.names[evidence.worst], quantile=coverage,
        )  # fmt: skip

    def first_order(self, requirement: Requirement | None, poses: PoseTable) -> float | None:
        return float(first_order_quantile(poses, coverage_of(requirement)).max())


class Repeatability(Criterion):
    """RP of ISO 9283:1998, 7.2.2, that a share of the built arms keeps to at all poses.

    The share is the yield that is required: more arms need not keep it, and fewer would not reach the yield.
    """

    name = "repeatability"

    def statistic(self, requirement: Requirement | None) -> str:
        return f"RP of {percent(self._arms(requirement))} of arms"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.repeatability

    def told(self, requirement: Requirement | None) -> bool:
        return True

    def judge(self, evidence: Evidence) -> Judgement | None:
        share, poses = self._arms(evidence.requirement), evidence.poses
        (rp,) = stats.unit_quantiles(evidence.sample.worst[1], (share,), integration_of_rp(poses))
        return Judgement.of(
            self.name, self.statistic(evidence.requirement), f"{percent(share)} of arms repeat within {{}} (RP)",
            rp.value, rp.interval or (surely_above(evidence.sample.worst[1], share), math.inf),
            self.stated(evidence), evidence.units,
            poses.names[int(np.argmax(poses.column("repeatability.p95")))], quantile=share,
        )  # fmt: skip

    def _arms(self, requirement: Requirement | None) -> float:
        if requirement is None or requirement.repeatability is None:
            return stats.LEVEL  # no limit: the usual share
        return arms_kept(requirement)


class Orientation(Criterion):
    """Quantile at the coverage of the angle between attained and commanded orientation, at every pose."""

    name = "orientation"
    quantity = "angle"

    def statistic(self, requirement: Requirement | None) -> str:
        return f"{percent(coverage_of(requirement))} of orientation errors"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.orientation

    def judge(self, evidence: Evidence) -> Judgement | None:
        if self.stated(evidence) is None:
            return None
        statistic, values = self.statistic(evidence.requirement), evidence.poses.column("orientation_error.at_coverage")
        worst, coverage = int(np.argmax(values)), coverage_of(evidence.requirement)
        return Judgement.of(
            self.name, statistic, f"{statistic} lie within {{}}", float(values[worst]),
            largest_interval(evidence.poses, coverage, "orientation_error"), self.stated(evidence), evidence.units,
            evidence.poses.names[worst], self.quantity, quantile=coverage,
        )  # fmt: skip


class OrientationRepeatability(Criterion):
    """Three standard deviations of the rotation vector of an arm about the axis of its largest scatter.

    Of so large a share of the arms as RP. ISO 9283:1998, 7.2.2, takes three angles instead.
    """

    name = "orientation repeatability"
    quantity = "angle"

    def statistic(self, requirement: Requirement | None) -> str:
        return f"orientation RP of {percent(arms_kept(requirement))} of arms"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.orientation_repeatability

    def judge(self, evidence: Evidence) -> Judgement | None:
        if self.stated(evidence) is None:
            return None
        share, poses = arms_kept(evidence.requirement), evidence.poses
        (rp,) = stats.unit_quantiles(evidence.sample.worst[3], (share,))
        phrase = f"{percent(share)} of arms repeat the orientation within {{}}"
        return Judgement.of(
            self.name, self.statistic(evidence.requirement), phrase, rp.value,
            rp.interval or (surely_above(evidence.sample.worst[3], share), math.inf),
            self.stated(evidence), evidence.units,
            poses.names[int(np.argmax(poses.column("orientation_repeatability.p95")))], self.quantity, quantile=share,
        )  # fmt: skip


class YieldOfArms(Criterion):
    """Share of built arms that keep AP, RP and the limits of operation at every pose."""

    name = "yield"
    quantity = "share"
    at_least = True

    def statistic(self, requirement: Requirement | None) -> str:
        return "yield"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.yield_

    def told(self, requirement: Requirement | None) -> bool:
        return requirement is not None

    def judge(self, evidence: Evidence) -> Judgement | None:
        if evidence.requirement is None:
            return None
        share, lost = yield_of(evidence.sample), losses(evidence.requirement, evidence)
        return Judgement.of(
            self.name, self.name, "{} of arms pass", share.value, share.interval, self.stated(evidence),
            evidence.units, quantity=self.quantity, at_least=self.at_least, cause=lost,
        )  # fmt: skip


class Reach(Criterion):
    """Every named pose can be taken."""

    name = "reach"
    quantity = "count"

    def statistic(self, requirement: Requirement | None) -> str:
        return "points out of reach"

    def limit(self, requirement: Requirement) -> float | None:
        return 0.0

    def required(self, requirement: Requirement) -> str:
        return ""  # goes without saying

    def told(self, requirement: Requirement | None) -> bool:
        return False  # only where points are lost

    def judge(self, evidence: Evidence) -> Judgement | None:
        lost = evidence.unreachable
        if evidence.requirement is None or not (evidence.must_reach and lost):
            return None
        more = f" and {len(lost) - MOST_NAMED} more" if len(lost) > MOST_NAMED else ""
        named = ", ".join(lost[:MOST_NAMED]).replace("{", "{{").replace("}", "}}")
        count = float(len(lost))
        return Judgement.of(
            self.name, self.statistic(None), f"{named}{more} cannot be reached", count, (count, count),
            self.stated(evidence), evidence.units, quantity=self.quantity,
        )  # fmt: skip


CRITERIA: tuple[Criterion, ...] = (
    Position(),
    Repeatability(),
    Orientation(),
    OrientationRepeatability(),
    YieldOfArms(),
    Reach(),
)
"""What is told of every task, with or without a limit."""
