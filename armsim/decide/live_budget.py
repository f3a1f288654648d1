"""First-order budgets at the worst poses, as functions of the numbers of data sheets and drawings, for a workbook."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from armsim.decide.display_units import Unit, display_unit_of
from armsim.decide.pose_budget import BudgetRow, budget_rows, moments
from armsim.decide.row_laws import ROUNDING, Law, Laws, fit_law, gain_of, probe_factors
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.errormodel.terms import Axis
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine
from armsim.model.parameters import StatedNumber, stated_numbers
from armsim.results import Result
from armsim.run_options import Progress
from armsim.study import Study
from armsim.tasks import PoseSet

MAX_UNEXPLAINED_SHARE = 1e-4
"""Share of the mean square error up to which changes of rows without a law are neglected."""
ROUNDING_SHARE = 1e-20
"""Contribution to the mean square error, as a share of the largest one, below which a row is rounding."""
CHECKED_MACHINES = 3
"""Number of machines with all numbers changed at once, against which the laws together are checked."""
MAX_CHANGE = 1.4
"""Largest factor by which a number is increased or decreased in these machines."""


@dataclass(frozen=True)
class Input:
    """Number of a machine that is an input of the budgets.

    Parameters
    ----------
    path : str
        Path of the number, as used to change it.
    joint : str
        Joint name; empty for a machine-level value.
    axis : Axis, optional
        Link parameter, if the number is its tolerance.
    meaning : str
    distribution : str
        What the number is of its distribution, such as limit or standard deviation; empty for a plain value.
    unit : Unit
    value : float
        Value in that unit.
    has_laws : bool
        Whether the rows follow the number by laws.
    least, most : float, optional
        Bounds of the value in that unit.
    above : bool
        Whether ``least`` itself is excluded.
    """

    path: str
    joint: str
    axis: Axis | None
    meaning: str
    distribution: str
    unit: Unit
    value: float
    has_laws: bool
    least: float | None = None
    most: float | None = None
    above: bool = False


@dataclass(frozen=True, eq=False)
class LiveRow:
    """Row of a budget with the laws by which its mean and standard deviation follow the inputs."""

    row: BudgetRow
    mean_laws: Laws
    std_laws: Laws


@dataclass(frozen=True, eq=False)
class TaskBudget:
    """Budget at the worst pose of a task, the row with the largest share first.

    Parameters
    ----------
    task, pose : str
    rows : tuple of LiveRow
    largest_error : float
        Largest relative error of the rms by the laws, compared with first order of the changed machine, over machines
        with all inputs changed at once by up to `MAX_CHANGE` up or down. [1]
    """

    task: str
    pose: str
    rows: tuple[LiveRow, ...]
    largest_error: float


@dataclass(frozen=True, eq=False)
class LiveBudgets:
    """Inputs that have an effect at one of the worst poses, and the budgets at these poses."""

    inputs: tuple[Input, ...]
    tasks: tuple[TaskBudget, ...]


Rows = dict[tuple[str, str], BudgetRow]


def live_budgets(
    study: Study,
    poses: Sequence[PoseSet],
    result: Result,
    progress: Progress = lambda what, count, total: None,
) -> LiveBudgets:
    """Error budgets at the worst pose of every task, with the laws by which they follow the numbers of the machine.

    Parameters
    ----------
    study : Study
    poses : sequence of PoseSet
        Poses of all tasks, from `Study.find`.
    result : Result
        Result of that study at those poses.
    progress : callable
        Called with the name of the stage, the count so far and the total.

    Returns
    -------
    LiveBudgets
    """
    machine = study.scenario.machine
    worst = [
        _worst_configuration(task.summary.worst_pose, pose_set)
        for task, pose_set in zip(result.tasks, poses, strict=True)
    ]
    evaluate = _row_evaluator(worst)
    base = [_above_rounding(rows) for rows in evaluate(machine)]
    effects: list[tuple[StatedNumber, list[_Effect]]] = []
    numbers_of_machine = stated_numbers(machine)
    for index, number in enumerate(numbers_of_machine):
        progress("numbers of the workbook", index, len(numbers_of_machine))
        probe, *others = probe_factors(number)
        changed = {probe: evaluate(number.multiply(machine, probe))}
        if not any(_any_row_differs(*pair) for pair in zip(base, changed[probe], strict=True)):
            continue
        changed |= {factor: evaluate(number.multiply(machine, factor)) for factor in others}
        effect = [
            _effect(number, rows, {f: by_task[n] for f, by_task in changed.items()}) for n, rows in enumerate(base)
        ]
        if any(at_task.has_effect for at_task in effect):
            effects.append((number, effect))
    progress("numbers of the workbook", len(numbers_of_machine), len(numbers_of_machine))
    has_laws = [all(at_task.has_laws for at_task in effect) for _, effect in effects]
    laws: list[tuple[dict[tuple[str, str], list[tuple[int, Law]]], ...]] = [({}, {}) for _ in base]
    for index, (_, effect) in enumerate(effects):
        for at_task, (means, stds) in zip(effect, laws, strict=True):
            for laws_of_rows, collected in ((at_task.means, means), (at_task.stds, stds)):
                for key, law in laws_of_rows.items() if has_laws[index] else ():
                    collected.setdefault(key, []).append((index, law))
    live = [
        [LiveRow(row, tuple(means.get(key, ())), tuple(stds.get(key, ()))) for key, row in rows.items()]
        for rows, (means, stds) in zip(base, laws, strict=True)
    ]
    departures = _errors_of_laws(machine, [number for number, _ in effects], has_laws, evaluate, live)
    tasks = tuple(
        TaskBudget(task.name, task.summary.worst_pose, tuple(_sorted_by_share(rows)), departure)
        for task, rows, departure in zip(result.tasks, live, departures, strict=True)
    )
    inputs = tuple(
        _input(machine, number, with_laws, any(at_task.divides for at_task in effect))
        for (number, effect), with_laws in zip(effects, has_laws, strict=True)
    )
    return LiveBudgets(inputs, tasks)


def _above_rounding(rows: Rows) -> Rows:
    """Rows whose contribution to the mean square error is above rounding."""
    least = ROUNDING_SHARE * max((_mean_square(row) for row in rows.values()), default=0.0)
    return {key: row for key, row in rows.items() if _mean_square(row) > least}


def _mean_square(row: BudgetRow | None) -> float:
    """Contribution of a row to the mean square error. [m^2]"""
    return 0.0 if row is None else float(row.sensitivity @ row.sensitivity) * (row.mean**2 + row.std**2)


def _any_row_differs(rows: Rows, others: Rows) -> bool:
    """Whether any row differs from the one with the same key."""
    return any(_gains(row, others.get(key)) != (1.0, 1.0) for key, row in rows.items())


def _worst_configuration(name: str, poses: PoseSet) -> Configurations:
    index = poses.names.index(name)
    return poses.configurations[index : index + 1]


def _row_evaluator(configurations: Sequence[Configurations]) -> Callable[[Machine], list[Rows]]:
    """Function from a machine to its rows at the worst pose of every task; poses at rest are evaluated together."""
    groups = [
        [
            n
            for n, pose_configurations in enumerate(configurations)
            if (pose_configurations.directions is None) is at_rest
        ]
        for at_rest in (True, False)
    ]

    def evaluate(machine: Machine) -> list[Rows]:
        out: list[Rows] = [{} for _ in configurations]
        for group in groups:
            if not group:
                continue
            evaluated = machine.evaluate(_joined_configurations([configurations[n] for n in group]))
            for pose, n in enumerate(group):
                out[n] = {row.key: row for row in budget_rows(evaluated, pose)}
        return out

    return evaluate


def _joined_configurations(configurations: Sequence[Configurations]) -> Configurations:
    joints = np.concatenate([part.joints for part in configurations])
    speeds = np.concatenate(
        [np.zeros_like(part.joints) if part.speeds is None else part.speeds for part in configurations]
    )
    if configurations[0].directions is None:
        return Configurations(joints, speeds)
    return Configurations(
        joints, speeds, np.concatenate([part.directions for part in configurations if part.directions is not None])
    )


@dataclass(frozen=True)
class _Effect:
    """Effect of a number on the rows at one pose: laws by key of the row, whether these explain all of it, and whether
    there is any effect."""

    means: dict[tuple[str, str], Law]
    stds: dict[tuple[str, str], Law]
    has_laws: bool
    has_effect: bool

    @property
    def divides(self) -> bool:
        """Whether a row grows without bound as the number approaches zero."""
        return any(law.power < 0 for law in (*self.means.values(), *self.stds.values()))


def _effect(number: StatedNumber, rows: Rows, changed: dict[float, Rows]) -> _Effect:
    mean, covariance = moments(list(rows.values()))
    total = float(np.trace(covariance) + mean @ mean) or 1.0
    means: dict[tuple[str, str], Law] = {}
    stds: dict[tuple[str, str], Law] = {}
    has_effect, largest_losses = False, dict.fromkeys(changed, 0.0)
    for key in dict.fromkeys((*rows, *(key for others in changed.values() for key in others))):
        row = rows.get(key)
        gains = {factor: None if row is None else _gains(row, others.get(key)) for factor, others in changed.items()}
        for moment, laws, size in (
            (0, means, 0.0 if row is None else row.mean),
            (1, stds, 0.0 if row is None else row.std),
        ):
            moment_gains = {factor: None if gain is None else gain[moment] for factor, gain in gains.items()}
            if all(gain is not None and abs(gain - 1.0) < ROUNDING for gain in moment_gains.values()):
                continue
            defined = {factor: gain for factor, gain in moment_gains.items() if gain is not None}
            law = fit_law(number, defined, moment == 0) if size and len(defined) == len(moment_gains) else None
            if law is not None:
                laws[key] = law
                has_effect = True
                continue
            for factor, others in changed.items():
                largest_losses[factor] += abs(_mean_square(row) - _mean_square(others.get(key))) / total
    has_effect = has_effect or any(share > MAX_UNEXPLAINED_SHARE for share in largest_losses.values())
    return _Effect(means, stds, all(share <= MAX_UNEXPLAINED_SHARE for share in largest_losses.values()), has_effect)


def _gains(row: BudgetRow, other: BudgetRow | None) -> tuple[float, float] | None:
    """Factors on mean and standard deviation of a row; None if it moves the tool in another direction."""
    if other is None:
        return 0.0, 0.0
    square = float(row.sensitivity @ row.sensitivity)
    projection = float(other.sensitivity @ row.sensitivity) / square if square else 1.0
    if np.linalg.norm(other.sensitivity - projection * row.sensitivity) > 1e-9 * math.sqrt(square):
        return None
    mean = projection * other.mean / row.mean if row.mean else (1.0 if not other.mean else math.inf)
    std = abs(projection) * other.std / row.std if row.std else (1.0 if not other.std else math.inf)
    return mean, std


def _errors_of_laws(
    machine: Machine,
    numbers_of_machine: Sequence[StatedNumber],
    has_laws: Sequence[bool],
    evaluate: Callable[[Machine], list[Rows]],
    live: Sequence[Sequence[LiveRow]],
) -> list[float]:
    """Largest relative error of the rms by the laws, per task, over machines with all inputs changed at once."""
    out = [0.0] * len(live)
    generator = np.random.default_rng(len(numbers_of_machine))
    for _ in range(CHECKED_MACHINES):
        factors = [1.0] * len(numbers_of_machine)
        trial = machine
        for index, number in enumerate(numbers_of_machine):
            if not has_laws[index]:
                continue
            largest_factor = min(
                MAX_CHANGE, math.inf if number.key.most is None else abs(number.key.most / number.value)
            )
            factors[index] = min(MAX_CHANGE ** float(generator.uniform(-1.0, 1.0)), largest_factor)
            trial = number.multiply(trial, factors[index])
        for n, rows in enumerate(evaluate(trial)):
            expected = _rms([changed_row(budget, factors) for budget in live[n]])
            actual = _rms(list(rows.values()))
            out[n] = max(out[n], abs(expected / actual - 1.0) if actual else 0.0)
    return out


def changed_row(live: LiveRow, factors: Sequence[float]) -> BudgetRow:
    """Row of a budget after all inputs are multiplied by factors.

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


