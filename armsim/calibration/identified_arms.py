"""The parameters of arms that were measured, as the calibration of the scenario identifies them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from armsim.calibration.calibration_records import IdentifiedArmRecord, IdentifiedValueRecord
from armsim.calibration.estimate_correction import Measurement, correction_of
from armsim.calibration.gauss_newton import Model, identify
from armsim.calibration.identifiable import unit_of, with_target
from armsim.calibration.measurement_setup import measured_by
from armsim.calibration.residual_error import Left
from armsim.calibration.verify import at_rest
from armsim.documents.measured_points import MeasuredArm
from armsim.errors import RunError
from armsim.model.calibration_plan import Calibration
from armsim.study import Study


def measured_arms(study: Study, path: Path, calibration: Calibration) -> list[tuple[MeasuredArm, Measurement]]:
    """Arms of a file, and how each was measured.

    Where frame or target is identified, readings may stand in the frame of the instrument: they are first brought into
    the base frame by the nominal arm, and what is then left of frame and target is identified with the rest.

    Raises
    ------
    InputError
        As `documents.measured_points.read_points` and `measurement_setup.Setup.register`.
    """
    joints = {name: q for name, (q, _) in at_rest(study).items()}
    setup, arms = measured_by(study, path, joints, None)
    calibration = replace(calibration, instrument=setup.instrument)
    out = []
    for reading in arms:
        arm, _ = setup.register(reading, path)
        counts = tuple(len(rows) for rows in arm.visits.values())
        out.append((arm, Measurement(calibration, np.array(list(arm.joints.values())), counts)))
    return out


def identified_arm(study: Study, arm: MeasuredArm, measurement: Measurement, left: Left) -> IdentifiedArmRecord:
    """Its parameters, and how well they explain what was measured.

    Raises
    ------
    RunError
        Gauss-Newton does not settle.
    """
    machine = study.scenario.machine
    estimate = measurement.estimate(machine)
    seen = with_target(machine, measurement.calibration.instrument)
    model = Model.of(seen, estimate, measurement.joints)
    displacement = np.concatenate([own.mean(axis=0) for own in arm.visits.values()])
    try:
        values = identify(model, estimate, displacement[None])[0][0]
    except ArithmeticError as error:
        raise RunError(f"{arm.name}: {error}: fewer parameters, more poses, or prior: true") from error
    rest = displacement - model.at(values[None])[0][0] - estimate.offset
    # what is left of a reading, by the linear estimate: (I - J H) (G c + noise) about its mean
    projected = np.eye(len(rest)) - estimate.jacobian @ estimate.gain
    whole = estimate.linear.gain @ estimate.linear.prior @ estimate.linear.gain.T + estimate.noise
    expected = float(np.sqrt(np.trace(projected @ whole @ projected.T) / len(measurement.joints)))
    uncertainty = np.sqrt(np.maximum(np.diag(estimate.covariance), 0.0))
    spread, own = estimate.spread, estimate.controlled
    rows = [
        IdentifiedValueRecord(
            estimate.parameters[n].name, estimate.parameters[n].group, unit_of(estimate.parameters[n], seen.arm),
            float(values[n]), float(uncertainty[n]), float(spread[n]),
        )
        for n in own
    ]  # fmt: skip
    removed = left.moved(machine, estimate.corrected, values[None, own])
    return IdentifiedArmRecord(
        arm.name, len(measurement.joints), tuple(rows), float(np.sqrt(np.sum(rest**2) / len(measurement.joints))),
        expected, removed, left.rms(replace(machine, correction=correction_of(machine, measurement, estimate))),
    )  # fmt: skip
