"""Criteria of a task that limit figures of every built arm, or the errors of all arms together."""

from __future__ import annotations

import math

import numpy as np

from armsim.criteria.criterion import Criterion
from armsim.criteria.evidence import (
    Evidence,
    first_order_quantile,
    half_width_of_rp,
    largest_interval,
    lower_bound_by_median,
    required_share,
)
from armsim.formatting import percent
from armsim.requirement import Judgement
from armsim.requirement.requirement import Requirement, coverage_of
from armsim.results.figure import Figure
from armsim.results.pose_table import PoseTable
from armsim.sampling import statistics as stats


def judge_arms(criterion: Criterion, evidence: Evidence, phrase: str, column: str) -> Judgement | None:
    """Judgement on a figure of single arms, at the required share of arms; None where it is not displayed.

    Parameters
    ----------
    criterion : Criterion
    evidence : Evidence
    phrase : str
        Finding, with ``{share}`` and the figure.
    column : str
        Column of the pose table whose largest value marks the worst pose.

    Returns
    -------
    Judgement, optional
    """
    if not criterion.applies(evidence.requirement, evidence.path):
        return None
    share, poses, figure = criterion.share(evidence.requirement), evidence.poses, criterion.figure
    assert figure is not None
    values = evidence.sample.worst[figure]
    half_width = half_width_of_rp(poses) if figure is Figure.REPEATABILITY else 0.0
    (quantile,) = stats.unit_quantiles(values, (share,), half_width)
    return Judgement.from_interval(
        criterion.name, criterion.statistic(evidence.requirement), phrase.format(share=percent(share)), quantile.value,
        quantile.interval or (lower_bound_by_median(values, share), math.inf), criterion.limit_of(evidence),
        evidence.units, poses.names[int(np.argmax(poses.column(column)))], criterion.quantity, quantile=share,
    )  # fmt: skip


class Position(Criterion):
    """Quantile at the coverage of the tool-point error, at every pose."""

    name = "position"
    word = "coverage"
    noun = "errors"
    error_column = "error"
    figure = Figure.ACCURACY
    figure_name = "AP"

    def statistic(self, requirement: Requirement | None) -> str:
        return f"{percent(coverage_of(requirement))} of errors"

    def phrase(self, requirement: Requirement | None) -> str:
        return f"{percent(coverage_of(requirement))} quantile at the worst pose"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.position

    def applies(self, requirement: Requirement | None, path: bool) -> bool:
        return True

    def judge(self, evidence: Evidence) -> Judgement | None:
        poses, statistic = evidence.poses, self.statistic(evidence.requirement)
        value = float(poses.column("error.at_coverage")[evidence.worst])
        coverage = coverage_of(evidence.requirement)
        return Judgement.from_interval(
            self.name, statistic, f"{statistic} lie within {{}}", value, largest_interval(poses, coverage),
            self.limit_of(evidence), evidence.units, poses.names[evidence.worst], quantile=coverage,
        )  # fmt: skip

    def first_order(self, requirement: Requirement | None, poses: PoseTable) -> float | None:
        return float(first_order_quantile(poses, coverage_of(requirement)).max())


class Repeatability(Criterion):
    """RP of ISO 9283:1998, 7.2.2, that a share of the built arms stays within at all poses.

    The share is the yield that is required: more arms need not keep it, and fewer would not reach the yield.
    """

    name = "repeatability"
    word = "RP"
    figure = Figure.REPEATABILITY
    figure_name = "RP"

    def statistic(self, requirement: Requirement | None) -> str:
        return f"RP of {percent(self.share(requirement))} of arms"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.repeatability

    def applies(self, requirement: Requirement | None, path: bool) -> bool:
        return True

    def judged_share_of_arms(self, requirement: Requirement) -> float | None:
        return required_share(requirement)

    def judge(self, evidence: Evidence) -> Judgement | None:
        return judge_arms(self, evidence, "{share} of arms repeat within {{}} (RP)", "repeatability.p95")

    def share(self, requirement: Requirement | None) -> float:
        if requirement is None or requirement.repeatability is None:
            return stats.LEVEL  # no limit: the usual share
        return required_share(requirement)


