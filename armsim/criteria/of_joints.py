"""The criteria that are judged at every joint whose speed is stated."""

from __future__ import annotations

import math
from collections.abc import Mapping

from armsim.formatting import show_speed
from armsim.requirement import Judgement
from armsim.requirement.requirement import Requirement
from armsim.results.joints import JointMotion

RIPPLE = "ripple of the speed of 95 % of arms"
"""What is required of joints whose speed is stated."""


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
                "velocity ripple", RIPPLE,
                f"95 % of arms ripple by up to {{}} rms of {speed}", joint.smoothness,
                (math.hypot(ends[0], noise), math.hypot(ends[1], noise)), limit, units, name, "share",
            )
        )  # fmt: skip
    return tuple(out)
