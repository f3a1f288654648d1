"""Coupled drives and followers, against mechanisms built joint by joint in pinocchio and by hand.

Each mechanism is closed or geared as it is built (a parallelogram by its four bars, a wrist by its bevel wheels, a
quill by nut and spline nut); eccentric discs on its motors are simulated by exact geometry. No code is shared with the
product. Source of the geometry: plane geometry and gear kinematics, by hand.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pinocchio as pin
import pytest
from support import invoke

import armsim

ENCODER = """kind: encoder
name: disc
measures: rotation
signal_periods: 8192
interpolation: 20 bit
track_radius: 12 mm
price: 10
"""
ECCENTRICITY, DIRECTION, RADIUS = 4e-6, np.radians(25.0), 0.012
DISC = "mounting: {eccentricity: {limit: 4 um, distribution: fixed, phase: 25 deg}}"
SECOND = ECCENTRICITY / RADIUS
"""Size of the second order in e/R, over the first."""
OUT, LINK, TOOL, BAR = 0.5, 0.6, 0.15, 0.2
"""Upper arm, forearm, tool, and short bars of the parallelogram. [m]"""

PALLETISER = f"""kind: arm
name: palletising arm with a parallelogram and a level hand
kinematics:
  convention: standard-dh
  joints:
    - {{name: turn, type: revolute, d: 400 mm, a: 100 mm, alpha: 90 deg, range: [-170 deg, 170 deg]}}
    - {{name: upper, type: revolute, d: 0 mm, a: {1e3 * OUT} mm, alpha: 0 deg, range: [20 deg, 120 deg]}}
    - {{name: fore, type: revolute, d: 0 mm, a: {1e3 * LINK} mm, alpha: 0 deg, range: [-150 deg, -10 deg]}}
    - {{name: hand, type: revolute, d: 0 mm, a: {1e3 * TOOL} mm, alpha: 0 deg}}
couplings:
  - {{joint: fore, coefficients: {{upper: 1, fore: 1}}}}
followers:
  - {{joint: hand, follows: {{upper: -1, fore: -1}}, offset: -90 deg}}
masses: {{links: {{upper: {{mass: 12 kg, centre: [-250 mm, 0 mm, 0 mm]}}, fore: {{mass: 8 kg, centre: [-300 mm, 0 mm, 0 mm]}}}},
         payload: {{mass: 10 kg}}}}
