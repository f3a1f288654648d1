"""Sensitivity of the tool-point error to every number of the machine.

There are two: the change per unit of measure, and the change when the number is reduced by 10 %. Both are changes of
the error quantile at the required coverage. They are computed with common random numbers: the same arms and visits are
evaluated with the number slightly larger, slightly smaller, and 10 % smaller
(`sampling.paired_difference.quantile_shift`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import PlainSerializer, computed_field

from armsim.arrays import Array
from armsim.criteria import POSITION_CRITERION, VELOCITY_RIPPLE, required_criteria, required_of_joints
from armsim.decide.display_units import Unit, display_unit_of
from armsim.decide.perturbation import sample_largest_errors
from armsim.decide.pose_population import FixedPhases, PosePopulation
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine
from armsim.model.parameters import StatedNumber, stated_numbers
from armsim.model.posture_cache import PostureCache
from armsim.requirement.requirement import coverage_of
from armsim.results import Result
from armsim.results.json_records import NotInRecord, record_as_dict
from armsim.results.pose_table import PoseTable
from armsim.run_options import RunOptions
from armsim.sampling.executors import map_in_threads
from armsim.sampling.first_order import linearise
from armsim.sampling.paired_difference import (
    UNITS_COMPARED,
    Difference,
    half_width_of_mean,
    influence,
    quantile_difference,
    quantile_shift,
)
from armsim.sampling.random_draws import UNIT_BLOCK
from armsim.sampling_plan import SamplingPlan
from armsim.study import Study
from armsim.tasks.base import name_key

STEP = 1e-3
"""Relative change of a number, up and down. It can be this small because both evaluations use the same draws."""
REDUCTION = 0.1
"""Share by which a number is reduced."""
LEAST_UNITS, MOST_UNITS = 16 * UNIT_BLOCK, 64 * UNIT_BLOCK
"""Limits on the number of units (simulated arms) sampled to compute a change; the plan's number is clipped to them."""
VISITS = 4
"""Largest number of visits per unit."""
NEGLIGIBLE = 1e-6
"""Change of the error per relative change of a number, as a share of the quantile, below which it has no effect."""


@dataclass(frozen=True)
class NumberSensitivity:
    """Effect of one number of the machine on the error of one task.

    Parameters
    ----------
    task : str
    path : str
        Path of the number in the scenario file, as used to change it.
    unit : Unit
        Unit of measure in which the number is shown.
    value : float
        Value of the number in that unit of measure.
    per_unit : Difference
        Change of the quantile at the worst pose per unit of measure of the number. [m]
    tenth_less : Difference
        Change of the task's largest quantile when the number is reduced by 10 %, at the pose that is then worst; not
        linearised in the number. [m]
    rms_tenth_less : float
        Change of the rms error over all poses when the number is reduced by 10 %. It is of first order in the errors:
        it needs only second moments, so no distribution is assumed. [m]
    """

    task: str
    path: str
    unit: Annotated[Unit, PlainSerializer(lambda unit: unit.name, return_type=str)]
    value: float
    per_unit: Difference
    tenth_less: Difference
    rms_tenth_less: float


@dataclass(frozen=True)
class CauseShare:
    """Share of one cause at one joint in the mean square error, at the worst pose and over all poses of a task."""

    task: str
    joint: str
    cause: str
    worst: float
    over_task: float


