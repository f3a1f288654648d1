"""First-order budgets at the worst poses that follow the numbers of data sheets and drawings: for a workbook."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from armsim.decide.display_units import Unit, display_unit_of
from armsim.decide.pose_budget import BudgetRow, budget_rows, moments
from armsim.decide.row_laws import SAME, Law, Laws, factors_of, fitted, gain_of
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.errormodel.terms import Axis
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine
from armsim.model.parameters import Number, numbers
from armsim.results import Result
from armsim.run_options import Progress
from armsim.study import Study
from armsim.tasks import PoseSet

LEAST = 1e-4
"""Share of the mean square error below which it does not matter that a row follows no law."""
NOTHING = 1e-20
"""Share of the largest part of the mean square error below which another is rounding."""
TRIALS = 3
"""Machines with all numbers changed at once, against which the laws together are checked."""
SPREAD = 1.4
"""Largest factor by which these machines increase or decrease a number."""


@dataclass(frozen=True)
class Input:
    """A number that a machine states.

    Parameters
    ----------
    path : str
        As it is changed.
    joint : str
        Joint name; empty for a machine-level value.
    axis : Axis, optional
        Parameter of a link whose tolerance it is.
    meaning : str
    law : str
        Meaning of the number: limit of a uniform distribution, standard deviation; empty for a plain value.
    unit : Unit
    value : float
        In that unit.
    followed : bool
        Whether the rows follow it by laws.
    """

    path: str
    joint: str
    axis: Axis | None
    meaning: str
    law: str
    unit: Unit
    value: float
    followed: bool


@dataclass(frozen=True, eq=False)
class LiveRow:
    """A row of a budget, and how its mean and its standard deviation follow the inputs."""

    row: BudgetRow
    mean_laws: Laws
    std_laws: Laws


@dataclass(frozen=True, eq=False)
class TaskBudget:
    """The rows at the worst pose of a task, the largest share first.

    Parameters
    ----------
    task, pose : str
    rows : tuple of LiveRow
    departure : float
        Largest departure of the rms by the laws from first order of the changed machine, over machines with all inputs
        changed at once by up to `SPREAD` either way. [1]
    """

    task: str
    pose: str
    rows: tuple[LiveRow, ...]
    departure: float


@dataclass(frozen=True, eq=False)
class LiveBudgets:
    """Inputs that do something at one of the worst poses, and the budgets there."""

    inputs: tuple[Input, ...]
    tasks: tuple[TaskBudget, ...]


Rows = dict[tuple[str, str], BudgetRow]


def live_budgets(
    study: Study,
    poses: Sequence[PoseSet],
    result: Result,
    progress: Progress = lambda what, count, total: None,
) -> LiveBudgets:
    """Error budgets at the worst pose of every task, with their laws in the numbers of the machine.

    Parameters
    ----------
    study : Study
    poses : sequence of PoseSet
        Poses of all tasks, from `Study.find`.
    result : Result
        Result of that study at those poses.
    progress : callable
        As in `Study.run`.

    Returns
    -------
    LiveBudgets
    """
    machine = study.scenario.machine
    worst = [_worst(task.summary.worst_pose, pose_set) for task, pose_set in zip(result.tasks, poses, strict=True)]
    evaluate = _evaluation(worst)
    base = [_effective(rows) for rows in evaluate(machine)]
    effects: list[tuple[Number, list[_Effect]]] = []
    numbers_of_machine = numbers(machine)
    for index, number in enumerate(numbers_of_machine):
        progress("numbers of the workbook", index, len(numbers_of_machine))
        probe, *others = factors_of(number)
        changed = {probe: evaluate(number.times(machine, probe))}
        if not any(_differ(*pair) for pair in zip(base, changed[probe], strict=True)):
            continue
        changed |= {factor: evaluate(number.times(machine, factor)) for factor in others}
        effect = [
            _effect(number, rows, {f: by_task[n] for f, by_task in changed.items()}) for n, rows in enumerate(base)
        ]
        if any(at_task.touches for at_task in effect):
            effects.append((number, effect))
    progress("numbers of the workbook", len(numbers_of_machine), len(numbers_of_machine))
    followed = [all(at_task.followed for at_task in effect) for _, effect in effects]
    laws: list[tuple[dict[tuple[str, str], list[tuple[int, Law]]], ...]] = [({}, {}) for _ in base]
    for index, (_, effect) in enumerate(effects):
        for at_task, (means, stds) in zip(effect, laws, strict=True):
            for laws_of_rows, collected in ((at_task.means, means), (at_task.stds, stds)):
                for key, law in laws_of_rows.items() if followed[index] else ():
                    collected.setdefault(key, []).append((index, law))
    live = [
        [LiveRow(row, tuple(means.get(key, ())), tuple(stds.get(key, ()))) for key, row in rows.items()]
        for rows, (means, stds) in zip(base, laws, strict=True)
    ]
    departures = _departures(machine, [number for number, _ in effects], followed, evaluate, live)
    tasks = tuple(
        TaskBudget(task.name, task.summary.worst_pose, tuple(_by_share(rows)), departure)
        for task, rows, departure in zip(result.tasks, live, departures, strict=True)
    )
    inputs = tuple(_input(machine, number, follows) for (number, _), follows in zip(effects, followed, strict=True))
    return LiveBudgets(inputs, tasks)


def _effective(rows: Rows) -> Rows:
    """Rows that move the tool by more than rounding."""
    least = NOTHING * max((_size(row) for row in rows.values()), default=0.0)
    return {key: row for key, row in rows.items() if _size(row) > least}


def _size(row: BudgetRow | None) -> float:
    """Contribution of a row to the mean square error. [m^2]"""
    return 0.0 if row is None else float(row.sensitivity @ row.sensitivity) * (row.mean**2 + row.std**2)


def _differ(rows: Rows, others: Rows) -> bool:
    """Whether any row is not as it was."""
    return any(_gains(row, others.get(key)) != (1.0, 1.0) for key, row in rows.items())


def _worst(name: str, poses: PoseSet) -> Configurations:
    index = poses.names.index(name)
    return poses.configurations[index : index + 1]


def _evaluation(configurations: Sequence[Configurations]) -> Callable[[Machine], list[Rows]]:
    """Function that returns the rows of a machine at the worst pose of every task, batched by rest and motion."""
    groups = [[n for n, at in enumerate(configurations) if (at.directions is None) is still] for still in (True, False)]

    def evaluate(machine: Machine) -> list[Rows]:
        out: list[Rows] = [{} for _ in configurations]
        for group in groups:
            if not group:
                continue
            evaluated = machine.evaluated(_joined_configurations([configurations[n] for n in group]))
            for pose, n in enumerate(group):
                out[n] = {row.key: row for row in budget_rows(evaluated, pose)}
        return out

    return evaluate


def _joined_configurations(configurations: Sequence[Configurations]) -> Configurations:
    joints = np.concatenate([at.joints for at in configurations])
    speeds = np.concatenate([np.zeros_like(at.joints) if at.speeds is None else at.speeds for at in configurations])
    if configurations[0].directions is None:
        return Configurations(joints, speeds)
    return Configurations(
        joints, speeds, np.concatenate([at.directions for at in configurations if at.directions is not None])
    )


@dataclass(frozen=True)
class _Effect:
    """Effect of a number on the rows at one pose: laws by row, and whether these are complete."""

    means: dict[tuple[str, str], Law]
    stds: dict[tuple[str, str], Law]
    followed: bool
    touches: bool


def _effect(number: Number, rows: Rows, changed: dict[float, Rows]) -> _Effect:
    mean, covariance = moments(list(rows.values()))
    total = float(np.trace(covariance) + mean @ mean) or 1.0
    means: dict[tuple[str, str], Law] = {}
    stds: dict[tuple[str, str], Law] = {}
    touches, largest_losses = False, dict.fromkeys(changed, 0.0)
    for key in dict.fromkeys((*rows, *(key for others in changed.values() for key in others))):
        row = rows.get(key)
        gains = {factor: None if row is None else _gains(row, others.get(key)) for factor, others in changed.items()}
        for which, laws, size in (
            (0, means, 0.0 if row is None else row.mean),
            (1, stds, 0.0 if row is None else row.std),
        ):
            of_one = {factor: None if gain is None else gain[which] for factor, gain in gains.items()}
            if all(gain is not None and abs(gain - 1.0) < SAME for gain in of_one.values()):
                continue
            defined = {factor: gain for factor, gain in of_one.items() if gain is not None}
            law = fitted(number, defined, which == 0) if size and len(defined) == len(of_one) else None
            if law is not None:
                laws[key] = law
                touches = True
                continue
            for factor, others in changed.items():
                largest_losses[factor] += abs(_size(row) - _size(others.get(key))) / total
    touches = touches or any(share > LEAST for share in largest_losses.values())
    return _Effect(means, stds, all(share <= LEAST for share in largest_losses.values()), touches)


def _gains(row: BudgetRow, other: BudgetRow | None) -> tuple[float, float] | None:
    """Factors on mean and standard deviation of a row; None where it moves the tool along another line."""
    if other is None:
        return 0.0, 0.0
    square = float(row.sensitivity @ row.sensitivity)
    along = float(other.sensitivity @ row.sensitivity) / square if square else 1.0
    if np.linalg.norm(other.sensitivity - along * row.sensitivity) > 1e-9 * math.sqrt(square):
        return None
    mean = along * other.mean / row.mean if row.mean else (1.0 if not other.mean else math.inf)
    std = abs(along) * other.std / row.std if row.std else (1.0 if not other.std else math.inf)
    return mean, std


def _departures(
    machine: Machine,
    numbers_of_machine: Sequence[Number],
    followed: Sequence[bool],
    evaluate: Callable[[Machine], list[Rows]],
    live: Sequence[Sequence[LiveRow]],
) -> list[float]:
    """Error of the rms per task, the largest over machines with all inputs changed at once."""
    out = [0.0] * len(live)
    generator = np.random.default_rng(len(numbers_of_machine))
    for _ in range(TRIALS):
        factors = [1.0] * len(numbers_of_machine)
        trial = machine
        for index, number in enumerate(numbers_of_machine):
            if not followed[index]:
                continue
            most = min(SPREAD, math.inf if number.key.most is None else abs(number.key.most / number.value))
            factors[index] = min(SPREAD ** float(generator.uniform(-1.0, 1.0)), most)
            trial = number.times(trial, factors[index])
        for n, rows in enumerate(evaluate(trial)):
            expected = _rms([changed_row(budget, factors) for budget in live[n]])
            actual = _rms(list(rows.values()))
            out[n] = max(out[n], abs(expected / actual - 1.0) if actual else 0.0)
    return out


def changed_row(live: LiveRow, factors: Sequence[float]) -> BudgetRow:
    """Row of a budget at given factors of all inputs.

    Parameters
    ----------
    live : LiveRow
    factors : sequence of float
        Factor of every input.

    Returns
    -------
    BudgetRow
    """
    row = live.row
    mean, std = row.mean * gain_of(live.mean_laws, factors), row.std * abs(gain_of(live.std_laws, factors))
    return BudgetRow(row.key, row.owner, row.cause, row.axis, row.life, row.unit, row.sensitivity, mean, std)


def _rms(rows: list[BudgetRow]) -> float:
    mean, covariance = moments(rows)
    return math.sqrt(max(float(np.trace(covariance) + mean @ mean), 0.0))


def _by_share(rows: Sequence[LiveRow]) -> list[LiveRow]:
    """Rows, the largest share of the mean square error first."""
    mean, _ = moments([live.row for live in rows])

    def part(live: LiveRow) -> float:
        row = live.row
        return float(row.sensitivity @ row.sensitivity) * row.std**2 + float(row.sensitivity @ mean) * row.mean

    return sorted(rows, key=lambda live: -part(live))


LAWS = {
    "uniform": "limit (±), uniform", "triangular": "limit (±), triangular", "arcsine": "limit (±), arcsine",
    "two-valued": "± this value", "fixed": "this value", "normal": "standard deviation",
    "rayleigh": "standard deviation, Rayleigh",
}  # fmt: skip
"""Meaning of the number of a distribution."""


def _input(machine: Machine, number: Number, followed: bool) -> Input:
    unit = display_unit_of(number.key.kind, number.rotary, number.value)
    value_at: Any = machine
    for step in number.steps:
        value_at = value_at[step] if isinstance(step, int) else getattr(value_at, step)
    spread = value_at.spread if isinstance(value_at, Magnitude) else value_at
    law = LAWS[spread.distribution] if isinstance(spread, Distribution) else ""
    value = number.value / unit.si
    return Input(number.path, number.joint, number.axis, number.key.meaning, law, unit, value, followed)