"""
POSES = {"near": (10.0, 80.0, -100.0), "far": (-40.0, 50.0, -60.0), "low": (100.0, 35.0, -95.0)}


def scenario(folder: Path, arm: str, joints: dict[str, str], poses: dict[str, list[str]], more: str = "") -> Path:
    (folder / "arm.yaml").write_text(arm)
    (folder / "disc.yaml").write_text(ENCODER)
    rows = "\n".join(f"  {name}: {{encoder: disc.yaml, {text}}}" for name, text in joints.items())
    named = ", ".join(f"{{name: {name}, joints: [{', '.join(values)}]}}" for name, values in poses.items())
    path = folder / "scenario.yaml"
    path.write_text(
        f"kind: scenario\nname: coupled\narm: arm.yaml\njoints:\n{rows}\n"
        f"tasks: [{{kind: poses, name: t, poses: [{named}]}}]\n{more or 'sampling: {units: 8, visits: 2, seed: 3}'}\n"
    )
    return path


def attained(command: float) -> float:
    """Angle of a shaft whose eccentric disc reads the commanded angle: the loop settles there. [rad]"""
    angle = command
    for _ in range(30):
        t = angle - DIRECTION
        angle = command - np.arctan2(ECCENTRICITY * np.sin(t), RADIUS + ECCENTRICITY * np.cos(t))
    return float(angle)


class Parallelogram:
    """Upper arm, forearm driven by a crank on the base over a coupler, as a tree in pinocchio whose loop is closed."""

    def __init__(self) -> None:
        model = pin.Model()
        model.gravity.linear = np.array([0.0, 0.0, -9.80665])  # 3rd CGPM (1901)
        revolute, place = pin.JointModelRZ, pin.SE3.Identity
        self.turn = model.addJoint(0, revolute(), place(), "turn")
        at = pin.SE3(pin.utils.rotate("x", np.pi / 2), np.array([0.1, 0.0, 0.4]))
        self.upper = model.addJoint(self.turn, revolute(), at, "upper")
        shift = pin.SE3(np.eye(3), np.array([OUT, 0.0, 0.0]))
        self.fore = model.addJoint(self.upper, revolute(), shift, "fore")
        self.crank = model.addJoint(self.turn, revolute(), at, "crank")
        bar = pin.SE3(np.eye(3), np.array([-BAR, 0.0, 0.0]))
        self.coupler = model.addJoint(self.crank, revolute(), bar, "coupler")
        for joint, mass, centre in ((self.upper, 12.0, OUT / 2), (self.fore, 8.0, LINK / 2), (self.fore, 10.0, LINK)):
            model.appendBodyToJoint(joint, pin.Inertia(mass, np.array([centre, 0.0, 0.0]), np.zeros((3, 3))), place())
        self.rear = model.addFrame(pin.Frame("rear", self.fore, 0, bar, pin.FrameType.OP_FRAME))
        rod = pin.SE3(np.eye(3), np.array([OUT, 0.0, 0.0]))
        self.rod = model.addFrame(pin.Frame("rod", self.coupler, 0, rod, pin.FrameType.OP_FRAME))
        tip = pin.SE3(np.eye(3), np.array([LINK, 0.0, 0.0]))
        self.tip = model.addFrame(pin.Frame("tip", self.fore, 0, tip, pin.FrameType.OP_FRAME))
        self.model, self.data = model, model.createData()

    def configuration(self, turn: float, upper: float, crank: float) -> np.ndarray:
        """Joint positions with the loop closed, from those of the motors; Newton on the gap."""
        q = np.array([turn, upper, crank - upper, crank, upper - crank])
        q[2] += 0.05  # a start off the solution, so that closing it is no identity
        for _ in range(20):
            pin.computeJointJacobians(self.model, self.data, q)
            pin.updateFramePlacements(self.model, self.data)
            gap = self.data.oMf[self.rod].translation - self.data.oMf[self.rear].translation
            frame = pin.ReferenceFrame.LOCAL_WORLD_ALIGNED
            by_q = (
                pin.getFrameJacobian(self.model, self.data, self.rod, frame)
                - pin.getFrameJacobian(self.model, self.data, self.rear, frame)
            )[:3]
            step = np.linalg.lstsq(by_q[:, [2, 4]], -gap, rcond=None)[0]
            q[[2, 4]] += step
        assert np.linalg.norm(gap) < 1e-13
        return q

    def tool(self, turn: float, upper: float, crank: float) -> np.ndarray:
        """Tool point: the hand hangs straight down whatever the arm does. [m]"""
        self.configuration(turn, upper, crank)
        return self.data.oMf[self.tip].translation + np.array([0.0, 0.0, -TOOL])

    def energy(self, turn: float, upper: float, crank: float) -> float:
        """Potential energy. [J]"""
        q = self.configuration(turn, upper, crank)
        return float(pin.computePotentialEnergy(self.model, self.data, q))


def palletiser(folder: Path, joint: str = DISC, more: str = "") -> Path:
    motor = f"placement: motor, {joint}"
    poses = {name: [f"{value} deg" for value in values] for name, values in POSES.items()}
    return scenario(folder, PALLETISER, dict.fromkeys(("turn", "upper", "fore"), motor), poses, more)


def test_a_parallelogram_errs_as_its_four_bars_do(tmp_path: Path) -> None:
    result = armsim.load(palletiser(tmp_path)).run()
    mechanism = Parallelogram()
    for pose, (turn, upper, fore) in zip(result.task("t").poses, np.radians(list(POSES.values())), strict=True):
        motors = np.array([turn, upper, upper + fore])
        nominal = mechanism.tool(*motors)
        assert np.array(pose.position) == pytest.approx(nominal, abs=1e-12)
        shift = mechanism.tool(*(attained(angle) for angle in motors)) - nominal
        # the product takes the reading error at the commanded angle: the second order, e/R of it, is left out
        assert np.array(pose.error.mean) == pytest.approx(shift, abs=3 * SECOND * np.linalg.norm(shift))


def test_motors_of_a_parallelogram_carry_what_the_energy_says(tmp_path: Path) -> None:
    """Wind-up is the load over the stiffness; the load of a motor is -dV/d(motor), by differences of the mechanism."""
    result = armsim.load(palletiser(tmp_path, "transmission: {stiffness: 400 N*m/mrad}")).run()
    mechanism, step, stiffness = Parallelogram(), 1e-5, 4e5
    for pose, (turn, upper, fore) in zip(result.task("t").poses, np.radians(list(POSES.values())), strict=True):
        motors = np.array([turn, upper, upper + fore])
        load = [
            -(mechanism.energy(*(motors + d)) - mechanism.energy(*(motors - d))) / (2 * step) for d in step * np.eye(3)
        ]
        # the hand weighs nothing here, and its payload hangs straight below the end of the forearm
        shift = mechanism.tool(*(motors + np.array(load) / stiffness)) - mechanism.tool(*motors)
        assert np.array(pose.error.mean) == pytest.approx(shift, abs=2e-5 * np.linalg.norm(shift))


def test_the_error_belongs_to_the_joint_of_the_motor(tmp_path: Path) -> None:
    result = armsim.load(palletiser(tmp_path)).run()
    task = result.task("t")
    assert any("linkages, belts and wheels between drives and joints" in warning for warning in result.warnings)
    assert {part.owner for part in task.summary.contributions} <= {"turn", "upper", "fore", "bias"}


def test_visits_of_coupled_motors_scatter_as_simulated(tmp_path: Path) -> None:
    """Backlash and zeros of 20000 mechanisms drawn by numpy, tool points by the closed loop to first order."""
    more = "sampling: {units: 4000, visits: 30, seed: 5}"
    result = armsim.load(
        palletiser(tmp_path, "mastering: 30 arcsec, transmission: {lost_motion: 60 arcsec}", more)
    ).run()
    mechanism, rng, n = Parallelogram(), np.random.default_rng(1), 20_000
    arcsec = np.pi / 180 / 3600
    for pose, (turn, upper, fore) in zip(result.task("t").poses, np.radians(list(POSES.values())), strict=True):
        motors, step = np.array([turn, upper, upper + fore]), 1e-4
        columns = [
            (mechanism.tool(*(motors + d)) - mechanism.tool(*(motors - d))) / (2 * step) for d in step * np.eye(3)
        ]
        zero, side = rng.uniform(-30, 30, (n, 3)), 30 * rng.choice([-1.0, 1.0], (n, 3))
        distance = np.linalg.norm((zero + side) * arcsec @ np.array(columns), axis=1)
        expected, spread = np.quantile(distance, 0.95), np.quantile(distance, [0.944, 0.956])
        # 20000 draws know the 95 % to four standard deviations of the share, sqrt(0.95 * 0.05 / 20000)
        low, high = pose.error.p95_interval
        assert low - (expected - spread[0]) <= expected <= high + (spread[1] - expected)


WRIST = """kind: arm
name: six axes with a bevel wrist
kinematics:
  convention: standard-dh
  joints:
    - {name: j1, type: revolute, d: 400 mm, a: 50 mm, alpha: -90 deg, range: [-170 deg, 170 deg]}
    - {name: j2, type: revolute, d: 0 mm, a: 450 mm, alpha: 0 deg, range: [-120 deg, 60 deg]}
    - {name: j3, type: revolute, d: 0 mm, a: 40 mm, alpha: -90 deg, range: [-60 deg, 190 deg]}
    - {name: j4, type: revolute, d: 480 mm, a: 0 mm, alpha: 90 deg, range: [-180 deg, 180 deg]}
    - {name: pitch, type: revolute, d: 0 mm, a: 0 mm, alpha: -90 deg, range: [-115 deg, 115 deg]}
    - {name: roll, type: revolute, d: 90 mm, a: 0 mm, alpha: 0 deg, range: [-300 deg, 300 deg]}
  tool: {xyz: [60 mm, 0 mm, 120 mm], rpy: [0 deg, 30 deg, 0 deg]}
