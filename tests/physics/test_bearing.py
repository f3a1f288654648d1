"""Error motions of bearings and guides against arms that pinocchio moves, with joints of its own for every error motion.

The simulation draws amplitudes and phases, sets the additional joints of a pinocchio model and takes its exact forward
kinematics; it shares no code with the product.
"""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import numpy as np
import pinocchio as pin
import pytest
from support import invoke

import armsim

DISC = "{kind: encoder, name: disc, measures: rotation, signal_periods: 1024, interpolation: 30 bit}"
TAPE = "{kind: encoder, name: tape, measures: translation, signal_period: 20 um, interpolation: 30 bit}"
ARM = """kind: arm
name: lift and two links
kinematics:
  convention: standard-dh
  joints:
    - {name: lift, type: prismatic, theta: 20 deg, a: 100 mm, alpha: -90 deg, offset: 50 mm, range: [0 mm, 400 mm]}
    - {name: elbow, type: revolute, d: 120 mm, a: 450 mm, alpha: 30 deg, offset: 10 deg, range: [-170 deg, 170 deg]}
    - {name: hand, type: revolute, d: 30 mm, a: 200 mm, alpha: 0 deg, range: [-170 deg, 170 deg]}
  tool: {xyz: [0 mm, 40 mm, 90 mm], rpy: [0 deg, 0 deg, 0 deg]}
groups: {base: [lift, elbow], wrist: [hand]}
"""
ROWS = {  # theta or its offset [deg], d or its offset [m], a [m], alpha [deg]
    "lift": (20.0, 0.05, 0.1, -90.0),
    "elbow": (10.0, 0.12, 0.45, 30.0),
    "hand": (0.0, 0.03, 0.2, 0.0),
}
TRAVEL = 0.4
POSES = ((50, 20, -40), (310, -75, 110), (180, 140, 15))  # mm, deg, deg
UNITS = 4000


def write(folder: Path, bearings: dict[str, str], joint: str = "") -> Path:
    (folder / "arm.yaml").write_text(ARM)
    lines = [
        f"  {name}: {{encoder: {TAPE if name == 'lift' else DISC}, placement: output"
        f"{f', bearing: {bearings[name]}' if name in bearings else ''}{joint}}}"
        for name in ROWS
    ]
    poses = ", ".join(f"{{name: p{n}, joints: [{a} mm, {b} deg, {c} deg]}}" for n, (a, b, c) in enumerate(POSES))
    path = folder / "scenario.yaml"
    path.write_text(
        "kind: scenario\nname: bearings\narm: arm.yaml\njoints:\n" + "\n".join(lines) + "\n"
        f"tasks: [{{kind: poses, name: t, poses: [{poses}]}}]\nsampling: {{units: {UNITS}, visits: 4, seed: 3}}\n"
    )
    return path


def placed(x: float = 0.0, y: float = 0.0, z: float = 0.0, turn: np.ndarray | None = None) -> pin.SE3:
    return pin.SE3(np.eye(3) if turn is None else turn, np.array([x, y, z]))


class Simulated:
    """Pinocchio model of the arm: at every joint five or six joints more, which move its axis about a centre."""

    def __init__(self, centres: dict[str, float]) -> None:
        self.model = pin.Model()
        parent, before = 0, pin.SE3.Identity()
        for name, (theta, d, a, alpha) in ROWS.items():
            centre = centres.get(name, 0.0)
            motion = pin.JointModelPZ() if name == "lift" else pin.JointModelRZ()
            theta_turn = pin.utils.rotate("z", math.radians(theta))
            if name == "lift":
                before = before * placed(z=d, turn=theta_turn)
                parent = self.model.addJoint(parent, motion, before, name)
                before = pin.SE3.Identity()
            before = before * placed(z=centre)
            for kind, joint in (
                ("shift x", pin.JointModelPX()), ("shift y", pin.JointModelPY()), ("shift z", pin.JointModelPZ()),
                ("tilt x", pin.JointModelRX()), ("tilt y", pin.JointModelRY()), ("tilt z", pin.JointModelRZ()),
            ):  # fmt: skip
                parent = self.model.addJoint(parent, joint, before, f"{name} {kind}")
                before = pin.SE3.Identity()
            before = placed(z=-centre)
            if name != "lift":
                parent = self.model.addJoint(parent, motion, before, name)
                before = placed(z=d, turn=theta_turn)
            before = before * placed(x=a, turn=pin.utils.rotate("x", math.radians(alpha)))
        self.last, self.tool = parent, before * placed(y=0.04, z=0.09)
        self.data = self.model.createData()

    def tool_point(self, values: dict[str, float]) -> np.ndarray:
        q = pin.neutral(self.model)
        for name, value in values.items():
            q[self.model.joints[self.model.getJointId(name)].idx_q] = value
        pin.forwardKinematics(self.model, self.data, q)
        return np.array((self.data.oMi[self.last] * self.tool).translation)