def _sorted_by_share(rows: Sequence[LiveRow]) -> list[LiveRow]:
    """Rows, the largest share of the mean square error first."""
    mean, _ = moments([live.row for live in rows])

    def contribution(live: LiveRow) -> float:
        row = live.row
        return float(row.sensitivity @ row.sensitivity) * row.std**2 + float(row.sensitivity @ mean) * row.mean

    return sorted(rows, key=lambda live: -contribution(live))


DISTRIBUTION_MEANINGS = {
    "uniform": "limit (±), uniform", "triangular": "limit (±), triangular", "arcsine": "limit (±), arcsine",
    "two-valued": "± this value", "fixed": "this value", "normal": "standard deviation",
    "rayleigh": "standard deviation, Rayleigh",
}  # fmt: skip
"""What the number stated for each distribution means."""


def _input(machine: Machine, number: StatedNumber, has_laws: bool, divides: bool) -> Input:
    unit = display_unit_of(number.key.kind, number.rotary, number.value)
    stated_value: Any = machine
    for step in number.steps:
        stated_value = stated_value[step] if isinstance(step, int) else getattr(stated_value, step)
    spread = stated_value.spread if isinstance(stated_value, Magnitude) else stated_value
    distribution = DISTRIBUTION_MEANINGS[spread.distribution] if isinstance(spread, Distribution) else ""
    value = number.value / unit.si_value
    least, most = number.key.least, number.key.most
    least = 0.0 if least is None and (distribution or divides) and value > 0 else least
    low, high = (None if bound is None else bound / unit.si_value for bound in (least, most))
    above = least is not None and (number.key.above or (divides and least == 0))
    return Input(
        number.path, number.joint, number.axis, number.key.meaning, distribution, unit, value, has_laws, low, high,
        above,
    )  # fmt: skip
