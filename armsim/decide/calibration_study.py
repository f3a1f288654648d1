"""The calibration of every built arm: measured, identified, corrected, evaluated.

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
from armsim.calibration.estimate_correction import Measurement, correctable, correction_of
from armsim.calibration.fedorov_exchange import short_route
from armsim.calibration.gauss_newton import Model, identify
from armsim.calibration.identifiable import unit_of
from armsim.calibration.identified_arms import identified_arm, measured_arms
from armsim.calibration.measured_population import measured_units
from armsim.calibration.pose_selection import PoseSelection, candidates_of
from armsim.calibration.residual_error import ResidualPoses, counts_for, residual_by_group, residual_curve
from armsim.decide.compare import Comparison, compare
from armsim.errors import RunError
from armsim.model.calibration_plan import Calibration
from armsim.model.identification import Identification
from armsim.model.machine import Machine
from armsim.requirement import Verdict
from armsim.results.json_records import NotInRecord, plain
from armsim.results.poses import vector
from armsim.run_options import Progress, RunOptions
from armsim.sampling.random_draws import draw_units
from armsim.sampling_plan import SamplingPlan
from armsim.study import Study
from armsim.tasks import PoseSet

FLAT = 1e-3
"""Singular value of the position Jacobian, over the largest, below which a direction cannot be corrected."""
BLOCK = 1024
"""Units that are measured together."""


@dataclass(frozen=True, eq=False)
class Calibrated:
    """Result of `armsim calibrate`: residual error after calibration.

    Parameters
    ----------
    contradicting : tuple of str
        Measured arms whose readings are not what is to be expected of them once they are identified.
    candidates, offered : int
        Poses from which those measured are chosen, and without regard to the line of sight.
    beyond_linear : float
        Rms over arms and poses of what exact identification leaves other than linear identification. [m]
    uncorrectable : tuple of str
        Poses of the tasks at which the joints cannot bring about a correction in every direction.
    comparison : Comparison
        Before and after, the same units.
    measurement : Measurement
    before, after : Study
        ``after`` holds the correction that every unit of the population got.
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
    measurement: NotInRecord[Measurement]
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
        return plain(self)


def calibrate(
    study: Study,
    run_options: RunOptions = RunOptions(),
    measured: Path | None = None,
    excluded: Collection[int] = (),
) -> Calibrated:
    """Run the calibration of a scenario for every built arm of its population.

    ``measured``: a file of `documents.measured_points`; its arms are identified, and the poses at which the first of
    them was measured are those of the calibration. Readings that are wrong by all others are named, and the arms are
    identified without them; ``excluded``: lines of readings that are left out before that.

    Parameters
    ----------
    study : Study
        Study of a scenario with a calibration.
    run_options : RunOptions
    measured : Path, optional
        File of measured arms to identify.
    excluded : collection of int
        Lines of that file to exclude.

    Returns
    -------
    Calibrated

    Raises
    ------
    InputError
        The scenario has no calibration, or asks for what the joints cannot correct.
    RunError
        As `Study.run`; or Gauss-Newton does not settle.
    """
    calibration = calibration_of(study)
    plan = replace(study.scenario.plan, tolerance=None)
    base = study.with_scenario(plan=plan)
    machine, pose_sets = base.scenario.machine, base.find(run_options.progress)
    flat = _flat(study, machine, calibration, pose_sets)
    residual = ResidualPoses.at(pose_sets)
    arms = [] if measured is None else measured_arms(study, measured, calibration, excluded)
    selection, speeds = None, _speeds(base)
    if arms:
        first, measurement = arms[0].arm, arms[0].measurement.without_temperature
        names, candidates = tuple(first.visits), len(first.visits)
        offered = candidates
    else:
        candidate = candidates_of(base.scenario, calibration, pose_sets)
        candidates, offered = len(candidate.joints), candidate.offered
        selection = PoseSelection.of(machine, calibration, candidate, pose_sets, plan.seed)
        chosen = selection.planned()
        joint_speeds = machine.arm.highest - machine.arm.lowest if speeds is None else speeds
        chosen = chosen[short_route(candidate.joints[chosen], joint_speeds)]
        names, measurement = tuple(candidate.names[n] for n in chosen), selection.measurement(chosen)
    estimate = _estimate(study, measurement, machine)
    identified = _identified(machine, measurement, estimate, plan, run_options.progress)
    after = replace(machine, correction=correction_of(machine, measurement, estimate, (plan.seed, identified.values)))
    calibrated = base.with_scenario(machine=after, name=f"{base.scenario.name}, calibrated")
    comparison = compare([base, calibrated], run_options)
    linear = replace(machine, correction=correction_of(machine, measurement, estimate))
    left_by_count: tuple[CurvePointRecord, ...] = ()
    if selection is not None:
        left_by_count = residual_curve(selection, residual, counts_for(candidates), plan.seed, run_options.progress)
    nonlinear_part = identified.values - identified.linear
    identified_arms = [identified_arm(study, read, residual) for read in arms]
    return Calibrated(
        contradicting=tuple(read.arm.name for read in arms if read.fit.contradicts),
        scenario=base.scenario.name,
        visits=max(measurement.visits),
        units=plan.units,
        prior=calibration.prior,
        parameters=_parameters(machine, measurement, estimate, identified),
        confounded=tuple(ConfoundedRecord(parameter.name, parameter.alike) for parameter in estimate.confounded),
        observability=dict(zip(("O1", "O2", "O3", "O4"), estimate.observability(len(names)), strict=True)),
        poses=_poses(machine, measurement, names, speeds if selection is not None else None),
        candidates=candidates,
        offered=offered,
        curve=left_by_count,
        steps=residual_by_group(machine, measurement, residual),
        causes=residual.causes(machine, linear),
        rounds=identified.rounds,
        beyond_linear=residual.rms_displacement(machine, estimate.corrected, nonlinear_part[:, estimate.controlled]),
        uncorrectable=flat,
        comparison=comparison,
        measurement=measurement,
        before=base,
        after=calibrated,
        arms=tuple(record for record, _ in identified_arms),
        identifications=tuple(identification for _, identification in identified_arms),
        excluded=tuple(sorted(excluded)),
    )


