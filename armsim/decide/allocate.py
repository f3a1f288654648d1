"""From the requirement at the tool point to an error budget for the sensor of every joint.

What is not the sensors' (links, gears, mastering, heat) stays as it is and is taken off first. At every pose p the
largest load l, a figure over its limit (quantile at the coverage over the position, and whatever else is required of
the errors), is tied to the mean square error by a ratio k_p = l^2 / E|dp|^2 that the Monte Carlo tells:

    F_p + sum over joints of g_jp s_j^2  <=  1 / k_p

with F_p the mean square of the fixed part, g_jp the squared column of the Jacobian, s_j the standard deviation of the
error of the joint. That is solved, sampled with a normal error of unit life on every joint, the ratios are taken anew,
and so on until the sampled load at the pose that decides is 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from pydantic import computed_field

from armsim.arrays import Array
from armsim.assessment import Judged
from armsim.criteria import CRITERIA
from armsim.decide.budget_split import levers, solve
from armsim.decide.decision_records import Scheme
from armsim.decide.loads import error_loads
from armsim.decide.obstacle import blamed, largest_parts, moved_to_output
from armsim.errormodel.distributions import NORMAL_95, Distribution
from armsim.errormodel.terms import Axis
from armsim.formatting import apart, percent, show
from armsim.model.encoder import Encoder, SheetSummary
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.mounting import Mounting
from armsim.requirement import Judgement
from armsim.requirement.requirement import Requirement
from armsim.results.json_records import Beside, Finite, plain
from armsim.sampling.first_order import linearise
from armsim.sampling.plan import key
from armsim.sampling.run_options import RunOptions, no_progress
from armsim.study import Study

SCHEMES: tuple[Scheme, ...] = ("equal angles", "equal contributions", "least cost")
CLOSED = 0.005
"""Departure of the sampled load from 1 at which the loop is closed."""
ROUNDS = 12
FIRST = CRITERIA[0].name
"""Criterion whose obstacle is reported in full."""
NOTHING_BITS = 60.0
"""Interpolation of an encoder without error of its own: below 1e-17 rad."""


@dataclass(frozen=True)
class Budget:
    """Error budget of every joint by one scheme.

    Parameters
    ----------
    scheme : str
    std : mapping of joint to standard deviation [rad or m]
        Infinite where the joint does not move the tool point at any pose; null in JSON.
    bits : mapping of joint to bits per turn
        Resolution of an ideal encoder with that standard deviation, for rotary joints.
    verified : float
        Largest quantile at the coverage over its limit, sampled with these budgets. [m]
    verified_interval : (low, high), optional [m]
    pose : str
        Pose of the largest quantile.
    confirmed : float
        The largest quantile over all poses on a population that the loop has not seen. [m]
    confirmed_interval : (low, high), optional [m]
    cost : float
        Cost by the price law, relative to the cheapest scheme.
    gap : float, optional
        For ``least cost``: cost over the lower bound of its Lagrange dual, less one.
    """

    scheme: Scheme
    std: dict[str, Finite]
    bits: dict[str, float]
    verified: float
    verified_interval: tuple[float, float] | None
    pose: str
    cost: float
    gap: float | None
    confirmed: float
    confirmed_interval: tuple[float, float] | None
    judgements: tuple[Judgement, ...]
    """Judgement of every criterion with a limit, at the task where its load is largest, sampled with these budgets."""

    @property
    def unmet(self) -> tuple[Judgement, ...]:
        """Criteria that these budgets miss by more than the loop leaves open."""
        return tuple(judgement for judgement in self.judgements if judgement.load > 1 + CLOSED)


@dataclass(frozen=True)
class Allocation:
    """Result of `armsim allocate`: budgets by every scheme.

    ``fixed`` is the quantile at the coverage of what is not the sensors', at the pose where it is largest [m];
    ``exponent`` of the price law: an error s costs s^-exponent. ``reasons`` say why no sensors meet the requirement;
    then there are no budgets.
    """

    position: float
    coverage: float
    fixed: float
    fixed_pose: str
    exponent: float
    rotary: Beside[dict[str, bool]]
    budgets: tuple[Budget, ...]
    reasons: tuple[str, ...]
    format: Literal["armsim-allocation/1"] = "armsim-allocation/1"

    @computed_field  # type: ignore[prop-decorator]
    @property
    def met(self) -> bool:
        """Whether sensors without error would meet the requirement, and sensors with the budgets of one scheme do."""
        return not self.reasons and any(not budget.unmet for budget in self.budgets)

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units."""
        return plain(self)


