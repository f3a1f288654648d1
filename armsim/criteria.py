"""The criteria of a requirement: what each holds against its limit, from the samples of a task.

Whoever judges, shows, searches or compares takes them from `judge_task` and `judge_joints`, and knows none by name.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.asked import Requirement, coverage_of
from armsim.engine import statistics as stats
from armsim.engine.gaussian import quantile_by_moments
from armsim.engine.run import TaskSample
from armsim.formatting import percent, show, show_speed
from armsim.requirement import Judgement
from armsim.results.joints import JointMotion
from armsim.results.poses import Interval
from armsim.results.posetable import PoseTable
from armsim.results.records import Yield

MOST_NAMED = 5
"""Points out of reach, at most, that a sentence names."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """What a criterion is judged by at a task.

    Parameters
    ----------
    requirement : Requirement, optional
    poses : PoseTable
        As sampled.
    worst : int
        Pose with the largest quantile at the coverage.
    sample : TaskSample
    unreachable : sequence of str
        Names of the points that the arm cannot take.
    must_reach : bool
        Whether all of them must be reached.
    operation : str
        The limits of operation that the machine states, in words; empty for none.
    """

    requirement: Requirement | None
    poses: PoseTable
    worst: int
    sample: TaskSample
    unreachable: Sequence[str]
    must_reach: bool
    operation: str

    @property
    def units(self) -> int:
        """Built arms sampled."""
        return len(self.sample.passing)


def largest_interval(poses: PoseTable) -> Interval:
    """Interval of the largest quantile at the coverage over the poses; an end is infinite where the sample gives none.

    Returns
    -------
    (low, high) [m]
        Largest of the lower and largest of the upper ends of all poses.
    """
    values, ends = poses.column("error.at_coverage"), poses.column("error.at_coverage_interval")
    low, high = np.where(np.isnan(ends[:, 0]), -np.inf, ends[:, 0]), np.where(np.isnan(ends[:, 1]), np.inf, ends[:, 1])
    high = np.where(values > 0, high, 0.0)  # no error at all is certain
    low = np.where(values > 0, low, 0.0)
    return float(low.max()), float(high.max())


def finite(interval: Interval) -> Interval | None:
    """An interval; None where the sample gives only one of its ends, or none."""
    return interval if all(math.isfinite(end) for end in interval) else None


def share_of(passing: NDArray[np.bool_], bounds: NDArray[np.bool_] | None = None) -> Yield:
    """Share of units that pass, shape (units,); ``bounds`` (2, units): those that do for certain, and that may."""
    units, passed = len(passing), int(np.count_nonzero(passing))
    fewest, most = (passed, passed) if bounds is None else (int(np.count_nonzero(row)) for row in bounds)
    interval = stats.clopper_pearson(fewest, units)[0], stats.clopper_pearson(most, units)[1]
    return Yield(passed / units, interval, passed, units)


def yield_of(sample: TaskSample) -> Yield:
    """Share of the units of a sample that pass, its interval spanning those that the integration of RP leaves open."""
    return share_of(sample.passing, sample.passing_bounds)


def integration_of_rp(poses: PoseTable) -> float:
    """Half-width of the integration of RP at the pose where that is largest. [m]"""
    return float(poses.column("integration")[int(np.argmax(poses.column("repeatability.p95")))])


class Criterion(ABC):
    """One thing that can be required of a task: how it is named, what limits it, how samples judge it."""

    name: str

    @abstractmethod
    def statistic(self, requirement: Requirement | None) -> str:
        """What is held against the limit, as the header of a column."""

    @abstractmethod
    def limit(self, requirement: Requirement) -> float | None:
        """The limit; None where nothing is required. [m or 1]"""

    @abstractmethod
    def judge(self, evidence: Evidence) -> Judgement | None:
        """What the samples of a task say; None where there is nothing to tell."""

    def first_order(self, requirement: Requirement | None, poses: PoseTable) -> float | None:
        """The figure at the worst pose by first order; None where there is none. [m or 1]"""
        return None

    def stated(self, evidence: Evidence) -> float | None:
        """The limit of the requirement of a task, if there is one."""
        return None if evidence.requirement is None else self.limit(evidence.requirement)


class Position(Criterion):
    """Quantile at the coverage of the tool-point error, at every pose."""

    name = "position"

    def statistic(self, requirement: Requirement | None) -> str:
        return f"{percent(coverage_of(requirement))} of errors"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.position

    def judge(self, evidence: Evidence) -> Judgement | None:
        poses, statistic = evidence.poses, self.statistic(evidence.requirement)
        value = float(poses.column("error.at_coverage")[evidence.worst])
        return Judgement.of(
            self.name, statistic, f"{statistic} lie within {{}}", value, largest_interval(poses),
            self.stated(evidence), evidence.units, poses.names[evidence.worst],
        )  # fmt: skip

    def first_order(self, requirement: Requirement | None, poses: PoseTable) -> float | None:
        return float(first_order_quantile(poses, coverage_of(requirement)).max())


class Repeatability(Criterion):
    """RP of ISO 9283:1998, 7.2.2, that a share of the built arms keeps to at all poses.

    The share is the yield that is required: more arms need not keep it, and fewer would not reach the yield.
    """

    name = "repeatability"

    def statistic(self, requirement: Requirement | None) -> str:
        return f"RP, {percent(self._arms(requirement))} of arms"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.repeatability

    def judge(self, evidence: Evidence) -> Judgement | None:
        share, poses = self._arms(evidence.requirement), evidence.poses
        (rp,) = stats.unit_quantiles(evidence.sample.worst[1], (share,), integration_of_rp(poses))
        return Judgement.of(
            self.name, self.statistic(evidence.requirement), f"{percent(share)} of arms repeat within {{}} (RP)",
            rp.value, rp.interval or (0.0, math.inf), self.stated(evidence), evidence.units,
            poses.names[int(np.argmax(poses.column("repeatability.p95")))],
        )  # fmt: skip

    def _arms(self, requirement: Requirement | None) -> float:
        if requirement is None or requirement.repeatability is None or requirement.yield_ is None:
            return stats.LEVEL
        return requirement.yield_


class YieldOfArms(Criterion):
    """Share of built arms that keep AP, RP and the limits of operation at every pose."""

    name = "yield"

    def statistic(self, requirement: Requirement | None) -> str:
        return "yield"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.yield_

    def judge(self, evidence: Evidence) -> Judgement | None:
        if evidence.requirement is None:
            return None
        share = yield_of(evidence.sample)
        return Judgement.of(
            self.name, self.name, "{} of arms pass", share.value, share.interval, self.stated(evidence),
            evidence.units, quantity="share", at_least=True, cause=_losses(evidence.requirement, evidence),
        )  # fmt: skip


class Reach(Criterion):
    """Every named pose can be taken."""

    name = "reach"

    def statistic(self, requirement: Requirement | None) -> str:
        return "points out of reach"

    def limit(self, requirement: Requirement) -> float | None:
        return 0.0

    def judge(self, evidence: Evidence) -> Judgement | None:
        lost = evidence.unreachable
        if evidence.requirement is None or not (evidence.must_reach and lost):
            return None
        more = f" and {len(lost) - MOST_NAMED} more" if len(lost) > MOST_NAMED else ""
        named = ", ".join(lost[:MOST_NAMED]).replace("{", "{{").replace("}", "}}")
        count = float(len(lost))
        return Judgement.of(
            self.name, self.statistic(None), f"{named}{more} cannot be reached", count, (count, count),
            self.stated(evidence), evidence.units, quantity="count",
        )  # fmt: skip


CRITERIA: tuple[Criterion, ...] = (Position(), Repeatability(), YieldOfArms(), Reach())
"""What is told of every task, with or without a limit."""


def _losses(requirement: Requirement, evidence: Evidence) -> str:
    """What units fail by, the most frequent first; a unit may fail by several."""
    accuracy, repeatability = evidence.sample.worst
    shares = {f"AP above {show(requirement.position)}": float(np.mean(accuracy > requirement.position))}
    if requirement.repeatability is not None:
        beyond = float(np.mean(repeatability > requirement.repeatability))
        shares[f"RP above {show(requirement.repeatability)}"] = beyond
    if evidence.operation:
        shares[evidence.operation] = float(np.mean(~evidence.sample.operating))
    failing = sorted((item for item in shares.items() if item[1] > 0), key=lambda item: -item[1])
    return ", ".join(f"{name} in {percent(share, 2)}" for name, share in failing)


def judge_task(evidence: Evidence) -> tuple[Judgement, ...]:
    """All criteria of a task, the figure that decides first."""
    judged = (criterion.judge(evidence) for criterion in CRITERIA)
    return tuple(judgement for judgement in judged if judgement is not None)


def judge_joints(
    requirement: Requirement | None, motion: Mapping[str, JointMotion], units: int
) -> tuple[Judgement, ...]:
    """What is required of joints whose speed is stated."""
    limit = None if requirement is None else requirement.velocity_ripple
    if limit is None:
        return ()
    out = []
    for name, joint in motion.items():
        noise = joint.noise / joint.speed
        ends = joint.ripple_p95_interval or (0.0, math.inf)
        speed = show_speed(joint.speed, joint.unit)
        out.append(
            Judgement.of(
                "velocity ripple", "ripple of the speed, 95 % of arms",
                f"95 % of arms ripple by up to {{}} rms of {speed}", joint.smoothness,
                (math.hypot(ends[0], noise), math.hypot(ends[1], noise)), limit, units, name, "share",
            )
        )  # fmt: skip
    return tuple(out)


def first_order_quantile(poses: PoseTable, coverage: float) -> Array:
    """Quantile of the error at every pose by first order, of a normal law, shape (poses,). [m]"""
    return quantile_by_moments(poses.column("first_order.mean"), poses.column("first_order.covariance"), coverage)
