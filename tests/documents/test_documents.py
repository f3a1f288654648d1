"""Documents: what is accepted is used, what is wrong is named with its place."""

from pathlib import Path

import numpy as np
import pytest
import yaml
from support import ROOT, robot_file

from armsim.documents import check_file, load_scenario
from armsim.errormodel.terms import Axis, Role
from armsim.errors import InputError
from armsim.model.arm import Arm
from armsim.model.encoder import Corrections, Encoder

ARM = """\
kind: arm
name: small
kinematics:
  convention: standard-dh
  joints:
    - {name: j1, type: revolute, d: 100 mm, a: 200 mm, alpha: 0 deg, range: [-170 deg, 170 deg]}
    - {name: j2, type: revolute, d: 0 mm, a: 150 mm, alpha: 180 deg, offset: 10 deg, range: [-150 deg, 150 deg], tolerances: {a: 7 um}}
    - {name: j3, type: prismatic, theta: 0 deg, a: 0 mm, alpha: 0 deg, offset: 5 mm, range: [0 mm, 120 mm]}
  base: {xyz: [0 mm, 0 mm, 50 mm], rpy: [0 deg, 0 deg, 90 deg]}
  tool: {xyz: [0 mm, 0 mm, 30 mm], rpy: [0 deg, 0 deg, 0 deg]}
groups: {base: [j1, j2], wrist: [j3]}
tolerances: {theta: 10 urad, d: 20 um, a: 30 um, alpha: {std: 5 urad, distribution: normal}}
"""
ENCODER = """\
kind: encoder
name: disc
measures: rotation
signal_periods: 512
interpolation: 12 bit
track_radius: 13 mm
graduation_error: 5 arcsec
signal: {offset: 1 %, amplitude_mismatch: 1 %, phase_error: 1 deg, noise: 0.1 %}
corrections: {signal: 90 %, eccentricity: 90 %}
read_heads: 1
price: 38
"""
SCENARIO = """\
kind: scenario
name: cell
arm: arm.yaml
joints:
  j1:
    encoder: disc.yaml
    placement: motor
    mounting: {eccentricity: 15 um, disc_tilt: 0.1 deg}
    transmission:
      ratio: 100
      kinematic_error: [{per: input-turn, order: 2, amplitude: 20 arcsec}]
      lost_motion: 30 arcsec
    mastering: 10 arcsec
  j2:
    encoder: {kind: encoder, name: sheet, measures: rotation, summary: {resolution: 20 bit, accuracy: 20 arcsec, repeatability: 2 arcsec}}
    placement: output
  j3:
    encoder: {kind: encoder, name: tape, measures: translation, signal_period: 20 um, interpolation: 8 bit, graduation_error: 3 um}
    placement: output
    mastering: 5 um
requirement: {position: 100 um, coverage: 95 %, repeatability: 20 um, yield: 99 %}
tasks:
  - {kind: poses, name: corners, poses: [{name: near, joints: [10 deg, 20 deg, 30 mm]}]}
sampling: {units: 50, visits: 5, seed: 7}
"""
FILES = {"arm.yaml": ARM, "disc.yaml": ENCODER, "scenario.yaml": SCENARIO}


def write(folder: Path, **changes: str) -> Path:
    for name, text in {**FILES, **{k.replace("_", "."): v for k, v in changes.items()}}.items():
        (folder / name).write_text(text)
    return folder / "scenario.yaml"


