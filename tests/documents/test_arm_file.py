"""Arm files of identified arms: what is written is the identified model, by pinocchio and roboticstoolbox."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pinocchio as pin
import pytest
import roboticstoolbox as rtb
import yaml

from armsim.documents.arm_document import ArmDocument, ArmParts, build_arm
from armsim.documents.messages import validate
from armsim.documents.source import read_source
from armsim.documents.write_arm import ArmFile
from armsim.documents.write_urdf import with_origins
from armsim.errormodel.shapes import Constant, Proportional, Wave
from armsim.errormodel.terms import Axis, Role
from armsim.errors import InputError
from armsim.model.arm import Arm
from armsim.model.correction import Parameter
from armsim.model.identification import Identification

SI = {"mm": 1e-3, "m": 1.0, "um": 1e-6, "deg": math.pi / 180, "rad": 1.0, "urad": 1e-6}
ROWS = """
kind: arm
name: before
kinematics:
  convention: {convention}
  joints:
    - {{name: j1, type: revolute, d: 340 mm, a: 25.5 mm, alpha: -90 deg, offset: 3 deg, range: [-170 deg, 170 deg]}}
    - {{name: j2, type: prismatic, theta: 20 deg, a: 0.1 m, alpha: 15 deg, offset: 7 mm, range: [0 mm, 500 mm]}}
    - {{name: j3, type: revolute, d: 20 mm, a: 300 mm, alpha: 0.4 rad, range: [-90 deg, 90 deg]}}
  base: {{xyz: [10 mm, 0 mm, 5 mm], rpy: [1 deg, 2 deg, 3 deg]}}
  tool: {{xyz: [1 mm, 2 mm, 110 mm]}}
groups: {{all: [j1, j2]}}
tolerances: {{a: 20 um}}
"""
URDF = """<?xml version="1.0"?>
<robot name="invented">
  <!-- <joint name="b"><parent link="x"/><origin xyz="9 9 9"/></joint> -->
  <link name="l0"/><link name="l1"/><link name="l2"/><link name="l3"/><link name="l4"/>
  <joint name="a" type="revolute"><parent link="l0"/><child link="l1"/>
    <origin xyz="0.1 0.2 0.3" rpy="0.1 -0.2 0.3"/><axis xyz="0 0 1"/><limit lower="-2" upper="2" effort="1" velocity="1"/>
  </joint>
  <joint type="prismatic" name='b'><parent link="l1"/><child link="l2"/>
    <origin rpy="0.4 0.5 -0.6"
            xyz="0 0.1 0"></origin><axis xyz="1 0 0"/><limit lower="0" upper="1" effort="1" velocity="1"/>
  </joint>
  <joint name="welded" type="fixed"><parent link="l2"/><child link="l3"/></joint>
  <joint name="c" type="continuous"><parent link="l3"/><child link="l4"/><axis xyz="1 2 3"/></joint>
  <transmission name="t"><joint name="a"><hardwareInterface>position</hardwareInterface></joint></transmission>
