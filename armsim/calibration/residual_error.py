"""First-order residual error of simulated arms after calibration, over the poses of the tasks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.calibration.calibration_records import CauseLeftRecord, CurvePointRecord, Interval, StepRecord
from armsim.calibration.estimate import Estimate, estimate_of
from armsim.calibration.estimate_correction import MeasurementPlan, correction_of
from armsim.calibration.identifiable import controller_numbers, numbers_by_group, parameters_of
from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.measured_machine import INSTRUMENT, TARGET
from armsim.calibration.population_at_poses import jacobian_of
from armsim.calibration.pose_selection import PoseSelection
from armsim.model.calibration_plan import Criterion, Identified
from armsim.model.configurations import Configurations
from armsim.model.correction import Parameter
from armsim.model.machine import Machine
from armsim.run_options import Progress
from armsim.sampling.first_order import linearise
from armsim.tasks import PoseSet

MOST_POSES = 60
"""Largest number of poses of a task at which the residual error is evaluated, evenly spaced in its order."""
POSE_COUNTS = (5, 8, 12, 20, 30, 50, 70, 100)
"""Numbers of poses of the curve."""
SETS = 20
"""Number of random sets of poses for every number of poses."""
ARMS = 400
"""Number of arms drawn for the quantiles over arms."""


@dataclass(frozen=True, eq=False)
class ResidualPoses:
    """Poses at which the residual error is evaluated: some poses of every task."""

    configurations: tuple[Configurations, ...]

    @staticmethod
    def evenly_spaced(pose_sets: Sequence[PoseSet]) -> ResidualPoses:
        """At most `MOST_POSES` evenly spaced poses of every task."""
        out = []
        for poses in pose_sets:
            number = len(poses.names)
            some = np.unique(np.linspace(0, number - 1, min(number, MOST_POSES)).astype(np.int64))
            out.append(poses.configurations[some])
        return ResidualPoses(tuple(out))

    def rms(self, machine: Machine) -> float:
        """Rms residual error over arms and poses, with equal weight per task. [m]"""
        return float(np.sqrt(sum(self._by_cause(machine).values())))

    def causes(self, before: Machine, after: Machine) -> tuple[CauseLeftRecord, ...]:
        """Contribution of every cause to the rms before and after calibration, the largest first.

        Parameters
        ----------
        before, after : Machine
            Machine without and with its correction.

        Returns
        -------
        tuple of CauseLeftRecord
        """
        spreads_before, spreads_after = self._by_cause(before), self._by_cause(after)
        names = sorted({*spreads_before, *spreads_after}, key=lambda name: -spreads_before.get(name, 0.0))
        return tuple(
            CauseLeftRecord(name, spreads_before.get(name, 0.0) ** 0.5, spreads_after.get(name, 0.0) ** 0.5)
            for name in names
        )

    def rms_displacement(self, machine: Machine, parameters: tuple[Parameter, ...], values: Array) -> float:
        """Rms displacement of the tool point by values of parameters, over arms and poses.

        Parameters
        ----------
        machine : Machine
        parameters : tuple of Parameter
        values : (arms, K)
            Values of the parameters per arm.

        Returns
        -------
        float [m]
        """
        total = 0.0
        for configurations in self.configurations:
            reach = jacobian_of(machine, configurations, parameters).reshape(3 * len(configurations), -1)
            total += (
                float(np.mean(np.sum((values @ reach.T) ** 2, axis=1))) / len(configurations) / len(self.configurations)
            )
        return float(np.sqrt(total))

    def _by_cause(self, machine: Machine) -> dict[str, float]:
        """Mean square over the poses by cause, with equal weight per task. [m^2]"""
        out: dict[str, float] = {}
        for configurations in self.configurations:
            evaluated = machine.evaluate(configurations)
            linear = linearise(evaluated)
            weight = 1.0 / len(configurations) / len(self.configurations)
            for term, contribution in zip(evaluated.terms, linear.contributions, strict=True):
                if term.life == "unit":
                    name = term.cause.name
                    out[name] = out.get(name, 0.0) + weight * float(contribution.sum())
            mean = weight * float(np.sum(linear.mean**2))
            if mean:
                out["mean of all"] = out.get("mean of all", 0.0) + mean
        return out


@dataclass(frozen=True, eq=False)
class TaskJacobians:
    """Jacobians with respect to error coefficients and parameters at the poses of the tasks.

    Rows are weighted so that the sum of their squares is the mean over poses and tasks.

    Parameters
    ----------
    gain : (rows, coefficients)
    fixed : (rows,) [m]
        Mean displacement by terms that are drawn anew per visit.
    parameters : (rows, K)
        Jacobian with respect to the parameters that the controller uses.
    samples : (coefficients, ARMS)
        Drawn error coefficients.
    """

    gain: Array
    fixed: Array
    parameters: Array
    samples: Array

    @staticmethod
    def of(
        machine: Machine,
        linear: LinearPopulation,
        parameters: tuple[Parameter, ...],
        residual_poses: ResidualPoses,
        seed: int,
    ) -> TaskJacobians:
        """Jacobians at the poses of the tasks, by the coefficients of a population as it is measured.

        Parameters
        ----------
        machine : Machine
        linear : LinearPopulation
            The measured population, which states the order of the coefficients.
        parameters : tuple of Parameter
            Parameters that are put into the controller.
        residual_poses : ResidualPoses
        seed : int
            Seed of the drawn coefficients.

        Returns
        -------
        TaskJacobians
        """
        rng = np.random.default_rng(seed)
        position_of = {term.name: term_slice for term, term_slice in linear.terms_with_slices()}
        samples = np.concatenate([term.draw(rng, ARMS) for term, _ in linear.terms_with_slices()])
        gains, fixed, by_parameter = [], [], []
        for configurations in residual_poses.configurations:
            rows, weight = 3 * len(configurations), (len(configurations) * len(residual_poses.configurations)) ** -0.5
            block, mean = np.zeros((rows, len(samples))), np.zeros(rows)
            for term, gain in machine.evaluate(configurations).gains():
                if term.life == "unit" and term.name in position_of:
                    block[:, position_of[term.name]] = gain.reshape(rows, -1)
                else:  # of visit life, or of unit life on a path alone
                    mean += (gain @ term.mean).ravel()
            gains.append(weight * block)
            fixed.append(weight * mean)
            by_parameter.append(weight * jacobian_of(machine, configurations, parameters).reshape(rows, -1))
        return TaskJacobians(np.concatenate(gains), np.concatenate(fixed), np.concatenate(by_parameter), samples)

    def residual(self, estimate: Estimate, columns: list[int], seed: int) -> tuple[float, Interval]:
        """Residual error after an estimate, over the poses of the tasks.

        Parameters
        ----------
        estimate : Estimate
        columns : list of int
            Columns of ``parameters`` that are estimated.
        seed : int
            Seed of the drawn noise.

        Returns
        -------
        rms : float [m]
            Rms over arms and poses.
        quantiles : (5 %, 95 %) [m]
            Quantiles over arms of the rms over the poses.
        """
        rows, linear = estimate.controller_numbers, estimate.linear
        gain, by_parameter = estimate.gain[rows], self.parameters[:, columns]
        leak = self.gain - by_parameter @ (gain @ linear.gain)
        mean = self.fixed - by_parameter @ (estimate.intercept[rows] + gain @ linear.visit_mean)
        noise = by_parameter @ gain
        middle = leak @ linear.prior_mean + mean
        square = (
            np.sum((leak @ linear.prior_covariance) * leak)
            + np.sum((noise @ estimate.noise) * noise)
            + np.sum(middle**2)
        )
        root = np.linalg.cholesky(estimate.noise)
        normal = np.random.default_rng(seed).standard_normal((len(root), ARMS))
        arms = np.sqrt(np.sum((leak @ self.samples + mean[:, None] - noise @ (root @ normal)) ** 2, axis=0))
        low, high = np.quantile(arms, (0.05, 0.95))
        return float(np.sqrt(square)), (float(low), float(high))


def residual_curve(
    selection: PoseSelection, residual_poses: ResidualPoses, counts: Sequence[int], seed: int, progress: Progress
) -> tuple[CurvePointRecord, ...]:
    """Residual error against the number of measured poses, for selected and for random poses.

    Parameters
    ----------
    selection : PoseSelection
    residual_poses : ResidualPoses
    counts : sequence of int
        Numbers of poses.
    seed : int
    progress : callable
        Called with what is computed, the count so far and the total.

    Returns
    -------
    tuple of CurvePointRecord
    """
    all_parameters, population, use_prior = (
        selection.population.parameters,
        selection.population,
        selection.calibration.prior,
    )
    parameters = tuple(all_parameters[n] for n in controller_numbers(all_parameters))
    position_of = {parameter.name: n for n, parameter in enumerate(parameters)}
    jacobians = TaskJacobians.of(selection.machine, population.linear, parameters, residual_poses, seed)

    def with_poses(chosen: NDArray[np.intp]) -> tuple[float, Interval]:
        estimate = estimate_of(population.only(chosen), use_prior)
        columns = [position_of[parameter.name] for parameter in estimate.corrected]
        return jacobians.residual(estimate, columns, seed)

    out: list[CurvePointRecord] = []
    criterion: Criterion = selection.calibration.poses.choice
    for number, count in enumerate(counts):
        progress("curve of error against poses", number, len(counts))
        best = with_poses(selection.selected_poses(count, "error" if criterion == "random" else criterion, starts=1))
        others = [with_poses(selection.selected_poses(count, "random", draw))[0] for draw in range(1, SETS + 1)]
        low, middle, high = np.quantile(others, (0.05, 0.5, 0.95)).tolist()
        out.append(CurvePointRecord(count, *best, middle, (low, high)))
    progress("curve of error against poses", len(counts), len(counts))
    return tuple(out)


def counts_for(candidates: int) -> list[int]:
    """Numbers of poses of the curve, for a number of candidates."""
    return [count for count in POSE_COUNTS if count <= candidates]


def residual_by_group(
    machine: Machine, measurement: MeasurementPlan, residual_poses: ResidualPoses
) -> tuple[StepRecord, ...]:
    """Residual error after each group of parameters is identified, one group after the other.

    Parameters
    ----------
    machine : Machine
    measurement : MeasurementPlan
    residual_poses : ResidualPoses

    Returns
    -------
    tuple of StepRecord
        The first identifies none.
    """
    calibration = measurement.calibration
    parameters = parameters_of(machine, calibration.instrument, calibration.identify)
    groups = [name for name in numbers_by_group(parameters) if name not in (INSTRUMENT, TARGET)]
    out = [StepRecord("none", 0, residual_poses.rms(machine))]
    for number in range(1, len(groups) + 1):
        included = groups[:number]
        identify = calibration.identify
        identified = Identified(
            "zeros" in included, "links" in included, "stiffness" in included,
            identify.output_orders if "output_orders" in included else {},
            identify.input_orders if "input_orders" in included else {},
        )  # fmt: skip
        step = replace(measurement, calibration=replace(calibration, identify=identified))
        estimate = step.estimate(machine)
        corrected = replace(machine, correction=correction_of(machine, step, estimate))
        out.append(StepRecord(groups[number - 1], len(estimate.parameters), residual_poses.rms(corrected)))
    return tuple(out)