class Orientation(Criterion):
    """Quantile at the coverage of the angle between attained and commanded orientation, at every pose."""

    name = "orientation"
    noun = "orientation errors"
    error_column = "orientation_error"
    quantity = "angle"
    figure = Figure.ORIENTATION_ACCURACY
    figure_name = "orientation AP"

    def statistic(self, requirement: Requirement | None) -> str:
        return f"{percent(coverage_of(requirement))} of orientation errors"

    def phrase(self, requirement: Requirement | None) -> str:
        return f"{percent(coverage_of(requirement))} quantile of the orientation at the worst pose"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.orientation

    def judge(self, evidence: Evidence) -> Judgement | None:
        if self.limit_of(evidence) is None:
            return None
        statistic, values = self.statistic(evidence.requirement), evidence.poses.column("orientation_error.at_coverage")
        worst, coverage = int(np.argmax(values)), coverage_of(evidence.requirement)
        return Judgement.from_interval(
            self.name, statistic, f"{statistic} lie within {{}}", float(values[worst]),
            largest_interval(evidence.poses, coverage, "orientation_error"), self.limit_of(evidence), evidence.units,
            evidence.poses.names[worst], self.quantity, quantile=coverage,
        )  # fmt: skip


class OrientationRepeatability(Criterion):
    """Three standard deviations of the rotation vector of an arm about the axis of its largest scatter.

    Judged for the same share of the arms as RP. ISO 9283:1998, 7.2.2, takes three angles instead.
    """

    name = "orientation repeatability"
    quantity = "angle"
    figure = Figure.ORIENTATION_REPEATABILITY
    figure_name = "orientation RP"

    def statistic(self, requirement: Requirement | None) -> str:
        return f"orientation RP of {percent(required_share(requirement))} of arms"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.orientation_repeatability

    def judged_share_of_arms(self, requirement: Requirement) -> float | None:
        return required_share(requirement)

    def judge(self, evidence: Evidence) -> Judgement | None:
        phrase = "{share} of arms repeat the orientation within {{}}"
        return judge_arms(self, evidence, phrase, "orientation_repeatability.p95")


class PathAccuracy(Criterion):
    """AT of ISO 9283:1998, 8.2, that a share of the built arms stays within: the largest AP along a path."""

    name = "path accuracy"
    word = "AT"
    figure = Figure.ACCURACY
    figure_name = "AT"
    along_paths = True

    def statistic(self, requirement: Requirement | None) -> str:
        return f"AT of {percent(required_share(requirement))} of arms"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.path_accuracy

    def judged_share_of_arms(self, requirement: Requirement) -> float | None:
        return required_share(requirement)

    def judge(self, evidence: Evidence) -> Judgement | None:
        return judge_arms(self, evidence, "{share} of arms follow the path within {{}} (AT)", "accuracy.p95")


class PathRepeatability(Criterion):
    """RT of ISO 9283:1998, 8.3, that a share of the built arms stays within: the largest RP along a path."""

    name = "path repeatability"
    word = "RT"
    figure = Figure.REPEATABILITY
    figure_name = "RT"
    along_paths = True

    def statistic(self, requirement: Requirement | None) -> str:
        return f"RT of {percent(required_share(requirement))} of arms"

    def limit(self, requirement: Requirement) -> float | None:
        return requirement.path_repeatability

    def judged_share_of_arms(self, requirement: Requirement) -> float | None:
        return required_share(requirement)

    def judge(self, evidence: Evidence) -> Judgement | None:
        return judge_arms(self, evidence, "{share} of arms repeat the path within {{}} (RT)", "repeatability.p95")


PER_ARM: tuple[Criterion, ...] = (
    Position(),
    Repeatability(),
    Orientation(),
    OrientationRepeatability(),
    PathAccuracy(),
    PathRepeatability(),
)
"""Criteria of single arms, which count for the yield."""
