"""Bending against beams in closed form, a chain of springs solved by the test, and gravity by pinocchio.

No formula is shared with the product: the test minimises the energy of springs and weights over a chain of elementary
matrices, whose derivatives are finite differences, and takes generalised gravity from pinocchio.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pinocchio as pin
import pytest
from support import invoke

import armsim
from armsim.model.gravity import axis_loads

DISC = "{kind: encoder, name: disc, measures: rotation, signal_periods: 1024, interpolation: 30 bit}"
TAPE = "{kind: encoder, name: tape, measures: translation, signal_period: 20 um, interpolation: 30 bit}"
G = 9.80665
ROWS = {  # theta or its offset [deg], d or its offset [m], a [m], alpha [deg]
    "lift": (20.0, 0.05, 0.1, -90.0),
    "elbow": (10.0, 0.12, 0.45, 30.0),
    "hand": (0.0, 0.03, 0.2, 0.0),
}
BASE = (math.radians(30), math.radians(-20), math.radians(50))  # rpy: on a slanted wall
MASSES = {"lift": (8.0, (-0.03, 0.0, 0.02)), "elbow": (5.0, (-0.2, 0.03, 0.01)), "hand": (2.0, (-0.08, 0.0, 0.04))}
PAYLOAD, CENTRE = 3.0, (0.01, -0.02, 0.06)
ARM = """kind: arm
name: lift and two links
kinematics:
  convention: standard-dh
  joints:
    - {name: lift, type: prismatic, theta: 20 deg, a: 100 mm, alpha: -90 deg, offset: 50 mm, range: [0 mm, 400 mm]}
    - {name: elbow, type: revolute, d: 120 mm, a: 450 mm, alpha: 30 deg, offset: 10 deg, range: [-170 deg, 170 deg]}
    - {name: hand, type: revolute, d: 30 mm, a: 200 mm, alpha: 0 deg, range: [-170 deg, 170 deg]}
  base: {xyz: [0 mm, 0 mm, 0 mm], rpy: [30 deg, -20 deg, 50 deg]}
  tool: {xyz: [0 mm, 40 mm, 90 mm], rpy: [0 deg, 0 deg, 0 deg]}
groups: {base: [lift, elbow], wrist: [hand]}
masses:
  links:
    lift: {mass: 8 kg, centre: [-30 mm, 0 mm, 20 mm]}
    elbow: {mass: 5 kg, centre: [-200 mm, 30 mm, 10 mm]}
    hand: {mass: 2 kg, centre: [-80 mm, 0 mm, 40 mm]}
  payload: {mass: 3 kg, centre: [10 mm, -20 mm, 60 mm]TOLERANCES}