couplings: [{joint: roll, coefficients: {roll: 1, pitch: -0.5}, placement: motor}]
"""


def wrist_tool(angles: np.ndarray) -> np.ndarray:
    """Tool point of the arm with the wrist, chained in pinocchio from its rows."""
    rows = [(0.4, 0.05, -90), (0, 0.45, 0), (0, 0.04, -90), (0.48, 0, 90), (0, 0, -90), (0.09, 0, 0)]
    model, parent, at = pin.Model(), 0, pin.SE3.Identity()
    for number, (d, a, alpha) in enumerate(rows):
        parent = model.addJoint(parent, pin.JointModelRZ(), at, f"w{number}")
        at = pin.SE3(pin.utils.rotate("x", np.radians(alpha)), np.array([a, 0.0, d]))
    data = model.createData()
    pin.forwardKinematics(model, data, angles)
    return (data.oMi[parent] * at).act(np.array([0.06, 0.0, 0.12]))


@pytest.mark.parametrize("sensor", ["motor", "output"])
def test_a_bevel_wrist_rolls_as_its_wheels_turn(tmp_path: Path, sensor: str) -> None:
    """The roll motor drives a bevel that walks half a turn per turn of pitch: roll = motor + pitch / 2.

    A sensor on the rolling flange itself sees the roll alone.
    """
    degrees = np.array([20.0, -50.0, 70.0, 40.0, -35.0, 110.0])
    joints = dict.fromkeys(("j1", "j2", "j3", "j4"), "placement: output")
    joints |= {"pitch": f"placement: motor, transmission: {{ratio: 50}}, {DISC}"}
    joints |= {"roll": f"placement: {sensor}, transmission: {{ratio: 30}}, {DISC}"}
    path = scenario(tmp_path, WRIST, joints, {"p": [f"{value} deg" for value in degrees]})
    q = np.radians(degrees)
    attained_q = q.copy()
    attained_q[4] = attained(50 * q[4]) / 50
    if sensor == "motor":
        attained_q[5] = attained(30 * (q[5] - 0.5 * q[4])) / 30 + 0.5 * attained_q[4]
    else:
        attained_q[5] = attained(q[5])
    shift = wrist_tool(attained_q) - wrist_tool(q)
    pose = armsim.load(path).run().task("t").poses[0]
    assert np.array(pose.position) == pytest.approx(wrist_tool(q), abs=1e-12)
    # what the encoders round off is some 1e-10 rad
    assert np.array(pose.error.mean) == pytest.approx(shift, abs=3 * SECOND * np.linalg.norm(shift) + 1e-9)


QUILL = """kind: arm
name: SCARA with a screw-spline shaft
kinematics:
  convention: standard-dh
  joints:
    - {name: shoulder, type: revolute, d: 300 mm, a: 350 mm, alpha: 0 deg, range: [-130 deg, 130 deg]}
    - {name: elbow, type: revolute, d: 0 mm, a: 250 mm, alpha: 180 deg, range: [-150 deg, 150 deg]}
    - {name: roll, type: revolute, d: 0 mm, a: 0 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}
    - {name: lift, type: prismatic, theta: 0 deg, a: 0 mm, alpha: 0 deg, range: [0 mm, 200 mm]}
  tool: {xyz: [30 mm, 0 mm, 0 mm]}
