"""Warnings that accompany a result: ineffective inputs, limits of first order, coarse or incomplete sampling."""

from __future__ import annotations

from armsim.causes import TEMPERATURE
from armsim.formatting import percent, show
from armsim.requirement.requirement import coverage_of
from armsim.results import JointBudget, OperationLimit, TaskResult
from armsim.sampling.sampler import Samples
from armsim.scenario import Scenario

SMALL_ANGLE = 0.05
"""Joint error beyond which a warning is issued: there the cosine differs from 1 by 0.001. [rad]"""


def _exceeds_small_angle(budget: JointBudget) -> bool:
    return budget.unit == "rad" and budget.rms > SMALL_ANGLE


def _failing_limits(limits: tuple[OperationLimit, ...]) -> tuple[str, ...]:
    failing = (limit for limit in limits if limit.failing)
    return tuple(
        f"{limit.joint}: the {limit.limit} would be wrong in {100 * limit.failing:.3g} % of the built arms; "
        "they do not pass"
        for limit in failing
    )


def _not_resolved(tasks: tuple[TaskResult, ...]) -> tuple[str, ...]:
    """Criteria that the sample does not resolve; a note for all tasks with the same reason."""
    tasks_by_doubt: dict[tuple[str, str], list[str]] = {}
    for task in tasks:
        for judgement in task.summary.judgements:
            if judgement.doubt:
                tasks_by_doubt.setdefault((judgement.statistic, judgement.doubt), []).append(task.name)
    return tuple(
        f"{statistic} at {', '.join(names)} is not resolved: {reason}"
        for (statistic, reason), names in tasks_by_doubt.items()
    )


def caveats(
    scenario: Scenario,
    tasks: tuple[TaskResult, ...],
    sampled: Samples,
    joints: dict[str, JointBudget],
    operation: tuple[OperationLimit, ...],
) -> tuple[str, ...]:
    """All warnings of a result."""
    plan, requirement = sampled.spec.plan, scenario.requirement
    out = list(scenario.notes)
    causes = {term.cause for term in scenario.machine.terms}
    rise = scenario.machine.environment.temperature_rise
    drifting = [
        j.name
        for j in scenario.machine.joints
        if j.temperature_rise is None and (j.encoder.drift.nonzero or j.encoder.signal.offset_drift.nonzero)
    ]
    names = {term.name for term in scenario.machine.terms}
    out += [
        f"temperature_rise of {joint.name} does nothing: no expansion of arm, drive or scale is stated, and no drift"
        for joint in scenario.machine.joints
        if joint.temperature_rise is not None and f"{joint.name}/temperature" not in names
    ]
    if rise is not None and TEMPERATURE not in causes:
        out.append("temperature_rise does nothing: no expansion of arm or scales is stated, and no drift")
    if rise is None and drifting:
        out.append(f"drift at {', '.join(drifting)} does nothing: no temperature_rise is stated")
    if scenario.machine.arm.couplings or scenario.machine.arm.followers:
        out.append(
            "couplings and followers are taken as exact: linkages, belts and wheels between drives and joints "
            "have no tolerance, play or stretch"
        )
    large = [f"{name} {show(budget.rms, 'rad')}" for name, budget in joints.items() if _exceeds_small_angle(budget)]
    if large:
        out.append(
            f"joint errors beyond small angles ({', '.join(large)} rms): kinematics stays exact, but causes are "
            "evaluated at the commanded joint positions, and first order fails"
        )
    coverage = coverage_of(requirement)
    if plan.units * (1 - coverage) < 10:
        out.append(
            f"{plan.units} arms: fewer than 10 lie beyond the coverage of {percent(coverage)}, so that quantiles "
            "are coarse; more arms (--units) refine them"
        )
    convergence = sampled.adaptive
    if convergence is not None and not convergence.reached:
        out.append(
            f"tolerance not reached with {plan.units} arms: the uncertainty of the quantile is "
            f"{convergence.doubt:.3g} times the tolerance"
        )
    for task in tasks:
        if task.near_singular:
            out.append(f"task {task.name!r}: {len(task.near_singular)} of its poses are near-singular")
        out += [f"task {task.name!r}: {note}" for note in task.notes]
        if task.unreachable:
            out.append(f"task {task.name!r}: {len(task.unreachable)} of its poses cannot be reached and are left out")
    return (*out, *_not_resolved(tasks), *_failing_limits(operation))
