"""The file of a measured arm: it runs, foretells what is left, and is the model that was identified."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import measured_arm
import numpy as np
import pinocchio as pin
import pytest
import yaml
from support import ROOT, invoke

import armsim
from armsim.calibration.identified_values import identification_of
from armsim.calibration.measured_population import measured_units
from armsim.calibration.residual_error import ResidualPoses
from armsim.decide.calibration_study import Calibrated, calibrate
from armsim.documents.load import load_changed
from armsim.errormodel.distributions import NONE
from armsim.report.identified_arm import arm_files
from armsim.study import Study
from armsim.tasks import Cloud

ANGLE = np.pi / 180
SOFT = 0.05
"""Hidden stiffness of two joints over the stated one."""


@pytest.fixture(scope="module")
def calibrated() -> Calibrated:
    study = armsim.load(measured_arm.SCENARIO).with_plan(units=60, visits=5)
    return calibrate(study, measurement_file=measured_arm.FILE)


@pytest.fixture(scope="module")
def written(calibrated: Calibrated, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("written") / "arm-17.yaml"
    for path, text in arm_files(calibrated, file).items():
        path.write_text(text)
    return file


def test_the_file_is_the_identified_model(calibrated: Calibrated, written: Path) -> None:
    """Read by yaml alone, chained by pinocchio: its tool points at 200 random poses, with the waves of the file on the
    joints, are those of the nominal rows with every identified value at its place."""
    data = yaml.safe_load(written.read_text())
    before = yaml.safe_load((ROOT / "configs" / "arms" / "bench-six.yaml").read_text())
    values = {row.name: row.value for row in calibrated.arms[0].values}
    ratio = {joint.name: joint.transmission.ratio for joint in calibrated.before.scenario.machine.joints}

    def rows(document: dict) -> np.ndarray:  # type: ignore[type-arg]
        def si(text: str) -> float:
            number, unit = text.split()
            return float(number) * {"mm": 1e-3, "deg": ANGLE}[unit]

        keys, joints = ("offset", "d", "a", "alpha"), document["kinematics"]["joints"]
        return np.array([[si(row.get(key, "0 deg")) for key in keys] for row in joints])

    def tool(table: np.ndarray, q: np.ndarray) -> np.ndarray:
        out = pin.SE3.Identity()
        for (theta, d, a, alpha), angle in zip(table, q, strict=True):
            out *= pin.SE3(pin.utils.rotate("z", angle + theta), np.array([0.0, 0.0, d]))
            out *= pin.SE3(pin.utils.rotate("x", alpha), np.array([a, 0.0, 0.0]))
        return np.asarray((out * pin.SE3(np.eye(3), np.array([0.0, 0.0, 0.04]))).translation)

    nominal = rows(before)
    identified = nominal.copy()
    names = [row["name"] for row in before["kinematics"]["joints"]]
    identified[:, 0] += [values.get(f"zero of {name}", 0.0) for name in names]
    function = {"cosine": np.cos, "sine": np.sin}
    rng = np.random.default_rng(3)
    for q in rng.uniform(-1.6, 1.6, (200, 6)):
        one, two = q.copy(), q.copy()
        for entry in data["identified"]["parameters"]:
            number, unit = entry["value"].split()
            assert unit == "urad"
            if entry["parameter"] in function:
                n = names.index(entry["joint"])
                one[n] += 1e-6 * float(number) * function[entry["parameter"]](entry["order"] * q[n])
        for name, value in values.items():
            match = re.fullmatch(r"(cosine|sine) of order (\d+) per (turn|motor turn) of (\w+)", name)
            if match is not None:
                n = names.index(match[4])
                order = int(match[2]) * (ratio[match[4]] if match[3] == "motor turn" else 1)
                two[n] += value * function[match[1]](order * q[n])
        assert np.abs(tool(rows(data), one) - tool(identified, two)).max() < 1e-9


def test_a_run_with_the_file_foretells_what_calibrate_says_is_left(calibrated: Calibrated, written: Path) -> None:
    """By first order over the poses of the task. The file holds the covariance of the parameters, and not how their
    errors go together with the causes that nobody identified: it may say up to 15 % more, never less than 3 %."""
    study = calibrated.before
    after = Study(load_changed(study.scenario, {"arm": str(written)}))
    residual_poses, record = ResidualPoses.evenly_spaced(study.find()), calibrated.arms[0]
    ratio = residual_poses.rms(after.scenario.machine) / record.expected_residual
    assert 0.97 < ratio < 1.15
    machine = after.scenario.machine
    assert machine.identification is not None
    identification = machine.identification
    alone = replace(
        machine, identification=replace(identification, covariance=np.zeros_like(identification.covariance))
    )
    assert residual_poses.rms(alone) < residual_poses.rms(machine)  # what is not known of the parameters counts
    mastering = next(row for row in residual_poses.causes(study.scenario.machine, machine) if row.cause == "mastering")
    assert mastering.before > 0.0
    assert mastering.after == 0.0


def test_the_command_writes_it_and_a_second_command_runs_with_it(tmp_path: Path) -> None:
    file, scenario, measured = tmp_path / "arm-17.yaml", measured_arm.SCENARIO, measured_arm.FILE
    words = ("calibrate", scenario, "--measured", measured, "--units", "40", "--visits", "5", "--out", tmp_path / "out")
    answer = invoke(*words, "--write", file, "--json")
    assert answer.returncode in (0, 4), answer.stderr
    assert f"arm: {file}" in answer.stderr
    record = json.loads(answer.stdout)["arms"][0]
    low, high = record["held_out"]["interval"]
    assert low < record["held_out"]["residual"] < high
    page = (tmp_path / "out" / "report.html").read_text()
    assert "at poses not measured" in page
    assert "Not distinguished by these poses" in file.read_text()
    assert invoke("check", file).returncode == 0
    ran = invoke("run", scenario, "--set", f"arm={file}", "--units", "40", "--visits", "5", "--out", tmp_path / "run")
    assert ran.returncode in (0, 4), ran.stderr
    text = file.read_text()
    again = invoke(*words, "--write", file)
    assert again.returncode == 2
    assert "already exists" in again.stderr
    assert file.read_text() == text


def test_what_cannot_be_written_is_refused_before_work(tmp_path: Path) -> None:
    missing = invoke("calibrate", measured_arm.SCENARIO, "--write", tmp_path / "a.yaml")
    assert missing.returncode == 2
    assert "no --measured" in missing.stderr
    lines = measured_arm.FILE.read_text().splitlines()
    two = [f"arm,{lines[0]}", *(f"{arm},{line}" for arm in ("a", "b") for line in lines[1:])]
    (tmp_path / "two.csv").write_text("\n".join(two) + "\n")
    words = ("--units", "20", "--visits", "3", "--write", tmp_path / "a.yaml", "--out", tmp_path / "out")
    several = invoke("calibrate", measured_arm.SCENARIO, "--measured", tmp_path / "two.csv", *words)
    assert several.returncode == 2
    assert "2 arms: a, b" in several.stderr
    assert not (tmp_path / "a.yaml").exists()
    assert not (tmp_path / "out").exists()


def test_a_second_session_adds_to_the_first(calibrated: Calibrated, written: Path) -> None:
    """Commanded positions of the second session are compensated already: waves add up, zeros stand in the rows, what
    the second does not identify stays as known as it was. By hand, from values that are given to it."""
    first = calibrated.identifications[0]
    scenario = load_changed(
        calibrated.before.scenario, {"arm": str(written), "calibration.identify.input_orders": {"j2": [1]}}
    )
    machine, calibration = scenario.machine, scenario.calibration
    assert calibration is not None
    measurement = replace(calibrated.measurement, calibration=calibration)
    estimate = measurement.estimate(machine)
    values = np.linspace(1e-6, 2e-6, len(estimate.parameters))
    second = identification_of(machine, calibration, estimate, values)
    before = {(p.axis, str(p.shape), getattr(p.shape, "function", "")): n for n, p in enumerate(first.parameters)}
    new = {p.name: v for p, v in zip(estimate.parameters, values.tolist(), strict=True)}
    for n, parameter in enumerate(second.parameters):
        key = parameter.axis, str(parameter.shape), getattr(parameter.shape, "function", "")
        old = first.values[before[key]] if key[2] else 0.0
        assert second.values[n] == pytest.approx(new.get(parameter.name, 0.0) + old, abs=1e-12)
        if parameter.name not in new:
            assert second.covariance[n, n] == pytest.approx(first.covariance[before[key], before[key]], rel=1e-5)
    assert len(second.parameters) == len(first.parameters)


URDF = """<robot name="two"><link name="l0"/><link name="l1"/><link name="l2"/><link name="l3"/>
  <joint name="a" type="revolute"><parent link="l0"/><child link="l1"/><origin xyz="0 0 0.3"/><axis xyz="0 0 1"/>
    <limit lower="-2" upper="2" effort="1" velocity="1"/></joint>
  <joint name="b" type="revolute"><parent link="l1"/><child link="l2"/><origin xyz="0.3 0 0" rpy="1.5 0 0"/>
    <axis xyz="0 0 1"/><limit lower="-2" upper="2" effort="1" velocity="1"/></joint>
  <joint name="c" type="revolute"><parent link="l2"/><child link="l3"/><origin xyz="0.25 0 0"/><axis xyz="0 1 0"/>
    <limit lower="-2" upper="2" effort="1" velocity="1"/></joint>