"""
POSES = ((50, 20, -40), (310, -75, 110), (180, 140, 15))
UNITS = 4000
DEFLECTIONS = ("along_x", "along_y", "along_z", "about_x", "about_y", "about_z")
SPRINGS = {  # N/m and N m/rad; place [m]
    "lift": ((4e7, 6e7, 9e7, 5e5, 4e5, 7e5), (0.0, 0.0, 0.1)),
    "elbow": ((2e7, 3e7, 5e7, 1.5e5, 8e4, 6e4), (0.225, 0.0, 0.01)),
    "hand": ((1e7, 1e7, 2e7, 3e4, 2e4, 4e4), (0.1, 0.0, 0.0)),
}


def write(folder: Path, keys: dict[str, str], tolerances: str = "", arm: str = ARM) -> Path:
    (folder / "arm.yaml").write_text(arm.replace("TOLERANCES", tolerances))
    lines = [
        f"  {name}: {{encoder: {TAPE if name == 'lift' else DISC}, placement: output{keys.get(name, '')}}}"
        for name in ROWS
    ]
    poses = ", ".join(f"{{name: p{n}, joints: [{a} mm, {b} deg, {c} deg]}}" for n, (a, b, c) in enumerate(POSES))
    path = folder / "scenario.yaml"
    path.write_text(
        "kind: scenario\nname: bending\narm: arm.yaml\njoints:\n" + "\n".join(lines) + "\n"
        f"tasks: [{{kind: poses, name: t, poses: [{poses}]}}]\nsampling: {{units: {UNITS}, visits: 4, seed: 3}}\n"
    )
    return path


def keys_of(name: str, more: str = "") -> str:
    sizes, place = SPRINGS[name]
    units = [
        f"{size:g} {'N/m' if key.startswith('along') else 'N*m/rad'}"
        for key, size in zip(DEFLECTIONS, sizes, strict=True)
    ]
    listed = ", ".join(f"{key}: {text}" for key, text in zip(DEFLECTIONS, units, strict=True))
    centre = ", ".join(f"{1e3 * x:g} mm" for x in place)
    return f", bending: {{{listed}, centre: [{centre}]{more}}}"


def matrix(kind: str, value: float) -> np.ndarray:
    out = np.eye(4)
    number = "xyz".index(kind[-1])
    if kind.startswith("along"):
        out[number, 3] = value
    else:
        i, j = [n for n in range(3) if n != number]
        c, s = math.cos(value), math.sin(value)
        sign = -1.0 if number == 1 else 1.0
        out[i, i] = out[j, j] = c
        out[i, j], out[j, i] = -sign * s, sign * s
    return out


def shift(place: tuple[float, ...] | np.ndarray, way: float = 1.0) -> np.ndarray:
    out = np.eye(4)
    out[:3, 3] = way * np.asarray(place)
    return out


def chain(pose: tuple[int, int, int], deflections: np.ndarray) -> tuple[list[np.ndarray], np.ndarray]:
    """Frames of the links, and of the tool, of the arm with 18 deflections."""
    out = matrix("about_z", BASE[2]) @ matrix("about_y", BASE[1]) @ matrix("about_x", BASE[0])
    links = []
    for number, (name, (theta, d, a, alpha)) in enumerate(ROWS.items()):
        turn = math.radians(theta) if name == "lift" else math.radians(theta + pose[number])
        length = d + 1e-3 * pose[0] if name == "lift" else d
        place, values = SPRINGS[name][1], deflections[6 * number : 6 * number + 6]
        out = out @ matrix("about_z", turn)
        if name == "lift":  # its motion is the shift: what bends rides on the carriage
            out = out @ matrix("along_z", length)
        out = out @ shift(place)
        for kind, value in zip(DEFLECTIONS, values, strict=True):
            out = out @ matrix(kind, value)
        out = out @ shift(place, -1.0)
        if name != "lift":
            out = out @ matrix("along_z", length)
        out = out @ matrix("along_x", a) @ matrix("about_x", math.radians(alpha))
        links.append(out)
    return links, out @ shift((0.0, 0.04, 0.09))


def potential(pose: tuple[int, int, int], deflections: np.ndarray, mass: float, centre: tuple[float, ...]) -> float:
    links, tool = chain(pose, deflections)
    weights = [(m, frame @ [*c, 1.0]) for (m, c), frame in zip(MASSES.values(), links, strict=True)]
    weights.append((mass, tool @ [*centre, 1.0]))
    return float(sum(m * G * point[2] for m, point in weights))


def deflected(
    pose: tuple[int, int, int],
    mass: float = PAYLOAD,
    centre: tuple[float, ...] = CENTRE,
    names: tuple[str, ...] = tuple(ROWS),
) -> np.ndarray:
    """Displacement of the tool where springs and weights balance, by finite differences of the energy. [m]"""
    stiffness = np.array([size for name in ROWS for size in SPRINGS[name][0]])
    soft = np.array([name in names for name in ROWS for _ in range(6)])
    step, load = 1e-5, np.zeros(18)
    for n in np.flatnonzero(soft):
        e = np.zeros(18)
        e[n] = step
        load[n] = -(potential(pose, e, mass, centre) - potential(pose, -e, mass, centre)) / (2 * step)
    return np.asarray(chain(pose, load / stiffness)[1][:3, 3] - chain(pose, np.zeros(18))[1][:3, 3])


def test_the_tool_sags_as_a_chain_of_springs_does(tmp_path: Path) -> None:
    path = write(tmp_path, {name: keys_of(name) for name in ROWS})
    task = armsim.load(path).run().task("t")
    for pose, at in zip(task.poses, POSES, strict=True):
        expected = deflected(at)
        # energy to second order of steps of 1e-5; deflections of some 1e-4 turn the lever of one another
        assert np.array(pose.error.mean) == pytest.approx(expected, abs=1e-3 * np.linalg.norm(expected))
        assert np.linalg.norm(expected) > 20e-6


def test_one_joint_alone_is_the_only_owner(tmp_path: Path) -> None:
    task = armsim.load(write(tmp_path, {"elbow": keys_of("elbow")})).run().task("t")
    for pose, at in zip(task.poses, POSES, strict=True):
        expected = deflected(at, names=("elbow",))
        assert np.array(pose.error.mean) == pytest.approx(expected, abs=1e-3 * np.linalg.norm(expected))
    owners = {(part.owner, part.cause) for part in task.summary.contributions if part.scatter + part.bias > 1e-6}
    assert owners == {("elbow", "bending")}
    assert task.summary.groups["base"] == pytest.approx(1.0, abs=1e-6)


def test_the_controller_leaves_its_share_and_the_whole_tolerance(tmp_path: Path) -> None:
    more = ", compensation: 80 %, tolerance: {limit: 10 %, distribution: uniform}"
    task = armsim.load(write(tmp_path, {"elbow": keys_of("elbow", more)})).run().task("t")
    for pose, at in zip(task.poses, POSES, strict=True):
        sag = np.linalg.norm(deflected(at, names=("elbow",)))
        draws = np.random.default_rng(1).uniform(-0.1, 0.1, 100_000)
        assert pose.error.rms == pytest.approx(sag * math.sqrt(np.mean((0.2 - draws) ** 2)), rel=0.02)
        assert pose.first_order.rms == pytest.approx(sag * math.sqrt(0.2**2 + 0.1**2 / 3), rel=2e-3)


def test_another_payload_is_not_compensated(tmp_path: Path) -> None:
    """Arms whose payload is drawn, solved one by one; the controller removes all of the nominal deflection."""
    keys = {name: keys_of(name, ", compensation: 100 %") for name in ROWS}
    path = write(tmp_path, keys, ", mass_tolerance: 300 g, centre_tolerance: 30 mm")
    task = armsim.load(path).run().task("t")
    rng, arms = np.random.default_rng(2), 150
    for pose, at in zip(task.poses, POSES, strict=True):
        nominal, squares = deflected(at), []
        for _ in range(arms):
            mass = PAYLOAD + rng.uniform(-0.3, 0.3)
            centre = tuple(c + rng.uniform(-0.03, 0.03) for c in CENTRE)
            squares.append(float(np.sum((deflected(at, mass, centre) - nominal) ** 2)))
        scatter = np.std(squares) / np.mean(squares) / math.sqrt(arms)
        assert pose.error.rms == pytest.approx(math.sqrt(np.mean(squares)), rel=0.5 * 3 * scatter + 0.03)
    causes = {part.cause for part in task.summary.contributions if part.scatter > 1e-3}
    assert causes == {"payload mass", "payload centre"}


BEAM = """kind: arm
name: beam
kinematics:
  convention: standard-dh
  joints: [{name: root, type: revolute, d: 0 mm, a: 600 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}]
  base: {xyz: [0 mm, 0 mm, 0 mm], rpy: [90 deg, 0 deg, 0 deg]}