@dataclass(frozen=True, eq=False)
class Sensitivities:
    """Result of `armsim sensitivity`.

    Parameters
    ----------
    result : Result
        Result of the unchanged study.
    lines : tuple of NumberSensitivity
    parts : tuple of CauseShare
    """

    result: NotInRecord[Result]
    lines: tuple[NumberSensitivity, ...]
    parts: tuple[CauseShare, ...]
    format: Literal["armsim-sensitivity/2"] = "armsim-sensitivity/2"

    @computed_field  # type: ignore[prop-decorator]
    @property
    def scenario(self) -> str:
        """Name of the scenario."""
        return self.result.scenario

    @computed_field  # type: ignore[prop-decorator]
    @property
    def coverage(self) -> float:
        """Share of errors that must not exceed the quantile."""
        return coverage_of(self.result.requirement)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def not_covered(self) -> tuple[str, ...]:
        """Required criteria that the table does not cover: all but the error of the tool point."""
        requirement = self.result.requirement
        names = [criterion.name for criterion in required_criteria(requirement) if criterion is not POSITION_CRITERION]
        ripple = requirement is not None and bool(required_of_joints(requirement))
        return (*names, VELOCITY_RIPPLE) if ripple else tuple(names)

    def lines_of(self, task: str) -> list[NumberSensitivity]:
        """Sensitivities of a task, the largest effect of a reduction first."""
        return sorted((line for line in self.lines if line.task == task), key=lambda line: -abs(line.tenth_less.value))

    def cause_shares_of(self, task: str) -> list[CauseShare]:
        """Shares of the causes in the mean square error of a task, the largest first."""
        return sorted((part for part in self.parts if part.task == task), key=lambda part: -part.worst)

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units, except the numbers themselves, which are in display units."""
        return record_as_dict(self)


@dataclass(frozen=True, eq=False)
class TaskPopulation:
    """The sampled poses of a task, and the population at individual poses.

    Parameters
    ----------
    name : str
    machine : Machine
    table : PoseTable
    configurations : Configurations
    coverage : float
    plan : SamplingPlan
        Sample sizes of the table.
    populations : dict of int to PosePopulation
        Populations at the poses evaluated so far, by pose index; `population_at` adds to them.
    """

    name: str
    machine: Machine
    table: PoseTable
    configurations: Configurations
    coverage: float
    plan: SamplingPlan
    populations: dict[int, PosePopulation]

    @property
    def quantiles(self) -> Array:
        """Error quantile at the coverage per pose, shape (poses,). [m]"""
        return self.table.column("error.at_coverage")

    @property
    def worst(self) -> int:
        """Pose where that quantile is largest."""
        return int(np.argmax(self.quantiles))

    def population_at(self, pose: int) -> PosePopulation:
        """Population at a pose, evaluated once."""
        population = self.populations.get(pose)
        if population is None:
            units = min(max(self.plan.units, LEAST_UNITS), MOST_UNITS)
            clipped_plan = replace(self.plan, units=units, visits=min(self.plan.visits, VISITS))
            configuration = self.configurations[pose : pose + 1]
            population = PosePopulation.of(self.machine, clipped_plan, name_key(self.name), configuration)
            self.populations[pose] = population
        return population

    def line(self, number: StatedNumber) -> NumberSensitivity | None:
        """Sensitivity to a number; None if it has no effect."""
        changed = partial(_machine_with_factor, self.machine, number)
        population = self.population_at(self.worst)
        larger, smaller = (population.with_machine(changed(1.0 + sign * STEP)) for sign in (1.0, -1.0))
        if larger is None or smaller is None:
            return None
        if float(np.max(np.abs(larger - smaller))) <= 2.0 * STEP * NEGLIGIBLE * self.quantiles[self.worst]:
            return None
        display_unit = display_unit_of(number.key.kind, number.rotary, number.value)
        value = number.value / display_unit.si_value
        quantile_change, scale = quantile_shift(smaller, larger, self.coverage), 1.0 / (2.0 * STEP * value)
        # allowance for a unit with an extreme change that the sample lacks
        allowance = quantile_change.unsampled_half_width * abs(scale)
        per_unit = quantile_difference(
            quantile_change.value * scale, quantile_change.influences * scale, population.plan.units, allowance
        )
        return NumberSensitivity(
            self.name, number.path, display_unit, value, per_unit, *self._tenth_less(changed(1.0 - REDUCTION))
        )

    def _tenth_less(self, machine: Machine) -> tuple[Difference, float]:
        """Change of the largest quantile, and of the rms over the poses, with a changed machine. [m]"""
        before = self.table.column("first_order.rms")
        after = np.sqrt(linearise(machine.evaluate(self.configurations, self._postures)).mean_square)
        rms = float(np.sqrt(np.mean(after**2)) - np.sqrt(np.mean(before**2)))
        ratio = np.divide(self.quantiles, before, out=np.zeros_like(before), where=before > 0)
        pose = int(np.argmax(ratio * after))  # predicted worst pose after the change
        population = self.population_at(pose)
        distance = population.with_machine(machine)
        table_difference = float(self.quantiles[pose] - self.quantiles[self.worst])
        unchanged = population.distance
        shift = quantile_shift(unchanged, unchanged if distance is None else distance, self.coverage)
        # uncertainty of the table's quantiles, and allowance for a unit with an extreme change that the sample lacks
        further_half_width = math.hypot(self._difference_half_width(pose), shift.unsampled_half_width)
        value, units = table_difference + shift.value, population.plan.units
        return quantile_difference(value, shift.influences, units, further_half_width), rms

    @cached_property
    def _postures(self) -> PostureCache:
        """Kinematics at the poses, which machines of other sensors share."""
        return PostureCache(self.configurations.joints)

    def _difference_half_width(self, pose: int) -> float:
        """Half-width of the 95 % interval of the table's quantile at a pose minus that at the worst pose. [m]"""
        if pose == self.worst:
            return 0.0
        at_worst, at_pose = (
            influence(self.population_at(pose_number).distance, self.coverage) for pose_number in (self.worst, pose)
        )
        return half_width_of_mean((at_pose - at_worst)[: min(UNITS_COMPARED, self.plan.units)], self.plan.units)