couplings: [{joint: lift, coefficients: {lift: 1, roll: -20 mm/turn}}]
"""


def test_a_screw_spline_lifts_by_both_motors(tmp_path: Path) -> None:
    """Nut and spline nut on one shaft of 20 mm lead: roll = spline, lift = lead (nut + spline) / 2 pi, by hand."""
    turn, lift, lead = np.radians(70.0), 0.123, 0.020
    joints = {"shoulder": "placement: output", "elbow": "placement: output"}
    joints |= {"roll": f"placement: motor, transmission: {{ratio: 10}}, {DISC}"}
    joints |= {"lift": f"placement: motor, transmission: {{lead: 20 mm, ratio: 2}}, {DISC}"}
    path = scenario(tmp_path, QUILL, joints, {"p": ["0 deg", "0 deg", "70 deg", "123 mm"]})
    spline = attained(10 * turn) / 10
    nut = attained(2 * (2 * np.pi * lift / lead - turn)) / 2
    rise = lead * (nut + spline) / (2 * np.pi) - lift
    across = 0.03 * (np.exp(1j * -spline) - np.exp(1j * -turn))  # the tool hangs in reverse order
    pose = armsim.load(path).run().task("t").poses[0]
    expected = np.array([across.real, across.imag, -rise])
    assert np.array(pose.error.mean) == pytest.approx(expected, abs=3 * SECOND * np.linalg.norm(expected) + 1e-9)


SPINE = """kind: arm
name: slide whose carriage turns a wheel
kinematics:
  convention: standard-dh
  joints:
    - {name: wheel, type: revolute, d: 0 mm, a: 0 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}
    - {name: lift, type: prismatic, theta: 0 deg, a: 0 mm, alpha: 0 deg, range: [0 mm, 200 mm]}
  tool: {xyz: [300 mm, 0 mm, 0 mm]}