masses: {payload: {mass: 7 kg, centre: [0 mm, 0 mm, Z]}}
"""


@pytest.mark.parametrize("offset", [0.0, 0.25])
def test_springs_in_the_middle_are_a_cantilever(tmp_path: Path, offset: float) -> None:
    """A tube of 600 mm with 7 kg at its end, or beside it. Source: Gere and Timoshenko, appendix G: F L^3 / 3 EI,
    F L^2 / 2 EI, and a twist T L / GJ."""
    length, bending, torsion, force = 0.6, 3.0e4, 2.3e4, 7 * G
    (tmp_path / "arm.yaml").write_text(BEAM.replace("Z", f"{1e3 * offset:g} mm"))
    path = tmp_path / "scenario.yaml"
    path.write_text(
        "kind: scenario\nname: beam\narm: arm.yaml\njoints:\n"
        f"  root: {{encoder: {DISC}, placement: output, bending: {{about_z: {bending / length:g} N*m/rad, "
        f"about_x: {torsion / length:g} N*m/rad, along_y: {12 * bending / length**3:g} N/m, "
        "centre: [300 mm, 0 mm, 0 mm]}}\n"
        "tasks: [{kind: poses, name: t, poses: [{name: flat, joints: [0 deg]}]}]\n"
        "sampling: {units: 100, visits: 2, seed: 1}\n"
    )
    (pose,) = armsim.load(path).run().task("t").poses
    assert pose.error.mean[2] == pytest.approx(-force * length**3 / (3 * bending), rel=1e-3)
    slope, twist = force * length**2 / (2 * bending), force * offset * length / torsion
    assert pose.orientation_error.rms == pytest.approx(math.hypot(slope, twist), rel=1e-3)


def test_loads_are_those_of_pinocchio(tmp_path: Path) -> None:
    """Generalised gravity of a pinocchio model with joints of its own for every deflection."""
    scenario = armsim.load(write(tmp_path, {name: keys_of(name) for name in ROWS})).scenario
    machine = scenario.machine
    model, parent = pin.Model(), 0
    before = pin.SE3(pin.rpy.rpyToMatrix(*BASE), np.zeros(3))
    ids, centres = [], []
    for name, (theta, d, a, alpha) in ROWS.items():
        turn, rise = pin.utils.rotate("z", math.radians(theta)), np.array([0.0, 0.0, d])
        if name == "lift":
            before = before * pin.SE3(turn, rise)
        joint = pin.JointModelPZ() if name == "lift" else pin.JointModelRZ()
        parent = model.addJoint(parent, joint, before, name)
        place = pin.SE3(np.eye(3), np.array(SPRINGS[name][1]))
        before = place if name == "lift" else pin.SE3(turn, np.zeros(3)) * place
        for kind, spring in zip(
            DEFLECTIONS, (pin.JointModelPX(), pin.JointModelPY(), pin.JointModelPZ(),
                          pin.JointModelRX(), pin.JointModelRY(), pin.JointModelRZ()), strict=True,
        ):  # fmt: skip
            parent = model.addJoint(parent, spring, before, f"{name} {kind}")
            before = pin.SE3.Identity()
            ids.append(parent)
        row = pin.SE3(np.eye(3), np.zeros(3) if name == "lift" else rise)
        before = place.inverse() * row * pin.SE3(pin.utils.rotate("x", math.radians(alpha)), np.array([a, 0, 0]))
        mass, centre = MASSES[name]
        model.appendBodyToJoint(parent, pin.Inertia(mass, np.array(centre), np.zeros((3, 3))), before)
        centres.append(before)
    tool = before * pin.SE3(np.eye(3), np.array([0.0, 0.04, 0.09]))
    model.appendBodyToJoint(parent, pin.Inertia(PAYLOAD, np.array(CENTRE), np.zeros((3, 3))), tool)
    model.gravity.linear = np.array([0.0, 0.0, -G])
    data = model.createData()
    q = np.array([[1e-3 * a, math.radians(b), math.radians(c)] for a, b, c in POSES])
    axes = [axis for joint in machine.joints for axis in joint.bending.compliances(joint.name)]
    order = [f"{'bend' if key.startswith('about') else 'sag'} {key[-1]}" for key in DEFLECTIONS]
    axes = sorted(axes, key=lambda axis: (list(ROWS).index(axis.owner), order.index(axis.parameter)))
    loads = axis_loads(machine.perturbed_arm, machine.masses, q, axes)
    for pose in range(len(POSES)):
        values = pin.neutral(model)
        for name, value in zip(ROWS, q[pose], strict=True):
            values[model.joints[model.getJointId(name)].idx_q] = value
        gravity = pin.computeGeneralizedGravity(model, data, values)
        expected = [-gravity[model.joints[joint].idx_v] for joint in ids]
        np.testing.assert_allclose(loads[pose], expected, rtol=1e-10, atol=1e-10)


WRONG = (
    ("{about_x: 0 N*m/rad}", "about_x", "too small"),
    ("{about_x: 20 N/um}", "about_x", "'20 N/um'"),
    ("{along_z: 20 N*m/rad}", "along_z", "'20 N*m/rad'"),
    ("{about_z: 20 N*m/mrad, compensation: 120 %}", "compensation", "too large"),
    ("{about_z: 20 N*m/mrad, tolerance: 50 %}", "tolerance", "too large"),
    ("{about_z: 20 N*m/mrad, centre: [1 mm, 2 mm]}", "centre", ""),
    ("{torsion: 20 N*m/mrad}", "torsion", "unknown key"),
)


@pytest.mark.parametrize(("bending", "key", "finding"), WRONG)
def test_wrong_input_is_one_clear_error(tmp_path: Path, bending: str, key: str, finding: str) -> None:
    process = invoke("check", write(tmp_path, {"elbow": f", bending: {bending}"}))
    assert process.returncode == 2
    (line,) = [line for line in process.stderr.splitlines() if key in line]
    assert finding in line


def test_bending_without_masses_is_refused(tmp_path: Path) -> None:
    process = invoke("check", write(tmp_path, {"elbow": keys_of("elbow")}, arm=ARM[: ARM.index("masses:")]))
    assert process.returncode == 2
    (line,) = [line for line in process.stderr.splitlines() if "bending" in line]
    assert "joints.elbow.bending" in line
    assert "masses" in line


def test_the_deflection_of_the_worst_pose_is_reported_before_and_after(tmp_path: Path) -> None:
    """Points by the chain of the test; one joint is compensated, the others are not."""
    keys = {name: keys_of(name, ", compensation: 75 %" if name == "elbow" else "") for name in ROWS}
    task = armsim.load(write(tmp_path, keys)).run().task("t")
    sag = task.deflection
    assert sag is not None
    assert sag.pose == task.summary.worst_pose
    at = POSES[int(sag.pose[1:])]
    for joint in sag.joints:
        alone = deflected(at, names=(joint.joint,))
        assert np.array(joint.before) == pytest.approx(alone, abs=1e-3 * np.linalg.norm(alone))
        remaining = 0.25 if joint.joint == "elbow" else 1.0
        assert np.array(joint.after) == pytest.approx(remaining * alone, abs=1e-3 * np.linalg.norm(alone))
    total = deflected(at)
    assert np.array(sag.points_before[-1]) == pytest.approx(total, abs=1e-3 * np.linalg.norm(total))
    assert np.array(sag.points_after[-1]) == pytest.approx(
        np.sum([joint.after for joint in sag.joints], axis=0), abs=1e-12
    )
    assert len(sag.points_before) == len(task.skeleton)
    assert np.array(sag.points_before[0]) == pytest.approx(np.zeros(3))


def test_the_figure_says_what_gravity_does(tmp_path: Path) -> None:
    out = tmp_path / "r"
    process = invoke("run", write(tmp_path, {"elbow": keys_of("elbow", ", compensation: 80 %")}), "--out", out)
    assert process.returncode == 0, process.stderr
    assert len(list((out / "figures").glob("*deflection.svg"))) == 1
    page = (out / "report.html").read_text()
    assert "gravity moves the tool point by" in page