</robot>
"""
ARM_OF_URDF = """
kind: arm
name: before
kinematics: {convention: urdf, file: before.urdf, base_link: l0, tip_link: l4, tool: {xyz: [0 mm, 10 mm, 50 mm]}}
"""


def arm_of(path: Path) -> ArmParts:
    source = read_source(path)
    return build_arm(validate(ArmDocument, source.data, source, ()), source)


def identified(arm: Arm, seed: int, waves: bool = True) -> Identification:
    """Zeros and constants of all links, some waves and compliances, moved by some mm and mrad; correlated in any way."""
    rng = np.random.default_rng(seed)
    links = [axis for motion in arm.motions for axis in motion.axes if axis.role is Role.LINK]
    parameters = [Parameter(f"zero of {name}", "zeros", Axis(name), Constant()) for name in arm.names]
    parameters += [Parameter(f"{axis.parameter} of link {axis.owner}", "links", axis, Constant()) for axis in links]
    if waves:
        parameters += [
            Parameter("w", "output_orders", Axis(name), Wave(which, order))
            for name, order in ((arm.names[0], 100.5), (arm.names[1], 2 * math.pi / 0.037))
            for which in ("cos", "sin")
        ]
        parameters += [Parameter("c", "stiffness", Axis(name), Proportional("load")) for name in arm.names[:2]]
    count = len(parameters)
    root = rng.normal(0.0, 1e-5, (count, count))
    return Identification(tuple(parameters), rng.normal(0.0, 3e-3, count), root @ root.T)


def si(text: Any) -> float:
    number, unit = str(text).split()
    return float(number) * SI[unit]


def toolbox(data: dict[str, Any], shifts: dict[Axis, float]) -> rtb.DHRobot:
    """The rows of a document as an arm of roboticstoolbox, by another reader of YAML, with constants moved."""
    links = []
    modified = data["kinematics"]["convention"] == "modified-dh"
    for row in data["kinematics"]["joints"]:

        def value(key: str, row: dict[str, Any] = row) -> float:
            return si(row[key]) + shifts.get(Axis(row["name"], key, Role.LINK), 0.0)

        zero = shifts.get(Axis(row["name"]), 0.0)
        offset = (si(row["offset"]) if "offset" in row else 0.0) + zero
        if row["type"] == "revolute":
            offset += shifts.get(Axis(row["name"], "theta", Role.LINK), 0.0)
            kind = rtb.RevoluteMDH if modified else rtb.RevoluteDH
            links.append(kind(d=value("d"), a=value("a"), alpha=value("alpha"), offset=offset))
        else:
            offset += shifts.get(Axis(row["name"], "d", Role.LINK), 0.0)
            kind = rtb.PrismaticMDH if modified else rtb.PrismaticDH
            links.append(kind(theta=value("theta"), a=value("a"), alpha=value("alpha"), offset=offset))
    return rtb.DHRobot(links)


@pytest.mark.parametrize("convention", ["standard-dh", "modified-dh"])
def test_written_rows_are_the_identified_model(convention: str, tmp_path: Path) -> None:
    """Tool points at 100 random poses: the written file through armsim, and through yaml and roboticstoolbox, against
    roboticstoolbox with the nominal rows and the identified values; nothing but the rows changes."""
    before = tmp_path / "before.yaml"
    before.write_text(ROWS.format(convention=convention))
    nominal, data = arm_of(before), yaml.safe_load(before.read_text())
    reference = identified(nominal.arm, 1)
    file = ArmFile("after", data, nominal.arm, reference, ["a line"])
    (tmp_path / "after.yaml").write_text(file.text())
    after, written = arm_of(tmp_path / "after.yaml"), yaml.safe_load(file.text())
    constants = {
        p.axis: v for p, v in zip(reference.parameters, reference.values, strict=True) if isinstance(p.shape, Constant)
    }
    truth, other = toolbox(data, constants), toolbox(written, {})
    base = nominal.arm.postures(np.zeros(3)).tool[0] @ np.linalg.inv(toolbox(data, {}).fkine([0.0] * 3).A @ _tool())
    rng = np.random.default_rng(2)
    for q in rng.uniform([-2.9, 0.0, -1.5], [2.9, 0.5, 1.5], (100, 3)):
        expected = truth.fkine(q).A
        assert np.abs(other.fkine(q).A - expected).max() < 1e-9
        assert np.abs(after.arm.postures(q).tool[0] - base @ expected @ _tool()).max() < 1e-9
    assert after.tolerances == nominal.tolerances
    assert after.arm.groups == nominal.arm.groups
    assert np.array_equal(after.arm.lower, nominal.arm.lower)
    _same_knowledge(after.identification, reference)


def _tool() -> np.ndarray:
    out = np.eye(4)
    out[:3, 3] = 1e-3, 2e-3, 0.11
    return out


def _same_knowledge(read: Identification | None, reference: Identification) -> None:
    """Values to the sixth decimal of a micrometre or microradian, covariance to that of the worst correlation."""
    assert read is not None
    assert [p.axis for p in read.parameters] == [p.axis for p in reference.parameters]
    for one, two in zip(read.parameters, reference.parameters, strict=True):
        assert type(one.shape) is type(two.shape)
        if isinstance(one.shape, Wave) and isinstance(two.shape, Wave):
            assert one.shape.function == two.shape.function
            assert one.shape.order == pytest.approx(two.shape.order, rel=1e-9)
    assert np.abs(read.values - reference.values).max() < 1e-12
    std = np.sqrt(np.diag(reference.covariance))
    assert np.abs((read.covariance - reference.covariance) / np.outer(std, std)).max() < 1e-6


def test_written_origins_are_the_identified_model(tmp_path: Path) -> None:
    """100 random poses: the written URDF through pinocchio's reader, and through armsim, against pinocchio's model with
    every placement moved by hand; what is no origin of the chain stays to the letter."""
    (tmp_path / "before.urdf").write_text(URDF)
    (tmp_path / "before.yaml").write_text(ARM_OF_URDF)
    nominal = arm_of(tmp_path / "before.yaml")
    reference = identified(nominal.arm, 3, waves=False)
    file = ArmFile("after", yaml.safe_load(ARM_OF_URDF), nominal.arm, reference, (), "after.urdf")
    text = with_origins(URDF, nominal.arm, file.displacements)
    (tmp_path / "after.urdf").write_text(text)
    (tmp_path / "after.yaml").write_text(file.text())
    after, model = arm_of(tmp_path / "after.yaml"), pin.buildModelFromUrdf(str(tmp_path / "after.urdf"))
    original = pin.buildModelFromUrdf(str(tmp_path / "before.urdf"))
    tip, data = model.getFrameId("l4"), model.createData()
    shifts = dict(zip((p.axis for p in reference.parameters), reference.values, strict=True))
    tool, rng = pin.SE3(np.eye(3), np.array([0.0, 0.01, 0.05])), np.random.default_rng(4)
    for q in rng.uniform([-2.0, 0.0, -3.0], [2.0, 1.0, 3.0], (100, 3)):
        full = np.array([q[0], q[1], math.cos(q[2]), math.sin(q[2])])  # pinocchio's continuous joint
        pin.framesForwardKinematics(model, data, full)
        expected = _by_hand(shifts, q) * tool
        assert np.abs((data.oMf[tip] * tool).translation - expected.translation).max() < 1e-9
        assert np.abs(after.arm.postures(q).tool[0] - expected.homogeneous).max() < 1e-9
    assert original.nq == model.nq
    stripped = [re.sub(r"\s*<origin\b[^>]*?(/>|>\s*</origin>)", "", item) for item in (text, URDF)]
    assert stripped[0] == stripped[1]
    _same_knowledge(after.identification, reference)


def _by_hand(shifts: dict[Axis, float], q: np.ndarray) -> pin.SE3:
    """Chain of the URDF above with its origins and zeros moved, as products of pinocchio's transforms."""
    joints: list[tuple[str, tuple[float, ...], tuple[float, ...], tuple[float, ...] | None, bool]] = [
        ("a", (0.1, 0.2, 0.3), (0.1, -0.2, 0.3), (0.0, 0.0, 1.0), True),
        ("b", (0.0, 0.1, 0.0), (0.4, 0.5, -0.6), (1.0, 0.0, 0.0), False),
        ("welded", (0.0, 0.0, 0.0), (0.0, 0.0, 0.0), None, False),
        ("c", (0.0, 0.0, 0.0), (0.0, 0.0, 0.0), (1.0, 2.0, 3.0), True),
    ]
    out, number = pin.SE3.Identity(), 0
    for name, xyz, rpy, axis, turns in joints:
        shift = [value + shifts[Axis(name, key, Role.LINK)] for key, value in zip("xyz", xyz, strict=True)]
        turn = [
            value + shifts[Axis(name, key, Role.LINK)] for key, value in zip(("roll", "pitch", "yaw"), rpy, strict=True)
        ]
        out = out * pin.SE3(pin.rpy.rpyToMatrix(*turn), np.array(shift))
        if axis is None:
            continue
        direction = np.array(axis) / np.linalg.norm(axis)
        size = q[number] + shifts[Axis(name)]
        number += 1
        out = out * (
            pin.SE3(pin.exp3(direction * size), np.zeros(3)) if turns else pin.SE3(np.eye(3), direction * size)
        )
    return out


