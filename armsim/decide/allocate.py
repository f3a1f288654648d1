"""From the requirement at the tool point to an error budget for the sensor of every joint.

All other errors (links, gears, mastering, heat) stay as they are and are subtracted first. The utilisation l at a pose
p is the largest ratio of a required figure to its limit, such as the quantile at the coverage over the position. It is
tied to the mean square error by a ratio k_p = l^2 / E|dp|^2 that the Monte Carlo gives:

    F_p + sum over joints of g_jp s_j^2  <=  1 / k_p

with F_p the mean square of the other errors, g_jp the squared column of the Jacobian, s_j the standard deviation of the
error of the joint. A limit on the orientation adds the same for the rotation of the tool. The solution is sampled with
a normal error of unit life on every joint, which gives better ratios. This repeats until the largest utilisation of the
sample is 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from armsim.arrays import Array
from armsim.assessment import AssessedTask
from armsim.criteria import LEADING
from armsim.decide.budget_split import levers, solve
from armsim.decide.decision_records import Scheme
from armsim.decide.error_budget import CLOSED, Allocation, Budget, equivalent_bits
from armsim.decide.obstacle import blamed, largest_parts, moved_to_output
from armsim.decide.utilisations import limited_quantities, smallest_error_limits, utilisations_by_quantity
from armsim.errormodel.distributions import NORMAL_95, Distribution
from armsim.errormodel.terms import Axis
from armsim.formatting import apart, percent, show
from armsim.model.encoder import Encoder
from armsim.model.encoder_parts import SheetSummary
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.mounting import Mounting
from armsim.requirement import Judgement
from armsim.requirement.requirement import Requirement
from armsim.run_options import RunOptions, no_progress
from armsim.sampling.first_order import linearise, rotation_mean_square
from armsim.sampling.random_draws import key
from armsim.study import Study

SCHEMES: tuple[Scheme, ...] = ("equal angles", "equal contributions", "least cost")
ROUNDS = 12
NOTHING_BITS = 60.0
"""Interpolation of an encoder without error of its own: below 1e-17 rad."""


def required(study: Study) -> Requirement:
    """The requirement of a study.

    Raises
    ------
    InputError
        There is none.
    """
    requirement = study.scenario.requirement
    if requirement is None:
        raise study.scenario.fault("requirement", "missing", "requirement: {position: 100 um, ...}")
    return requirement


def without_sensors(machine: Machine) -> Machine:
    """The machine with ideal sensors, whose errors no sensor can reduce."""
    joints = tuple(_ideal(joint) for joint in machine.joints)
    return replace(machine, joints=joints)


def _ideal(joint: Joint) -> Joint:
    encoder = joint.encoder
    resolution = NOTHING_BITS if encoder.rotary else 1e-17
    ideal = Encoder("ideal", encoder.measures, summary=SheetSummary(resolution))
    return replace(joint, encoder=ideal, motor_encoder=None, mounting=Mounting())


def with_budget(machine: Machine, std: dict[str, float]) -> Machine:
    """Machine whose sensors have normal unit errors with given standard deviations.

    Parameters
    ----------
    machine : Machine
    std : dict of joint to float
        Standard deviations. [rad or m]

    Returns
    -------
    Machine
    """
    extra = tuple((Axis(name), Distribution("normal", value)) for name, value in std.items() if math.isfinite(value))
    return replace(without_sensors(machine), tolerances=(*machine.tolerances, *extra))


def allocate(
    study: Study,
    exponent: float = 1.0,
    run_options: RunOptions = RunOptions(),
) -> Allocation:
    """Allocate error budgets to the joints by every scheme, verified by Monte Carlo; or give reasons why there are
    none.

    Parameters
    ----------
    study : Study
        With a requirement.
    exponent : float
        Exponent of the price law.

    Returns
    -------
    Allocation

    Raises
    ------
    InputError
        There is no requirement.
    RunError
        As `Study.run`.
    """
    scenario, tasks = study.scenario, study.scenario.tasks
    requirement = required(study)
    position = LEADING.limit(requirement)
    assert position is not None  # every requirement states it
    pose_sets = study.find(run_options.progress)
    reasons = []
    for task, poses in zip(tasks, pose_sets, strict=True):
        if poses.unreachable and task.must_reach:
            unreachable = ", ".join(point.name for point in poses.unreachable[:5])
            reasons.append(f"the arm cannot reach {unreachable} of task {task.name!r}")
    plan = replace(scenario.plan, tolerance=None)
    machine = scenario.machine
    fixed_machine = without_sensors(machine)
    q = np.concatenate([poses.configurations.joints for poses in pose_sets])
    names = [
        f"{name}, {task.name}" for task, poses in zip(scenario.tasks, pose_sets, strict=True) for name in poses.names
    ]
    quantities = limited_quantities(requirement, tasks)
    postures = machine.arm.postures(q)
    gains = np.sum(postures.column**2, axis=2)
    lever = levers(gains, [joint.revolute for joint in machine.arm.joints])
    evaluated = [fixed_machine.evaluated(poses.configurations) for poses in pose_sets]
    fixed = np.concatenate([linearise(of_task).mean_square for of_task in evaluated])
    if len(quantities) > 1:
        turning = np.where(postures.rotary[:, None], postures.direction, 0.0)
        gains = np.concatenate([gains, np.sum(turning**2, axis=2)])
        fixed = np.concatenate([fixed, *(rotation_mean_square(of_task) for of_task in evaluated)])
    paths = [poses.configurations.is_path for poses in pose_sets]
    limits = []
    for task, poses, path in zip(tasks, pose_sets, paths, strict=True):
        limit = LEADING.limit_at(requirement.of(task.name), path)
        limits.append(np.full(len(poses.names), math.inf if limit is None else limit))
    limit_at_poses = np.concatenate(limits)

    def sampled(of: Machine, options: RunOptions = run_options.silent, seed: int = plan.seed) -> _Sampled:
        """A machine at every pose."""
        changed = study.with_scenario(machine=of, plan=replace(plan, seed=seed))
        assessed_tasks, samples = changed.judge(pose_sets, options)
        columns = (f"{LEADING.errors}.at_coverage", f"{LEADING.errors}.at_coverage_interval")
        quantile, ends = (np.concatenate([task.table.column(name) for task in assessed_tasks]) for name in columns)
        utilisations = np.concatenate(
            utilisations_by_quantity(requirement, assessed_tasks, samples.tasks, paths, quantities)
        )
        return _Sampled(
            quantile, ends, utilisations, int(np.argmax(quantile / limit_at_poses)), _largest(assessed_tasks)
        )

    without_sensor_errors = sampled(fixed_machine, replace(run_options, progress=no_progress))
    most = without_sensor_errors.worst
    if without_sensor_errors.quantile[most] >= limit_at_poses[most]:
        ways = []
        for which, rearranged in moved_to_output(machine, blamed(fixed_machine, q[most])):
            remainder = float(sampled(without_sensors(rearranged)).quantile[most])
            ways.append(f"with the sensors of {which} on the output it would be {show(remainder)}")
        makes, most_allowed = apart(float(without_sensor_errors.quantile[most]), float(limit_at_poses[most]), show)
        reasons.append(
            f"no error is left to the sensors: {percent(requirement.coverage)} of the errors that links, gears and "
            f"mastering alone make lie within {makes} at {names[most]}, {most_allowed} required; most of it from "
            f"{largest_parts(fixed_machine, q[most])}" + "".join(f"; {way}" for way in ways)
        )
    reasons += [
        judgement.reason
        for judgement in without_sensor_errors.judgements
        if judgement.utilisation >= 1 and judgement.criterion != LEADING.name
    ]
    rotary = {joint.name: joint.revolute for joint in machine.arm.joints}
    fixed_alone = float(without_sensor_errors.quantile[most]), names[most]
    if reasons:
        return Allocation(
            position, requirement.coverage, *fixed_alone, exponent, rotary, (), tuple(reasons), requirement
        )
    budgets = []
    for number, scheme in enumerate(SCHEMES):
        run_options.progress("allocation", number, len(SCHEMES))
        ratio = (
            NORMAL_95**2 / smallest_error_limits(requirement, tasks, pose_sets, quantities) ** 2
        )  # of a normal law on a line
        gap = None
        for _ in range(ROUNDS):
            square = np.divide(1.0, ratio, out=np.full(len(ratio), np.inf), where=ratio > 0.0)
            # a ratio taken too high leaves something
            allowance = np.maximum(square - fixed, 1e-3 * square)
            # of several quantities each in its allowance, so that they compare
            unit = np.repeat(allowance.reshape(len(quantities), -1).min(axis=1), len(q))
            std, gap = solve(scheme, gains / unit[:, None], allowance / unit, lever, exponent)
            budget = with_budget(machine, dict(zip(rotary, std.tolist(), strict=True)))
            sample = sampled(budget)
            # over the mean square by first order, which the next round will go by
            square = fixed + gains @ np.where(np.isfinite(std), std, 0.0) ** 2
            ratio = sample.utilisations**2 / np.maximum(square, 1e-30)
            if abs(sample.utilisations.max() - 1) < CLOSED:
                break
        confirmation = sampled(budget, seed=confirming_seed(plan.seed))
        deviations = dict(zip(rotary, std.tolist(), strict=True))
        angles = {name: s for name, s in deviations.items() if s and math.isfinite(s) and rotary[name]}
        budgets.append(
            Budget(
                scheme,
                deviations,
                {name: equivalent_bits(s) for name, s in angles.items()},
                float(sample.quantile[sample.worst]),
                _interval(sample.ends[sample.worst]),
                names[sample.worst],
                float(np.sum((lever / std) ** exponent)),
                gap,
                float(confirmation.quantile[confirmation.worst]),
                _interval(confirmation.ends[confirmation.worst]),
                sample.judgements,
            )
        )
    run_options.progress("allocation", len(SCHEMES), len(SCHEMES))
    cheapest = min(budget.cost for budget in budgets)
    return Allocation(
        position,
        requirement.coverage,
        *fixed_alone,
        exponent,
        rotary,
        tuple(replace(budget, cost=budget.cost / cheapest) for budget in budgets),
        (),
        requirement,
    )


def confirming_seed(seed: int) -> int:
    """Seed of a population that a search from ``seed`` does not see."""
    return int.from_bytes(key(seed, "confirmation")[:7], "little")


@dataclass(frozen=True, eq=False)
class _Sampled:
    """A machine at every pose: quantile at the coverage with its interval [m], utilisations, the pose that decides."""

    quantile: Array
    ends: Array
    utilisations: Array
    worst: int
    judgements: tuple[Judgement, ...]


def _largest(assessed_tasks: Sequence[AssessedTask]) -> tuple[Judgement, ...]:
    """Judgement of every criterion with a limit, at the task where its utilisation is largest."""
    largest: dict[str, Judgement] = {}
    for task in assessed_tasks:
        for judgement in task.summary.judgements:
            previous = largest.get(judgement.criterion)
            if judgement.limit is not None and (previous is None or judgement.utilisation > previous.utilisation):
                largest[judgement.criterion] = judgement
    return tuple(largest.values())


def _interval(ends: Array) -> tuple[float, float] | None:
    return None if np.isnan(ends).any() else (float(ends[0]), float(ends[1]))
