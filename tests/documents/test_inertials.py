"""Masses from a URDF file: what the document states wins, the payload is added, faults are told at their line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from support import invoke

from armsim.documents.load import load_scenario
from armsim.errors import InputError

URDF = """<robot name="two">
<link name="base"><inertial><mass value="50"/></inertial></link>
<link name="upper"><inertial><origin xyz="0 0 0.2"/><mass value="4"/></inertial></link>
<link name="box"><inertial><origin xyz="0 0.1 0"/><mass value="1"/></inertial></link>
<link name="tip"><inertial><origin xyz="0.05 0 0"/><mass value="0.5"/></inertial></link>
<joint name="turn" type="revolute"><parent link="base"/><child link="upper"/><axis xyz="0 1 0"/>
<limit lower="-2" upper="2" effort="1" velocity="1"/></joint>
<joint name="screws" type="fixed"><parent link="upper"/><child link="box"/><origin xyz="0 0 0.3" rpy="0 0 1.5707963267948966"/></joint>
<joint name="tilt" type="revolute"><parent link="upper"/><child link="tip"/><origin xyz="0 0 0.4"/><axis xyz="0 1 0"/>
<limit lower="-2" upper="2" effort="1" velocity="1"/></joint>
</robot>"""
SCENARIO = """kind: scenario
name: hangs
arm:
  kind: arm
  name: two
  kinematics: {convention: urdf, file: two.urdf, base_link: base, tip_link: tip}
joints:
  turn: &j
    encoder: {kind: encoder, name: s, measures: rotation, resolution: 24 bit}
    placement: motor
    transmission: {ratio: 50, stiffness: 10 N*m/mrad}
  tilt: *j
tasks: [{kind: poses, name: t, poses: [{name: p, joints: [90 deg, 0 deg]}]}]
"""


def scenario(folder: Path, urdf: str = URDF, masses: str = "") -> Path:
    (folder / "two.urdf").write_text(urdf)
    path = folder / "s.yaml"
    path.write_text(SCENARIO.replace("tip_link: tip}", f"tip_link: tip}}{masses}"))
    return path


def test_links_are_gathered_by_the_joint_that_carries_them(tmp_path: Path) -> None:
    """5 kg on the first joint: (4 (0, 0, 0.2) + (-0.1, 0, 0.3)) / 5, the box turned by a quarter; the base carries none."""
    read = load_scenario(scenario(tmp_path))
    masses = read.machine.masses
    assert masses is not None
    assert masses.links["turn"].mass == pytest.approx(5.0)
    np.testing.assert_allclose(masses.links["turn"].centre, [-0.02, 0.0, 0.22], atol=1e-12)
    assert masses.links["tilt"].mass == pytest.approx(0.5)
    assert "2 of its 2 joints carry links of 5.5 kg" in "; ".join(read.notes)


def test_what_the_document_states_wins_and_the_payload_is_added(tmp_path: Path) -> None:
    stated_value = "\n  masses: {links: {tilt: {mass: 2 lb}}, payload: {mass: 250 g, centre: [0 mm, 0 mm, 30 mm]}}"
    masses = load_scenario(scenario(tmp_path, masses=stated_value)).machine.masses
    assert masses is not None
    assert masses.links["tilt"].mass == pytest.approx(0.90718474)  # two pounds of 0.45359237 kg
    assert masses.links["turn"].mass == pytest.approx(5.0)
    assert masses.payload is not None
    assert masses.payload.mass == pytest.approx(0.25)


def test_they_wind_up_the_gears(tmp_path: Path) -> None:
    """Stretched out level, 5 kg at 0.22 m and 0.5 kg at 0.4 m pull at the first joint, over 10 kN m/rad."""
    checked = invoke("check", scenario(tmp_path))
    assert checked.returncode == 0, checked.stderr
    assert "wind-up" in checked.stdout
    assert "does nothing" not in checked.stderr


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('<mass value="4"/>', '<mass value="heavy"/>', ["two.urdf:3:1", "mass='heavy'", "in kg"]),
        ('<mass value="4"/>', '<mass value="-4"/>', ["two.urdf:3:1", "mass='-4'"]),
        ('<mass value="4"/>', '<mass value="nan"/>', ["mass='nan'"]),
        ('xyz="0 0 0.2"', 'xyz="0 0"', ["'upper': xyz='0 0'", "three numbers"]),
        ('rpy="0 0 1.5707963267948966"', 'rpy="x"', ["rpy='x'"]),
    ],
)
def test_wrong_masses_are_told_at_their_line(tmp_path: Path, old: str, new: str, expected: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        load_scenario(scenario(tmp_path, URDF.replace(old, new, 1)))
    text = "\n".join(str(problem) for problem in caught.value.problems)
    for part in expected:
        assert part in text
