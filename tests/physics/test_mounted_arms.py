"""An arm on a moving slide, on a floor, on a wall and in reverse order, with heavy sensors: loads and sag by pinocchio.

The pinocchio model has a body for every sensor; deflections are gravity over stiffness times its own Jacobian.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pinocchio as pin
import pytest
from support import invoke

import armsim
from armsim.decide.option_moments import _with_one_joint

G = 9.80665
SENSORS = {"track": 0.9, "shoulder": 0.7, "wrist": 0.4}
STIFFNESS = {"track": 5e6, "shoulder": 4e4, "wrist": 9e3}
LINKS = {"track": (20.0, (0.0, 0.0, 0.1)), "shoulder": (6.0, (-0.2, 0.0, 0.0)), "wrist": (1.5, (-0.1, 0.0, 0.02))}
PAYLOAD = (2.0, (0.0, 0.0, 0.05))
ROWS = {"track": (0.0, 0.2, 90.0), "shoulder": (0.3, 0.45, 0.0), "wrist": (0.05, 0.25, 0.0)}  # d, a [m], alpha [deg]
BASES = {"floor": (0.0, 0.0, 0.0), "wall": (90.0, 0.0, 0.0), "ceiling": (180.0, 0.0, 0.0), "slant": (35.0, -50.0, 20.0)}
POSES = ((100, 20, -60), (650, -110, 40), (400, 75, 130))


def write(folder: Path, base: tuple[float, float, float], sensors: bool = True) -> Path:
    centres = {name: ", ".join(f"{1e3 * x:g} mm" for x in centre) for name, (_, centre) in LINKS.items()}
    links = ", ".join(f"{name}: {{mass: {mass} kg, centre: [{centres[name]}]}}" for name, (mass, _) in LINKS.items())
    rpy = ", ".join(f"{angle:g} deg" for angle in base)
    (folder / "arm.yaml").write_text(
        "kind: arm\nname: arm on a track\nkinematics:\n  convention: standard-dh\n  joints:\n"
        "    - {name: track, type: prismatic, theta: 0 deg, a: 200 mm, alpha: 90 deg, offset: 0 mm, range: [0 mm, 800 mm]}\n"
        "    - {name: shoulder, type: revolute, d: 300 mm, a: 450 mm, alpha: 0 deg, range: [-170 deg, 170 deg]}\n"
        "    - {name: wrist, type: revolute, d: 50 mm, a: 250 mm, alpha: 0 deg, range: [-170 deg, 170 deg]}\n"
        f"  base: {{xyz: [100 mm, 0 mm, 500 mm], rpy: [{rpy}]}}\n"
        f"masses:\n  links: {{{links}}}\n  payload: {{mass: 2 kg, centre: [0 mm, 0 mm, 50 mm]}}\n"
    )
    lines = []
    for name, stiffness in STIFFNESS.items():
        kind = "signal_period: 20 um" if name == "track" else "signal_periods: 1024"
        measures, unit = ("translation", "N/m") if name == "track" else ("rotation", "N*m/rad")
        mass = f", mass: {SENSORS[name]} kg" if sensors else ""
        lines.append(
            f"  {name}: {{encoder: {{kind: encoder, name: {name} sensor, measures: {measures}, {kind}, "
            f"interpolation: 30 bit{mass}}}, placement: motor, transmission: {{stiffness: {stiffness:g} {unit}}}}}"
        )
    poses = ", ".join(f"{{name: p{n}, joints: [{a} mm, {b} deg, {c} deg]}}" for n, (a, b, c) in enumerate(POSES))
    path = folder / "scenario.yaml"
    path.write_text(
        "kind: scenario\nname: mounted\narm: arm.yaml\njoints:\n" + "\n".join(lines) + "\n"
        f"tasks: [{{kind: poses, name: t, poses: [{poses}]}}]\nsampling: {{units: 100, visits: 2, seed: 3}}\n"
    )
    return path


def modelled(base: tuple[float, float, float], sensors: bool) -> tuple[pin.Model, int]:
    """Pinocchio model: the sensor of a joint rides on what carries the joint; number of the frame of the tool."""
    model, parent = pin.Model(), 0
    before = pin.SE3(pin.rpy.rpyToMatrix(*np.radians(base)), np.array([0.1, 0.0, 0.5]))
    for name, (d, a, alpha) in ROWS.items():
        if sensors:
            model.appendBodyToJoint(parent, pin.Inertia(SENSORS[name], np.zeros(3), np.zeros((3, 3))), before)
        joint = pin.JointModelPZ() if name == "track" else pin.JointModelRZ()
        parent = model.addJoint(parent, joint, before, name)
        before = pin.SE3(pin.utils.rotate("x", math.radians(alpha)), np.array([a, 0.0, d]))
        mass, centre = LINKS[name]
        model.appendBodyToJoint(parent, pin.Inertia(mass, np.array(centre), np.zeros((3, 3))), before)
    mass, centre = PAYLOAD
    model.appendBodyToJoint(parent, pin.Inertia(mass, np.array(centre), np.zeros((3, 3))), before)
    model.gravity.linear = np.array([0.0, 0.0, -G])
    return model, model.addFrame(pin.Frame("tool", parent, 0, before, pin.FrameType.OP_FRAME))


@pytest.mark.parametrize("sensors", [True, False])
@pytest.mark.parametrize("place", BASES)
def test_the_whole_run_sags_as_pinocchio_says(tmp_path: Path, place: str, sensors: bool) -> None:
    task = armsim.load(write(tmp_path, BASES[place], sensors)).run().task("t")
    model, tool = modelled(BASES[place], sensors)
    data = model.createData()
    for pose, (a, b, c) in zip(task.poses, POSES, strict=True):
        q = np.array([1e-3 * a, math.radians(b), math.radians(c)])
        wound = -pin.computeGeneralizedGravity(model, data, q) / np.array(list(STIFFNESS.values()))
        pin.framesForwardKinematics(model, data, q)
        nominal = data.oMf[tool].translation.copy()
        np.testing.assert_allclose(np.array(pose.position), nominal, atol=1e-12)
        pin.framesForwardKinematics(model, data, q + wound)
        expected = data.oMf[tool].translation - nominal
        # what is left is the reading: steps of 20 um and of 1024 lines over 2^30
        np.testing.assert_allclose(np.array(pose.error.mean), expected, atol=1e-9 + 1e-6 * np.linalg.norm(expected))


def test_the_sensor_of_a_joint_does_not_load_itself(tmp_path: Path) -> None:
    """On a ceiling the wrist turns about a level axis: the same load with and without its sensor."""
    machines = [armsim.load(write(tmp_path, BASES["ceiling"], heavy)).scenario.machine for heavy in (True, False)]
    q = np.array([[0.1, 0.3, -1.0]])
    heavy, light = ({name: state.load[0] for name, state in m.states(q).joints.items()} for m in machines)
    assert heavy["wrist"] == pytest.approx(light["wrist"], rel=1e-12)
    assert abs(heavy["shoulder"] - light["shoulder"]) > 0.1


def test_a_search_bears_the_sensors_of_the_others(tmp_path: Path) -> None:
    machine = armsim.load(write(tmp_path, BASES["ceiling"])).scenario.machine
    alone = _with_one_joint(machine, machine.joints[1])
    q = np.array([[0.1, 0.3, -1.0]])
    assert alone.states(q).joints["shoulder"].load == pytest.approx(machine.states(q).joints["shoulder"].load)
    lighter = replace(machine.joints[1], encoder=replace(machine.joints[1].encoder, mass=0.0))
    other = _with_one_joint(machine, lighter).states(q)
    assert other.joints["shoulder"].load == pytest.approx(machine.states(q).joints["shoulder"].load)


CATALOGUE = """kind: catalogue
name: c
placements: {motor: 0}
mountings: [{name: plain, price: 0}]
encoders:
  - {mass: MASS, encoder: {kind: encoder, name: wrist sensor, measures: rotation, signal_periods: 1024, interpolation: 30 bit}}
"""


def test_an_entry_of_a_catalogue_weighs_what_it_states(tmp_path: Path) -> None:
    path = write(tmp_path, BASES["floor"])
    text = path.read_text()
    start = text.index("  wrist: {encoder: ") + len("  wrist: {encoder: ")
    path.write_text(text[:start] + "catalogue.yaml#wrist sensor" + text[text.index("}", start) + 1 :])
    (tmp_path / "catalogue.yaml").write_text(CATALOGUE.replace("MASS", "400 g"))
    assert armsim.load(path).scenario.machine.joints[2].sensor_mass == pytest.approx(0.4)
    (tmp_path / "catalogue.yaml").write_text(CATALOGUE.replace("MASS", "400 mm"))
    process = invoke("check", path)
    assert process.returncode == 2
    assert "encoders.0.mass" in process.stderr.replace("[0]", ".0")
    assert "400 mm" in process.stderr
