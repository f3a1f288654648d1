"""Names that an arm may give its joints: those of its own frames as well."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import yaml
from support import invoke

from armsim.calibration.identifiable import link_axes
from armsim.documents.load import load_scenario
from armsim.errormodel.terms import Axis, Role
from armsim.sampling.first_order import linearise

URDF = """<robot name="r">
  <link name="a"/><link name="b"/><link name="c"/><link name="d"/>
  <joint name="turn" type="revolute"><parent link="a"/><child link="b"/><origin xyz="0 0 0.3"/><axis xyz="0 0 1"/>
    <limit lower="-2" upper="2"/></joint>
  <joint name="NAME" type="revolute"><parent link="b"/><child link="c"/><origin xyz="0.4 0 0"/><axis xyz="0 1 0"/>
    <limit lower="-2" upper="2"/></joint>
  <joint name="FIXED" type="fixed"><parent link="c"/><child link="d"/><origin xyz="0.25 0 0.1"/></joint>
</robot>
"""
Q = np.array([[0.3, -0.8], [-1.0, 0.5]])


def scenario(folder: Path, name: str, fixed: str) -> Path:
    folder.mkdir()
    (folder / "r.urdf").write_text(URDF.replace("NAME", name).replace("FIXED", fixed))
    kinematics = {"convention": "urdf", "file": "r.urdf", "base_link": "a", "tip_link": "d",
                  "tool": {"xyz": ["70 mm", "0 mm", "20 mm"]}}  # fmt: skip
    arm = {"kind": "arm", "name": "r", "kinematics": kinematics, "groups": {"wrist": [name]}, "expansion": "12 ppm/K",
           "tolerances": {"x": "30 um", "pitch": "40 urad"}}  # fmt: skip
    encoder = {"kind": "encoder", "name": "e", "measures": "rotation", "summary": {"resolution": "20 bit"}}
    joint = {"encoder": encoder, "placement": "output", "mastering": "10 arcsec"}
    tasks = [{"kind": "poses", "name": "p", "poses": [{"name": "one", "joints": ["10 deg", "20 deg"]}]}]
    document = {"kind": "scenario", "name": "s", "arm": arm, "joints": {"turn": joint, name: joint}, "tasks": tasks,
             "environment": {"temperature_rise": {"limit": "5 K"}}, "sampling": {"units": 60, "visits": 3}}  # fmt: skip
    path = folder / "s.yaml"
    path.write_text(yaml.safe_dump(document))
    return path


@pytest.mark.parametrize(("name", "fixed"), [("tool", "mount"), ("elbow", "tool")])
def test_a_joint_may_be_called_tool(tmp_path: Path, name: str, fixed: str) -> None:
    """It errs as the same arm does under other names, and its link is not taken for the frame of the tool."""
    path = scenario(tmp_path / "own", name, fixed)
    machine = load_scenario(path).machine
    other = load_scenario(scenario(tmp_path / "other", "elbow", "mount")).machine
    one, two = (linearise(item.at(Q)) for item in (machine, other))
    np.testing.assert_allclose(one.covariance, two.covariance, rtol=1e-12)
    np.testing.assert_allclose(one.mean_square, two.mean_square, rtol=1e-12)
    links, others = link_axes(machine.arm), link_axes(other.arm)
    assert len(links) == len(others) == 18
    assert Axis("tool", "x", Role.LINK) in links
    assert Axis("tool", "x", Role.FRAME) not in links
    np.testing.assert_allclose(machine.arm.postures(Q, links).column, other.arm.postures(Q, others).column, atol=1e-15)
    np.testing.assert_allclose(machine.arm.frames(Q).links, other.arm.frames(Q).links, atol=1e-15)
    process = invoke("run", path, "--out", tmp_path / "r")
    assert process.returncode == 0, process.stderr
    assert invoke("check", path).returncode == 0


@pytest.mark.parametrize("name", ["links", "machine", "instrument", "target", "bias", "calibration"])
def test_what_results_call_something_else_is_refused_with_a_way_out(tmp_path: Path, name: str) -> None:
    process = invoke("check", scenario(tmp_path / "own", name, "mount"))
    assert process.returncode == 2
    assert f"the name '{name}' is taken" in process.stderr
    assert "a name other than" in process.stderr