FAULTS = [
    ("{joint: j9, parameter: zero, value: 1 urad, std: 1 urad}", "no joint 'j9'"),
    ("{joint: j1, parameter: roll, value: 1 urad, std: 1 urad}", "j1 has no 'roll'"),
    ("{joint: j1, parameter: d, value: 1 urad, std: 1 um}", "angle for d of link j1"),
    ("{joint: j1, parameter: cosine, value: 1 urad, std: 1 urad}", "neither order nor period"),
    ("{joint: j2, parameter: sine, order: 1, value: 1 um, std: 1 um}", "sine of j2 with order"),
    ("{joint: j1, parameter: zero, order: 1, value: 1 urad, std: 1 urad}", "order of zero"),
    ("{joint: j1, parameter: zero, value: 1 urad, std: -1 urad}", "too small"),
    ("{joint: j1, parameter: compliance, value: 1 urad, std: 1 urad}", "angle for compliance of j1"),
    ("{joint: j2, parameter: compliance, value: 1 urad/N/m, std: 1 um/N}", "angular compliance for compliance of j2"),
]


@pytest.mark.parametrize(("row", "message"), FAULTS)
def test_a_fault_in_what_was_identified_is_told(row: str, message: str, tmp_path: Path) -> None:
    file = tmp_path / "arm.yaml"
    file.write_text(ROWS.format(convention="standard-dh") + f"identified:\n  parameters:\n    - {row}\n")
    with pytest.raises(InputError, match=re.escape(message)) as error:
        arm_of(file)
    assert f"arm.yaml:{len(file.read_text().splitlines())}:" in str(error.value)


@pytest.mark.parametrize(
    ("rows", "message"),
    [("[[0.5], [0.1]]", "rows of 1, 1"), ("[[0.99], [0.99, -0.99]]", "no parameters can have"), ("[[1.5]]", "1.5")],
)
def test_correlations_of_no_law_are_refused(rows: str, message: str, tmp_path: Path) -> None:
    count = 2 if message == "1.5" else 3
    entries = "".join(f"    - {{joint: j{n + 1}, parameter: a, value: 1 um, std: 1 um}}\n" for n in range(count))
    text = ROWS.format(convention="standard-dh") + f"identified:\n  parameters:\n{entries}  correlations: {rows}\n"
    (tmp_path / "arm.yaml").write_text(text)
    with pytest.raises(InputError, match=re.escape(message)):
        arm_of(tmp_path / "arm.yaml")
