"""Arms by name from roboticstoolbox, held against its own kinematics, dynamics and joint limits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import roboticstoolbox as rtb
import spatialmath
from support import invoke

import armsim
from armsim.documents.arm_document import ArmDocument, build_arm
from armsim.documents.messages import validate
from armsim.documents.source import read_source
from armsim.model.gravity import STANDARD_GRAVITY, gravity_loads
from armsim.tasks.base import Command

NAMES = [name for name, model in sorted(vars(rtb.models.DH).items()) if isinstance(model, type) and name[:1].isupper()]


def by_name(folder: Path, name: str, more: str = "") -> tuple[armsim.Arm, object]:
    (folder / "arm.yaml").write_text(f"kind: arm\nname: published\nkinematics: {{toolbox: {name}{more}}}\n")
    source = read_source(folder / "arm.yaml")
    arm, _, masses, _ = build_arm(validate(ArmDocument, source.data, source, ()), source)
    return arm, masses


@pytest.mark.parametrize("name", NAMES)
def test_every_model_by_name_moves_as_in_the_toolbox(tmp_path: Path, name: str) -> None:
    arm, _ = by_name(tmp_path, name)
    robot = getattr(rtb.models.DH, name)()
    q = np.random.default_rng(1).uniform(-1.0, 1.0, (5, robot.n))
    for row in q:
        assert pytest.approx(robot.fkine(row).A, abs=1e-12) == arm.fkine(row).A
        assert pytest.approx(robot.fkine(row).A, abs=1e-12) == armsim.Arm.from_robot(robot).fkine(row).A
    assert len(arm.fkine(q)) == 5
    for joint, link in zip(arm.joints, robot.links, strict=True):
        if link.qlim is not None:
            assert (joint.lower, joint.upper) == pytest.approx(tuple(link.qlim), abs=1e-15)


@pytest.mark.parametrize("name", ["Puma560", "Panda"])
def test_masses_load_the_joints_as_in_the_toolbox(tmp_path: Path, name: str) -> None:
    """The torque that holds an arm at rest, by recursive Newton-Euler in the toolbox, is the opposite of the load.

    Its default gravity is 9.81 m/s^2 downward.
    """
    arm, masses = by_name(tmp_path, name)
    robot = getattr(rtb.models.DH, name)()
    for link in robot.links:  # neither friction nor rotors at rest
        link.B, link.Tc, link.Jm = 0.0, [0.0, 0.0], 0.0
    q = np.random.default_rng(2).uniform(-1.0, 1.0, (3, robot.n))
    for row, load in zip(q, gravity_loads(arm, masses, q), strict=True):
        torque = robot.rne(row, np.zeros(robot.n), np.zeros(robot.n)) * STANDARD_GRAVITY / 9.81
        assert -load == pytest.approx(torque, abs=1e-9 * np.abs(torque).max() + 1e-12)


def test_masses_that_mix_units_are_left_out(tmp_path: Path) -> None:
    """One model states centres of 198290: millimetres, and not even of those."""
    assert by_name(tmp_path, "IRB140")[1] is None


def test_a_tool_of_the_document_replaces_that_of_the_model(tmp_path: Path) -> None:
    arm, _ = by_name(tmp_path, "Panda", ", tool: {xyz: [0 mm, 0 mm, 200 mm]}")
    robot = rtb.models.DH.Panda()
    robot.tool = spatialmath.SE3.Tz(0.2)
    q = np.linspace(-0.5, 0.5, 7)
    assert pytest.approx(robot.fkine(q).A, abs=1e-12) == arm.fkine(q).A


def test_a_pose_of_spatialmath_is_a_command() -> None:
    pose = spatialmath.SE3(0.1, -0.2, 0.3) * spatialmath.SE3.RPY(0.4, -0.5, 1.1)
    assert Command.from_pose(pose).transform == pytest.approx(pose.A, abs=1e-12)


@pytest.mark.parametrize("name", ["Puma560", "Stanford"])
def test_a_starter_of_a_model_runs(tmp_path: Path, name: str) -> None:
    """A study of it, at a pose that forward kinematics of the arm made."""
    process = invoke("new", tmp_path / "s", "--arm", name)
    assert process.returncode == 0, process.stderr
    assert invoke("check", tmp_path / "s" / "scenario.yaml").returncode == 0
    study = armsim.load(tmp_path / "s" / "scenario.yaml").with_plan(units=50, visits=2)
    arm = study.scenario.machine.arm
    q = arm.finite_lower + 0.4 * (arm.finite_upper - arm.finite_lower)
    result = study.with_poses({"by joints": q, "by pose": arm.fkine(q)}).run()
    by_joints, by_pose = result.task("poses").poses
    assert np.array(by_pose.position) == pytest.approx(by_joints.position, abs=1e-9)
    assert by_joints.error.rms > 1e-6


URDF = """<robot name="two"><link name="world"/><link name="a"/><link name="b"/><link name="tip"/><link name="finger"/>
<joint name="mount" type="fixed"><parent link="world"/><child link="a"/></joint>
<joint name="lift" type="prismatic"><parent link="a"/><child link="b"/><axis xyz="0 0 1"/>
  <limit lower="0" upper="0.4" effort="1" velocity="1"/></joint>
<joint name="turn" type="revolute"><parent link="b"/><child link="tip"/><origin xyz="0.3 0 0"/><axis xyz="0 0 1"/>
  <limit lower="-2" upper="2" effort="1" velocity="1"/></joint>
<joint name="f" type="fixed"><parent link="tip"/><child link="finger"/><origin xyz="0.1 0 0"/></joint></robot>
"""


def test_a_starter_of_a_urdf_file_runs(tmp_path: Path) -> None:
    (tmp_path / "two.urdf").write_text(URDF)
    assert invoke("new", tmp_path / "s", "--arm", tmp_path / "two.urdf").returncode == 0
    result = armsim.load(tmp_path / "s" / "scenario.yaml").with_plan(units=50, visits=2).run()
    assert set(result.joints) == {"lift", "turn"}


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--arm", "Puma"], "roboticstoolbox holds no model 'Puma'; accepted: AL5D"),
        (["--arm", "absent.urdf"], "absent.urdf: file not found"),
        (["--arm", "Puma560", "--rows", "rows.csv"], "--arm: together with --rows"),
    ],
)
def test_what_is_no_arm_is_refused(tmp_path: Path, arguments: list[str], message: str) -> None:
    process = invoke("new", tmp_path / "s", *arguments)
    assert process.returncode == 2
    assert message in process.stderr
    assert not (tmp_path / "s").exists()
