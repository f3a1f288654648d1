"""From the requirement at the tool point to an error budget for the sensor of every joint.

All other errors (links, gears, mastering, heat) stay as they are and are subtracted first. The utilisation l at a pose
p is the largest ratio of a figure to its limit, such as the quantile at the coverage to the limit on the position. The
Monte Carlo gives its ratio to the mean square error, k_p = l^2 / E|dp|^2, so that the requirement reads

    F_p + sum over joints of g_jp s_j^2  <=  1 / k_p

with F_p the mean square of the other errors, g_jp the squared length of the column of the Jacobian, and s_j the
standard deviation of the error of the joint. A limit on the orientation adds inequalities of the same form for the
rotation of the tool. The solution is sampled with a normal error on every joint, drawn once per arm, which gives better
ratios. This repeats until the largest utilisation of the sample is 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from armsim.arrays import Array
from armsim.assessment import AssessedTask
from armsim.criteria import POSITION_CRITERION
from armsim.decide.budget_split import length_scales, split_budget
from armsim.decide.decision_records import Scheme
from armsim.decide.error_budget import UTILISATION_TOLERANCE, Allocation, Budget, equivalent_bits
from armsim.decide.obstacle import largest_contributions, largest_contributor, with_output_sensors
from armsim.decide.utilisations import limited_quantities, smallest_error_limits, utilisations_by_quantity
from armsim.errormodel.distributions import NORMAL_95, Distribution
from armsim.errormodel.terms import Axis
from armsim.formatting import distinguishable, percent, show
from armsim.model.encoder import Encoder
from armsim.model.encoder_parts import SheetSummary
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.mounting import Mounting
from armsim.requirement import Judgement
from armsim.requirement.requirement import Requirement
from armsim.run_options import RunOptions, no_progress
from armsim.sampling.first_order import linearise, rotation_mean_square
from armsim.sampling.random_draws import stream_key
from armsim.study import Study

SCHEMES: tuple[Scheme, ...] = ("equal angles", "equal contributions", "least cost")
ROUNDS = 12
IDEAL_BITS = 60.0
"""Interpolation of an ideal encoder, whose step is below 1e-17 rad."""


def requirement_of(study: Study) -> Requirement:
    """Requirement of a study.

    Raises
    ------
    InputError
        The scenario states no requirement.
    """
    requirement = study.scenario.requirement
    if requirement is None:
        raise study.scenario.fault("requirement", "missing", "requirement: {position: 100 um, ...}")
    return requirement


def without_sensors(machine: Machine) -> Machine:
    """Machine with ideal sensors: only the errors that no sensor can reduce remain."""
    joints = tuple(_ideal(joint) for joint in machine.joints)
    return replace(machine, joints=joints)


def _ideal(joint: Joint) -> Joint:
    encoder = joint.encoder
    resolution = IDEAL_BITS if encoder.rotary else 1e-17
    ideal = Encoder("ideal", encoder.measures, summary=SheetSummary(resolution))
    return replace(joint, encoder=ideal, motor_encoder=None, mounting=Mounting())


def with_budget(machine: Machine, std: dict[str, float]) -> Machine:
    """Machine whose sensors have normal errors, drawn once per arm, with given standard deviations.

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
    """Allocate error budgets to the joints by every scheme, verified by Monte Carlo, or state why there are none.

    Parameters
    ----------
    study : Study
        Study of a scenario with a requirement.
    exponent : float
        Exponent b of the price law: an error s costs in proportion to s^-b.

    Returns
    -------
    Allocation

    Raises
    ------
    InputError
        There is no requirement.
    RunError
        As raised by `Study.run`.
    """
    scenario, tasks = study.scenario, study.scenario.tasks
    requirement = requirement_of(study)
    position = POSITION_CRITERION.limit(requirement)
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
    length_scale = length_scales(gains, [joint.revolute for joint in machine.arm.joints])
    evaluated = [fixed_machine.evaluate(poses.configurations) for poses in pose_sets]
    fixed = np.concatenate([linearise(of_task).mean_square for of_task in evaluated])
    if len(quantities) > 1:
        turning = np.where(postures.rotary[:, None], postures.direction, 0.0)
        gains = np.concatenate([gains, np.sum(turning**2, axis=2)])
        fixed = np.concatenate([fixed, *(rotation_mean_square(of_task) for of_task in evaluated)])
    paths = [poses.configurations.is_path for poses in pose_sets]
    limits = []
    for task, poses, path in zip(tasks, pose_sets, paths, strict=True):
        limit = POSITION_CRITERION.limit_at(requirement.at_task(task.name), path)
        limits.append(np.full(len(poses.names), math.inf if limit is None else limit))
    limit_at_poses = np.concatenate(limits)

    def sampled(
        machine_sampled: Machine, options: RunOptions = run_options.silent, seed: int = plan.seed
    ) -> _SampledMachine:
        """A machine at every pose."""
        changed = study.with_scenario(machine=machine_sampled, plan=replace(plan, seed=seed))
        assessed_tasks, samples = changed.judge(pose_sets, options)
        columns = (
            f"{POSITION_CRITERION.error_column}.at_coverage",
            f"{POSITION_CRITERION.error_column}.at_coverage_interval",
        )
        quantile, ends = (np.concatenate([task.table.column(name) for task in assessed_tasks]) for name in columns)
        utilisations = np.concatenate(
            utilisations_by_quantity(requirement, assessed_tasks, samples.tasks, paths, quantities)
        )
        return _SampledMachine(
            quantile, ends, utilisations, int(np.argmax(quantile / limit_at_poses)), _worst_judgements(assessed_tasks)
        )

    without_sensor_errors = sampled(fixed_machine, replace(run_options, progress=no_progress))
    worst = without_sensor_errors.worst
    if without_sensor_errors.quantile[worst] >= limit_at_poses[worst]:
        suggestions = []
        for moved_joints, rearranged in with_output_sensors(machine, largest_contributor(fixed_machine, q[worst])):
            remainder = float(sampled(without_sensors(rearranged)).quantile[worst])
            suggestions.append(f"with the sensors of {moved_joints} on the output it would be {show(remainder)}")
        error_text, limit_text = distinguishable(
            float(without_sensor_errors.quantile[worst]), float(limit_at_poses[worst]), show
        )
        reasons.append(
            f"no error is left to the sensors: {percent(requirement.coverage)} of the errors that links, gears and "
            f"mastering alone make lie within {error_text} at {names[worst]}, {limit_text} required; most of it from "
            f"{largest_contributions(fixed_machine, q[worst])}" + "".join(f"; {text}" for text in suggestions)
        )
    reasons += [
        judgement.reason
        for judgement in without_sensor_errors.judgements
        if judgement.utilisation >= 1 and judgement.criterion != POSITION_CRITERION.name
    ]
    rotary = {joint.name: joint.revolute for joint in machine.arm.joints}
    fixed_error = float(without_sensor_errors.quantile[worst]), names[worst]
    if reasons:
        return Allocation(
            position, requirement.coverage, *fixed_error, exponent, rotary, (), tuple(reasons), requirement
        )
    budgets = []
    for number, scheme in enumerate(SCHEMES):
        run_options.progress("allocation", number, len(SCHEMES))
        ratio = (
            NORMAL_95**2 / smallest_error_limits(requirement, tasks, pose_sets, quantities) ** 2
        )  # of a normal law on a line
        gap = None
        for _ in range(ROUNDS):
            allowed_square = np.divide(1.0, ratio, out=np.full(len(ratio), np.inf), where=ratio > 0.0)
            # keeps an allowance if a ratio is estimated too large
            allowance = np.maximum(allowed_square - fixed, 1e-3 * allowed_square)
            # lengths and angles are comparable in units of their smallest allowances
            allowance_unit = np.repeat(allowance.reshape(len(quantities), -1).min(axis=1), len(q))
            std, gap = split_budget(
                scheme, gains / allowance_unit[:, None], allowance / allowance_unit, length_scale, exponent
            )
            budget = with_budget(machine, dict(zip(rotary, std.tolist(), strict=True)))
            sample = sampled(budget)
            # ratios to the first-order mean square, which the next round uses
            allowed_square = fixed + gains @ np.where(np.isfinite(std), std, 0.0) ** 2
            ratio = sample.utilisations**2 / np.maximum(allowed_square, 1e-30)
            if abs(sample.utilisations.max() - 1) < UTILISATION_TOLERANCE:
                break
        confirmation = sampled(budget, seed=confirmation_seed(plan.seed))
        deviations = dict(zip(rotary, std.tolist(), strict=True))
        angles = {name: s for name, s in deviations.items() if s and math.isfinite(s) and rotary[name]}
        budgets.append(
            Budget(
                scheme,
                deviations,
                {name: equivalent_bits(s) for name, s in angles.items()},
                float(sample.quantile[sample.worst]),
                _interval(sample.bounds[sample.worst]),
                names[sample.worst],
                float(np.sum((length_scale / std) ** exponent)),
                gap,
                float(confirmation.quantile[confirmation.worst]),
                _interval(confirmation.bounds[confirmation.worst]),
                sample.judgements,
            )
        )
    run_options.progress("allocation", len(SCHEMES), len(SCHEMES))
    cheapest = min(budget.cost for budget in budgets)
    return Allocation(
        position,
        requirement.coverage,
        *fixed_error,
        exponent,
        rotary,
        tuple(replace(budget, cost=budget.cost / cheapest) for budget in budgets),
        (),
        requirement,
    )


def confirmation_seed(seed: int) -> int:
    """Seed of a population that is independent of that of ``seed``."""
    return int.from_bytes(stream_key(seed, "confirmation")[:7], "little")


@dataclass(frozen=True, eq=False)
class _SampledMachine:
    """Sample of a machine: quantile at the coverage per pose, with its interval [m], utilisations, worst pose."""

    quantile: Array
    bounds: Array
    utilisations: Array
    worst: int
    judgements: tuple[Judgement, ...]


def _worst_judgements(assessed_tasks: Sequence[AssessedTask]) -> tuple[Judgement, ...]:
    """Judgement of every limited criterion at the task with its largest utilisation."""
    largest: dict[str, Judgement] = {}
    for task in assessed_tasks:
        for judgement in task.summary.judgements:
            previous = largest.get(judgement.criterion)
            if judgement.limit is not None and (previous is None or judgement.utilisation > previous.utilisation):
                largest[judgement.criterion] = judgement
    return tuple(largest.values())


def _interval(ends: Array) -> tuple[float, float] | None:
    return None if np.isnan(ends).any() else (float(ends[0]), float(ends[1]))