couplings: [{joint: wheel, coefficients: {wheel: 1, lift: 0.5 deg/mm}}]
"""
SCREW = "transmission: {lead: 20 mm, ratio: 2, %s}"
WARM = "environment: {temperature_rise: {mean: 10 K, limit: 0 K}}\nsampling: {units: 8, visits: 2, seed: 3}"
LEAD = "lead_error: {limit: 90 um/m, distribution: fixed}"
TOO_LONG = {
    "growth": ("expansion: 12 um/m/K, fixed_bearing: 40 mm", WARM, 120e-6, 0.04),
    "lead error": (LEAD, "", 90e-6, 0.0),
}
"""What makes a screw too long: in a scenario, and by what share, from which place."""


@pytest.mark.parametrize("case", TOO_LONG)
def test_a_screw_that_is_too_long_carries_the_slide_too_far(tmp_path: Path, case: str) -> None:
    """Whoever turns the nut: in proportion to the travel of the slide, not to what its own motor has turned. A joint
    whose motor sees the slide gives way, since that motor holds. Source: proportion, and the sum that stays, by hand."""
    transmission, more, share, fixed = TOO_LONG[case]
    plain = {"shoulder": "placement: output", "elbow": "placement: output", "roll": "placement: motor"}
    joints = plain | {"lift": f"placement: motor, {SCREW % transmission}"}
    path = scenario(tmp_path, QUILL, joints, {"p": ["0 deg", "0 deg", "170 deg", "123 mm"]}, more)
    pose = armsim.load(path).run().task("t").poses[0]
    # rounding of the discs leaves some nanometres
    assert pose.error.mean[2] == pytest.approx(-share * (0.123 - fixed), abs=2e-8)  # it hangs in reverse order
    joints = {"wheel": "placement: motor", "lift": f"placement: motor, {SCREW % transmission}"}
    path = scenario(tmp_path, SPINE, joints, {"p": ["0 deg", "123 mm"]}, more)
    pose = armsim.load(path).run().task("t").poses[0]
    rise = share * (0.123 - fixed)
    assert np.array(pose.error.mean) == pytest.approx([0.0, -0.3 * np.radians(0.5) * 1e3 * rise, rise], abs=5e-8)


def test_poses_of_a_follower_are_found_and_kept(tmp_path: Path) -> None:
    """The hand stays level at every cell of a map, which inverse kinematics finds with three joints."""
    path = palletiser(tmp_path)
    text = path.read_text()
    task = "tasks: [{kind: slice, name: side, plane: xz, at: 0 mm, step: 100 mm}]\n"
    path.write_text(text[: text.index("tasks:")] + task + "sampling: {units: 50, visits: 2, seed: 1}\n")
    result = armsim.load(path).run()
    task = result.task("side")
    mechanism = Parallelogram()
    assert len(task.column("position")) > 20
    for q, position in zip(task.column("joints"), task.column("position"), strict=True):
        assert position == pytest.approx(mechanism.tool(q[0], q[1], q[1] + q[2]), abs=1e-9)


FAULTS = {
    "singular": ("{upper: 1, fore: 1}", "{upper: 1}", "does not determine the positions"),
    "unknown": ("coefficients: {upper: 1", "coefficients: {elbow: 1", "no joint 'elbow' with a drive"),
    "unit": ("coefficients: {upper: 1", "coefficients: {upper: 3 mm/turn", "a number, since both turn or both slide"),
    "circle": ("follows: {upper: -1, fore: -1}", "follows: hand", "hand follows hand"),
    "stranger": ("follows: {upper: -1, fore: -1}", "follows: knee", "no joint 'knee'"),
    "offset": ("offset: -90 deg", "offset: 3 mm", "offset: is a length"),
    "two factors": ("offset: -90 deg", "factor: 2", "beside factors in follows"),
    "coupled follower": ("joint: fore, coefficients", "joint: hand, coefficients", "no joint 'hand' with a drive"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_what_cannot_be_coupled_is_refused(tmp_path: Path, fault: str) -> None:
    old, new, message = FAULTS[fault]
    path = palletiser(tmp_path)
    text = (tmp_path / "arm.yaml").read_text()
    assert old in text
    (tmp_path / "arm.yaml").write_text(text.replace(old, new))
    process = invoke("check", path)
    assert process.returncode == 2
    assert message in " ".join(process.stderr.split()), process.stderr
    assert "arm.yaml:" in process.stderr


URDF = """<robot name="hand"><link name="l0"/><link name="l1"/><link name="l2"/><link name="l3"/>
<joint name="a" type="revolute"><parent link="l0"/><child link="l1"/><origin xyz="0 0 0.2"/><axis xyz="0 1 0"/>
  <limit lower="-2" upper="2" effort="1" velocity="1"/></joint>
