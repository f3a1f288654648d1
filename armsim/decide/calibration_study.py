"""Study of a calibration: every simulated arm is measured, identified, corrected and evaluated.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibrated_study import calibration_of
from armsim.calibration.calibration_records import (
    CauseLeftRecord,
    ConfoundedRecord,
    CurvePointRecord,
    IdentifiedArmRecord,
    MeasuredPoseRecord,
    ParameterRecord,
    StepRecord,
)
from armsim.calibration.estimate import Estimate
from armsim.calibration.estimate_correction import MeasurementPlan, correction_isotropy, correction_of
from armsim.calibration.fedorov_exchange import short_route
from armsim.calibration.gauss_newton import KinematicModel, identify
from armsim.calibration.identifiable import unit_of
from armsim.calibration.identified_arms import fit_measured_arms, identify_arm
from armsim.calibration.measured_population import measured_units
from armsim.calibration.pose_selection import PoseSelection, candidates_of
from armsim.calibration.residual_error import ResidualPoses, counts_for, residual_by_group, residual_curve
from armsim.decide.compare import Comparison, compare
from armsim.errors import RunError
from armsim.model.calibration_plan import Calibration
from armsim.model.identification import Identification
from armsim.model.machine import Machine
from armsim.requirement import Verdict
from armsim.results.json_records import NotInRecord, record_as_dict
from armsim.results.poses import vector
from armsim.run_options import RunOptions
from armsim.sampling.random_draws import draw_units
from armsim.sampling_plan import SamplingPlan
from armsim.study import Study
from armsim.tasks import PoseSet

MIN_SINGULAR_RATIO = 1e-3
"""Ratio of a singular value of the position Jacobian to the largest, below which a direction cannot be corrected."""
UNITS_PER_BLOCK = 1024
"""Number of units (simulated arms) identified together."""


@dataclass(frozen=True, eq=False)
class Calibrated:
    """Result of `armsim calibrate`: residual error after calibration.

    Parameters
    ----------
    contradicting : tuple of str
        Measured arms whose readings contradict the model even after identification.
    scenario : str
    visits, units : int
        Largest number of visits per measured pose; number of simulated arms.
    prior : bool
        Whether the stated population serves as prior of the parameters.
    parameters : tuple of ParameterRecord
    confounded : tuple of ConfoundedRecord
    observability : mapping of index (O1 to O4) to value
    poses : tuple of MeasuredPoseRecord
    candidates, offered : int
        Number of candidate poses in sight of the instrument, and regardless of the line of sight.
    curve : tuple of CurvePointRecord
        Residual error against the number of measured poses.
    steps : tuple of StepRecord
        Residual error after each group of parameters.
    causes : tuple of CauseLeftRecord
        Contribution of every cause before and after calibration.
    rounds : int
        Largest number of Gauss-Newton iterations of any unit.
    beyond_linear : float
        Rms displacement over arms and poses by the difference between exactly and linearly identified parameters. [m]
    uncorrectable : tuple of str
        Poses of the tasks at which the joints cannot correct the tool point in every direction.
    comparison : Comparison
        Comparison of the uncalibrated and the calibrated design, with the same units.
    measurement : MeasurementPlan
    before, after : Study
        Uncalibrated and calibrated study; the latter holds the correction of every unit of the population.
    identifications : tuple of Identification
        Identifications of the measured arms, for their documents.
    excluded : tuple of int
        Lines of the measured file that were left out on request.
    """

    contradicting: tuple[str, ...]
    scenario: str
    visits: int
    units: int
    prior: bool
    parameters: tuple[ParameterRecord, ...]
    confounded: tuple[ConfoundedRecord, ...]
    observability: dict[str, float]
    poses: tuple[MeasuredPoseRecord, ...]
    candidates: int
    offered: int
    curve: tuple[CurvePointRecord, ...]
    steps: tuple[StepRecord, ...]
    causes: tuple[CauseLeftRecord, ...]
    rounds: int
    beyond_linear: float
    uncorrectable: tuple[str, ...]
    comparison: Comparison
    measurement: NotInRecord[MeasurementPlan]
    before: NotInRecord[Study]
    after: NotInRecord[Study]
    identifications: NotInRecord[tuple[Identification, ...]] = ()
    arms: tuple[IdentifiedArmRecord, ...] = ()
    excluded: tuple[int, ...] = ()
    format: Literal["armsim-calibrate/1"] = "armsim-calibrate/1"

    @property
    def state(self) -> Verdict:
        """Whether the requirement is met after the calibration."""
        return self.comparison.results[1].state

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units."""
        return record_as_dict(self)


