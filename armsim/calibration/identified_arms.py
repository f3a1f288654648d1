"""The parameters of arms that were measured, as the calibration of the scenario identifies them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibration_records import FitRecord, IdentifiedArmRecord, IdentifiedValueRecord
from armsim.calibration.estimate import Estimate, estimate_of
from armsim.calibration.estimate_correction import Measurement, correction_of
from armsim.calibration.gauss_newton import Model, identify
from armsim.calibration.hold_out import hold_out
from armsim.calibration.identifiable import unit_of, with_target
from armsim.calibration.identified_values import identification_of
from armsim.calibration.measured_population import measured_units
from armsim.calibration.measurement_setup import Setup, measured_by
from armsim.calibration.outlying_readings import Prediction, ReadingReference, ReadingSample, screened
from armsim.calibration.rank_tests import SIGNIFICANT
from armsim.calibration.residual_error import Left
from armsim.calibration.verify import at_rest
from armsim.documents.measured_points import MeasuredArm
from armsim.errors import RunError
from armsim.model.calibration_plan import Calibration
from armsim.model.identification import Identification
from armsim.study import Study

TESTS = 3
"""That share the chance of a false alarm: the means of the poses, the visits about them, single readings."""
UNITS = 4000
"""Arms that are simulated for that, at least."""
APART = 1e-6
"""Singular value of the columns of parameters, over the largest, below which they are not apart."""


@dataclass(frozen=True, eq=False)
class MeasuredSession:
    """How the arms of a file are identified.

    Parameters
    ----------
    study : Study
    path : Path
    setup : Setup
    calibration : Calibration
    alarm : float
        Chance of a false alarm of each of the `TESTS` of an arm.
    """

    study: Study
    path: Path
    setup: Setup
    calibration: Calibration
    alarm: float
    references: dict[tuple[bytes, tuple[int, ...]], ReadingReference] = field(default_factory=dict)
    models: dict[tuple[bytes, tuple[int, ...]], tuple[Model, Estimate, Prediction]] = field(default_factory=dict)

    def measurement(self, arm: MeasuredArm) -> Measurement:
        """The calibration at the poses of an arm."""
        counts = tuple(len(rows) for rows in arm.visits.values())
        return Measurement(self.calibration, np.array(list(arm.joints.values())), counts)

    def predicted(self, arm: MeasuredArm, estimate: Estimate) -> Prediction:
        """What is left of its readings whatever the identified parameters are; by the population where poses are too
        few for that and it is known beforehand.

        Raises
        ------
        InputError
            As `Setup.estimator`.
        """
        joints, counts, linear = (
            np.array(list(arm.joints.values())),
            [len(rows) for rows in arm.visits.values()],
            estimate.linear,
        )
        visit = linear.one_visit(self.setup.spread(joints))
        root = np.linalg.inv(np.linalg.cholesky(linear.gain @ linear.prior @ linear.gain.T + estimate.noise))
        columns = root @ estimate.distinct
        basis, sizes, _ = np.linalg.svd(columns / np.linalg.norm(columns, axis=0), full_matrices=False)
        basis = basis[:, sizes > APART * sizes.max(initial=0.0)]
        if basis.shape[1] < len(root):
            inverse = root.T @ (np.eye(len(root)) - basis @ basis.T) @ root
            return Prediction(linear.mean, np.asarray(inverse), visit, counts)
        if estimate.prior:
            estimator = self.setup.estimator(joints, counts, self.path)
            return Prediction(estimator.linear.mean, estimator.inverse, visit, counts)
        return Prediction(linear.mean, np.zeros_like(root), visit, counts)

    def refit(self, arm: MeasuredArm) -> tuple[Prediction, list[Array]]:
        """As `outlying_readings.Refit`, the identified parameters taken to first order about what they are."""
        registered, _ = self.setup.register(arm, self.path)
        model, estimate, prediction = self._models(arm)
        means = np.concatenate([rows.mean(axis=0) for rows in registered.visits.values()])
        try:
            values = identify(model, estimate, means[None])[0]
        except ArithmeticError:  # so far off that only first order about the nominal arm is left
            values = np.zeros((1, len(estimate.parameters)))
        bent = (estimate.jacobian @ values[0] - model.at(values)[0][0]).reshape(-1, 3)
        return prediction, [rows + shift for rows, shift in zip(registered.visits.values(), bent, strict=True)]

    def _models(self, arm: MeasuredArm) -> tuple[Model, Estimate, Prediction]:
        measurement, machine = self.measurement(arm), self.study.scenario.machine
        key = measurement.joints.tobytes(), tuple(measurement.visits)
        if key not in self.models:
            estimate = measurement.estimate(machine)
            model = Model.of(with_target(machine, self.calibration.instrument), estimate, measurement.joints)
            self.models[key] = model, estimate, self.predicted(arm, estimate)
        return self.models[key]

    def read(self, arm: MeasuredArm) -> ReadArm:
        """An arm without the readings that are wrong by all others, and how well the rest fits."""
        reference = self._reference(arm)
        screen = screened(arm, self.path.name, self.refit, reference, self.alarm)
        prediction, visits = self.refit(screen.arm)
        squares, freedom = prediction.misfit(visits), prediction.freedom
        chances = reference.misfit_chances(prediction, visits)
        wrong = bool(screen.outliers) or screen.crowded or min(chances) <= self.alarm
        between, within = zip(squares, freedom, chances, strict=True)
        fit = FitRecord(*between, *within, screen.outliers, screen.crowded, wrong)
        registered, _ = self.setup.register(screen.arm, self.path)
        return ReadArm(registered, self.measurement(screen.arm), fit)

    def _reference(self, arm: MeasuredArm) -> ReadingReference:
        """Arms simulated the way one was read, as often as it was done."""
        measurement, setup = self.measurement(arm), self.setup
        joints, key = measurement.joints, (measurement.joints.tobytes(), tuple(measurement.visits))
        if key not in self.references:
            sample = ReadingSample(self._models(arm)[2], self.alarm)
            units, seed = max(UNITS, int(np.ceil(2.0 / self.alarm))), self.study.scenario.plan.seed
            spread = setup.spread(joints)
            for _ in sample.through(measured_units(setup.machine, joints, measurement.visits, spread, units, seed)):
                pass
            self.references[key] = ReadingReference.of(sample)
        return self.references[key]


@dataclass(frozen=True, eq=False)
class ReadArm:
    """An arm in the base frame without the readings that are wrong, how it was measured, and how well it fits."""

    arm: MeasuredArm
    measurement: Measurement
    fit: FitRecord


def measured_arms(study: Study, path: Path, calibration: Calibration, excluded: Collection[int] = ()) -> list[ReadArm]:
    """Arms of a file, and how each was measured; ``excluded``: lines of readings that are left out.

    Where frame or target is identified, readings may stand in the frame of the instrument: they are first brought into
    the base frame by the nominal arm, and what is then left of frame and target is identified with the rest.

    Raises
    ------
    InputError
        As `documents.measured_points.read_points` and `measurement_setup.Setup.register`.
    """
    joints = {name: q for name, (q, _) in at_rest(study).items()}
    setup, arms = measured_by(study, path, joints, None, excluded)
    calibration = replace(calibration, instrument=setup.instrument)
    session = MeasuredSession(study, path, setup, calibration, SIGNIFICANT / len(arms) / TESTS)
    return [session.read(arm) for arm in arms]


def identified_arm(study: Study, read: ReadArm, residual_poses: Left) -> tuple[IdentifiedArmRecord, Identification]:
    """Its parameters, how well they explain what was measured, and what stands of them in its document.

    Raises
    ------
    RunError
        Gauss-Newton does not settle.
    """
    machine, arm, measurement = study.scenario.machine, read.arm, read.measurement
    calibration, seen = measurement.calibration, measurement.seen(machine)
    estimate = estimate_of(seen, calibration.prior)
    measured = with_target(machine, calibration.instrument)
    model = Model.of(measured, estimate, measurement.joints)
    displacement = np.concatenate([numbers.mean(axis=0) for numbers in arm.visits.values()])
    try:
        values = identify(model, estimate, displacement[None])[0][0]
    except ArithmeticError as error:
        raise RunError(f"{arm.name}: {error}: fewer parameters, more poses, or prior: true") from error
    remainder = displacement - model.at(values[None])[0][0] - estimate.offset
    # what is left of a reading, by the linear estimate: (I - J H) (G c + noise) about its mean
    projected = np.eye(len(remainder)) - estimate.jacobian @ estimate.gain
    covariance = estimate.linear.gain @ estimate.linear.prior @ estimate.linear.gain.T + estimate.noise
    expected = float(np.sqrt(np.trace(projected @ covariance @ projected.T) / len(measurement.joints)))
    uncertainty = np.sqrt(np.maximum(np.diag(estimate.covariance), 0.0))
    spread, numbers = estimate.spread, estimate.controlled
    rows = [
        IdentifiedValueRecord(
            estimate.parameters[n].name, estimate.parameters[n].group, unit_of(estimate.parameters[n], measured.arm),
            float(values[n]), float(uncertainty[n]), float(spread[n]),
        )
        for n in numbers
    ]  # fmt: skip
    removed = residual_poses.moved(machine, estimate.corrected, values[None, numbers])
    residual = float(np.sqrt(np.sum(remainder**2) / len(measurement.joints)))
    likely = residual_poses.rms(replace(machine, correction=correction_of(machine, measurement, estimate)))
    left_out = hold_out(measured, seen, measurement.joints, displacement, calibration.prior)
    record = IdentifiedArmRecord(
        arm.name, len(measurement.joints), tuple(rows), residual, expected, removed, likely, read.fit, left_out
    )  # fmt: skip
    return record, identification_of(machine, calibration, estimate, values)
