"""Figures of joints with two sensors, each by hand; the simulated drive is in tests/physics/test_two_sensors.py."""

from __future__ import annotations

import json
import math
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from support import ROOT, invoke

import armsim
from armsim.results import PositionSource, Result, TwoSensors
from armsim.sampling.sensor_pairs import two_sensors

ARCSEC = math.pi / 180 / 3600
LINK = """kind: arm
name: links
kinematics:
  convention: standard-dh
  joints:
    - {name: j1, type: revolute, d: 0 mm, a: 300 mm, alpha: 0 deg, range: [-90 deg, 90 deg]}
    - {name: j2, type: revolute, d: 0 mm, a: 200 mm, alpha: 0 deg, range: [-90 deg, 90 deg]}
"""
SLIDE = """kind: arm
name: slide
kinematics:
  convention: standard-dh
  joints: [{name: lift, type: prismatic, theta: 0 deg, a: 0 mm, alpha: 0 deg, offset: 0 mm, range: [0 mm, 400 mm]}]
"""
DISC = "{kind: encoder, name: %s, measures: rotation, signal_periods: 512, interpolation: 12 bit%s}"
TAPE = "{kind: encoder, name: tape, measures: translation, signal_period: 20 um, interpolation: 12 bit, expansion: 8 um/m/K}"
STEP = 2 * math.pi / 512 / 4096
TASK = "tasks: [{kind: poses, name: t, poses: [{name: p, joints: [%s]}]}]\nsampling: {units: 50, visits: 3, seed: 5}\n"


def written(folder: Path, arm: str, joints: str, more: str = "") -> Path:
    (folder / "arm.yaml").write_text(arm)
    zeros = ", ".join(["0 deg"] * arm.count("name: j")) or "0 mm"
    path = folder / "scenario.yaml"
    path.write_text(f"kind: scenario\nname: s\narm: arm.yaml\njoints:\n{joints}\n{more}{TASK % zeros}")
    return path


def joints_of(path: Path, speeds: list[float] | None = None) -> dict[str, TwoSensors]:
    machine = armsim.load(path).scenario.machine
    return two_sensors(machine, 5, np.array(speeds or [0.0] * len(machine.joints)))


def both(out: str = DISC % ("out", ""), motor: str = DISC % ("in", ""), more: str = "", gear: str = "ratio: 50") -> str:
    return f"{{encoder: {out}, motor_encoder: {motor}, placement: both, transmission: {{{gear}}}{more}}}"


def test_the_position_rests_on_one_sensor_or_the_other(tmp_path: Path) -> None:
    """Noise of one reading, of sixteen, with age and jitter in motion, and of motor and gear. Source: variances add."""
    out = DISC % ("out", ", signal: {noise: 1 %, averages: 16}, timing: {latency: 10 us, jitter: 2 us}")
    motor = DISC % ("in", ", signal: {noise: 2 %}, timing: {latency: 30 us, jitter: 1 us}")
    gear = "ratio: 50, lost_motion: 20 arcsec"
    mastering = ", mastering: {limit: 4 arcsec, distribution: fixed}"
    joints = f"  j1: {both(out, motor, mastering, gear)}\n  j2: {both()}"
    path = written(tmp_path, LINK, joints, "bus: {cycle: 200 us, synchronous: false}\n")
    pair = joints_of(path, [2.0, 0.0])["j1"]
    assert (pair.position_sensor, pair.speed_sensor, pair.unit) == ("out", "in", "rad")
    one, averaged, moving, fast = pair.sources
    noise, rounding, zero = 0.01 / 512, STEP / math.sqrt(12), 4 * ARCSEC

    def check(source: PositionSource, scatter: float, mean: float) -> None:
        assert source.rms_repeatability == pytest.approx(scatter)
        assert source.rms == pytest.approx(math.hypot(scatter, mean))
        assert source.at_tool == pytest.approx(source.rms * 0.5, rel=1e-3)  # both links stretched

    check(one, math.hypot(noise, rounding), zero)
    check(averaged, math.hypot(noise / 4, rounding), zero)
    bus = 200e-6 * 2.0  # half of it on average, uniform over the whole
    check(moving, math.hypot(noise / 4, rounding, 2e-6 * 2.0, bus / math.sqrt(12)), zero + 10e-6 * 2.0 + bus / 2)
    scatter = math.hypot(0.02 / 512 / 50, rounding / 50, 1e-6 * 2.0, bus / math.sqrt(12), 10 * ARCSEC)
    check(fast, scatter, zero + 30e-6 * 2.0 + bus / 2)
    assert [source.state for source in pair.sources] == [
        "at rest, one reading", "at rest, averaged", "moving", "above the bandwidth of the position loop",
    ]  # fmt: skip
    assert (one.readings, averaged.readings, moving.speed, one.speed) == (1, 16, 2.0, 0.0)
    assert fast.source == "in and the gear"