def calibrate(
    study: Study,
    run_options: RunOptions = RunOptions(),
    measurement_file: Path | None = None,
    excluded: Collection[int] = (),
) -> Calibrated:
    """Run the calibration of a scenario for every simulated arm of its population.

    If a measurement file is given, its arms are identified too, without their outlying readings, and the calibration
    measures at the poses of the first of them.

    Parameters
    ----------
    study : Study
        Study of a scenario with a calibration.
    run_options : RunOptions
    measurement_file : Path, optional
        File of measured arms to identify, as read by `documents.measured_points`.
    excluded : collection of int
        Lines of that file to exclude beforehand.

    Returns
    -------
    Calibrated

    Raises
    ------
    InputError
        The scenario has no calibration, or identifies parameters that the joints cannot correct.
    RunError
        As raised by `Study.run`; or Gauss-Newton does not converge.
    """
    calibration = calibration_of(study)
    plan = replace(study.scenario.plan, tolerance=None)
    base = study.with_scenario(plan=plan)
    machine, pose_sets = base.scenario.machine, base.find(run_options.progress)
    uncorrectable = _uncorrectable_poses(study, machine, calibration, pose_sets)
    residual_poses = ResidualPoses.evenly_spaced(pose_sets)
    arms = [] if measurement_file is None else fit_measured_arms(study, measurement_file, calibration, excluded)
    selection, speeds = None, _joint_speeds(base)
    if arms:
        first_arm, measurement = arms[0].arm, arms[0].measurement.without_temperature
        names, candidates = tuple(first_arm.visits), len(first_arm.visits)
        offered = candidates
    else:
        candidate = candidates_of(base.scenario, calibration, pose_sets)
        candidates, offered = len(candidate.joints), candidate.offered
        run_options.check_stop()
        selection = PoseSelection.of(machine, calibration, candidate, pose_sets, plan.seed)
        run_options.check_stop()
        chosen = selection.planned_poses()
        joint_speeds = machine.arm.finite_upper - machine.arm.finite_lower if speeds is None else speeds
        chosen = chosen[short_route(candidate.joints[chosen], joint_speeds)]
        names, measurement = tuple(candidate.names[n] for n in chosen), selection.measurement(chosen)
    run_options.check_stop()
    estimate = _estimate(study, measurement, machine)
    identified = _identify_units(machine, measurement, estimate, plan, run_options)
    after = replace(machine, correction=correction_of(machine, measurement, estimate, (plan.seed, identified.values)))
    calibrated = base.with_scenario(machine=after, name=f"{base.scenario.name}, calibrated")
    comparison = compare([base, calibrated], run_options)
    linear = replace(machine, correction=correction_of(machine, measurement, estimate))
    residual_by_count: tuple[CurvePointRecord, ...] = ()
    if selection is not None:
        residual_by_count = residual_curve(
            selection, residual_poses, counts_for(candidates), plan.seed, run_options.progress
        )
    nonlinear_part = identified.values - identified.linear
    identified_arms = [identify_arm(study, fitted_arm, residual_poses) for fitted_arm in arms]
    return Calibrated(
        contradicting=tuple(fitted_arm.arm.name for fitted_arm in arms if fitted_arm.fit.contradicts),
        scenario=base.scenario.name,
        visits=max(measurement.visits),
        units=plan.units,
        prior=calibration.prior,
        parameters=_parameter_records(machine, measurement, estimate, identified),
        confounded=tuple(ConfoundedRecord(parameter.name, parameter.combination) for parameter in estimate.confounded),
        observability=dict(zip(("O1", "O2", "O3", "O4"), estimate.observability(len(names)), strict=True)),
        poses=_measured_poses(machine, measurement, names, speeds if selection is not None else None),
        candidates=candidates,
        offered=offered,
        curve=residual_by_count,
        steps=residual_by_group(machine, measurement, residual_poses),
        causes=residual_poses.causes(machine, linear),
        rounds=identified.iterations,
        beyond_linear=residual_poses.rms_displacement(
            machine, estimate.corrected, nonlinear_part[:, estimate.controller_numbers]
        ),
        uncorrectable=uncorrectable,
        comparison=comparison,
        measurement=measurement,
        before=base,
        after=calibrated,
        arms=tuple(record for record, _ in identified_arms),
        identifications=tuple(identification for _, identification in identified_arms),
        excluded=tuple(sorted(excluded)),
    )


def _joint_speeds(study: Study) -> Array | None:
    """Speeds of the joints, shape (joints,) [rad/s or m/s]; None if the scenario does not state all of them."""
    motion, names = study.scenario.motion, study.scenario.machine.arm.names
    if motion is None or any(name not in motion.speeds for name in names):
        return None
    return np.array([motion.speeds[name] for name in names])


