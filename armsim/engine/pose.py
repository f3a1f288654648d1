"""All that is known of one pose, from its sample and its first order."""

from __future__ import annotations

import math

import numpy as np

from armsim.engine import statistics as stats
from armsim.engine.firstorder import Linearised
from armsim.engine.montecarlo import PoseSample
from armsim.engine.validation import validate
from armsim.model.machine import Situation
from armsim.results import (
    ErrorStatistics,
    FirstOrder,
    Matrix,
    OrientationStatistics,
    PoseResult,
    UnitQuantiles,
    Vector,
)
from armsim.spreads import Array


def pose_result(
    situation: Situation,
    linear: Linearised,
    coverage: float,
    name: str,
    joints: Array,
    pose: int,
    sample: PoseSample,
    accuracy: Array,
) -> PoseResult:
    """Statistics of a pose.

    Parameters
    ----------
    situation, linear
        All poses of the task.
    coverage : float
        Of the requirement.
    name, joints, pose
        Name, joint positions and number of this one.
    sample : PoseSample
    accuracy : (units,) [m]
        AP of every unit.
    """
    mean_square, spread = stats.mean_over_units(sample.moments[0] + sample.moments[1] + sample.moments[2])
    mean = sample.barycentre.mean(axis=1)
    xx, yy, zz, xy, xz, yz, turned = sample.moments.mean(axis=1)
    products = np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])
    wanted = dict.fromkeys((0.95, coverage))
    *found, p50, p99 = stats.nested_quantiles(sample.distance, list(wanted), sample.bins, plain=(0.5, 0.99))
    p95, at_coverage = found[0], found[-1]
    rms_interval = None
    if spread is not None:
        half = 1.96 * spread
        rms_interval = (math.sqrt(max(0.0, mean_square - half)), math.sqrt(mean_square + half))
    return PoseResult(
        name=name,
        joints=tuple(joints.tolist()),
        position=vector(situation.postures.tool[pose, :3, 3]),
        error=ErrorStatistics(
            mean=vector(mean),
            covariance=matrix(products - np.outer(mean, mean)),
            rms=math.sqrt(mean_square),
            rms_interval=rms_interval,
            p50=p50.value,
            p95=p95.value,
            p99=p99.value,
            max=float(sample.distance.max()),
            p95_interval=p95.interval,
            at_coverage=at_coverage.value,
            at_coverage_interval=at_coverage.interval,
        ),
        orientation_error=OrientationStatistics(
            rms=math.sqrt(float(turned)), p95=stats.Ranked(sample.turn, sample.bins).quantiles((0.95,))[0]
        ),
        accuracy=_unit_quantiles(accuracy),
        repeatability=_unit_quantiles(sample.repeatability),
        first_order=FirstOrder(
            mean=vector(linear.mean[pose]),
            rms=math.sqrt(linear.mean_square[pose]),
            covariance=matrix(linear.covariance[pose]),
            validation=validate(linear, pose, sample.displacement, sample.bins),
        ),
        shares=_shares(situation, linear, pose),
    )


def _shares(situation: Situation, linear: Linearised, pose: int) -> dict[str, dict[str, float]]:
    parts, bias = linear.shares(pose)
    shares: dict[str, dict[str, float]] = {}
    for term, share in zip(situation.terms, parts.tolist(), strict=True):
        own = shares.setdefault(term.owner, {})
        own[term.cause] = own.get(term.cause, 0.0) + share
    return {**shares, "bias": {"mean": bias}}


def _unit_quantiles(values: Array) -> UnitQuantiles:
    if math.isnan(values[0]):  # repeatability from a single visit
        return UnitQuantiles(None, None, None, None)
    p50, p95 = stats.unit_quantiles(values, (0.5, 0.95))
    return UnitQuantiles(p50.value, p95.value, p50.interval, p95.interval)


def vector(values: Array) -> Vector:
    """Three floats."""
    return (float(values[0]), float(values[1]), float(values[2]))


def matrix(values: Array) -> Matrix:
    """Three rows of three floats."""
    return (vector(values[0]), vector(values[1]), vector(values[2]))