def test_a_joint_that_no_task_moves_and_no_reading_averages_has_two_states(tmp_path: Path) -> None:
    pair = joints_of(written(tmp_path, LINK, f"  j1: {both()}\n  j2: {both()}"))["j2"]
    assert [source.state for source in pair.sources] == [
        "at rest, one reading",
        "above the bandwidth of the position loop",
    ]


def test_a_screw_that_grows_is_seen_by_the_motor_alone(tmp_path: Path) -> None:
    """Of fixed sizes, so that every arm is the same: lead error from the middle, growth of the screw from its bearing
    and of the scale from its zero. The motor turns as told, so a screw that is too long shows a motor that has turned
    too little. Source: proportion, by hand."""
    fixed = "{limit: %s, distribution: fixed}"
    gear = f"lead: 10 mm, ratio: 2, lead_error: {fixed % '40 um/m'}, expansion: 11.5 um/m/K, fixed_bearing: 300 mm"
    path = written(
        tmp_path,
        SLIDE,
        f"  lift: {both(TAPE, gear=gear)}",
        "environment: {temperature_rise: {mean: 10 K, limit: 0 K}}\n",
    )
    pair = joints_of(path)["lift"]
    x = np.array(pair.difference.curve.position)
    expected = -40e-6 * (x - 0.2) - 10 * (11.5e-6 * (x - 0.3) - 8e-6 * x)
    for curve in (pair.difference.curve.unit, pair.difference.curve.low, pair.difference.curve.high):
        assert curve == pytest.approx(expected, abs=1e-12)
    assert pair.unit == "m"
    assert pair.difference.zero == pytest.approx(0.2)
    assert pair.difference.range_p95 == pytest.approx(np.ptp(expected))
    assert pair.difference.swing_p95 == pytest.approx(np.abs(expected).max(), rel=1e-3)
    assert pair.difference.motor_turn == pytest.approx(0.005)
    assert pair.difference.scatter == pytest.approx(
        math.hypot(20e-6 / 4096, STEP * 0.01 / 2 / math.pi / 2) / math.sqrt(12)
    )


def test_a_linear_sensor_on_the_motor_has_no_turns(tmp_path: Path) -> None:
    path = written(tmp_path, SLIDE, f"  lift: {both(TAPE, TAPE.replace('tape', 'second'), gear='lost_motion: 4 um')}")
    difference = joints_of(path)["lift"].difference
    assert difference.motor_turn is difference.motor_turn_shows is None
    assert difference.width == pytest.approx(4e-6)
    assert "turn of the motor" not in invoke("check", path).stdout


COUPLED = LINK + "couplings: [{joint: j2, coefficients: {j2: 1, j1: 0.5}, placement: motor}]\n"


def test_the_motor_of_a_coupled_joint_sees_other_joints_too(tmp_path: Path) -> None:
    """Its reading is held against the readings of all that it sees: half of the error of the first joint counts, in
    noise and in waves. The gear's own wave turns with what the motor sees. Source: q1 and q2 put into the sum, by hand.
    """
    noisy = DISC % ("out", ", noise: {std: 3 arcsec, distribution: normal}, track_radius: 10 mm")
    off = ", mounting: {eccentricity: {limit: 10 um, distribution: fixed, phase: 90 deg}}"
    quiet = DISC % ("out", ", noise: {std: 4 arcsec, distribution: normal}")
    motor = DISC % ("in", ", noise: {std: 100 arcsec, distribution: normal}")
    wave = "{per: output-turn, order: 3, amplitude: {limit: 9 arcsec, distribution: fixed, phase: 0 deg}}"
    joints = f"  j1: {{encoder: {noisy}, placement: output{off}}}\n"
    joints += f"  j2: {both(quiet, motor, gear=f'ratio: 50, kinematic_error: [{wave}]')}"
    machine = armsim.load(written(tmp_path, COUPLED, joints)).scenario.machine
    (pair,) = two_sensors(machine, 5, np.zeros(2)).values()
    step = STEP / math.sqrt(12)
    readings = (0.5 * math.hypot(3 * ARCSEC, step), math.hypot(4 * ARCSEC, step), math.hypot(100 * ARCSEC, step) / 50)
    assert pair.difference.scatter == pytest.approx(math.hypot(*readings))
    q2 = np.array(pair.difference.curve.position)
    assert pair.difference.curve.unit == pytest.approx(-9 * ARCSEC * np.sin(3 * q2), abs=1e-3 * ARCSEC)
    # anywhere: the eccentric disc of the first joint swings by e/R from its middle, half of which counts
    q1, q2 = np.meshgrid(np.linspace(-1, 1, 91) * math.pi / 2, q2[::8])
    reading = np.arctan2(1e-5 * np.sin(q1 - math.pi / 2), 1e-2 - 1e-5 * np.cos(q1 - math.pi / 2))
    exact = 9 * ARCSEC * np.sin(3 * (q2 + 0.5 * q1)) + 0.5 * (reading - reading[:, 45:46])
    assert pair.difference.swing_p95 == pytest.approx(np.abs(exact).max(), rel=0.05)  # 256 postures of the survey
    assert pair.difference.swing_p95 > 0.9 * 0.5e-3