def _speeds(study: Study) -> Array | None:
    """Speeds of the joints, shape (joints,) [rad/s or m/s]; None where the scenario does not state them all."""
    motion, names = study.scenario.motion, study.scenario.machine.arm.names
    if motion is None or any(name not in motion.speeds for name in names):
        return None
    return np.array([motion.speeds[name] for name in names])


def _poses(
    machine: Machine, measurement: Measurement, names: tuple[str, ...], speeds: Array | None
) -> tuple[MeasuredPoseRecord, ...]:
    """Measured poses; with the time of each move at the speeds of the joints, where they follow each other."""
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


def _flat(study: Study, machine: Machine, calibration: Calibration, pose_sets: list[PoseSet]) -> tuple[str, ...]:
    """Poses at which the joints cannot correct in every direction, where links are identified."""
    if not calibration.identify.links:
        return ()
    out = []
    for task, poses in zip(study.scenario.tasks, pose_sets, strict=True):
        least = correctable(machine, poses.configurations)
        out += [f"{task.name}: {name}" for name, share in zip(poses.names, least.tolist(), strict=True) if share < FLAT]
    if len(out) == sum(len(poses.names) for poses in pose_sets):
        wrong = "the joints of this arm cannot move the tool point in every direction, and so correct no link"
        accepted = "zeros, stiffness, output_orders, input_orders"
        raise study.scenario.fault("calibration.identify.links", wrong, accepted)
    return tuple(out)


def _estimate(study: Study, measurement: Measurement, machine: Machine) -> Estimate:
    estimate = measurement.estimate(machine)
    if not estimate.controlled:
        names = ", ".join(parameter.name for parameter in estimate.confounded[:6])
        wrong = f"the measured poses carry no information on the parameters to identify ({names})"
        raise study.scenario.fault("calibration", wrong, "more poses, other poses, a target off the axes")
    return estimate


@dataclass(frozen=True, eq=False)
class _Identified:
    """Per unit: identified, true and linearly estimated values, each of shape (units, K), and number of iterations."""

    values: Array
    truth: Array
    linear: Array
    rounds: int


def _identified(
    machine: Machine, measurement: Measurement, estimate: Estimate, plan: SamplingPlan, progress: Progress
) -> _Identified:
    """Measure every unit of the population, and identify it through exact kinematics."""
    observed = measurement.seen_by(machine)
    draws = draw_units(observed.terms, plan)[:, : plan.units]
    noise, joints, conditions = measurement.noise(machine), measurement.joints, measurement.conditions
    model = Model.of(observed, estimate, joints, conditions)
    read = measured_units(observed, joints, measurement.visits, noise, plan.units, plan.seed, conditions)
    readings = estimate.linear.readings(measurement.visits, noise)
    means = np.empty((plan.units, 3 * len(joints)))
    for n, visits in enumerate(read):
        means[:, 3 * n : 3 * n + 3] = readings.mean(n, visits)
        progress("poses measured", n + 1, len(joints))
    values, rounds = np.empty((plan.units, len(estimate.parameters))), 0
    for start in range(0, plan.units, BLOCK):
        part = slice(start, start + BLOCK)
        try:
            values[part], identified = identify(model, estimate, means[part])
        except ArithmeticError as error:
            raise RunError(f"{error}: fewer parameters, more poses, or prior: true") from error
        rounds = max(rounds, identified)
        progress("arms identified", min(start + BLOCK, plan.units), plan.units)
    linear = estimate.base + means @ estimate.gain.T
    return _Identified(values, (estimate.truth @ draws).T, linear, rounds)


def _parameters(
    machine: Machine, measurement: Measurement, estimate: Estimate, identified: _Identified
) -> tuple[ParameterRecord, ...]:
    arm = measurement.seen_by(machine).arm
    formula, by_measurement = np.sqrt(np.diag(estimate.covariance)), np.sqrt(np.diag(estimate.by_measurement))
    errors = identified.values - identified.truth
    ddof = 1 if len(errors) > 1 else 0
    sampled_std, bias = errors.std(axis=0, ddof=ddof), errors.mean(axis=0)
    out = []
    for n, parameter in zip(estimate.controlled, estimate.corrected, strict=True):
        sizes = [float(column[n]) for column in (estimate.spread, formula, by_measurement, sampled_std, bias)]
        out.append(ParameterRecord(parameter.name, parameter.group, unit_of(parameter, arm), *sizes))
    return tuple(out)
