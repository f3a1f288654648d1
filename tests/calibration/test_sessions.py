"""A session as a tracker exports it: sessions, temperature, uncertainties, scale, orientation; against pinocchio."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from independent_session import ARMS, OFFSET, SIZES, Hidden, Session, forward, spots, written
from scipy import stats
from scipy.spatial.transform import Rotation
from support import ROOT

sys.path.insert(0, str(ROOT / "tests" / "benchmarks"))
from sessions import FILE, called_wrong, setups

from armsim.calibration.calibrated_study import calibration_of
from armsim.calibration.calibration_records import IdentifiedArmRecord, SessionFrameRecord
from armsim.calibration.estimate_correction import MeasurementPlan
from armsim.calibration.gauss_newton import KinematicModel, identify
from armsim.calibration.identified_arms import SessionIdentification
from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.measurement_setup import Setup
from armsim.calibration.reading_conditions import Conditions
from armsim.calibration.session_frames import session_frames
from armsim.calibration.verify import verify
from armsim.decide.calibration_study import calibrate
from armsim.documents.measured_points import read_points
from armsim.errormodel.terms import Axis, Role
from armsim.errors import InputError
from armsim.report.session_tables import session_frame

EVERYTHING = Session(
    "six", spots("six", 24), 2, 2, True, weighted=True, angular_std=30e-6, temperatures=(288.15, 308.15), scale=True,
    hidden=Hidden(scale=50e-6),
)  # fmt: skip


def test_nothing_is_left_of_an_arm_without_errors() -> None:
    """Read without noise from two stations, at 15 to 35 degC, with lengths 50 ppm too large and a probe that sits
    askew: registered, its readings are where it is commanded; frames, targets and scale are those that were applied.

    What remains is of second order: the growth of 0.2 mm where the frame is 0.2 mrad off, 50 nm.
    """
    still = replace(EVERYTHING, std=1e-12, hidden=Hidden(0.0, 0.0, 50e-6))
    arm, _ = still.read(3)
    sharp = replace(still, std=1e-9).study
    read = Setup.of(sharp, None).with_fitted_target([arm], FILE).register(arm, FILE)
    for name, rows in read.arm.visits.items():
        assert np.abs(rows).max() < (150e-6 if name in read.arm.rotations else 50e-9), name
    assert len(read.arm.rotations) == 24
    assert {record.session for record in read.registrations} == {"s0", "s1"}
    for record in read.registrations:
        assert record.scale == pytest.approx(50e-6, abs=0.2e-6)
        np.testing.assert_allclose(record.target, (0.02, 0.05, 0.04), atol=1e-6)


@pytest.mark.parametrize("kind", ARMS)
def test_rows_of_positions_and_orientations_are_derivatives_by_pinocchio(kind: str) -> None:
    """Central differences of position and rotation of the target by every constant of the rows."""
    session = replace(EVERYTHING, kind=kind, joints=spots(kind, 4), temperatures=None, sessions=1)
    arm, _ = session.read(1)
    setup = Setup.of(session.study, None)
    read = setup.register(arm, FILE)
    conditions = replace(read.conditions, offsets=np.zeros_like(read.conditions.offsets))
    linear = LinearPopulation.of(setup.machine, read.joints, conditions)
    columns = {term.name: linear.gain[:, part] for term, part in linear.terms_with_slices()}
    for joint in range(len(ARMS[kind])):
        for number, parameter in enumerate(SIZES):
            step = np.zeros((len(ARMS[kind]), 4))
            step[joint, number] = 1e-5
            expected = []
            for q in session.joints:
                plus, minus = (forward(kind, sign * step, q, 1.0) for sign in (1, -1))
                expected.append((plus[1] + plus[0] @ OFFSET - minus[1] - minus[0] @ OFFSET) / 2e-5)
            for q in session.joints:
                plus, minus = (forward(kind, sign * step, q, 1.0)[0] for sign in (1, -1))
                expected.append(Rotation.from_matrix(plus @ minus.T).as_rotvec() / 2e-5)
            got = columns[f"j{joint + 1}.{parameter}/tolerance"][:, 0]
            np.testing.assert_allclose(got, np.concatenate(expected), atol=2e-7)


@pytest.mark.parametrize("kind", ARMS)
def test_sound_arms_are_called_wrong_once_in_a_hundred(kind: str) -> None:
    """10 arms of each way of measuring, 120 with all kinds; binomial bound at 99 %. `tests/benchmarks/sessions.py` prints
    more, and power."""
    wrong = [called_wrong(session, 10) for session in setups(kind).values()]
    assert sum(wrong) <= stats.binom.ppf(0.99, 10 * len(wrong), 0.01), wrong


CASES = {
    "weights": Session("six", spots("six", 30), 2, frame=True, weighted=True),
    "two sessions": Session("six", spots("six", 40), 2, sessions=2, frame=True),
    "scale": Session("six", spots("six", 30), 2, frame=True, scale=True, hidden=Hidden(scale=50e-6)),
    "orientation": Session("six", spots("six", 30), 2, frame=True, angular_std=50e-6),
    "everything": replace(EVERYTHING, joints=spots("six", 40)),
}


@pytest.mark.parametrize("name", CASES)
def test_uncertainties_of_parameters_cover(name: str) -> None:
    """Of all identified link parameters of 40 arms 93 to 97 % lie within 1.96 standard uncertainties of the truth."""
    inside, count = coverage(CASES[name], 40)
    assert 0.93 <= inside / count <= 0.97, inside / count


def coverage(session: Session, arms: int) -> tuple[int, int]:
    """Parameters within 1.96 standard uncertainties of the truth, and all of them."""
    study = session.study
    machine, calibration = study.scenario.machine, calibration_of(study)
    every = [session.read(1000 + n) for n in range(arms)]
    setup = Setup.of(study, None).with_fitted_target([arm for arm, _ in every], FILE)
    reader = SessionIdentification(study, FILE, setup, calibration, 0.01)
    inside = count = 0
    models: dict[object, tuple[MeasurementPlan, KinematicModel, object]] = {}
    for arm, off in every:
        read = setup.register(arm, FILE)
        measurement = reader.measurement(read)
        if read.key not in models:
            estimate = measurement.estimate(machine)
            models[read.key] = (
                measurement,
                KinematicModel.of(measurement.seen_by(machine), estimate, read.joints, read.conditions),
                estimate,
            )
        _, model, estimate = models[read.key]
        names = [term.name for term, _ in estimate.linear.terms_with_slices()]
        truth = {
            f"j{n + 1}.{parameter}/tolerance": off[n, k] for n in range(len(off)) for k, parameter in enumerate(SIZES)
        }
        size = sum(part.stop - part.start for _, part in estimate.linear.terms_with_slices())
        coefficients = np.zeros(size)
        for term, part in estimate.linear.terms_with_slices():
            coefficients[part] = truth.get(term.name, 0.0)
        assert set(truth) <= set(names)
        readings = estimate.linear.readings(measurement.visits, measurement.noise(machine))
        means = readings.means(list(read.arm.visits.values()))
        values = identify(model, estimate, means[None])[0][0]
        numbers = estimate.controller_numbers
        deviations = (
            np.abs(values - estimate.parameter_sensitivity @ coefficients)[numbers]
            / np.sqrt(np.diag(estimate.measurement_covariance))[numbers]
        )
        inside += int(np.count_nonzero(deviations <= 1.959964))
        count += len(numbers)
    return inside, count


def test_a_file_with_everything_is_read_by_both(tmp_path: Path) -> None:
    """From CSV to records: both sessions registered, no reading wrong, exit as of a sound arm."""
    arm, _ = EVERYTHING.read(7)
    path = written(EVERYTHING, {"a": arm}, tmp_path / "m.csv")
    verified = verify(EVERYTHING.study, path)
    assert verified.compatible
    (record,) = verified.arms
    assert len(record.poses) == 24
    assert [fit.session for fit in record.registrations] == ["s0", "s1"]
    study = EVERYTHING.study.with_plan(units=40)
    calibrated = calibrate(study, measurement_file=path)
    assert calibrated.contradicting == ()
    assert len(calibrated.poses) == 24
    assert calibrated.arms[0].residual < 1.5 * calibrated.arms[0].expected
    json.dumps(calibrated.to_dict())
    for line in (20,):
        rows = path.read_text().splitlines()
        cells = rows[line - 1].split(",")
        cells[-1] = f"{float(cells[-1]) + 2e-3:.9f}"  # the probe turned by milliradians, its place right
        quaternion = np.array([float(cell) for cell in cells[-4:]])
        cells[-4:] = [f"{value:.9f}" for value in quaternion / np.linalg.norm(quaternion)]
        rows[line - 1] = ",".join(cells)
        path.write_text("\n".join(rows) + "\n")
    (wrong,) = verify(EVERYTHING.study, path).arms
    assert [(outlier.line, outlier.orientation) for outlier in wrong.outliers] == [(20, True)]


HEAD = "pose,x [mm],y [mm],z [mm]"
WRONG = [
    (f"{HEAD},u x [um]\np,0,0,0,5", "no column 'u y'"),
    (f"{HEAD},u [um],U95 [um]\np,0,0,0,5,5", "two statements of the uncertainty: u and U95"),
    (f"{HEAD},U [um]\np,0,0,0,5", r"'U \[um\]' is not a known column; read: pose as words, x \[mm\] as length"),
    (f"{HEAD},u [um]\np,0,0,0,0", "a reading without uncertainty"),
    (f"{HEAD},temperature [mm]\np,0,0,0,5", r"'mm' is not a unit of absolute temperature; read: .*\[degC\]"),
    (f"{HEAD},qw,qx,qy\np,0,0,0,1,0,0", "no column 'qz'"),
    (f"{HEAD},qw,qx,qy,qz\np,0,0,0,1,0.2,0,0", "m.csv:2.*a quaternion of length 1.0198"),
    (f"{HEAD},qw [mm]\np,0,0,0,1", "'mm' is not a unit of number"),
]


@pytest.mark.parametrize(("text", "message"), WRONG)
def test_wrong_columns_are_told(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "m.csv"
    path.write_text(text + "\n")
    with pytest.raises(InputError, match=message):
        read_points(path, {"p": (np.zeros(1), np.zeros(3))})


def test_columns_beside_the_coordinates(tmp_path: Path) -> None:
    """Expanded uncertainties are halved, kelvins and degrees Celsius are one state, a rotation vector a matrix; readings
    of a pose in two sessions, or 10 K apart, are poses of their own."""
    path = tmp_path / "m.csv"
    head = f"{HEAD},session,temperature [degC],U95 x [um],U95 y [um],U95 z [um],rx [deg],ry [deg],rz [deg]"
    rows = ["p,0,0,0,a,20,10,20,30,0,0,90", "p,0,0,1,a,20.4,10,20,30,0,0,90", "p,0,0,2,a,30,10,20,30,0,0,90",
            "p,0,0,3,b,20,10,20,30,0,0,90"]  # fmt: skip
    path.write_text("\n".join([head, *rows]) + "\n")
    (arm,) = read_points(path, {"p": (np.zeros(1), np.zeros(3))})
    assert list(arm.visits) == ["p, session a at 20.2 degC", "p, session a at 30.0 degC", "p, session b"]
    first = "p, session a at 20.2 degC"
    np.testing.assert_allclose(arm.temperatures[first], [293.15, 293.55])
    np.testing.assert_allclose(arm.uncertainties[first], np.tile([5e-6, 10e-6, 15e-6], (2, 1)))
    np.testing.assert_allclose(arm.rotations[first][0], [[0, -1, 0], [1, 0, 0], [0, 0, 1]], atol=1e-12)
    assert arm.sessions["p, session b"] == "b"


def test_what_is_confounded_of_two_sessions_is_named_by_session(tmp_path: Path) -> None:
    """All axes of a SCARA are parallel: heights of targets are heights of their frames, whatever the arm does."""
    session = Session("scara", spots("scara", 24), 2, sessions=2, frame=True)
    path = written(session, {"a": session.read(3)[0]}, tmp_path / "m.csv")
    confounded = calibrate(session.study.with_plan(units=40), measurement_file=path).confounded
    alike = {row.name: [name for name, _ in row.combination] for row in confounded}
    for name in ("s0", "s1"):
        assert alike[f"target of session {name}: shift along z"] == [f"frame of session {name}: shift along z"]


def test_a_single_session_with_a_name_has_its_target(tmp_path: Path) -> None:
    """Errors of the wrist act on the target where it sits, in a session with a name as in one without."""
    session = Session("six", spots("six", 20), 2, frame=True)
    arm, _ = session.read(3)
    named = replace(arm, sessions=dict.fromkeys(arm.points, "s0"))
    for measured in (arm, named):
        read = Setup.of(session.study, None).with_fitted_target([measured], FILE).register(measured, FILE)
        np.testing.assert_allclose(read.conditions.offsets, [np.subtract((0.02, 0.05, 0.04), OFFSET)] * 20, atol=2e-3)


STATIONS = {
    "two sessions": Session("six", spots("six", 40), 2, 2, True, hidden=Hidden(links=0.0)),
    "scale": Session("six", spots("six", 30), 2, 1, True, scale=True, hidden=Hidden(links=0.0, scale=50e-6)),
}


@pytest.mark.parametrize("name", STATIONS)
def test_uncertainties_of_frames_and_targets_are_their_errors(name: str) -> None:
    """Arms as drawn, so that frame and target have a truth whatever the poses do not tell apart: over 60 arms the
    standard deviation of every error is its uncertainty, within four of its own standard deviations, 4 / sqrt(120)."""
    session, arms, errors, sizes = STATIONS[name], 60, [], []
    study = session.study
    every = [session.read(n)[0] for n in range(arms)]
    setup = Setup.of(study, None).with_fitted_target(every, FILE)
    reader = SessionIdentification(study, FILE, setup, calibration_of(study), 0.01)
    for seed, arm in enumerate(every):
        read = setup.register(arm, FILE)
        model, estimate, prediction = reader._models(read)
        values = identify(model, estimate, prediction.readings.means(list(read.arm.visits.values()))[None])[0][0]
        records = session_frames(read.registrations, estimate, values)
        assert [record.session for record in records] == (["s0", "s1"] if session.sessions == 2 else [""])
        row, size = [], []
        for record, (turn, shift, _, target) in zip(records, session.stations(seed), strict=True):
            excess = 1.0 + session.hidden.scale
            off = Rotation.from_euler("xyz", record.rpy) * Rotation.from_matrix(turn.T).inv()
            row += [*(record.origin + turn.T @ shift / excess), *off.as_rotvec(), *(record.target - target)]
            size += [*record.origin_uncertainty, *record.rpy_uncertainty, *record.target_uncertainty]
            if session.scale:
                row.append(record.scale - session.hidden.scale)
                size.append(record.scale_uncertainty)
        errors.append(row)
        sizes.append(size)
    ratio = np.std(np.array(errors) / np.array(sizes, dtype=float), axis=0)
    assert np.all(np.abs(ratio - 1.0) < 4.0 / np.sqrt(2.0 * arms)), ratio


def test_frames_and_targets_are_shown_with_two_digits_of_their_uncertainty() -> None:
    """What the poses do not tell apart has no uncertainty; what is stated, and not identified, no row."""
    none = (None, None, None)
    record = SessionFrameRecord(
        "", (2.6, -1.1, 0.4), (85e-6, 180e-6, 1.34e-3), (0.01, 0.0, -2.1), none, (0.0, 0.0, 0.045), (9e-6, 9e-6, None),
        50e-6, 0.31e-6,
    )  # fmt: skip
    frame = session_frame(cast(IdentifiedArmRecord, SimpleNamespace(name="a", sessions=(record,))))
    assert frame.headers == ("quantity", "unit", "x", "y", "z")
    assert [[cell.text for cell in row[1:]] for row in frame.rows] == [
        ["mm", "2600.000 ± 0.085", "-1100.000 ± 0.180", "400.000 ± 1.340"],
        ["mm", "0 ± 0.0090", "0 ± 0.0090", "45.0000, not distinguished"],
        ["ppm", "50.00 ± 0.31", "–", "–"],
    ]


@pytest.mark.parametrize("name", ["target 2", "instrument arm"])
def test_a_joint_may_be_called_as_a_target_of_a_session(name: str) -> None:
    """Its errors count at the readings of every session; a joint named "instrument arm" was no number of a session."""
    conditions = replace(Conditions.positions_only(3), sessions=np.array([0, 1, 1]))
    assert conditions.session_factor(Axis(name)).tolist() == [1.0, 1.0, 1.0]
    assert conditions.session_factor(Axis("target 2", "x", Role.FRAME)).tolist() == [0.0, 1.0, 1.0]