def test_a_coupled_slide_shows_its_screw_by_its_own_travel(tmp_path: Path) -> None:
    """Whatever the wheel does that its motor sees too. Of fixed sizes; the motor sees twice the slide. Source:
    proportion, by hand."""
    arm = """kind: arm
name: slide and wheel
kinematics:
  convention: standard-dh
  joints:
    - {name: j1, type: revolute, d: 0 mm, a: 0 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}
    - {name: lift, type: prismatic, theta: 0 deg, a: 0 mm, alpha: 0 deg, range: [0 mm, 400 mm]}
couplings: [{joint: lift, coefficients: {lift: 2, j1: -20 mm/turn}, placement: motor}]
"""
    lead = "lead_error: {limit: 40 um/m, distribution: fixed}"
    gear = f"lead: 20 mm, {lead}, expansion: 12 um/m/K, fixed_bearing: 300 mm"
    joints = f"  j1: {{encoder: {DISC % ('wheel', '')}, placement: output}}\n  lift: {both(TAPE, gear=gear)}"
    path = written(tmp_path, arm, joints, "environment: {temperature_rise: {mean: 10 K, limit: 0 K}}\n")
    path.write_text(path.read_text().replace("joints: [0 deg]", "joints: [0 deg, 0 mm]"))
    difference = joints_of(path)["lift"].difference
    x = np.array(difference.curve.position)
    expected = -80e-6 * (x - 0.2) - 20 * (12e-6 * (x - 0.3) - 8e-6 * x)
    assert difference.curve.unit == pytest.approx(expected, abs=1e-12)
    assert difference.swing_p95 == pytest.approx(np.abs(expected).max(), rel=1e-3)


def test_a_coupling_on_either_side_is_no_part_of_the_difference(tmp_path: Path) -> None:
    """Where the sensor on the joint sees the same sum as the motor, the other joint's reading does not enter."""
    loud = DISC % ("out", ", noise: {std: 30 arcsec, distribution: normal}")
    joints = f"  j1: {{encoder: {loud}, placement: output}}\n  j2: {both()}"
    arm = COUPLED.replace(", placement: motor}", "}")
    difference = joints_of(written(tmp_path, arm, joints))["j2"].difference
    assert difference.scatter == pytest.approx(math.hypot(STEP, STEP / 50) / math.sqrt(12))
    assert difference.swing_p95 == pytest.approx(0.0, abs=1e-15)


def test_check_run_and_schema_tell_the_same(tmp_path: Path) -> None:
    path = ROOT / "scenarios" / "lessons" / "two-sensors.yaml"
    record = next(iter(json.loads(invoke("check", path, "--json").stdout).values()))
    result = armsim.load(path).with_plan(units=30, visits=3).run(1)
    back = Result.from_json(result.to_json())
    assert back.two_sensors == result.two_sensors
    assert list(result.two_sensors) == list(record["two_sensors"]) == ["j1"]
    data = json.loads(result.to_json())
    assert data["two_sensors"] == record["two_sensors"]
    jsonschema.validate(data, Result.schema())
    broken = json.loads(result.to_json())
    del broken["two_sensors"]["j1"]["difference"]["width"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(broken, Result.schema())


def test_the_lesson_shows_the_loop_that_it_promises() -> None:
    path = ROOT / "scenarios" / "lessons" / "two-sensors.yaml"
    assert "a loop of 30 arcsec at a reversal" in path.read_text()
    assert joints_of(path)["j1"].difference.width == pytest.approx(30 * ARCSEC)


def test_an_arm_without_them_tells_nothing_of_them() -> None:
    path = ROOT / "scenarios" / "bonding-cell.yaml"
    process = invoke("check", path)
    assert "two sensors" not in process.stdout + process.stderr
    assert next(iter(json.loads(invoke("check", path, "--json").stdout).values()))["two_sensors"] == {}


@pytest.mark.parametrize(
    ("old", "new", "key", "finding"),
    [
        (
            "    motor_encoder: ../configs/encoders/disc-13.yaml\n",
            "",
            "placement",
            "placement both without motor_encoder",
        ),
        ("placement: both", "placement: output", "motor_encoder", "motor_encoder at placement output"),
    ],
)
def test_two_sensors_are_two(tmp_path: Path, old: str, new: str, key: str, finding: str) -> None:
    """One error of file, line and key, for the whole group of joints."""
    text = (ROOT / "scenarios" / "coupled-six.yaml").read_text()
    assert old in text
    path = tmp_path / "s.yaml"
    path.write_text(text.replace(old, new).replace("../configs", str(ROOT / "configs")))
    process = invoke("check", path)
    assert process.returncode == 2
    (line,) = process.stderr.splitlines()
    assert finding in line
    assert f"{key}: " in line
