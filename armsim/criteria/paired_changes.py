"""Paired differences of the criteria between two designs that draw the same random numbers per unit.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.requirement import Judgement, Quantity, Verdict
from armsim.results import TaskResult
from armsim.results.figure import Figure
from armsim.results.pose_table import PoseTable
from armsim.sampling.paired_difference import (
    UNITS_COMPARED,
    Difference,
    influence,
    quantile_difference,
    quantile_influence,
    zero_if_rounding,
)
from armsim.sampling.statistics import half_width_of_nets
from armsim.tasks.base import name_key

if TYPE_CHECKING:
    from armsim.model.configurations import Configurations
    from armsim.sampling.chunk import Extremes, RunSpec
    from armsim.sampling.sampler import Samples


@dataclass(frozen=True, eq=False)
class EvaluatedTask:
    """One task of one design, evaluated.

    Parameters
    ----------
    name : str
        Name of the task.
    table : PoseTable
    judgements : sequence of Judgement
    spec : RunSpec
    configurations : Configurations
        Joint positions of the poses of the table.
    extremes : Extremes
    within_operation : (units,) bool
        Units that keep to the limits of operation of their sensors.
    nets : (nets,), optional [m]
        RP by every Sobol net of the numerical integration, at the pose with the largest RP; computed if not given.
    """

    name: str
    table: PoseTable
    judgements: Sequence[Judgement]
    spec: RunSpec
    configurations: Configurations
    extremes: Extremes
    within_operation: NDArray[np.bool_]
    nets: Array | None = None

    @staticmethod
    def from_samples(task: TaskResult, number: int, samples: Samples, configurations: Configurations) -> EvaluatedTask:
        """A task of a run.

        Parameters
        ----------
        task : TaskResult
        number : int
            Number of the task.
        samples : Samples
        configurations : Configurations

        Returns
        -------
        EvaluatedTask
        """
        sample = samples.tasks[number]
        return EvaluatedTask(
            task.name, task.poses, task.summary.judgements, samples.spec, configurations, sample.extremes,
            sample.within_operation,
        )  # fmt: skip

    @property
    def key(self) -> int:
        """Key of the task in the random numbers."""
        return name_key(self.name)

    @property
    def path(self) -> bool:
        """Whether the task is a path."""
        return self.configurations.is_path

    def judgement(self, criterion: str) -> Judgement | None:
        """Judgement of a criterion; None where there is none."""
        return next((judgement for judgement in self.judgements if judgement.criterion == criterion), None)

    def worst(self, errors: str = "error") -> int:
        """Pose with the largest quantile at the coverage, of ``error`` or ``orientation_error``."""
        return int(np.argmax(self.table.column(f"{errors}.at_coverage")))

    @cached_property
    def _influences(self) -> dict[str, Array]:
        return {}

    def influence(self, errors: str) -> Array:
        """Influence of the first units on the quantile at the coverage at the worst pose, shape (units,). [m or rad]"""
        if errors not in self._influences:
            count, worst = min(self.spec.plan.units, UNITS_COMPARED), self.worst(errors)
            pose = self.configurations[worst : worst + 1]
            (self._influences[errors],) = quantile_influence(
                self.spec, self.key, pose, count, self.spec.coverage, errors
            )
        return self._influences[errors]

    @cached_property
    def repeatability_by_net(self) -> Array:
        """RP at the pose where it is largest by every net of the integration, shape (nets,). [m]"""
        if self.nets is not None:
            return self.nets
        worst = int(np.argmax(self.table.column(f"{Figure.REPEATABILITY.column}.p95")))
        from armsim.sampling.chunk import unit_statistics_at  # loads the compiler, which figures do not use

        return unit_statistics_at(self.spec, worst, self.configurations)[1]


@dataclass(frozen=True)
class CriterionChange:
    """Difference of two designs in a criterion at a task, or at a joint.

    Parameters
    ----------
    criterion : str
        Name of the criterion, such as ``position``.
    noun, phrase : str
        What changes, in a header and in a sentence: "RP", "RP of 95 % of arms".
    quantity : str
        ``length`` [m], ``angle`` [rad], ``share`` [1] or ``count``.
    at_least : bool
        Whether more is better.
    joint : str
        Empty at a task.
    change : Difference
        Second less first; without an interval where the sample gives none.
    values : (first, second), None where a design is not judged by it
    states : (first, second)
    """

    criterion: str
    noun: str
    phrase: str
    quantity: Quantity
    at_least: bool
    joint: str
    change: Difference
    values: tuple[float | None, float | None]
    states: tuple[Verdict, Verdict]

    @property
    def gain(self) -> float:
        """Improvement by the second design; negative where it is worse."""
        return self.change.value if self.at_least else -self.change.value


def change_of(changes: Sequence[CriterionChange], criterion: str) -> Difference | None:
    """Change of one criterion; None where it is not judged.

    Parameters
    ----------
    changes : sequence of CriterionChange
    criterion : str

    Returns
    -------
    Difference, optional
    """
    return next((row.change for row in changes if row.criterion == criterion), None)


def value_and_state(judgement: Judgement | None) -> tuple[float | None, Verdict]:
    """Value and state of an optional judgement."""
    return (None, "none stated") if judgement is None else (judgement.value, judgement.state)


def difference_and_size(
    first_design: EvaluatedTask, second_design: EvaluatedTask, criterion: str
) -> tuple[float, float]:
    """Difference of the values of a criterion, and the larger of the two; 0 where there is none.

    Parameters
    ----------
    first_design, second_design : EvaluatedTask
    criterion : str

    Returns
    -------
    (difference, size) [m, rad or 1]
    """
    judgements = [design.judgement(criterion) for design in (first_design, second_design)]
    first, second = (0.0 if judgement is None else judgement.value for judgement in judgements)
    return second - first, max(abs(first), abs(second))


def change_of_errors(
    first_design: EvaluatedTask, second_design: EvaluatedTask, criterion: str, errors: str
) -> Difference:
    """Difference of the quantile at the coverage between two designs, each at its worst pose.

    Parameters
    ----------
    first_design, second_design : EvaluatedTask
    criterion : str
    errors : str
        ``error`` of the tool point, or ``orientation_error``.

    Returns
    -------
    Difference [m or rad]
    """
    value, size = difference_and_size(first_design, second_design, criterion)
    return zero_if_rounding(
        quantile_difference(
            value, second_design.influence(errors) - first_design.influence(errors), first_design.spec.plan.units
        ),
        size,
    )


def change_of_arms(
    first_design: EvaluatedTask, second_design: EvaluatedTask, criterion: str, figure: Figure, share: float
) -> Difference:
    """Difference of the figure that a share of the units stay within at all poses.

    The integration of RP is uncertain too: both designs are integrated over the same nets, whose scatter gives that
    uncertainty.

    Parameters
    ----------
    first_design, second_design : EvaluatedTask
    criterion : str
    figure : Figure
    share : float

    Returns
    -------
    Difference [m or rad]
    """
    value, size = difference_and_size(first_design, second_design, criterion)
    influences = [influence(design.extremes.worst[figure][None], share) for design in (first_design, second_design)]
    common_half_width = (
        half_width_of_nets(second_design.repeatability_by_net - first_design.repeatability_by_net)
        if figure is Figure.REPEATABILITY
        else 0.0
    )
    return zero_if_rounding(
        quantile_difference(
            value, influences[1] - influences[0], first_design.spec.plan.units, float(common_half_width)
        ),
        size,
    )