def _machine_with_factor(machine: Machine, number: StatedNumber, factor: float) -> Machine:
    return FixedPhases.of(number.multiply(machine, factor), machine)


def sensitivities(
    study: Study,
    run_options: RunOptions = RunOptions(),
    joint: str = "",
) -> Sensitivities:
    """Sensitivity of the error to every number of a machine, or of one joint.

    Parameters
    ----------
    study : Study
    run_options : RunOptions
    joint : str
        Joint whose numbers are varied; all numbers of the machine where empty.

    Returns
    -------
    Sensitivities

    Raises
    ------
    RunError
        As `Study.run`.

    Examples
    --------
    >>> import armsim
    >>> study = armsim.load("scenarios/lessons/eccentricity.yaml").with_plan(units=200)
    >>> len(armsim.sensitivities(study).lines) > 0
    True
    """
    base_study, poses, result, samples = sample_largest_errors(study, run_options)
    scenario, coverage = base_study.scenario, samples.spec.coverage
    tasks = [
        TaskPopulation(
            task.name, scenario.machine, task.poses, points.configurations, coverage, scenario.plan, populations={}
        )
        for task, points in zip(result.tasks, poses, strict=True)
    ]
    for task in tasks:
        task.population_at(task.worst).distance  # noqa: B018  computed here so that threads find the cached value
    all_numbers = [number for number in stated_numbers(scenario.machine) if joint in ("", number.joint)]

    def lines_of(number: StatedNumber) -> list[NumberSensitivity | None]:
        out = []
        for task in tasks:
            run_options.check_stop()
            out.append(task.line(number))
        return out

    lines: list[list[NumberSensitivity | None]] = []
    rows = map_in_threads(run_options.threads, lines_of, all_numbers)
    for n, row in enumerate(rows):
        run_options.progress("numbers", n, len(all_numbers))
        lines.append(row)
    run_options.progress("numbers", len(all_numbers), len(all_numbers))
    ordered: list[NumberSensitivity] = []
    for column in zip(*lines, strict=True):
        ordered += sorted((line for line in column if line is not None), key=lambda line: -abs(line.tenth_less.value))
    return Sensitivities(result, tuple(ordered), tuple(part for task in tasks for part in _cause_shares(task)))


def _cause_shares(task: TaskPopulation) -> list[CauseShare]:
    out = []
    shares = task.table.contributions
    task_shares = task.table.mean_over_task(shares)
    for n, (owner, cause) in enumerate(task.table.share_names):
        if shares[task.worst, n]:
            out.append(CauseShare(task.name, owner, cause, float(shares[task.worst, n]), float(task_shares[n])))
    return sorted(out, key=lambda part: -part.worst)
