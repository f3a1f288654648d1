"""Sweep of one value of a design at the same poses, with the same random numbers."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from armsim.documents.grammar import read_value
from armsim.errors import InputError, Problem
from armsim.requirement import Judgement, Verdict
from armsim.requirement.requirement import Requirement
from armsim.results.json_records import NotInRecord, record_as_dict
from armsim.run_options import RunOptions, no_progress
from armsim.study import Study

MOST_POINTS = 1000
NUMBER = re.compile(
    r"([-+]?(?:(?:0|[1-9][0-9]*)(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?)([^0-9_.].{0,40})?", re.ASCII
)
"""A number as files accept it (decimal, without a leading zero), followed by its unit."""
COUNT = re.compile(r"[1-9][0-9]{0,6}", re.ASCII)
ACCEPTED = "FROM..TO:COUNT, such as 5um..40um:8"


@dataclass(frozen=True)
class SweepTask:
    """Result of one task at one value: worst pose, judgement of every criterion, state of the requirement."""

    name: str
    worst_pose: str
    judgements: tuple[Judgement, ...]
    state: Verdict

    def judgement(self, criterion: str) -> Judgement | None:
        """Judgement of a criterion; None if it is not judged."""
        return next((judgement for judgement in self.judgements if judgement.criterion == criterion), None)


@dataclass(frozen=True)
class SweepPoint:
    """Value as written in a file, its number without the unit, and the results of all tasks."""

    value: str
    number: float
    tasks: tuple[SweepTask, ...]


@dataclass(frozen=True, eq=False)
class Sweep:
    """Result of `armsim run --sweep`: results per value of one parameter; ``study`` is the unchanged study."""

    scenario: str
    path: str
    unit: str
    units: int
    visits: int
    seed: int
    points: tuple[SweepPoint, ...]
    study: NotInRecord[Study]
    format: Literal["armsim-sweep/1"] = "armsim-sweep/1"

    @property
    def requirement(self) -> Requirement | None:
        """Requirement of the study."""
        return self.study.scenario.requirement

    def points_of(self, task: str) -> list[tuple[SweepPoint, SweepTask]]:
        """All points with the result of one task."""
        return [(point, row) for point in self.points for row in point.tasks if row.name == task]

    @property
    def criteria(self) -> list[str]:
        """Names of the criteria that are plotted: the deciding one of every task, and all that are required."""
        names: dict[str, None] = {}
        for task in self.points[0].tasks:
            for number, judgement in enumerate(task.judgements):
                if number == 0 or (judgement.limit is not None and judgement.quantity != "count"):
                    names[judgement.criterion] = None
        return [*names]

    def judgements_by_task(self, criterion: str) -> dict[str, list[tuple[float, Judgement]]]:
        """Judgements of a criterion with the value of each, by task; tasks without that criterion are left out."""
        out = {}
        for task in self.points[0].tasks:
            rows = [(point.number, row.judgement(criterion)) for point, row in self.points_of(task.name)]
            assessed = [(number, judgement) for number, judgement in rows if judgement is not None]
            if assessed:
                out[task.name] = assessed
        return out

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units."""
        return record_as_dict(self)


def _invalid_values(text: str, fault: str) -> InputError:
    accepted = f"{ACCEPTED}, from 2 to {MOST_POINTS} values"
    return InputError(Problem("command line", 0, 0, "--sweep", f"{fault} in {text[:60]!r}", accepted))


def values_of(text: str) -> list[str]:
    """Evenly spaced values from a text such as ``5um..40um:8``.

    Raises
    ------
    InputError
        The text does not state such values.
    """
    ends, _, count_text = text.rpartition(":")
    first, separator, last = ends.partition("..")
    if not separator:
        raise _invalid_values(text, "no FROM..TO and COUNT")
    if COUNT.fullmatch(count_text.strip()) is None or not 2 <= int(count_text) <= MOST_POINTS:
        raise _invalid_values(text, f"{count_text.strip()[:20]!r} values")
    parsed_ends = [NUMBER.fullmatch(end.strip()) for end in (first, last)]
    if parsed_ends[0] is None or parsed_ends[1] is None:
        wrong = first if parsed_ends[0] is None else last
        raise _invalid_values(text, f"{wrong.strip()[:40]!r} is not a decimal number with a unit")
    (low, high), count = (float(end[1]) for end in parsed_ends if end is not None), int(count_text)
    units = [end[2].strip() for end in parsed_ends if end is not None and (end[2] or "").strip()]
    if len(set(units)) > 1:
        raise _invalid_values(text, f"two units, {units[0]} and {units[1]}")
    if not math.isfinite(low) or not math.isfinite(high):
        raise _invalid_values(text, "an end that is not finite")
    unit = f" {units[0]}" if units else ""
    return [f"{low + (high - low) * k / (count - 1):.6g}{unit}" for k in range(count)]


def sweep(
    study: Study,
    path: str,
    values: Sequence[str],
    run_options: RunOptions = RunOptions(),
) -> Sweep:
    """Judge the tasks of a study at several values of one number.

    Parameters
    ----------
    study : Study
    path : str
        Path of the number, as in `armsim.documents.overrides`: ``joints.j1.mounting.eccentricity``.
    values : sequence of str
        Values as written in a file, each with its unit.
    run_options : RunOptions

    Returns
    -------
    Sweep

    Raises
    ------
    InputError
        The path does not exist, or does not accept a value.

    Examples
    --------
    >>> import armsim
    >>> study = armsim.load("scenarios/lessons/eccentricity.yaml").with_plan(units=200)
    >>> path = "joints.j1.mounting.eccentricity.limit"
    >>> swept = armsim.sweep(study, path, ["5 um", "10 um"])
    >>> len(swept.points)
    2
    """
    read = [read_value(value, f"--sweep {path}") for value in values]
    changed = [study.change({path: value}) for value in read]  # faults are raised before anything is sampled
    points = []
    for number, (value, design) in enumerate(zip(values, changed, strict=True)):
        run_options.progress(f"{path} = {value}", number, len(values))
        options = run_options.silent if number else replace(run_options, progress=no_progress)
        assessed, _ = design.judge(design.find(run_options.progress), options)
        tasks = tuple(
            SweepTask(
                task.name,
                task.summary.worst_pose,
                task.summary.judgements,
                task.summary.state,
            )
            for task in assessed
        )
        points.append(SweepPoint(value, float(value.split()[0]), tasks))
    run_options.progress(path, len(values), len(values))
    unit = values[0].partition(" ")[2] if values else ""
    plan = study.scenario.plan
    return Sweep(study.scenario.name, path, unit, plan.units, plan.visits, plan.seed, tuple(points), study)
