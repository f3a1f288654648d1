"""Identification of measured arms: outlying readings, parameters that the calibration identifies, goodness of fit."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from armsim.calibration.calibration_records import (
    FitRecord,
    IdentifiedArmRecord,
    IdentifiedValueRecord,
    RegistrationRecord,
)
from armsim.calibration.estimate import Estimate, estimate_of
from armsim.calibration.estimate_correction import MeasurementPlan, correction_of
from armsim.calibration.gauss_newton import KinematicModel, identify
from armsim.calibration.hold_out import hold_out
from armsim.calibration.identifiable import unit_of
from armsim.calibration.identified_values import identification_of
from armsim.calibration.measured_population import measured_units
from armsim.calibration.measurement_setup import Setup, setup_and_readings
from armsim.calibration.outlying_readings import Prediction, ReadingReference, ReadingSample, screen_outliers
from armsim.calibration.rank_tests import SIGNIFICANT
from armsim.calibration.registered_arm import RegisteredArm
from armsim.calibration.residual_error import ResidualPoses
from armsim.calibration.session_frames import session_frames
from armsim.calibration.verify import poses_at_rest
from armsim.documents.measured_points import MeasuredArm
from armsim.errors import RunError
from armsim.model.calibration_plan import Calibration
from armsim.model.identification import Identification
from armsim.study import Study

TESTS = 3
"""Number of tests that share the probability of a false alarm: pose means, visits about them, single readings."""
UNITS = 4000
"""Smallest number of simulated arms of a reference distribution."""
LEAST_SINGULAR_VALUE = 1e-6
"""Ratio of a singular value of the columns of the parameters to the largest, below which they are not separable."""


@dataclass(frozen=True, eq=False)
class SessionIdentification:
    """Identification of the arms of a measurement file: setup, calibration, and reference distributions.

    Parameters
    ----------
    study : Study
    path : Path
    setup : Setup
    calibration : Calibration
    false_alarm_probability : float
        Probability of a false alarm for each of the `TESTS` of an arm.
    """

    study: Study
    path: Path
    setup: Setup
    calibration: Calibration
    false_alarm_probability: float
    references: dict[tuple[object, ...], ReadingReference] = field(default_factory=dict)
    models: dict[tuple[object, ...], tuple[KinematicModel, Estimate, Prediction]] = field(default_factory=dict)

    def measurement(self, arm: RegisteredArm) -> MeasurementPlan:
        """Measurement of the calibration at the poses of an arm."""
        return MeasurementPlan(self.calibration, arm.joints, arm.counts, arm.conditions, arm.covariance_roots)

    def predicted(self, arm: RegisteredArm, estimate: Estimate) -> Prediction:
        """Prediction of the readings with the identified parameters projected out.

        If the poses are too few for that and the population serves as prior, the prediction is that of the population.

        Parameters
        ----------
        arm : RegisteredArm
        estimate : Estimate

        Returns
        -------
        Prediction

        Raises
        ------
        InputError
            As `Setup.estimator`.
        """
        linear = estimate.linear
        readings = linear.readings(arm.counts, arm.covariance_roots)
        root = np.linalg.inv(np.linalg.cholesky(linear.gain @ linear.prior_covariance @ linear.gain.T + estimate.noise))
        columns = root @ estimate.distinct
        basis, sizes, _ = np.linalg.svd(columns / np.linalg.norm(columns, axis=0), full_matrices=False)
        basis = basis[:, sizes > LEAST_SINGULAR_VALUE * sizes.max(initial=0.0)]
        if basis.shape[1] < len(root):
            inverse = root.T @ (np.eye(len(root)) - basis @ basis.T) @ root
            return Prediction(linear.mean, np.asarray(inverse), readings)
        if estimate.uses_prior:
            estimator = self.setup.estimator(arm, self.path)
            return Prediction(estimator.linear.mean, estimator.inverse, readings)
        return Prediction(linear.mean, np.zeros_like(root), readings)

    def refit(self, arm: MeasuredArm) -> tuple[Prediction, MeasuredArm]:
        """Prediction and readings as `outlying_readings.RefitReadings`, linearised about the identified parameters."""
        read = self.setup.register(arm, self.path)
        model, estimate, prediction = self._models(read)
        visits = read.arm.visits
        means = prediction.readings.means(list(visits.values()))
        try:
            values = identify(model, estimate, means[None])[0]
        except ArithmeticError:  # too far from the nominal arm to converge: linearise about the nominal arm
            values = np.zeros((1, len(estimate.parameters)))
        nonlinear = (estimate.jacobian @ values[0] - model.displacement_and_derivative(values)[0][0]).reshape(-1, 3)
        linearised = {name: rows + shift for (name, rows), shift in zip(visits.items(), nonlinear, strict=True)}
        return prediction, replace(read.arm, visits=linearised)

    def _models(self, arm: RegisteredArm) -> tuple[KinematicModel, Estimate, Prediction]:
        measurement, machine = self.measurement(arm), self.study.scenario.machine
        if arm.key not in self.models:
            estimate = measurement.estimate(machine)
            model = KinematicModel.of(measurement.seen_by(machine), estimate, arm.joints, arm.conditions)
            self.models[arm.key] = model, estimate, self.predicted(arm, estimate)
        return self.models[arm.key]

    def fit_arm(self, arm: MeasuredArm) -> FittedArm:
        """Arm without its outlying readings, and the fit of the remaining ones."""
        reference = self._reference(self.setup.register(arm, self.path))
        screen = screen_outliers(arm, self.path.name, self.refit, reference, self.false_alarm_probability)
        prediction, linearised = self.refit(screen.arm)
        visits = list(linearised.visits.values())
        squares, freedom = prediction.misfit(visits), prediction.freedom
        p_values = reference.misfit_p_values(prediction, visits)
        wrong = bool(screen.outliers) or screen.too_many_outliers or min(p_values) <= self.false_alarm_probability
        between, within = zip(squares, freedom, p_values, strict=True)
        fit = FitRecord(*between, *within, screen.outliers, screen.too_many_outliers, wrong)
        read = self.setup.register(screen.arm, self.path)
        return FittedArm(read.arm, self.measurement(read), fit, read.registrations)

    def _reference(self, arm: RegisteredArm) -> ReadingReference:
        """Reference distribution of readings: arms of the population, simulated as the given arm was measured."""
        if arm.key not in self.references:
            sample = ReadingSample(self._models(arm)[2], self.false_alarm_probability)
            units, seed = max(UNITS, int(np.ceil(2.0 / self.false_alarm_probability))), self.study.scenario.plan.seed
            read = arm.joints, arm.counts, arm.covariance_roots, units, seed, arm.conditions
            for _ in sample.collect(measured_units(self.setup.machine, *read)):
                pass
            self.references[arm.key] = ReadingReference.of(sample)
        return self.references[arm.key]


@dataclass(frozen=True, eq=False)
class FittedArm:
    """A measured arm in the base frame without its outlying readings: measurement, fit, registrations."""

    arm: MeasuredArm
    measurement: MeasurementPlan
    fit: FitRecord
    registrations: tuple[RegistrationRecord, ...]


def fit_measured_arms(
    study: Study, path: Path, calibration: Calibration, excluded: Collection[int] = ()
) -> list[FittedArm]:
    """Read the arms of a measurement file, remove their outlying readings, and test the fit of the rest.

    If frame or target is identified, readings may be in the frame of the instrument. They are transformed to the base
    frame by a fit to the nominal arm; the remaining errors of frame and target are identified with the arm.

    Parameters
    ----------
    study : Study
    path : Path
        MeasurementPlan file, as read by `documents.measured_points`.
    calibration : Calibration
    excluded : collection of int
        Lines of readings that are left out.

    Returns
    -------
    list of FittedArm

    Raises
    ------
    InputError
        As `documents.measured_points.read_points` and `measurement_setup.Setup.register`.
    """
    joints = {name: q for name, (q, _) in poses_at_rest(study).items()}
    setup, arms = setup_and_readings(study, path, joints, None, excluded)
    calibration = replace(calibration, instrument=setup.instrument)
    session = SessionIdentification(study, path, setup, calibration, SIGNIFICANT / len(arms) / TESTS)
    return [session.fit_arm(arm) for arm in arms]


def identify_arm(
    study: Study, read: FittedArm, residual_poses: ResidualPoses
) -> tuple[IdentifiedArmRecord, Identification]:
    """Identify the parameters of a measured arm.

    Parameters
    ----------
    study : Study
    read : FittedArm
    residual_poses : ResidualPoses
        Poses of the tasks at which the residual error is evaluated.

    Returns
    -------
    record : IdentifiedArmRecord
        Parameters, residuals and goodness of fit.
    identification : Identification
        Values of the parameters for the document of the arm.

    Raises
    ------
    RunError
        Gauss-Newton does not converge.
    """
    machine, arm, measurement = study.scenario.machine, read.arm, read.measurement
    calibration, population = measurement.calibration, measurement.population(machine)
    estimate = estimate_of(population, calibration.prior)
    measured = measurement.seen_by(machine)
    model = KinematicModel.of(measured, estimate, measurement.joints, measurement.conditions)
    readings = estimate.linear.readings(measurement.visits, measurement.noise(machine))
    displacement = readings.means(list(arm.visits.values()))
    try:
        values = identify(model, estimate, displacement[None])[0][0]
    except ArithmeticError as error:
        raise RunError(f"{arm.name}: {error}: fewer parameters, more poses, or prior: true") from error
    remainder = displacement - model.displacement_and_derivative(values[None])[0][0] - estimate.unidentified_mean
    # residual of a reading by the linear estimate: (I - J H) (G c + noise) about its mean
    projected = np.eye(len(remainder)) - estimate.jacobian @ estimate.gain
    covariance = estimate.linear.gain @ estimate.linear.prior_covariance @ estimate.linear.gain.T + estimate.noise
    positions = ~np.repeat(measurement.oriented, 3)
    poses = int(np.count_nonzero(~measurement.oriented))
    expected = float(np.sqrt(np.diag(projected @ covariance @ projected.T)[positions].sum() / poses))
    uncertainty = np.sqrt(np.maximum(np.diag(estimate.covariance), 0.0))
    spread, numbers = estimate.spread, estimate.controller_numbers
    rows = [
        IdentifiedValueRecord(
            estimate.parameters[n].name, estimate.parameters[n].group, unit_of(estimate.parameters[n], measured.arm),
            float(values[n]), float(uncertainty[n]), float(spread[n]),
        )
        for n in numbers
    ]  # fmt: skip
    removed = residual_poses.rms_displacement(machine, estimate.corrected, values[None, numbers])
    residual = float(np.sqrt(np.sum(remainder[positions] ** 2) / poses))
    expected_residual = residual_poses.rms(replace(machine, correction=correction_of(machine, measurement, estimate)))
    left_out = hold_out(measured, population, measurement.joints, displacement, calibration.prior)
    record = IdentifiedArmRecord(
        arm.name, poses, tuple(rows), residual, expected, removed, expected_residual, read.fit, left_out,
        session_frames(read.registrations, estimate, values),
    )  # fmt: skip
    return record, identification_of(machine, calibration, estimate, values)