<joint name="b" type="revolute"><parent link="l1"/><child link="l2"/><origin xyz="0.3 0 0"/><axis xyz="0 1 0"/>
  <limit lower="-2" upper="2" effort="1" velocity="1"/></joint>
<joint name="c" type="revolute"><parent link="l2"/><child link="l3"/><origin xyz="0.25 0.02 0"/><axis xyz="0 1 0"/>
  <limit lower="-2" upper="2" effort="1" velocity="1"/><mimic joint="b" multiplier="-0.7" offset="0.3"/></joint>
</robot>
"""


def mimic(folder: Path, urdf: str = URDF) -> Path:
    arm = (
        "kind: arm\nname: hand\nkinematics: {convention: urdf, file: hand.urdf, base_link: l0, tip_link: l3,\n"
        "  tool: {xyz: [100 mm, 0 mm, 10 mm]}}\n"
    )
    (folder / "hand.urdf").write_text(urdf)
    return scenario(folder, arm, dict.fromkeys("ab", f"placement: output, {DISC}"), {"p": ["20 deg", "-35 deg"]})


def test_a_mimic_joint_moves_with_the_joint_that_it_follows(tmp_path: Path) -> None:
    """Forward kinematics by pinocchio's own reader of URDF, the mimic joint set by hand."""
    model = pin.buildModelFromXML(URDF)
    data = model.createData()

    def tool(a: float, b: float) -> np.ndarray:
        pin.forwardKinematics(model, data, np.array([a, b, -0.7 * b + 0.3]))
        return data.oMi[3].act(np.array([0.1, 0.0, 0.01]))

    pose = armsim.load(mimic(tmp_path)).run().task("t").poses[0]
    a, b = np.radians([20.0, -35.0])
    assert np.array(pose.position) == pytest.approx(tool(a, b), abs=1e-12)
    shift = tool(attained(a), attained(b)) - tool(a, b)
    assert np.array(pose.error.mean) == pytest.approx(shift, abs=3 * SECOND * np.linalg.norm(shift) + 1e-9)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('mimic joint="b"', 'mimic joint="z"', "joint 'c' mimics another: no joint 'z'; accepted: a, b, c"),
        ('mimic joint="b"', 'mimic joint="c"', "joint 'c' mimics another: c follows c"),
        ('multiplier="-0.7"', 'multiplier="much"', "multiplier='much'"),
    ],
)
def test_what_cannot_be_mimicked_is_refused(tmp_path: Path, old: str, new: str, message: str) -> None:
    process = invoke("check", mimic(tmp_path, URDF.replace(old, new)))
    assert process.returncode == 2
    assert message in process.stderr
    assert "hand.urdf:" in process.stderr


def test_a_palletiser_is_calibrated(tmp_path: Path) -> None:
    """The parameters are the zeros of the joints: that of the forearm holds the errors of two motors, by hand.

    Whole arms are simulated, measured and identified: their scatter is the stated uncertainty, which 64 arms know to
    1/sqrt(2 * 63), here four times that.
    """
    more = """calibration:
  instrument: {std: 20 um}
  visits: 1
  poses: {count: 30, choice: random}
  identify: {zeros: true}
sampling: {units: 64, visits: 2, seed: 3}"""
    process = invoke("calibrate", palletiser(tmp_path, "mastering: 0.05 deg", more), "--json", cwd=tmp_path)
    assert process.returncode == 0, process.stderr
    rows = {row["name"]: row for row in json.loads(process.stdout)["parameters"]}
    motor = np.radians(0.05) / np.sqrt(3)
    spreads = {"turn": motor, "upper": motor, "fore": np.sqrt(2) * motor}
    for joint, spread in spreads.items():
        row = rows[f"zero of {joint}"]
        assert row["spread"] == pytest.approx(spread, rel=1e-6)
        assert row["over_population"] == pytest.approx(row["uncertainty"], rel=4 / np.sqrt(126))
        assert row["uncertainty"] < 0.05 * spread


def test_a_joint_named_as_a_column_is_refused_in_measured_points(tmp_path: Path) -> None:
    path = palletiser(tmp_path)
    for file in (tmp_path / "arm.yaml", path):
        file.write_text(file.read_text().replace("upper", "arm"))
    (tmp_path / "points.csv").write_text("arm,x [mm],y [mm],z [mm]\n1,0,0,0\n")
    process = invoke("verify", path, "--measured", tmp_path / "points.csv")
    assert process.returncode == 2
    assert "joint 'arm' is named as another column" in process.stderr