def _measured_poses(
    machine: Machine, measurement: MeasurementPlan, names: tuple[str, ...], speeds: Array | None
) -> tuple[MeasuredPoseRecord, ...]:
    """Records of the measured poses, with the duration of each move if the speeds of the joints are known."""
    joints = measurement.joints
    tool = machine.arm.postures(joints, []).tool
    target_positions = tool[:, :3, 3] + tool[:, :3, :3] @ np.array(measurement.calibration.instrument.target_offset)
    moves: list[float | None] = [None] * len(joints)
    if speeds is not None:
        moves[1:] = np.max(np.abs(np.diff(joints, axis=0)) / speeds, axis=1).tolist()
    rows = zip(names, joints.tolist(), target_positions.tolist(), moves, measurement.oriented.tolist(), strict=True)
    return tuple(
        MeasuredPoseRecord(name, tuple(q), vector(target_position), move)
        for name, q, target_position, move, turned in rows
        if not turned
    )


def _uncorrectable_poses(
    study: Study, machine: Machine, calibration: Calibration, pose_sets: list[PoseSet]
) -> tuple[str, ...]:
    """Poses at which the joints cannot correct the tool point in every direction; none if no links are identified."""
    if not calibration.identify.links:
        return ()
    out = []
    for task, poses in zip(study.scenario.tasks, pose_sets, strict=True):
        ratios = correction_isotropy(machine, poses.configurations)
        out += [
            f"{task.name}: {name}"
            for name, ratio in zip(poses.names, ratios.tolist(), strict=True)
            if ratio < MIN_SINGULAR_RATIO
        ]
    if len(out) == sum(len(poses.names) for poses in pose_sets):
        wrong = "the joints of this arm cannot move the tool point in every direction, and so correct no link"
        accepted = "zeros, stiffness, output_orders, input_orders"
        raise study.scenario.fault("calibration.identify.links", wrong, accepted)
    return tuple(out)


def _estimate(study: Study, measurement: MeasurementPlan, machine: Machine) -> Estimate:
    estimate = measurement.estimate(machine)
    if not estimate.controller_numbers:
        names = ", ".join(parameter.name for parameter in estimate.confounded[:6])
        wrong = f"the measured poses carry no information on the parameters to identify ({names})"
        raise study.scenario.fault("calibration", wrong, "more poses, other poses, a target off the axes")
    return estimate


@dataclass(frozen=True, eq=False)
class _IdentifiedUnits:
    """Identified, true and linearly estimated parameters, each of shape (units, K), and number of iterations."""

    values: Array
    truth: Array
    linear: Array
    iterations: int


def _identify_units(
    machine: Machine, measurement: MeasurementPlan, estimate: Estimate, plan: SamplingPlan, run_options: RunOptions
) -> _IdentifiedUnits:
    """Simulate the measurement of every unit of the population, and identify it by exact kinematics."""
    observed = measurement.seen_by(machine)
    draws = draw_units(observed.terms, plan)[:, : plan.units]
    noise, joints, conditions = measurement.noise(machine), measurement.joints, measurement.conditions
    model = KinematicModel.of(observed, estimate, joints, conditions)
    readings_by_pose = measured_units(observed, joints, measurement.visits, noise, plan.units, plan.seed, conditions)
    readings = estimate.linear.readings(measurement.visits, noise)
    means = np.empty((plan.units, 3 * len(joints)))
    for n, visits in enumerate(readings_by_pose):
        means[:, 3 * n : 3 * n + 3] = readings.mean(n, visits)
        run_options.progress("poses measured", n + 1, len(joints))
    values, iterations = np.empty((plan.units, len(estimate.parameters))), 0
    for start in range(0, plan.units, UNITS_PER_BLOCK):
        block = slice(start, start + UNITS_PER_BLOCK)
        try:
            values[block], iterations_of_block = identify(model, estimate, means[block], run_options.check_stop)
        except ArithmeticError as error:
            raise RunError(f"{error}: fewer parameters, more poses, or prior: true") from error
        iterations = max(iterations, iterations_of_block)
        run_options.progress("arms identified", min(start + UNITS_PER_BLOCK, plan.units), plan.units)
    linear = estimate.intercept + means @ estimate.gain.T
    return _IdentifiedUnits(values, (estimate.parameter_sensitivity @ draws).T, linear, iterations)


def _parameter_records(
    machine: Machine, measurement: MeasurementPlan, estimate: Estimate, identified: _IdentifiedUnits
) -> tuple[ParameterRecord, ...]:
    arm = measurement.seen_by(machine).arm
    formula, by_measurement = np.sqrt(np.diag(estimate.covariance)), np.sqrt(np.diag(estimate.measurement_covariance))
    errors = identified.values - identified.truth
    ddof = 1 if len(errors) > 1 else 0
    sampled_std, bias = errors.std(axis=0, ddof=ddof), errors.mean(axis=0)
    out = []
    for n, parameter in zip(estimate.controller_numbers, estimate.corrected, strict=True):
        sizes = [float(column[n]) for column in (estimate.spread, formula, by_measurement, sampled_std, bias)]
        out.append(ParameterRecord(parameter.name, parameter.group, unit_of(parameter, arm), *sizes))
    return tuple(out)