</robot>
"""
SCENARIO = """
kind: scenario
name: urdf
arm: {kind: arm, name: two,
      kinematics: {convention: urdf, file: two.urdf, base_link: l0, tip_link: l3, tool: {xyz: [100 mm, 50 mm, 20 mm]}},
      tolerances: {x: {std: 0.3 mm, distribution: normal}, y: {std: 0.3 mm, distribution: normal},
                   z: {std: 0.3 mm, distribution: normal}}}
joints:
  a: {encoder: SENSOR, placement: output, mastering: {std: 1 mrad, distribution: normal}}
  b: {encoder: SENSOR, placement: output, mastering: {std: 1 mrad, distribution: normal}}
  c: {encoder: SENSOR, placement: output, mastering: {std: 1 mrad, distribution: normal}}
calibration: {instrument: {std: 20 um}, visits: 1, identify: {zeros: true, links: true}}
tasks: [{kind: cloud, name: all, points: 20}]
sampling: {units: 40, visits: 3, seed: 1}
""".replace("SENSOR", "{kind: encoder, name: e, measures: rotation, summary: {resolution: 24 bit, accuracy: 2 arcsec}}")


def test_a_urdf_arm_is_written_beside_its_corrected_urdf(tmp_path: Path) -> None:
    """Points from pinocchio with moved placements: pinocchio with the written URDF comes within some scatter of them."""
    (tmp_path / "two.urdf").write_text(URDF)
    (tmp_path / "urdf.yaml").write_text(SCENARIO)
    model, tool = pin.buildModelFromUrdf(str(tmp_path / "two.urdf")), np.array([0.1, 0.05, 0.02])
    rng = np.random.default_rng(8)
    joints = rng.uniform(-1.9, 1.9, (40, 3))

    def points(model_of_arm: pin.Model, q: np.ndarray) -> np.ndarray:
        data, tip, out = model_of_arm.createData(), model_of_arm.getFrameId("l3"), []
        for angles in q:
            pin.framesForwardKinematics(model_of_arm, data, angles)
            out.append(data.oMf[tip].act(tool))
        return np.array(out)

    for n in range(1, 4):
        model.jointPlacements[n].translation = model.jointPlacements[n].translation + rng.normal(0.0, 0.3e-3, 3)
    read = points(model, joints + np.array([1e-3, -0.7e-3, 1.2e-3])) + rng.normal(0.0, 20e-6, (40, 3))
    rows = np.hstack([np.degrees(joints), 1e3 * read])
    header = "a [deg],b [deg],c [deg],x [mm],y [mm],z [mm]"
    np.savetxt(tmp_path / "m.csv", rows, "%.7f", delimiter=",", header=header, comments="")
    file = tmp_path / "after.yaml"
    words = ("--measured", tmp_path / "m.csv", "--write", file, "--out", tmp_path / "out")
    answer = invoke("calibrate", tmp_path / "urdf.yaml", *words)
    assert answer.returncode == 0, answer.stderr
    after = pin.buildModelFromUrdf(str(tmp_path / "after.urdf"))
    assert np.sqrt(np.mean((points(after, joints) - read) ** 2)) < 30e-6
    assert np.sqrt(np.mean((points(pin.buildModelFromUrdf(str(tmp_path / "two.urdf")), joints) - read) ** 2)) > 200e-6
    assert invoke("check", file).returncode == 0
    file.unlink()
    again = invoke("calibrate", tmp_path / "urdf.yaml", *words)
    assert again.returncode == 2
    assert "after.urdf" in again.stderr
    assert not file.exists()


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Calibrated, Path]:
    """A loaded arm on a linear axis, identified with its compliances; j2 and j3 are a twentieth as stiff as stated. And
    its file."""
    study = armsim.load(ROOT / "scenarios" / "track-cell.yaml").with_plan(units=40, visits=3)
    block = {
        "instrument": {"std": "10 um"}, "visits": 3, "poses": {"candidates": 120, "count": 60},
        "identify": {"zeros": True, "stiffness": True},
    }  # fmt: skip
    study = Study(load_changed(study.scenario, {"calibration": block}))
    machine = study.scenario.machine
    joints = tuple(
        replace(joint, transmission=replace(gear, stiffness=SOFT * gear.stiffness, stiffness_tolerance=NONE))
        if (gear := joint.transmission) and joint.name in ("j2", "j3") else joint
        for joint in machine.joints
    )  # fmt: skip
    poses = Cloud("measured", 60).find(machine.arm).configurations.joints
    tools = machine.arm.postures(poses, []).tool[:, :3, 3]
    visits = measured_units(replace(machine, joints=joints), poses, [3] * len(poses), 10e-6, 1, 3)
    lines = [",".join(["track [mm]", *(f"j{n} [deg]" for n in range(1, 7)), "x [mm]", "y [mm]", "z [mm]"])]
    for q, tool, readings in zip(poses, tools, visits, strict=True):
        angles = (1e3 * q[0], *np.degrees(q[1:]))
        lines += [",".join(f"{cell:.9f}" for cell in (*angles, *(1e3 * (tool + row)))) for row in readings[0]]
    folder = tmp_path_factory.mktemp("loaded")
    (folder / "m.csv").write_text("\n".join(lines) + "\n")
    calibrated, file = calibrate(study, measurement_file=folder / "m.csv"), folder / "arm-18.yaml"
    for path, text in arm_files(calibrated, file).items():
        path.write_text(text)
    return calibrated, file


def test_identified_compliances_are_written_and_used(loaded: tuple[Calibrated, Path]) -> None:
    """Of the hidden stiffness k and the share c that the controller compensates, (1 - c) / k is to be found, within
    four standard uncertainties; with the file no wind-up is left of these joints, other than that uncertainty."""
    calibrated, file = loaded
    document = yaml.safe_load(file.read_text())["identified"]["parameters"]
    rows = {row["joint"]: row for row in document if row["parameter"] == "compliance"}
    machine = calibrated.before.scenario.machine
    for joint in machine.joints:
        if joint.name in ("j2", "j3"):
            value, std = (float(rows[joint.name][key].removesuffix(" urad/N/m")) for key in ("value", "std"))
            gear = joint.transmission
            truth = 1e6 * (1.0 - gear.compensation) / (SOFT * gear.stiffness)
            assert abs(value - truth) < 4.0 * std
            assert std < 0.1 * truth
    after = load_changed(calibrated.before.scenario, {"arm": str(file)}).machine
    contributions = {
        row.cause: row for row in ResidualPoses.evenly_spaced(calibrated.before.find()).causes(machine, after)
    }
    assert contributions["wind-up"].before > 0.0
    assert contributions["wind-up"].after == 0.0
    assert after.identification is not None
    np.testing.assert_allclose(after.identification.values, calibrated.identifications[0].values, atol=1e-11)
