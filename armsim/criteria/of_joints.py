"""Criteria judged joint by joint: velocity ripple, and operating limits of the sensors."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from armsim.criteria.evidence import required_share
from armsim.formatting import show_speed
from armsim.requirement import Judgement
from armsim.requirement.requirement import Requirement
from armsim.results.joints import JointMotion, OperationLimit, SteadySpeed

Motions = Mapping[str, JointMotion | SteadySpeed]
"""By joint."""
RIPPLE = "ripple of the speed of 95 % of arms"
"""Criteria of joints with a stated speed."""


def judge_joints(
    requirement: Requirement | None, motion: Motions, operation: Sequence[OperationLimit], units: int
) -> tuple[Judgement, ...]:
    """Judgements of joints with a stated speed, and of sensors with operating limits.

    Parameters
    ----------
    requirement : Requirement, optional
    motion : mapping of joint to JointMotion or SteadySpeed
    operation : sequence of OperationLimit
    units : int
        Built arms sampled.

    Returns
    -------
    tuple of Judgement
    """
    if requirement is None:
        return ()
    return (*_ripple(requirement, motion, units), *_operation(requirement, operation, units))


def _ripple(requirement: Requirement, motion: Motions, units: int) -> Iterator[Judgement]:
    limit = requirement.velocity_ripple
    for name, joint in motion.items() if limit is not None else ():
        noise = joint.noise / joint.speed
        ends = joint.ripple_p95_interval or (0.0, math.inf)
        speed = show_speed(joint.speed, joint.unit)
        yield Judgement.of(
            "velocity ripple", RIPPLE,
            f"95 % of arms ripple by up to {{}} rms of {speed}", joint.smoothness,
            (math.hypot(ends[0], noise), math.hypot(ends[1], noise)), limit, units, name, "share",
        )  # fmt: skip


def _operation(requirement: Requirement, operation: Sequence[OperationLimit], units: int) -> Iterator[Judgement]:
    """Judgement that the required share of arms stays within an operating limit."""
    for limit in operation:
        low, high = limit.failing_interval
        yield Judgement.of(
            "operation", f"arms whose {limit.limit} never slips", f"the {limit.limit} never slips in {{}} of arms",
            1.0 - limit.failing, (1.0 - high, 1.0 - low), required_share(requirement), units, limit.joint, "share",
            at_least=True,
        )  # fmt: skip