def equivalent_bits(std: float) -> float:
    """Bits per turn of an ideal encoder with a standard deviation of step / sqrt(12), JCGM 100:2008 F.2.2.1."""
    return math.log2(2 * math.pi / (std * math.sqrt(12.0)))


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
    """The machine with ideal sensors: what is left is fixed."""
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
    pose_sets = study.find(run_options.progress)
    reasons = []
    for task, poses in zip(tasks, pose_sets, strict=True):
        if poses.unreachable and task.must_reach:
            lost = ", ".join(point.name for point in poses.unreachable[:5])
            reasons.append(f"the arm cannot reach {lost} of task {task.name!r}")
    plan = replace(scenario.plan, tolerance=None)
    machine = scenario.machine
    fixed_machine = without_sensors(machine)
    q = np.concatenate([poses.configurations.joints for poses in pose_sets])
    names = [
        f"{name}, {task.name}" for task, poses in zip(scenario.tasks, pose_sets, strict=True) for name in poses.names
    ]
    gains = np.sum(machine.arm.postures(q).column ** 2, axis=2)
    fixed = np.concatenate(
        [linearise(fixed_machine.evaluated(poses.configurations)).mean_square for poses in pose_sets]
    )

    position = np.concatenate(
        [
            np.full(len(poses.names), requirement.of(task.name).position)
            for task, poses in zip(tasks, pose_sets, strict=True)
        ]
    )

    def sampled(of: Machine, how: RunOptions = run_options.silent, seed: int = plan.seed) -> _Sampled:
        """A machine at every pose."""
        changed = study.with_scenario(machine=of, plan=replace(plan, seed=seed))
        judged, samples = changed.judge(pose_sets, how)
        columns = ("error.at_coverage", "error.at_coverage_interval")
        quantile, ends = (np.concatenate([task.table.column(name) for task in judged]) for name in columns)
        loads = np.concatenate(
            error_loads(requirement, judged, samples.tasks, [poses.configurations.is_path for poses in pose_sets])
        )
        return _Sampled(quantile, ends, loads, int(np.argmax(quantile / position)), _largest(judged))

    bare = sampled(fixed_machine, replace(run_options, progress=no_progress))
    most = bare.worst
    if bare.quantile[most] >= position[most]:
        ways = []
        for which, rearranged in moved_to_output(machine, blamed(fixed_machine, q[most])):
            remainder = float(sampled(without_sensors(rearranged)).quantile[most])
            ways.append(f"with the sensors of {which} on the output it would be {show(remainder)}")
        makes, limit = apart(float(bare.quantile[most]), float(position[most]), show)
        reasons.append(
            f"nothing is left for the sensors: {percent(requirement.coverage)} of the errors that links, gears and "
            f"mastering alone make lie within {makes} at {names[most]}, required {limit}; most of it from "
            f"{largest_parts(fixed_machine, q[most])}" + "".join(f"; {way}" for way in ways)
        )
    reasons += [
        judgement.reason for judgement in bare.judgements if judgement.load >= 1 and judgement.criterion != FIRST
    ]
    rotary = {joint.name: joint.revolute for joint in machine.arm.joints}
    fixed_alone = float(bare.quantile[most]), names[most]
    if reasons:
        return Allocation(
            requirement.position, requirement.coverage, *fixed_alone, exponent, rotary, (), tuple(reasons)
        )
    lever = levers(gains, list(rotary.values()))
    budgets = []
    for number, scheme in enumerate(SCHEMES):
        run_options.progress("allocation", number, len(SCHEMES))
        ratio = NORMAL_95**2 / position**2  # of a normal law along a line: where the first round begins
        gap = None
        for _ in range(ROUNDS):
            # a ratio taken too high leaves something
            allowance = np.maximum(1.0 / ratio - fixed, 1e-3 / ratio)
            std, gap = solve(scheme, gains, allowance, lever, exponent)
            budget = with_budget(machine, dict(zip(rotary, std.tolist(), strict=True)))
            sample = sampled(budget)
            # over the mean square by first order, which the next round will go by
            ratio = sample.loads**2 / (fixed + gains @ np.where(np.isfinite(std), std, 0.0) ** 2)
            if abs(sample.loads.max() - 1) < CLOSED:
                break
        again = sampled(budget, seed=confirming_seed(plan.seed))
        deviations = dict(zip(rotary, std.tolist(), strict=True))
        turning = {name: s for name, s in deviations.items() if s and math.isfinite(s) and rotary[name]}
        budgets.append(
            Budget(
                scheme,
                deviations,
                {name: equivalent_bits(s) for name, s in turning.items()},
                float(sample.quantile[sample.worst]),
                _interval(sample.ends[sample.worst]),
                names[sample.worst],
                float(np.sum((lever / std) ** exponent)),
                gap,
                float(again.quantile[again.worst]),
                _interval(again.ends[again.worst]),
                sample.judgements,
            )
        )
    run_options.progress("allocation", len(SCHEMES), len(SCHEMES))
    cheapest = min(budget.cost for budget in budgets)
    return Allocation(
        requirement.position,
        requirement.coverage,
        *fixed_alone,
        exponent,
        rotary,
        tuple(replace(budget, cost=budget.cost / cheapest) for budget in budgets),
        (),
    )


def confirming_seed(seed: int) -> int:
    """Seed of a population that a search from ``seed`` does not see."""
    return int.from_bytes(key(seed, "confirmation")[:7], "little")


@dataclass(frozen=True, eq=False)
class _Sampled:
    """A machine at every pose: quantile at the coverage with its interval [m], loads, the pose that decides."""

    quantile: Array
    ends: Array
    loads: Array
    worst: int
    judgements: tuple[Judgement, ...]


def _largest(judged: Sequence[Judged]) -> tuple[Judgement, ...]:
    """Judgement of every criterion with a limit, at the task where its load is largest."""
    largest: dict[str, Judgement] = {}
    for task in judged:
        for judgement in task.summary.judgements:
            previous = largest.get(judgement.criterion)
            if judgement.limit is not None and (previous is None or judgement.load > previous.load):
                largest[judgement.criterion] = judgement
    return tuple(largest.values())


def _interval(ends: Array) -> tuple[float, float] | None:
    return None if np.isnan(ends).any() else (float(ends[0]), float(ends[1]))
