"""Criteria judged joint by joint: velocity ripple, and operating limits of the sensors.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from armsim.criteria.evidence import required_share
from armsim.criteria.paired_changes import CriterionChange
from armsim.formatting import percent, show_speed
from armsim.model.machine import Machine
from armsim.model.motion import Motion
from armsim.requirement import Judgement
from armsim.requirement.requirement import Requirement
from armsim.results.joints import JointMotion, OperationLimit, SteadySpeed
from armsim.sampling.operation_limits import limits_of, margins_of_all_units
from armsim.sampling.paired_difference import (
    Difference,
    influence,
    quantile_difference,
    share_difference,
    zero_if_rounding,
)
from armsim.sampling.speed_ripple import ripple_of_units, steady_speed
from armsim.sampling.statistics import LEVEL
from armsim.sampling_plan import SamplingPlan

Motions = Mapping[str, JointMotion | SteadySpeed]
"""Motion at constant speed, by joint."""
VELOCITY_RIPPLE, OPERATION = "velocity ripple", "operation"
"""Names of the criteria; the ripple applies to joints with a stated speed."""
RIPPLE = "ripple of the speed of 95 % of arms"
"""Statistic of the velocity ripple in reports: the ripple that 95 % of arms do not exceed."""


def required_of_joints(requirement: Requirement) -> str:
    """Requirement on the joints as a phrase; empty where nothing is required."""
    limit = requirement.velocity_ripple
    return "" if limit is None else f"{RIPPLE} within {percent(limit)}"


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
    return (*_ripple_judgements(requirement, motion, units), *_operation_judgements(requirement, operation, units))


def _ripple_judgements(requirement: Requirement, motion: Motions, units: int) -> Iterator[Judgement]:
    limit = requirement.velocity_ripple
    for name, joint_motion in motion.items() if limit is not None else ():
        noise = joint_motion.noise / joint_motion.speed
        ends = joint_motion.ripple_p95_interval or (0.0, math.inf)
        speed = show_speed(joint_motion.speed, joint_motion.unit)
        yield Judgement.from_interval(
            VELOCITY_RIPPLE, RIPPLE,
            f"95 % of arms ripple by up to {{}} rms of {speed}", joint_motion.smoothness,
            (math.hypot(ends[0], noise), math.hypot(ends[1], noise)), limit, units, name, "share",
        )  # fmt: skip


def statistic_of(limit_name: str) -> str:
    """Column header for an operating limit: the arms that keep it."""
    return f"arms whose {limit_name} never slips"


def _operation_judgements(
    requirement: Requirement, operation: Sequence[OperationLimit], units: int
) -> Iterator[Judgement]:
    """Judgement that the required share of arms stays within an operating limit."""
    for limit in operation:
        low, high = limit.failing_interval
        yield Judgement.from_interval(
            OPERATION, statistic_of(limit.limit), f"the {limit.limit} never slips in {{}} of arms",
            1.0 - limit.failing, (1.0 - high, 1.0 - low), required_share(requirement), units, limit.joint, "share",
            at_least=True,
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class EvaluatedJoints:
    """The joints of a design, with their speeds, sampling plan and judgements."""

    machine: Machine
    motion: Motion | None
    plan: SamplingPlan
    judgements: Sequence[Judgement]

    @staticmethod
    def evaluate(
        requirement: Requirement | None, machine: Machine, motion: Motion | None, plan: SamplingPlan
    ) -> EvaluatedJoints:
        """The joints of a machine, including its hypothetical changes.

        Only joints with a stated speed are evaluated for ripple.

        Parameters
        ----------
        requirement : Requirement, optional
        machine : Machine
        motion : Motion, optional
        plan : SamplingPlan

        Returns
        -------
        EvaluatedJoints
        """
        speeds: dict[str, JointMotion | SteadySpeed] = {}
        if motion is not None and requirement is not None and requirement.velocity_ripple is not None:
            for joint in machine.joints:
                if joint.name in motion.speeds:
                    speed = motion.speeds[joint.name]
                    speeds[joint.name] = steady_speed(joint, speed, motion, plan.seed, machine.changes)
        limits = () if requirement is None else limits_of(machine, plan)
        return EvaluatedJoints(machine, motion, plan, judge_joints(requirement, speeds, limits, plan.units))


def changes_of_joints(first_design: EvaluatedJoints, second_design: EvaluatedJoints) -> tuple[CriterionChange, ...]:
    """Paired differences of two designs in every criterion of a joint that judges both.

    Parameters
    ----------
    first_design, second_design : EvaluatedJoints

    Returns
    -------
    tuple of CriterionChange
    """
    judgements = {(row.criterion, row.statistic, row.where): row for row in second_design.judgements}
    out = []
    for first in first_design.judgements:
        second = judgements.get((first.criterion, first.statistic, first.where))
        if second is None:
            continue
        ripple = first.criterion == VELOCITY_RIPPLE
        change = (
            _ripple_change(first, second, first_design, second_design)
            if ripple
            else _share_change(first, first_design, second_design)
        )
        out.append(
            CriterionChange(
                criterion=first.criterion, noun=first.criterion, phrase=f"{first.statistic} at {first.where}",
                quantity=first.quantity, at_least=first.at_least, joint=first.where, change=change,
                values=(first.value, second.value), states=(first.state, second.state),
            )
        )  # fmt: skip
    return tuple(out)


def _ripple_change(
    first: Judgement, second: Judgement, first_design: EvaluatedJoints, second_design: EvaluatedJoints
) -> Difference:
    """Paired difference of ripple and noise combined; the noise is known, so only the ripple differs between arms."""
    influences = []
    for judgement, design in ((first, first_design), (second, second_design)):
        assert design.motion is not None  # a joint without a stated speed is not judged
        joint = next(joint for joint in design.machine.joints if joint.name == judgement.where)
        ripple = ripple_of_units(
            joint,
            design.motion.speeds[joint.name],
            design.motion,
            design.plan.seed,
            design.machine.changes,
        )
        p95 = np.quantile(ripple, LEVEL, method="inverted_cdf")
        slope = p95 / judgement.value if judgement.value else 0.0  # of hypot(ripple, noise) with respect to ripple
        influences.append(influence(ripple[None], LEVEL) * slope)
    value = second.value - first.value
    return zero_if_rounding(
        quantile_difference(value, influences[1] - influences[0], len(influences[0])), max(first.value, second.value)
    )


def _share_change(judgement: Judgement, first_design: EvaluatedJoints, second_design: EvaluatedJoints) -> Difference:
    """Paired difference of the share of arms that keep an operating limit."""
    identity, within_limit = (judgement.where, judgement.statistic), []
    for design in (first_design, second_design):
        margins = (
            margin
            for joint, limit_name, margin in margins_of_all_units(design.machine, design.plan)
            if (joint, statistic_of(limit_name)) == identity
        )
        within_limit.append(next(margins) >= 0.0)
    return share_difference(*within_limit)
