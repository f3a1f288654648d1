"""Designs held against each other: same poses, same random numbers for the same cause on the same joint."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.asked import Requirement
from armsim.decide.paired_tasks import Evaluated, at_worst_pose, half_widths, passing, repeatability
from armsim.engine.layout import MEMORY
from armsim.engine.paired import NORMAL_95, Difference
from armsim.engine.run import Progress
from armsim.errors import InputError, Problem
from armsim.formatting import percent, points, show, signed, span
from armsim.results import Result
from armsim.study import Study


@dataclass(frozen=True, eq=False)
class TaskDifference:
    """One design less the first, at one task.

    Parameters
    ----------
    task, scenario : str
    p95 : Difference [m]
        Of the 95 % quantile of the error, each design at its own worst pose.
    repeatability : Difference, optional [m]
        Of the RP that 95 % of units keep to at all poses.
    passing : Difference, optional
        Of the yield.
    price : float
    poses : tuple of str
        Those that all designs reach.
    values, half_widths : (poses,) [m]
        Difference of the 95 % quantile at each, and half of its 95 % interval.
    """

    task: str
    scenario: str
    p95: Difference
    repeatability: Difference | None
    passing: Difference | None
    price: float
    poses: tuple[str, ...]
    values: Array
    half_widths: Array

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

    @property
    def flips(self) -> tuple[str, ...]:
        """Poses at which the order of the two designs is the other way round than at most poses."""
        better, worse = self.better, self.worse
        against = worse if better.sum() >= worse.sum() else better
        return tuple(name for name, other in zip(self.poses, against, strict=True) if other) if against.any() else ()

    @property
    def sentence(self) -> str:
        """What was bought."""
        gained = -self.p95.value
        change = f"takes {show(gained)} off" if gained >= 0 else f"adds {show(-gained)} to"
        interval = self.p95.interval
        told = interval is None or not interval[0] <= 0 <= interval[1]
        size = interval if interval is None or gained < 0 else (-interval[1], -interval[0])  # of what is taken or added
        sure = "" if size is None else f" ({span(*size)})"
        what = f"{self.scenario}: at {self.task} it {change} the 95 % quantile at the worst pose{sure}"
        if not told:
            what = (
                f"{self.scenario}: at {self.task} no difference of the 95 % quantile at the worst pose can be told "
                f"(it changes by {signed(*self.p95)})"
            )
        if self.repeatability is not None:
            what += f", RP changes by {signed(*self.repeatability)}"
        if self.passing is not None:
            open_ = self.passing.interval is not None and self.passing.interval[0] <= 0 <= self.passing.interval[1]
            change = points(*self.passing)
            what += f", no change of the yield can be told ({change})" if open_ else f", the yield by {change}"
        if self.price > 0 and gained > 0 and told:
            return f"{what}, for {self.price:g} cost units more: {show(gained / self.price)} per cost unit"
        return f"{what}, for {abs(self.price):g} cost units {'more' if self.price >= 0 else 'less'}"


@dataclass(frozen=True, eq=False)
class Comparison:
    """Results of every design at the common poses, and the differences of all others to the first.

    All are judged by the requirement of the first; ``notes`` say whose own requirement that is not.
    """

    results: tuple[Result, ...]
    differences: tuple[TaskDifference, ...]
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """For JSON; SI units."""
        rows = []
        for row in self.differences:
            data = {key: value for key, value in asdict(row).items() if key not in ("values", "half_widths")}
            for name in ("p95", "repeatability", "passing"):
                part = getattr(row, name)
                data[name] = None if part is None else {"value": part.value, "interval": part.interval}
            data["at_poses"] = [
                {"difference": value, "half_width": None if np.isnan(half) else half}
                for value, half in zip(row.values.tolist(), row.half_widths.tolist(), strict=True)
            ]
            rows.append({**data, "flips": row.flips, "sentence": row.sentence})
        designs = [
            {
                "scenario": result.scenario,
                "price": result.price,
                "met": result.met,
                "tasks": [{"name": task.name, "summary": asdict(task.summary)} for task in result.tasks],
            }
            for result in self.results
        ]
        return {"format": "armsim-comparison/1", "designs": designs, "differences": rows, "notes": self.notes}


def compare(
    studies: Sequence[Study],
    workers: int = 1,
    progress: Progress = lambda what, done, total: None,
    memory: int = MEMORY,
    note: Callable[[str], None] = lambda text: None,
) -> Comparison:
    """Hold designs against the first of them.

    Poses that one of them cannot reach are left out for all. Every design takes the sampling plan of the first.

    Raises
    ------
    InputError
        Fewer than two designs, two of one name, or tasks that differ.
    RunError
        As `Study.run`.
    """
    notes = _other_requirements(studies)
    for text in notes:
        note(text)
    studies = _matched(studies)
    found = [study.find(progress) for study in studies]
    common = []
    for task in range(len(found[0])):
        others = [set(poses[task].names) for poses in found[1:]]
        names = [name for name in found[0][task].names if all(name in other for other in others)]
        if not names:
            task_name = studies[0].scenario.tasks[task].name
            raise InputError(_fault(studies[0], f"tasks.{task_name}", "no pose that all designs reach", "common poses"))
        common.append(names)
    restricted = [[poses.only(names) for poses, names in zip(own, common, strict=True)] for own in found]
    ran = [studies[0].evaluate(restricted[0], workers, progress, memory, note=note)]
    plan = replace(ran[0][1].job.plan, tolerance=None)  # where a tolerance was asked for, as many units as it took
    for study, poses in zip(studies[1:], restricted[1:], strict=True):
        ran.append(study.with_scenario(plan=plan).evaluate(poses, workers, progress, memory, note=note))
    results = tuple(result for result, _ in ran)
    differences = []
    for number in range(len(common)):
        sides = [
            Evaluated(result.tasks[number], sampled, poses[number].places, number)
            for (result, sampled), poses in zip(ran, restricted, strict=True)
        ]
        for other in range(1, len(studies)):
            one, two, name = sides[0], sides[other], results[other].scenario
            widths = half_widths(one, two, workers, progress, f"{name}, {one.task.name}: differences")
            differences.append(
                TaskDifference(
                    one.task.name,
                    name,
                    at_worst_pose(one, two),
                    repeatability(one, two),
                    passing(one, two),
                    results[other].price - results[0].price,
                    one.task.poses.names,
                    two.task.column("error.p95") - one.task.column("error.p95"),
                    widths,
                )
            )
    return Comparison(results, tuple(differences), notes)


def _other_requirements(studies: Sequence[Study]) -> tuple[str, ...]:
    """Designs that state another requirement than the first, by which they are judged all the same."""
    if not studies:
        return ()
    first = studies[0].scenario
    return tuple(
        f"{own.name!r} asks for {stated(own.requirement)}; it is judged by the requirement of {first.name!r}: "
        f"{stated(first.requirement)}"
        for own in (study.scenario for study in studies[1:])
        if own.requirement != first.requirement
    )


def stated(requirement: Requirement | None) -> str:
    """A requirement in words."""
    if requirement is None:
        return "nothing"
    parts = [f"{percent(requirement.coverage)} of errors within {show(requirement.position)}"]
    if requirement.repeatability is not None:
        parts.append(f"RP within {show(requirement.repeatability)}")
    if requirement.yield_ is not None:
        parts.append(f"a yield of {percent(requirement.yield_)}")
    return ", ".join(parts)


def _matched(studies: Sequence[Study]) -> list[Study]:
    """The designs with the plan and the requirement of the first, if their tasks are the same."""
    if len(studies) < 2:
        raise InputError(Problem("command line", 0, 0, "SCENARIO", f"{len(studies)} scenarios", "two or more"))
    first = studies[0].scenario
    names = [study.scenario.name for study in studies]
    for study in studies[1:]:
        if names.count(study.scenario.name) > 1:
            raise InputError(_fault(study, "name", f"two designs named {study.scenario.name!r}", "each name once"))
        if study.scenario.tasks != first.tasks:
            asked = ", ".join(f"{task.name} ({task.kind})" for task in first.tasks)
            raise InputError(
                _fault(study, "tasks", "other tasks than the first design, or in another order", f"the same: {asked}")
            )
    plan, requirement = first.plan, first.requirement
    return [study.with_scenario(plan=plan, requirement=requirement) for study in studies]


def _fault(study: Study, key: str, found: str, accepted: str) -> Problem:
    return Problem(str(study.scenario.sources[0].path), 1, 1, key, found, accepted)


def summary_rows(comparison: Comparison) -> list[dict[str, str]]:
    """One row per task and design, for tables on screen and page."""
    rows = []
    for number, task in enumerate(comparison.results[0].tasks):
        for result in comparison.results:
            own = result.tasks[number]
            row = next(
                (d for d in comparison.differences if (d.task, d.scenario) == (task.name, result.scenario)), None
            )
            judged = own.summary.yield_
            rows.append(
                {
                    "task": task.name,
                    "design": result.scenario,
                    "price": f"{result.price:g}",
                    "p95": show(own.summary.p95),
                    "difference of p95": "" if row is None else signed(*row.p95),
                    "RP": show(own.summary.repeatability_p95),
                    "difference of RP": "" if row is None or row.repeatability is None else signed(*row.repeatability),
                    "yield": "" if judged is None else percent(judged.value),
                    "difference of yield": "" if row is None or row.passing is None else points(*row.passing),
                    "better / worse poses": "" if row is None else f"{row.better.sum()} / {row.worse.sum()}",
                }
            )
    return rows
