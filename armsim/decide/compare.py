"""Comparison of designs: same poses, same random numbers for the same cause on the same joint."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import computed_field

from armsim.arrays import Array
from armsim.decide.paired_tasks import Evaluated, at_worst_pose, half_widths, repeatability, yield_difference
from armsim.errormodel.distributions import NORMAL_95
from armsim.errors import InputError, Problem
from armsim.requirement import Verdict
from armsim.requirement.requirement import Requirement
from armsim.results import Result, Summary
from armsim.results.json_records import Beside, plain
from armsim.sampling.paired_difference import Difference
from armsim.sampling.run_options import RunOptions
from armsim.study import Study


@dataclass(frozen=True)
class PoseDifference:
    """Difference of the quantile at a pose, and half of its 95 % interval. [m]"""

    difference: float
    half_width: float | None


@dataclass(frozen=True, eq=False)
class TaskDifference:
    """One design less the first, at one task.

    Parameters
    ----------
    task, scenario : str
    at_coverage : Difference [m]
        Of the quantile of the error at the coverage, each design at its own worst pose.
    repeatability : Difference, optional [m]
        Of the RP that 95 % of units keep to at all poses.
    passing : Difference, optional
        Of the yield.
    price : float
    poses : tuple of str
        Those that all designs reach.
    values, half_widths : (poses,) [m]
        Difference of that quantile at each, and half of its 95 % interval.
    """

    task: str
    scenario: str
    at_coverage: Difference
    repeatability: Difference | None
    passing: Difference | None
    price: float
    poses: tuple[str, ...]
    values: Beside[Array]
    half_widths: Beside[Array]

    @computed_field  # type: ignore[prop-decorator]
    @property
    def at_poses(self) -> tuple[PoseDifference, ...]:
        """The same pose by pose."""
        pairs = zip(self.values.tolist(), self.half_widths.tolist(), strict=True)
        return tuple(PoseDifference(value, None if math.isnan(half) else half) for value, half in pairs)

    @property
    def joint_widths(self) -> Array:
        """Half of intervals that hold at all poses together with 95 %, shape (poses,). [m]

        Source: Bonferroni's inequality; each pose is given its share of the 5 %.
        """
        from scipy.special import ndtri

        return np.asarray(self.half_widths * float(ndtri(1 - 0.025 / len(self.poses))) / NORMAL_95)

    @property
    def better(self) -> NDArray[np.bool_]:
        """Poses at which the design is better for certain, all poses taken together, shape (poses,)."""
        return np.asarray(self.values + self.joint_widths < 0)

    @property
    def worse(self) -> NDArray[np.bool_]:
        """Poses at which it is worse for certain, all poses taken together, shape (poses,)."""
        return np.asarray(self.values - self.joint_widths > 0)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def flips(self) -> tuple[str, ...]:
        """Poses at which the order of the two designs is the other way round than at most poses."""
        better, worse = self.better, self.worse
        against = worse if better.sum() >= worse.sum() else better
        return tuple(name for name, other in zip(self.poses, against, strict=True) if other) if against.any() else ()


@dataclass(frozen=True)
class DesignTask:
    """A task of a design."""

    name: str
    summary: Summary


@dataclass(frozen=True)
class Design:
    """A design."""

    scenario: str
    price: float
    state: Verdict
    tasks: tuple[DesignTask, ...]

    @staticmethod
    def of(result: Result) -> Design:
        """Of its result."""
        tasks = tuple(DesignTask(task.name, task.summary) for task in result.tasks)
        return Design(result.scenario, result.price, result.state, tasks)


@dataclass(frozen=True, eq=False)
class Comparison:
    """Of `armsim compare`: results of every design at the common poses, and the differences of all others to the first.

    All are judged by the requirement of the first; ``other_requirements`` are those of designs that state another.
    """

    results: Beside[tuple[Result, ...]]
    differences: tuple[TaskDifference, ...]
    other_requirements: dict[str, Requirement | None]
    format: Literal["armsim-comparison/3"] = "armsim-comparison/3"

    @computed_field  # type: ignore[prop-decorator]
    @property
    def designs(self) -> tuple[Design, ...]:
        """What is known of each design alone."""
        return tuple(Design.of(result) for result in self.results)

    def to_dict(self) -> dict[str, Any]:
        """For JSON; SI units."""
        return plain(self)

    @property
    def quantile(self) -> str:
        """The quantile of the errors by which the designs are held against each other, in words."""
        return self.results[0].quantile


def compare(
    studies: Sequence[Study],
    run_options: RunOptions = RunOptions(),
) -> Comparison:
    """Compare designs with the first of them.

    Poses that one of them cannot reach are left out for all. Every design takes the sampling plan of the first.

    Parameters
    ----------
    studies : sequence of Study
        The first is the reference.
    run_options : RunOptions

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        Fewer than two designs, two of one name, or tasks that differ.
    RunError
        As `Study.run`.
    """
    others = _other_requirements(studies)
    studies = _matched(studies)
    sets = [study.find(run_options.progress) for study in studies]
    common = []
    for task in range(len(sets[0])):
        others_names = [set(poses[task].names) for poses in sets[1:]]
        names = [name for name in sets[0][task].names if all(name in other for other in others_names)]
        if not names:
            task_name = studies[0].scenario.tasks[task].name
            raise studies[0].scenario.fault(f"tasks.{task_name}", "no pose that all designs reach", "common poses")
        common.append(names)
    restricted = [[poses.only(names) for poses, names in zip(of_design, common, strict=True)] for of_design in sets]
    ran = [studies[0].evaluate(restricted[0], run_options)]
    plan = replace(ran[0][1].spec.plan, tolerance=None)  # with a tolerance, as many units as it took
    for study, poses in zip(studies[1:], restricted[1:], strict=True):
        ran.append(study.with_scenario(plan=plan).evaluate(poses, run_options))
    results = tuple(result for result, _ in ran)
    differences = []
    for number in range(len(common)):
        sides = [
            Evaluated(
                result.tasks[number].name, result.tasks[number].poses, sampled, poses[number].configurations, number
            )
            for (result, sampled), poses in zip(ran, restricted, strict=True)
        ]
        for other in range(1, len(studies)):
            one, two, name = sides[0], sides[other], results[other].scenario
            widths = half_widths(one, two, run_options, f"{name}, {one.name}: differences")
            differences.append(
                TaskDifference(
                    one.name,
                    name,
                    at_worst_pose(one, two),
                    repeatability(one, two),
                    yield_difference(one, two, studies[0].scenario.requirement),
                    results[other].price - results[0].price,
                    one.table.names,
                    two.table.column("error.at_coverage") - one.table.column("error.at_coverage"),
                    widths,
                )
            )
    return Comparison(results, tuple(differences), others)


def _other_requirements(studies: Sequence[Study]) -> dict[str, Requirement | None]:
    """Requirements of designs that state another than the first, by which they are judged all the same."""
    scenarios = [study.scenario for study in studies]
    return {one.name: one.requirement for one in scenarios[1:] if one.requirement != scenarios[0].requirement}


def _matched(studies: Sequence[Study]) -> list[Study]:
    """The designs with the plan and the requirement of the first, if their tasks are the same."""
    if len(studies) < 2:
        raise InputError(Problem("command line", 0, 0, "SCENARIO", f"{len(studies)} scenarios", "two or more"))
    first = studies[0].scenario
    names = [study.scenario.name for study in studies]
    for study in studies[1:]:
        if names.count(study.scenario.name) > 1:
            raise study.scenario.fault("name", f"two designs named {study.scenario.name!r}", "each name once")
        if study.scenario.tasks != first.tasks:
            kinds = ", ".join(f"{task.name} ({task.kind})" for task in first.tasks)
            fault = "other tasks than the first design, or in another order"
            raise study.scenario.fault("tasks", fault, f"the same: {kinds}")
    plan, requirement = first.plan, first.requirement
    return [study.with_scenario(plan=plan, requirement=requirement) for study in studies]