def simulated(bearing: list[tuple[str, tuple[str, ...], float, float]], centres: dict[str, float]) -> np.ndarray:
    """Root mean square of the tool's error at the poses: joint, directions, order, amplitude (zero: scatter +-)."""
    arm, rng, out = Simulated(centres), np.random.default_rng(5), []
    for lift, first, second in POSES:
        nominal = {"lift": 1e-3 * lift, "elbow": math.radians(first), "hand": math.radians(second)}
        position = {**nominal, "lift": 2 * np.pi * nominal["lift"] / TRAVEL}
        home, squares = arm.tool_point(nominal), []
        for _ in range(UNITS):
            values = dict(nominal)
            for joint, directions, order, amplitude in bearing:
                size = abs(rng.uniform(-amplitude, amplitude))
                for direction in directions:
                    wave = math.cos(order * position[joint] + rng.uniform(0, 2 * np.pi))
                    motion = size * wave if order else rng.uniform(-amplitude, amplitude)
                    name = f"{joint} {direction}"
                    values[name] = values.get(name, 0.0) + motion
            squares.append(np.sum((arm.tool_point(values) - home) ** 2))
        out.append(math.sqrt(np.mean(squares)))
    return np.array(out)


XY = ("shift x", "shift y")
TILTS = ("tilt x", "tilt y")
CASES = {
    "plain tilt": ({"elbow": "{tilt: 60 urad}"}, [("elbow", TILTS, 2, 60e-6)], {}),
    "tilt about its bearing": (
        {"elbow": "{tilt: 60 urad, centre: -350 mm}"}, [("elbow", TILTS, 2, 60e-6)], {"elbow": -0.35},
    ),
    "orders": (
        {"hand": "{synchronous: {tilt: [{order: 1, amplitude: 30 urad}, {order: 9, amplitude: 50 urad}], "
                 "radial: [{order: 3, amplitude: 12 um}], axial: [{order: 1, amplitude: 9 um}]}}"},
        [("hand", TILTS, 1, 30e-6), ("hand", TILTS, 9, 50e-6), ("hand", XY, 3, 12e-6), ("hand", ("shift z",), 1, 9e-6)],
        {},
    ),
    "plain radial and axial": (
        {"elbow": "{radial: 20 um, axial: 15 um}"}, [("elbow", XY, 2, 20e-6), ("elbow", ("shift z",), 1, 15e-6)], {},
    ),
    "scatter": (
        {"elbow": "{asynchronous: {tilt: 40 urad, radial: 5 um}}", "hand": "{asynchronous: {axial: 8 um}}"},
        [("elbow", TILTS, 0, 40e-6), ("elbow", XY, 0, 5e-6), ("hand", ("shift z",), 0, 8e-6)],
        {},
    ),
    "guide": (
        {"lift": "{tilt: 50 urad, straightness: 10 um, roll: 30 urad}"},
        [("lift", TILTS, 1, 50e-6), ("lift", XY, 1, 10e-6), ("lift", ("tilt z",), 1, 30e-6)],
        {},
    ),
    "guide about its carriage": (
        {"lift": "{synchronous: {roll: [{order: 2, amplitude: 70 urad}]}, tilt: 50 urad, centre: 200 mm}"},
        [("lift", TILTS, 1, 50e-6), ("lift", ("tilt z",), 2, 70e-6)],
        {"lift": 0.2},
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_the_error_is_that_of_an_arm_moved_by_pinocchio(tmp_path: Path, case: str) -> None:
    bearings, motions, centres = CASES[case]
    rms = armsim.load(write(tmp_path, bearings)).run().task("t").column("error.rms")
    # squares of two waves of one bounded amplitude scatter by at most 1.4 of their mean: 4000 arms each know the rms to
    # 1.4 / 2 / sqrt(4000) = 1.1 %, the difference of two samples to 1.6 %, thrice that
    assert rms == pytest.approx(simulated(motions, centres), rel=0.047)


def test_it_is_of_its_joint_and_of_its_group(tmp_path: Path) -> None:
    task = armsim.load(write(tmp_path, {"elbow": "{tilt: 20 urad, asynchronous: {radial: 2 um}}"})).run().task("t")
    owners = {(part.owner, part.cause) for part in task.summary.contributions if part.scatter > 1e-6}
    assert owners == {("elbow", "tilt error motion"), ("elbow", "asynchronous radial error motion")}
    assert task.summary.groups["base"] == pytest.approx(1.0, abs=1e-6)
    assert 0.0 < task.poses.column("visit_share").max() < 1.0


def test_check_shows_every_error_motion_with_its_lever(tmp_path: Path) -> None:
    """The lift carries 450 and 200 mm of links: the largest lever of its roll is what its bracket and they reach."""
    process = invoke("check", write(tmp_path, {"lift": "{roll: 10 urad}"}))
    (row,) = [line for line in process.stdout.splitlines() if line.startswith("tilt z")]
    assert "roll error motion" in row
    assert "period 400 mm" in row
    header = next(line for line in process.stdout.splitlines() if line.startswith("error motion of the axis"))
    assert "lever arm [mm/rad]  at the tool [µm]  worst case [arcsec]" in header
    total = next(line for line in process.stdout.splitlines() if line.startswith("lift  "))
    at_tool = float(row.split()[-2])
    assert round(at_tool, 1) in [float(number) for number in re.findall(r" (\d+\.\d)\d*", total)]


WRONG = (
    ("elbow", "{roll: 10 urad}", "bearing.roll", "roll at the revolute joint elbow"),
    (
        "elbow",
        "{synchronous: {straightness: [{order: 1, amplitude: 1 um}]}}",
        "straightness",
        "at the revolute joint elbow",
    ),
    ("lift", "{radial: 3 um}", "bearing.radial", "radial at the prismatic joint lift"),
    ("lift", "{asynchronous: {axial: 3 um}}", "asynchronous.axial", "axial at the prismatic joint lift"),
    ("elbow", "{tilt: 20 um}", "bearing.tilt", "'20 um'"),
    ("elbow", "{tilt: 20 mrad}", "bearing.tilt", "too large"),
    ("elbow", "{synchronous: {tilt: [{order: 0, amplitude: 2 urad}]}}", "order", "0 is not accepted"),
    ("elbow", "{asynchronous: {tilt: {limit: 2 urad, distribution: arcsine}}}", "asynchronous.tilt", "arcsine"),
    ("elbow", "{wobble: 20 urad}", "wobble", "unknown key"),
)


@pytest.mark.parametrize(("joint", "bearing", "key", "finding"), WRONG)
def test_wrong_input_is_one_clear_error(tmp_path: Path, joint: str, bearing: str, key: str, finding: str) -> None:
    process = invoke("check", write(tmp_path, {joint: bearing}))
    assert process.returncode == 2
    (line,) = [line for line in process.stderr.splitlines() if "error" in line or key in line]
    assert key in line
    assert finding in line, line


def test_a_measured_arm_tells_a_tilt_from_the_others(tmp_path: Path) -> None:
    """Arm of pinocchio whose tilt is four times what was stated: `verify` names the cause, none of its rivals."""
    path = write(
        tmp_path,
        {"elbow": "{synchronous: {tilt: [{order: 3, amplitude: {limit: 20 urad, distribution: fixed}}]}}",
         "hand": "{radial: {limit: 2 um, distribution: fixed}}"},
    )  # fmt: skip
    arm, rng = Simulated({}), np.random.default_rng(11)
    q = rng.uniform([0.0, -2.9, -2.9], [0.4, 2.9, 2.9], (40, 3))
    lines = ["lift [mm], elbow [deg], hand [deg], visit, x [mm], y [mm], z [mm]"]
    for lift, first, second in q:
        point = arm.tool_point({"lift": lift, "elbow": first, "hand": second,
                                "elbow tilt x": 80e-6 * math.cos(3 * first + 0.4),
                                "elbow tilt y": 80e-6 * math.cos(3 * first + 2.1)})  # fmt: skip
        x, y, z = 1e3 * (point + rng.normal(0, 0.5e-6, 3))
        lines.append(f"{1e3 * lift:.6f}, {math.degrees(first):.8f}, {math.degrees(second):.8f}, 1, "
                     f"{x:.6f}, {y:.6f}, {z:.6f}")  # fmt: skip
    (tmp_path / "measured.csv").write_text("\n".join(lines) + "\n")
    process = invoke("verify", path, "--measured", tmp_path / "measured.csv", "--instrument", "0.5 um", "--json")
    assert process.returncode == 1, process.stderr
    (measured,) = json.loads(process.stdout)["arms"]
    by_cause = {(cause["owner"], cause["cause"]): cause for cause in measured["causes"]}
    tilt, radial = by_cause["elbow", "tilt error motion"], by_cause["hand", "radial error motion"]
    assert tilt["stands_out"]
    assert tilt["deviations"] == pytest.approx(4.0, rel=0.02)  # 80 urad in place of 20, known to 0.5 um / 450 mm
    assert not radial["stands_out"]