def faults(path: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        check_file(path)
    return [str(problem).replace(str(path.parent) + "/", "") for problem in caught.value.problems]


def test_values_reach_the_model(tmp_path: Path) -> None:
    scenario = load_scenario(write(tmp_path))
    machine = scenario.machine
    joint = machine.joints[0]
    assert joint.encoder.track_radius == pytest.approx(13e-3)
    assert joint.encoder.signal.phase_error.scale == pytest.approx(np.radians(1))
    assert joint.encoder.corrections == Corrections(0.9, 0.9, 0.0)
    assert joint.mounting.eccentricity.spread.scale == pytest.approx(15e-6)
    assert joint.transmission.ratio == 100
    assert joint.transmission.lost_motion == pytest.approx(np.radians(30 / 3600))
    assert joint.mastering.scale == pytest.approx(np.radians(10 / 3600))
    assert machine.joints[2].encoder.step == pytest.approx(20e-6 / 256)
    tolerances = dict(machine.tolerances)
    assert tolerances[Axis("j1", "a", Role.LINK)].scale == pytest.approx(30e-6)
    assert tolerances[Axis("j2", "a", Role.LINK)].scale == pytest.approx(7e-6)  # the row's own
    assert tolerances[Axis("j3", "alpha", Role.LINK)].distribution == "normal"
    assert scenario.requirement is not None
    assert (scenario.requirement.position, scenario.requirement.yield_) == (pytest.approx(100e-6), 0.99)
    # base 50 mm up and turned by 90 deg, arm stretched: tool at y = 350 mm, z = 50 + 100 - 5 - 30 mm, offsets included
    tool = machine.arm.postures([0.0, np.radians(-10), 0.0]).tool[0]
    np.testing.assert_allclose(tool[:3, 3], [0.0, 0.35, 0.115], atol=1e-12)
    assert machine.price == 38


def test_urdf(tmp_path: Path) -> None:
    urdf = robot_file("ur_description", "urdf", "ur5_robot.urdf")
    (tmp_path / "arm.yaml").write_text(
        f"kind: arm\nname: u\nkinematics: {{convention: urdf, file: {urdf}, base_link: base_link, tip_link: tool0}}\n"
        "tolerances: {x: 10 um, yaw: 5 urad}\n"
    )
    arm = check_file(tmp_path / "arm.yaml")
    assert isinstance(arm, Arm)
    assert len(arm.joints) == 6


@pytest.mark.parametrize(
    "file", sorted([*ROOT.glob("configs/*/*.yaml"), *ROOT.glob("scenarios/**/*.yaml")]), ids=lambda p: p.name
)
def test_shipped_documents_are_good(file: Path) -> None:
    check_file(file)


def test_encoder_alone(tmp_path: Path) -> None:
    write(tmp_path)
    encoder = check_file(tmp_path / "disc.yaml")
    assert isinstance(encoder, Encoder)
    assert encoder.order == 512


TOLERANCES = {
    "{limit: 3 um, distribution: triangular}": ("triangular", 3e-6),
    "{limit: 3 um, distribution: arcsine}": ("arcsine", 3e-6),
    "{limit: 3 um, distribution: fixed}": ("fixed", 3e-6),
    "{limit: 3 um}": ("uniform", 3e-6),
    "{std: 3 um, distribution: normal}": ("normal", 3e-6),
    "{std: 3 um, distribution: rayleigh}": ("rayleigh", 3e-6),
    "3 um": ("uniform", 3e-6),
}


@pytest.mark.parametrize("text", TOLERANCES)
def test_forms_of_a_tolerance(tmp_path: Path, text: str) -> None:
    path = write(tmp_path, scenario_yaml=SCENARIO.replace("eccentricity: 15 um", f"eccentricity: {text}"))
    spread = load_scenario(path).machine.joints[0].mounting.eccentricity.spread
    assert (spread.distribution, spread.scale) == (TOLERANCES[text][0], pytest.approx(TOLERANCES[text][1]))


def test_a_phase_can_be_given(tmp_path: Path) -> None:
    text = "{limit: 15 um, distribution: fixed, phase: 90 deg}"
    path = write(tmp_path, scenario_yaml=SCENARIO.replace("eccentricity: 15 um", f"eccentricity: {text}"))
    assert load_scenario(path).machine.joints[0].mounting.eccentricity.phase == pytest.approx(np.pi / 2)


WRONG = [
    # file, what to replace, by what, what the message must hold
    ("scenario.yaml", "15 um", "15", ["scenario.yaml:8:16: joints.j1.mounting.eccentricity", "bare number 15", "mm"]),
    ("scenario.yaml", "15 um", "15 arcsec", ["joints.j1.mounting.eccentricity", "not a length"]),
    ("scenario.yaml", "15 um", "15 ym", ["'ym' is not a unit"]),
    ("scenario.yaml", "15 um", "-15 um", ["too small", "at least 0"]),
    ("scenario.yaml", "15 um", "{limit: 15 um, std: 2 um}", ["exactly one of 'limit' and 'std'"]),
    ("scenario.yaml", "15 um", "{limit: 15 um, distribution: normal}", ["distribution 'normal' of a limit", "uniform"]),
    ("scenario.yaml", "15 um", "{limit: 15 um, law: uniform}", ["unknown key 'law'"]),
    ("scenario.yaml", "eccentricity:", "excentricity:", ["scenario.yaml:8:16", "did you mean 'eccentricity'?"]),
    (
        "scenario.yaml",
        "placement: motor",
        "placement: gear",
        ["joints.j1.placement", "'gear'", "'motor', 'output' or 'both'"],
    ),
    ("scenario.yaml", "ratio: 100", "ratio: 0", ["joints.j1.transmission.ratio", "not zero"]),
    ("scenario.yaml", "ratio: 100", "ratio: 100 mm", ["joints.j1.transmission.ratio"]),
    ("scenario.yaml", "ratio: 100", "ratio: .nan", ["joints.j1.transmission.ratio"]),
    ("scenario.yaml", "per: input-turn", "per: motor", ["kinematic_error.0.per", "'input-turn'"]),
    ("scenario.yaml", "  j1:", "  j9:", ["joints.j9", "no such joint", "joint 'j1' has no encoder"]),
    (
        "scenario.yaml",
        "encoder: disc.yaml",
        "encoder: disk.yaml",
        ["scenario.yaml:6:5: joints.j1.encoder", "file not found"],
    ),
    ("scenario.yaml", "encoder: disc.yaml", "encoder: arm.yaml", ["arm.yaml:1:1: kind: 'arm'", "accepted: encoder"]),
    ("scenario.yaml", "encoder: disc.yaml", "encoder: 5", ["5 is not a reference"]),
    ("scenario.yaml", "arm: arm.yaml\n", "", ["scenario.yaml:1:1: arm: missing"]),
    ("scenario.yaml", "kind: scenario", "knid: scenario", ["kind: missing; found 'knid'"]),
    ("scenario.yaml", "kind: scenario", "kind: scene", ["'scene'", "arm, encoder, scenario"]),
    (
        "scenario.yaml",
        "[10 deg, 20 deg, 30 mm]",
        "[10 deg, 20 deg]",
        ["tasks.0.poses.0.joints", "2 joint positions", "3:"],
    ),
    ("scenario.yaml", "[10 deg, 20 deg, 30 mm]", "[10 deg, 20 deg, 30 deg]", ["angle for joint j3"]),
    (
        "scenario.yaml",
        "[10 deg, 20 deg, 30 mm]",
        "[175 deg, 20 deg, 30 mm]",
        ["outside the range of joint j1", "170 deg"],
    ),
    ("scenario.yaml", "{kind: poses, name", "{kind: places, name", ["tasks.0.kind", "'places'", "'poses'"]),
    *(
        ("scenario.yaml", "tasks:\n", f"tasks:\n  - {{{task}}}\n", expected)
        for task, expected in (
            ("kind: cloud, name: c", ["tasks.0", "points"]),
            ("kind: cloud, name: c, points: 0", ["tasks.0", "points", "from 1 to"]),
            ("kind: cloud, name: c, points: 10, uniform: tool", ["uniform", "joints"]),
            ("kind: sphere, name: c", ["tasks.0", "cloud"]),
            ("kind: volume, name: v, x: [0 mm, 100 mm], y: [0 mm, 100 mm], step: 10 mm", ["tasks.0", "z"]),
            (
                "kind: volume, name: v, x: [0 mm, 1 m], y: [0 mm, 1 m], z: [0 mm, 1 m], step: 1 mm",
                ["step", "at most 100000"],
            ),
            (
                "kind: volume, name: v, x: [9 mm, 1 mm], y: [0 mm, 1 m], z: [0 mm, 1 m], step: 1 mm",
                ["lower end not below the upper"],
            ),
            ("kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, maps: [colour]", ["maps", "repeatability"]),
            ("kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, maps: []", ["maps"]),
            ("kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, hold: {j9: 0 deg}", ["hold.j9", "j1, j2, j3"]),
            ("kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, hold: {j1: 5 mm}", ["hold.j1", "angle"]),
            ("kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, hold: {j1: 200 deg}", ["hold.j1", "outside"]),
            (
                "kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, hold: {j1: 0 deg, j2: 0 deg, j3: 0 mm}",
                ["hold", "every joint"],
            ),
            ("kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, branch: {j1: up}", ["branch.j1", "positive"]),
            (
                "kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, branch: {j3: negative}",
                ["branch.j3", "outside"],
            ),
            (
                "kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, hold: {j1: 0 deg}, branch: {j1: positive}",
                ["branch.j1", "held"],
            ),
            ("kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, direction: [0, 0, 0]", ["no length"]),
            ("kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, direction: [0, 0]", ["direction"]),
            (
                "kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, direction: [0, 0, 1], tool: [0 deg, 0 deg, 0 deg]",
                ["'tool' beside 'direction'"],
            ),
            ("kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, direction: [0, 0, .inf]", ["direction", "1000"]),
            ("kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, direction: [0, 0, .nan]", ["direction", "1000"]),
            (
                "kind: slice, name: v, plane: xy, at: 0 mm, step: 50 mm, direction: [0, 0, 1.0e+200]",
                ["direction", "1000"],
            ),
            ("kind: slice, name: v, plane: xy, at: 0 mm, step: -2 mm", ["step", "'-2 mm' is too small"]),
            ("kind: iso-poses, name: i, plane: e", ["plane", "a"]),
            ("kind: iso-poses, name: i, cube: {centre: [0 mm, 0 mm, 0 mm]}", ["cube", "edge"]),
            ("kind: iso-poses, name: i, cube: {centre: [0 mm, 0 mm, 0 mm], edge: 0 mm}", ["edge"]),
            ("kind: path, name: p, step: 1 mm, speed: 1 mm/s", ["'waypoints' and 'file'"]),
            ("kind: path, name: p, step: 1 mm, speed: 0 mm/s, file: x.csv", ["speed"]),
            ("kind: path, name: p, step: 1 mm, speed: 1 mm, file: x.csv", ["speed", "mm/s"]),
            ("kind: path, name: p, step: 1 mm, speed: 1 mm/s, file: nowhere.csv", ["file", "file not found"]),
            ("kind: path, name: p, step: 1 mm, speed: 1 mm/s, waypoints: [{to: [0 mm, 0 mm, 0 mm]}]", ["waypoints"]),
            (
                "kind: path, name: p, step: 1 mm, speed: 1 mm/s, waypoints: [{to: [1 mm, 0 mm, 0 mm]}, {to: [1 mm, 0 mm, 0 mm]}]",
                ["twice in a row"],
            ),
            (
                "kind: path, name: p, step: 1 mm, speed: 1 mm/s, "
                "waypoints: [{to: [1 mm, 0 mm, 0 mm]}, {via: [2 mm, 0 mm, 0 mm], to: [3 mm, 0 mm, 0 mm]}]",
                ["one line"],
            ),
            (
                "kind: path, name: p, step: 1 mm, speed: 1 mm/s, "
                "waypoints: [{via: [1 mm, 1 mm, 0 mm], to: [1 mm, 0 mm, 0 mm]}, {to: [3 mm, 0 mm, 0 mm]}]",
                ["where the path begins"],
            ),
            (
                "kind: path, name: p, step: 1 mm, speed: 1 mm/s, "
                "waypoints: [{to: [1 mm, 0 mm, 0 mm], rpy: [0 deg, 0 deg, 0 deg]}, {to: [3 mm, 0 mm, 0 mm]}]",
                ["at some points"],
            ),
            (
                "kind: path, name: p, step: 1 nm, speed: 1 mm/s, waypoints: [{to: [1 mm, 0 mm, 0 mm]}, {to: [300 mm, 0 mm, 0 mm]}]",
                ["step", "at most 100000 points"],
            ),
            (
                "kind: poses, name: q, poses: [{name: a, joints: [0 deg, 0 deg, 0 mm]}], distances: [[a, b]]",
                ["no pose named 'b'"],
            ),
            (
                "kind: poses, name: q, poses: [{name: a, joints: [0 deg, 0 deg, 0 mm]}], distances: [[a, a]]",
                ["to itself"],
            ),
            ("kind: poses, name: q, poses: [{name: a, joints: [0 deg, 0 deg, 0 mm]}], distances: [[a]]", ["distances"]),
        )
    ),
    ("scenario.yaml", "units: 50", "units: 0", ["sampling.units", "from 1 to"]),
    ("scenario.yaml", "units: 50", "units: 50, tolerance: 0 %", ["sampling.tolerance", "more than 0"]),
    ("scenario.yaml", "units: 50", "units: 50, tolerance: -1 um", ["sampling.tolerance", "more than 0"]),
    ("scenario.yaml", "units: 50", "units: 50, tolerance: 1", ["sampling.tolerance", "%"]),
    ("scenario.yaml", "units: 50", "units: 50, tolerance: 1 deg", ["sampling.tolerance", "um"]),
    ("scenario.yaml", "coverage: 95 %", "coverage: 95 %, test_cycles: 1", ["requirement.test_cycles", "from 2"]),
    ("scenario.yaml", "coverage: 95 %", "coverage: 95 mm", ["requirement.coverage", "not a ratio"]),
    ("scenario.yaml", "coverage: 95 %", "coverage: 120 %", ["too large"]),
    (
        "scenario.yaml",
        "mastering: 5 um",
        "mastering: 5 arcsec",
        ["where length is required, at the prismatic joint j3"],
    ),
    (
        "scenario.yaml",
        "mastering: 10 arcsec",
        "mastering: 10 um",
        ["where angle is required, at the revolute joint j1"],
    ),
    (
        "scenario.yaml",
        "name: tape, measures: translation, signal_period: 20 um",
        "name: tape, measures: rotation, signal_periods: 20",
        ["joints.j3", "length"],
    ),
    ("scenario.yaml", "graduation_error: 3 um", "graduation_error: 3 arcsec", ["angle where length is required"]),
    (
        "scenario.yaml",
        "repeatability: 2 arcsec",
        "repeatability: {limit: 2 arcsec, distribution: arcsine}",
        ["arcsine"],
    ),
    ("scenario.yaml", "name: cell", "name: cell\nname: other", ["scenario.yaml:3:1: name: key given twice", "line 2"]),
    ("scenario.yaml", "name: cell", "name: cell\nenvironmnt: {}", ["unknown key"]),
    ("scenario.yaml", "name: cell", "name: !!python/object:os.system cell", ["tag", "without tags"]),
    ("scenario.yaml", "name: cell", "\tname: cell", ["not YAML"]),
    ("disc.yaml", "signal_periods: 512", "signal_periods: 0", ["disc.yaml:4:1: signal_periods", "from 1 to"]),
    ("disc.yaml", "signal_periods: 512", "signal_period: 20 um", ["signal_period", "of a linear scale"]),
    ("disc.yaml", "interpolation: 12 bit", "interpolation: 12", ["bare number 12", "bit"]),
    ("disc.yaml", "track_radius: 13 mm", "", ["eccentricity needs track_radius", "track_radius"]),
    (
        "disc.yaml",
        "track_radius: 13 mm",
        "summary: {resolution: 20 bit}",
        ["interpolation", "11 bit by summary.resolution"],
    ),
    ("disc.yaml", "corrections: {signal: 90 %", "corrections: {signal: 190 %", ["at most 1"]),
    ("disc.yaml", "measures: rotation", "measures: torque", ["'torque'", "'rotation' or 'translation'"]),
    ("scenario.yaml", "position: 100 um", "position: 1e308 m", ["requirement.position", "out of range"]),
    (
        "scenario.yaml",
        "position: 100 um",
        "position: null",
        ["requirement.position", "None is not a number with a unit"],
    ),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: 1e200 deg", ["out of range"]),
    ("scenario.yaml", "order: 2", "order: 1.0e+308", ["kinematic_error.0.order", "at most a million"]),
    ("scenario.yaml", "units: 50", "units: 1000000000000000000000000", ["sampling.units", "from 1 to"]),
    ("scenario.yaml", "15 um", "5 mm", ["5 mm on a track of radius 13 mm", "10% of the radius"]),
    ("scenario.yaml", "disc_tilt: 0.1 deg", "disc_tilt: 120 deg", ["120 deg", "at most 10 deg"]),
    ("scenario.yaml", "placement: motor", "placement: both", ["placement both without motor_encoder"]),
    ("scenario.yaml", "placement: motor", "placement: motor\n    motor_encoder: disc.yaml", ["placement: both with"]),
    (
        "scenario.yaml",
        "ratio: 100",
        "ratio: 100\n      stiffness: 5 N/um",
        ["where angular stiffness is required", "angular stiffness"],
    ),
    ("scenario.yaml", "lost_motion: 30 arcsec", "lost_motion: -30 arcsec", ["lost_motion", "at least 0"]),
    (
        "scenario.yaml",
        "placement: output\n    mastering: 5 um",
        "placement: output\n    transmission: {type: planetary}",
        ["a gear at the prismatic joint j3"],
    ),
    (
        "scenario.yaml",
        "placement: output\n    mastering: 5 um",
        "placement: output\n    mounting: {disc_tilt: 1 deg}",
        ["it is of a rotary scale"],
    ),
    ("scenario.yaml", "disc_tilt: 0.1 deg", "abbe_offset: 5 mm", ["it is of a linear scale"]),
    ("scenario.yaml", "disc_tilt: 0.1 deg", "head_radial: 4 mm", ["lose its signal", "head_radial"]),
    (
        "scenario.yaml",
        "joints: [10 deg, 20 deg, 30 mm]",
        "xyz: [60 mm, 80 mm]",
        ["tasks.0.poses.0.xyz", "too few values", "at least 3"],
    ),
    ("scenario.yaml", "30 mm]}", "30 mm], speeds: [1 deg/s]}", ["1 joint speeds", "3: j1, j2, j3"]),
    ("scenario.yaml", "30 mm]}", "30 mm], speeds: [1 deg/s, 1 deg/s, 1 deg/s]}", ["angular speed for joint j3"]),
    ("scenario.yaml", "tasks:", "tasks: []\nold:", ["tasks", "at least 1 of them"]),
    (
        "scenario.yaml",
        "  - {kind: poses",
        "  - {kind: slice, name: fine, plane: xy, at: 0 mm, step: 1 nm}\n  - {kind: poses",
        ["tasks.0.step", "cells"],
    ),
    (
        "scenario.yaml",
        "  - {kind: poses",
        "  - {kind: slice, name: gap, plane: xy, at: 0 mm, step: 50 mm, x: [110 mm, 120 mm]}\n  - {kind: poses",
        ["no whole step", "multiple of the step"],
    ),
    (
        "scenario.yaml",
        "  - {kind: poses",
        "  - {kind: slice, name: z, plane: xy, at: 0 mm, step: 50 mm, z: [0 mm, 100 mm]}\n  - {kind: poses",
        ["'z' on the plane xy"],
    ),
    ("scenario.yaml", "name: cell", "name: cell\n---\nkind: arm", ["one document in a file"]),
    ("disc.yaml", "track_radius: 13 mm", "track_radius: 1e-320 m", ["out of range"]),
    ("disc.yaml", "signal_periods: 512", "signal_periods: " + "9" * 401, ["signal_periods", "from 1 to"]),
    (
        "disc.yaml",
        "phase_error: 1 deg",
        "phase_error: 1 deg, third_harmonic: 500 %",
        ["third_harmonic", "too large", "30 %"],
    ),
    ("disc.yaml", "price: 38", "sensing_window: 1 um", ["0.00627 signal periods", "one signal period at least"]),
    ("disc.yaml", "track_radius: 13 mm", "sensing_window: 1 mm", ["sensing_window: without track_radius"]),
    ("disc.yaml", "price: 38", "hysteresis: -5 arcsec", ["hysteresis", "at least 0"]),
    ("scenario.yaml", "ratio: 100", "type: planetary", ["a planetary gear without its ratio"]),
    (
        "scenario.yaml",
        "ratio: 100",
        "ratio: 100\n      stiffness_tolerance: 300 %",
        ["stiffness_tolerance", "at most 30 %"],
    ),
    ("disc.yaml", "price: 38", "slope_error: 1 um/m", ["slope_error on an encoder that measures rotation"]),
    ("disc.yaml", "price: 38", "hysteresis: 1 um", ["length where angle is required"]),
    ("disc.yaml", "price: 38", "drift: 1 um/K", ["linear drift where angular drift is required"]),
    (
        "disc.yaml",
        "noise: 0.1 %}",
        "noise: 0.1 %, third_harmonic: 1 %, third_harmonic_order: 3}",
        ["third_harmonic_order", "2 or 4"],
    ),
    ("arm.yaml", "a: 200 mm", "a: 1e300 mm", ["out of range"]),
    ("arm.yaml", "groups: {base: [j1, j2]", "groups: {bias: [j1, j2]", ["'bias' is taken"]),
    (
        "arm.yaml",
        "groups: {base",
        "masses: {links: {j9: {mass: 1 kg}}}\ngroups: {base",
        ["masses.links.j9", "no such joint"],
    ),
    ("arm.yaml", "groups: {base", "masses: {links: {j1: {mass: -1 kg}}}\ngroups: {base", ["mass", "too small"]),
    ("arm.yaml", "[-170 deg, 170 deg]", "[170 deg, -170 deg]", ["arm.yaml:6:", "lower end not below the upper end"]),
    ("arm.yaml", "name: j2", "name: j1", ["two joints named 'j1'"]),
    ("arm.yaml", "type: prismatic", "type: sliding", ["'sliding'", "'revolute', 'prismatic'"]),
    ("arm.yaml", "wrist: [j3]", "wrist: [j4]", ["no joint 'j4'"]),
    ("arm.yaml", "wrist: [j3]", "wrist: [j3, j1]", ["is listed twice"]),
    ("arm.yaml", "theta: 10 urad", "thetha: 10 urad", ["did you mean 'theta'?"]),
    ("arm.yaml", "convention: standard-dh", "convention: dh", ["kinematics.convention", "'dh'"]),
    ("arm.yaml", "d: 100 mm, ", "", ["arm.yaml:6:7", "kinematics.joints.0.d: missing"]),
]


@pytest.mark.parametrize(("file", "old", "new", "expected"), WRONG, ids=[f"{w[0]} {w[2][:40]}" for w in WRONG])
def test_wrong_input_is_named(tmp_path: Path, file: str, old: str, new: str, expected: list[str]) -> None:
    assert old in FILES[file]
    path = write(tmp_path, **{file: FILES[file].replace(old, new, 1)})
    text = "\n".join(faults(path))
    for part in expected:
        assert part in text


DESIGN_SCENARIO = """\
kind: scenario
name: lens-barrel bonding cell
arm: arm.yaml
joints:
  j1: &all
    encoder: disc.yaml
    placement: motor
    mounting: {eccentricity: 15 um, disc_tilt: 0.1 deg, head_tangential: 100 um, head_radial: 100 um, head_tilt: 0.5 deg}
    transmission: {ratio: 100, kinematic_error: [{per: input-turn, order: 2, amplitude: 20 arcsec}],
                   lost_motion: 30 arcsec, stiffness: 20 N*m/mrad}
    mastering: 10 arcsec
  j2: *all
  j3:
    encoder: {kind: encoder, name: tape, measures: translation, signal_period: 20 um, interpolation: 8 bit}
    placement: output
environment: {temperature_rise: 5 K}
requirement: {position: 100 um, coverage: 95 %, repeatability: 20 um, yield: 99 %}
tasks:
  - {kind: poses, name: corners, poses: [{name: near, joints: [10 deg, 20 deg, 30 mm]}, {name: far, xyz: [0 mm, 300 mm, 100 mm], rpy: [180 deg, 0 deg, 0 deg]}]}
  - {kind: slice, name: side view, plane: yz, at: 0 mm, step: 20 mm, tool: [180 deg, 0 deg, 0 deg]}
sampling: {units: 2000, visits: 30, seed: 7}
"""


def test_every_key_of_the_contract_is_taken(tmp_path: Path) -> None:
    """The documents of the contract, as they stand there but for the number of joints."""
    disc = ENCODER.replace("noise: 0.1 %}", "noise: 0.1 %, third_harmonic: 0.3 %}") + (
        "hysteresis: 0 arcsec\ntiming: {latency: 10 us, jitter: 50 ns}\n"
    )
    scenario = load_scenario(write(tmp_path, scenario_yaml=DESIGN_SCENARIO, disc_yaml=disc))
    causes = {term.cause.name for term in scenario.machine.terms}
    assert {"third harmonic", "latency", "timing jitter", "wind-up", "lost motion", "link theta"} <= causes
    assert scenario.machine.joints[0].contrast_loss > 1.0


def test_a_key_overrides_its_preset(tmp_path: Path) -> None:
    path = write(tmp_path, scenario_yaml=SCENARIO.replace("ratio: 100", "ratio: 100\n      type: planetary"))
    box = load_scenario(path).machine.joints[0].transmission
    assert box.lost_motion == pytest.approx(np.radians(30 / 3600))  # stated
    bare = SCENARIO.replace(
        SCENARIO[SCENARIO.index("      ratio: 100") : SCENARIO.index("    mastering: 10")],
        "      type: planetary\n      ratio: 5\n",
    )
    box = load_scenario(write(tmp_path, scenario_yaml=bare)).machine.joints[0].transmission
    assert box.lost_motion == pytest.approx(np.radians(180 / 3600))  # typical
    assert len(box.kinematic_error) == 2


def test_exponents_are_numbers(tmp_path: Path) -> None:
    path = write(tmp_path, scenario_yaml=SCENARIO.replace("ratio: 100", "ratio: 1e2").replace("15 um", "1.5e1 um"))
    assert load_scenario(path).machine.joints[0].transmission.ratio == 100


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    text = SCENARIO.replace("15 um", "15").replace("ratio: 100", "ratio: 0").replace("units: 50", "units: none")
    assert len(faults(write(tmp_path, scenario_yaml=text))) == 3


def test_missing_file_and_bytes_that_are_no_text(tmp_path: Path) -> None:
    assert "file not found" in faults(tmp_path / "absent.yaml")[0]
    (tmp_path / "latin.yaml").write_bytes("kind: arm\nname: Gel\u00e4nk\n".encode("latin-1"))
    assert "latin.yaml:2:1:" in faults(tmp_path / "latin.yaml")[0]
    assert "UTF-8" in faults(tmp_path / "latin.yaml")[0]
    (tmp_path / "bom.yaml").write_bytes(b"\xef\xbb\xbf" + ENCODER.encode())
    check_file(tmp_path / "bom.yaml")


def test_hostile_yaml_is_bounded(tmp_path: Path) -> None:
    bomb = "kind: arm\na: &a [x, x, x, x, x, x, x, x, x, x]\n"
    for previous, name in zip("abcdefgh", "bcdefghi", strict=True):
        bomb += f"{name}: &{name} [{', '.join(['*' + previous] * 10)}]\n"
    (tmp_path / "bomb.yaml").write_text(bomb)
    assert "too many values" in faults(tmp_path / "bomb.yaml")[0]
    (tmp_path / "deep.yaml").write_text("kind: " + "[" * 100_000)
    assert "nest" in faults(tmp_path / "deep.yaml")[0]
    (tmp_path / "deeper.yaml").write_text("kind:\n" + "".join(" " * n + "a:\n" for n in range(1, 60)))
    assert "nested too deeply" in faults(tmp_path / "deeper.yaml")[0]
    (tmp_path / "loop.yaml").write_text("kind: arm\nname: &n [*n]\n")
    assert "nested too deeply" in faults(tmp_path / "loop.yaml")[0]


def test_hostile_urdf_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x.urdf").write_text('<?xml version="1.0"?><!DOCTYPE r [<!ENTITY a "aaaa">]><robot name="&a;"/>')
    (tmp_path / "arm.yaml").write_text(
        "kind: arm\nname: u\nkinematics: {convention: urdf, file: x.urdf, base_link: a, tip_link: b}\n"
    )
    assert "refused" in faults(tmp_path / "arm.yaml")[0]


def test_merge_keys_share_a_joint(tmp_path: Path) -> None:
    """Anchors and '<<' let joints share what they have in common; a key of their own wins."""
    text = yaml.safe_load(SCENARIO)
    assert text["kind"] == "scenario"
    merged = SCENARIO.replace("  j1:\n", "  j1: &one\n").replace(
        SCENARIO[SCENARIO.index("  j2:") : SCENARIO.index("  j3:")], "  j2:\n    <<: *one\n    mastering: 3 arcsec\n"
    )
    machine = load_scenario(write(tmp_path, scenario_yaml=merged)).machine
    assert machine.joints[1].transmission.ratio == 100
    assert machine.joints[1].mastering.scale == pytest.approx(np.radians(3 / 3600))
