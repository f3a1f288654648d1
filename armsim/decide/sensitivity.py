"""What every line of a data sheet does at the tool: per unit of it and per tenth of it, the largest sampled.

By first order: mean m and covariance C of the tool error at every pose, with the number a little larger and a little
smaller. The quantile follows as that of a normal vector of that mean and covariance does (`engine.gaussian`), times the
ratio of the sampled quantile to the normal one,

    dq/dx = (q / q_normal) (tr(dq_normal/dC dC/dx) + dq_normal/dm . dm/dx)
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import astuple, dataclass, replace
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.decide import records
from armsim.decide.paired_tasks import P95, Evaluated
from armsim.decide.probe import Probe
from armsim.decide.sheet_units import Unit, told_in
from armsim.engine.executors import in_order
from armsim.engine.firstorder import linearise
from armsim.engine.gaussian import quantile, quantile_with_slopes
from armsim.engine.layout import MEMORY
from armsim.engine.paired import Difference
from armsim.engine.run import Progress
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine
from armsim.model.numbers import Number, numbers
from armsim.results import Result
from armsim.results.plain import plain
from armsim.study import Study

STEP = 0.01
"""Share by which a number is changed either way."""
TENTH = 0.1
CHECKED = 5
"""Numbers of every task whose effect is sampled, the largest."""
NOTHING = 1e-12
"""Share of the quantile below which a number does nothing."""


@dataclass(frozen=True)
class Line:
    """A number of the machine, and what it does to one task.

    Parameters
    ----------
    task : str
    path : str
        As it is changed.
    unit : Unit
        In which it is told.
    value : float
        In that unit.
    per_unit : float
        Change of the 95 % quantile at the worst pose per unit of the number. [m]
    tenth_less : float
        By a tenth of the number less, not linearised in it. [m]
    over_task : float
        By a tenth of it less at the slope that it has, mean over the poses. [m]
    checked : Difference, optional
        By a tenth of it less, sampled. [m]
    """

    task: str
    path: str
    unit: Unit
    value: float
    per_unit: float
    tenth_less: float
    over_task: float
    checked: Difference | None = None


@dataclass(frozen=True)
class Part:
    """Share of the mean square error of a cause at a joint, at the worst pose and over the poses of a task."""

    task: str
    joint: str
    cause: str
    worst: float
    over_task: float


@dataclass(frozen=True, eq=False)
class Sensitivities:
    """The table, the shares beside it, and the result that they are of."""

    result: Result
    lines: tuple[Line, ...]
    parts: tuple[Part, ...]

    def of(self, task: str) -> list[Line]:
        """Lines of a task, the largest effect first."""
        return sorted((line for line in self.lines if line.task == task), key=lambda line: -abs(line.tenth_less))

    def parts_of(self, task: str) -> list[Part]:
        """Shares of a task, the largest first."""
        return sorted((part for part in self.parts if part.task == task), key=lambda part: -part.worst)

    def to_dict(self) -> dict[str, Any]:
        """For JSON, as `records.SensitivitiesRecord`; SI units but for the numbers themselves."""
        lines = tuple(
            records.LineRecord(
                own.task, own.path, own.unit.name, own.value, own.per_unit, own.tenth_less, own.over_task,
                records.Change.of(own.checked),
            )
            for own in self.lines
        )  # fmt: skip
        parts = tuple(records.PartRecord(*astuple(own)) for own in self.parts)
        return plain(records.SensitivitiesRecord(self.result.scenario, lines, parts))


def sensitivities(
    study: Study,
    workers: int | None = None,
    progress: Progress = lambda what, done, total: None,
    memory: int = MEMORY,
    note: Callable[[str], None] = lambda text: None,
) -> Sensitivities:
    """What every number of a machine does; parameters as of `Study.run`.

    Raises
    ------
    RunError
        As `Study.run`.
    """
    probe = Probe.of(study, workers, progress, memory, note)
    machine, every = study.scenario.machine, numbers(study.scenario.machine)
    where = [side.configurations for side in probe.sides]
    plain = [linearise(machine.evaluated(own)) for own in where]
    normal = [quantile_with_slopes(own.mean, own.covariance, P95) for own in plain]
    slopes = _slopes(machine, every, where, probe.workers, progress)
    lines: list[Line] = []
    for n, (side, own) in enumerate(zip(probe.sides, normal, strict=True)):
        sampled = side.table.column("error.p95")
        ratio = np.divide(sampled, own.value, out=np.zeros_like(sampled), where=own.value > 0)
        found = []
        for number, slope in zip(every, slopes, strict=True):
            by_mean, by_covariance = slope[n]
            # of the quantile, over the logarithm of the number
            change = ratio * (
                np.einsum("pij,pij->p", own.by_covariance, by_covariance) + np.sum(own.by_mean * by_mean, axis=1)
            )
            worst = float(change[side.worst])
            if abs(worst) <= NOTHING * sampled[side.worst]:
                continue
            unit = told_in(number.key.kind, number.rotary, number.value)
            value, mean = number.value / unit.si, float(change.mean())
            at = side.configurations[side.worst : side.worst + 1]
            less = linearise(number.times(machine, 1.0 - TENTH).evaluated(at))
            tenth = float(quantile(less.mean, less.covariance, P95)[0] - own.value[side.worst]) * float(
                ratio[side.worst]
            )
            found.append(Line(side.name, number.path, unit, value, worst / value, tenth, -TENTH * mean))
        lines += sorted(found, key=lambda line: -abs(line.tenth_less))
    return Sensitivities(probe.result, _checked(probe, every, lines, progress), tuple(_parts(probe.sides)))


def _slopes(
    machine: Machine, every: Sequence[Number], where: Sequence[Configurations], workers: int, progress: Progress
) -> list[list[tuple[Array, Array]]]:
    """Derivatives of mean and covariance at every pose of every task by the logarithm of every number. [m, m^2]"""

    def slope(number: Number) -> list[tuple[Array, Array]]:
        ends = [number.times(machine, 1.0 + sign * STEP) for sign in (1.0, -1.0)]
        out = []
        for own in where:
            more, less = (linearise(end.evaluated(own)) for end in ends)
            out.append(((more.mean - less.mean) / (2.0 * STEP), (more.covariance - less.covariance) / (2.0 * STEP)))
        return out

    out = []
    with ThreadPoolExecutor(workers) as pool:
        for number, own in enumerate(in_order(pool, workers, slope, every)):
            progress("numbers", number, len(every))
            out.append(own)
    return out


def _checked(probe: Probe, every: Sequence[Number], lines: Sequence[Line], progress: Progress) -> tuple[Line, ...]:
    """The lines, the largest of every task sampled with a tenth of the number less."""
    by_path = {number.path: number for number in every}
    wanted: dict[str, None] = {}
    for side in probe.sides:
        own = [line for line in lines if line.task == side.name]
        wanted.update(dict.fromkeys(line.path for line in own[:CHECKED]))
    moved = {}
    for n, path in enumerate(wanted):
        progress("largest, sampled", n, len(wanted))
        machine = by_path[path].times(probe.study.scenario.machine, 1.0 - TENTH)
        moved[path] = dict(zip((side.name for side in probe.sides), probe.with_machine(machine), strict=True))
    progress("largest, sampled", len(wanted), len(wanted))
    return tuple(
        replace(line, checked=moved[line.path][line.task].p95) if line.path in moved else line for line in lines
    )


def _parts(sides: Sequence[Evaluated]) -> list[Part]:
    out = []
    for side in sides:
        shares, weight = side.table.column("shares"), side.table.column("first_order.rms") ** 2
        over = weight @ shares / max(float(weight.sum()), 1e-300)
        for n, (owner, cause) in enumerate(side.table.share_names):
            if shares[side.worst, n] > 0:
                out.append(Part(side.name, owner, cause, float(shares[side.worst, n]), float(over[n])))
    return sorted(out, key=lambda part: -part.worst)
