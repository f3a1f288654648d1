"""From the requirement at the tool point to an error budget for the sensor of every joint.

What is not the sensors' (links, gears, mastering, heat) stays as it is and is taken off first. At every pose p the
quantile q at the coverage is tied to the mean square error by a ratio k_p = q^2 / E|dp|^2 that the Monte Carlo tells:

    F_p + sum over joints of g_jp s_j^2  <=  position^2 / k_p

with F_p the mean square of the fixed part, g_jp the squared column of the Jacobian, s_j the standard deviation of the
error of the joint. That is solved, sampled with a normal error of unit life on every joint, the ratios are taken anew,
and so on until the sampled quantile at the pose that decides is the requirement.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.decide import decision_records
from armsim.decide.budget_split import levers, solve
from armsim.decide.decision_records import Scheme
from armsim.decide.obstacle import blamed, largest_parts, moved_to_output
from armsim.errormodel.distributions import NORMAL_95, Distribution
from armsim.errormodel.terms import Axis
from armsim.formatting import apart, percent, show
from armsim.model.encoder import Encoder, SheetSummary
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.mounting import Mounting
from armsim.requirement.requirement import Requirement
from armsim.results.json_records import plain
from armsim.sampling.first_order import linearise
from armsim.sampling.layout import MEMORY
from armsim.sampling.plan import key
from armsim.sampling.sampler import Progress
from armsim.study import Study

SCHEMES: tuple[Scheme, ...] = ("equal angles", "equal contributions", "least cost")
CLOSED = 0.005
"""Departure of the sampled quantile from the requirement at which the loop is closed."""
ROUNDS = 12
NOTHING_BITS = 60.0
"""Interpolation of an encoder without error of its own: below 1e-17 rad."""


@dataclass(frozen=True)
class Budget:
    """What each joint may get wrong by one scheme.

    Parameters
    ----------
    scheme : str
    std : mapping of joint to standard deviation [rad or m]
        Infinite where the joint does not move the tool point at any pose.
    verified : float
        Quantile at the coverage at the pose that decides, sampled with these budgets. [m]
    verified_interval : (low, high), optional [m]
    pose : str
        That pose.
    confirmed : float
        The largest quantile over all poses on a population that the loop has not seen. [m]
    confirmed_interval : (low, high), optional [m]
    cost : float
        By the price law, relative to the cheapest scheme.
    gap : float, optional
        Of ``least cost``: cost over the lower bound of its Lagrange dual, less one.
    """

    scheme: Scheme
    std: dict[str, float]
    verified: float
    verified_interval: tuple[float, float] | None
    pose: str
    cost: float
    gap: float | None = None
    confirmed: float = math.nan
    confirmed_interval: tuple[float, float] | None = None


@dataclass(frozen=True)
class Allocation:
    """Budgets by every scheme.

    ``fixed`` is the quantile at the coverage of what is not the sensors', at the pose where it is largest [m];
    ``exponent`` of the price law: an error s costs s^-exponent. ``reasons`` say why no sensors meet the requirement;
    then there are no budgets.
    """

    position: float
    coverage: float
    fixed: float
    fixed_pose: str
    exponent: float
    rotary: dict[str, bool]
    budgets: tuple[Budget, ...]
    reasons: tuple[str, ...] = ()

    @property
    def met(self) -> bool:
        """Whether sensors without error at least would meet the requirement."""
        return not self.reasons

    def to_dict(self) -> dict[str, Any]:
        """For JSON, as `decision_records.AllocationRecord`; SI units."""
        budgets = []
        for budget in self.budgets:
            std = {name: value if math.isfinite(value) else None for name, value in budget.std.items()}
            bits = {name: equivalent_bits(value) for name, value in std.items() if value and self.rotary[name]}
            own = {**vars(budget), "std": std, "bits": bits}
            budgets.append(decision_records.BudgetRecord(**own))
        own = {key: value for key, value in vars(self).items() if key not in ("rotary", "budgets")}
        return plain(decision_records.AllocationRecord(**own, met=self.met, budgets=tuple(budgets)))


def equivalent_bits(std: float) -> float:
    """Bits a turn of an ideal encoder whose steps alone scatter so much: step / sqrt(12), JCGM 100:2008 F.2.2.1."""
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
    """A machine whose sensors have a normal error of unit life of these standard deviations. [rad or m]"""
    extra = tuple((Axis(name), Distribution("normal", value)) for name, value in std.items() if math.isfinite(value))
    return replace(without_sensors(machine), tolerances=(*machine.tolerances, *extra))


def allocate(
    study: Study,
    exponent: float = 1.0,
    workers: int | None = None,
    progress: Progress = lambda what, done, total: None,
    memory: int = MEMORY,
    note: Callable[[str], None] = lambda text: None,
) -> Allocation:
    """Budgets for every joint by every scheme, each verified by Monte Carlo; or why there are none.

    Parameters
    ----------
    study : Study
        With a requirement.
    exponent : float
        Of the price law.

    Raises
    ------
    InputError
        There is no requirement.
    RunError
        As `Study.run`.
    """
    scenario = study.scenario
    requirement = required(study)
    found = study.find(progress)
    reasons = []
    for task, poses in zip(study.scenario.tasks, found, strict=True):
        if poses.unreachable and task.must_reach:
            lost = ", ".join(point.name for point in poses.unreachable[:5])
            reasons.append(f"the arm cannot reach {lost} of task {task.name!r}")
    plan = replace(scenario.plan, tolerance=None)
    machine = scenario.machine
    fixed_machine = without_sensors(machine)
    q = np.concatenate([poses.configurations.joints for poses in found])
    names = [f"{name}, {task.name}" for task, poses in zip(scenario.tasks, found, strict=True) for name in poses.names]
    gains = np.sum(machine.arm.postures(q).column ** 2, axis=2)
    fixed = np.concatenate([linearise(fixed_machine.evaluated(poses.configurations)).mean_square for poses in found])

    def sampled(
        of: Machine, say: Callable[[str], None] = lambda text: None, seed: int = plan.seed
    ) -> tuple[Array, Array]:
        """Quantile at the coverage and its interval, at every pose."""
        own = study.with_scenario(machine=of, plan=replace(plan, seed=seed))
        tasks, _ = own.judge(found, workers, memory=memory, note=say)
        paths = ("error.at_coverage", "error.at_coverage_interval")
        quantile, ends = (np.concatenate([task.table.column(path) for task in tasks]) for path in paths)
        return quantile, ends

    alone, _ = sampled(fixed_machine, note)
    most = int(np.argmax(alone))
    if alone[most] >= requirement.position:
        ways = []
        for which, moved in moved_to_output(machine, blamed(fixed_machine, q[most])):
            left = float(sampled(without_sensors(moved))[0].max())
            ways.append(f"with the sensors of {which} on the output it would be {show(left)}")
        makes, asked = apart(float(alone[most]), requirement.position, show)
        reasons.append(
            f"nothing is left for the sensors: {percent(requirement.coverage)} of the errors that links, gears and "
            f"mastering alone make lie within {makes} at {names[most]}, required {asked}; most of it from "
            f"{largest_parts(fixed_machine, q[most])}" + "".join(f"; {way}" for way in ways)
        )
    rotary = {joint.name: joint.revolute for joint in machine.arm.joints}
    if reasons:
        fixed_alone = float(alone[most]), names[most]
        return Allocation(
            requirement.position, requirement.coverage, *fixed_alone, exponent, rotary, (), tuple(reasons)
        )
    lever = levers(gains, list(rotary.values()))
    budgets = []
    for number, scheme in enumerate(SCHEMES):
        progress("allocation", number, len(SCHEMES))
        ratio = np.full(len(fixed), NORMAL_95**2)  # of a normal law along a line: where the first round begins
        gap = None
        for _ in range(ROUNDS):
            allowance = requirement.position**2 / ratio - fixed
            allowance = np.maximum(
                allowance, 1e-3 * requirement.position**2 / ratio
            )  # a ratio taken too high leaves something
            std, gap = solve(scheme, gains, allowance, lever, exponent)
            quantile, intervals = sampled(with_budget(machine, dict(zip(rotary, std.tolist(), strict=True))))
            # over the mean square by first order, which the next round will go by
            ratio = quantile**2 / (fixed + gains @ np.where(np.isfinite(std), std, 0.0) ** 2)
            worst = int(np.argmax(quantile))
            if abs(quantile[worst] / requirement.position - 1) < CLOSED:
                break
        ends = intervals[worst]
        budget = with_budget(machine, dict(zip(rotary, std.tolist(), strict=True)))
        again, again_ends = sampled(budget, seed=confirming_seed(plan.seed))
        largest = int(np.argmax(again))
        budgets.append(
            Budget(
                scheme,
                dict(zip(rotary, std.tolist(), strict=True)),
                float(quantile[worst]),
                _interval(ends),
                names[worst],
                float(np.sum((lever / std) ** exponent)),
                gap,
                float(again[largest]),
                _interval(again_ends[largest]),
            )
        )
    progress("allocation", len(SCHEMES), len(SCHEMES))
    cheapest = min(budget.cost for budget in budgets)
    return Allocation(
        requirement.position,
        requirement.coverage,
        float(alone[most]),
        names[most],
        exponent,
        rotary,
        tuple(replace(budget, cost=budget.cost / cheapest) for budget in budgets),
    )


def confirming_seed(seed: int) -> int:
    """Seed of a population that a search from ``seed`` does not see."""
    return int.from_bytes(key(seed, "confirmation")[:7], "little")


def _interval(ends: Array) -> tuple[float, float] | None:
    return None if np.isnan(ends).any() else (float(ends[0]), float(ends[1]))
