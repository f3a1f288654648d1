"""A chosen design goes into the user's own scenario: what is read back is what was chosen, comments and units kept."""

import random
from dataclasses import dataclass
from pathlib import Path

import pytest
import yaml
from support import ROOT

from armsim.documents.edit import fitted
from armsim.documents.load import load_options, load_scenario
from armsim.model.options import Options

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
DISCS = ROOT / "configs" / "catalogues" / "discs.yaml"


@dataclass
class Row:
    joint: str
    encoder: str
    mounting: str
    placement: str


def chosen(options: Options, names: tuple[str, ...], seed: int) -> tuple[list[Row], list[object]]:
    pick = random.Random(seed)
    own = [pick.choice(offered) for offered in options.joints]
    rows = [Row(n, o.encoder, o.mounting, o.placement) for n, o in zip(names, own, strict=True)]
    return rows, [o.joint for o in own]


@pytest.mark.parametrize("seed", range(5))
def test_a_choice_reads_back_to_the_bit(tmp_path: Path, seed: int) -> None:
    """Joints of the demo share one entry by alias: each must become its own."""
    ready, options = load_options(DEMO, DISCS)
    rows, joints = chosen(options, ready.machine.arm.names, seed)
    deep = tmp_path / "a" / "b"
    deep.mkdir(parents=True)
    (deep / "chosen.yaml").write_text(fitted(ready.sources, DISCS, rows, "chosen", deep))
    back = load_scenario(deep / "chosen.yaml")
    assert back.name == "chosen"
    assert list(back.machine.joints) == joints
    assert [task.name for task in back.tasks] == [task.name for task in ready.tasks]
    assert back.requirement == ready.requirement


def test_comments_and_units_stay_as_the_user_wrote_them(tmp_path: Path) -> None:
    text = DEMO.read_text().replace("../configs", str(ROOT / "configs"))
    scenario = tmp_path / "cell.yaml"
    scenario.write_text(text.replace("requirement:", "# agreed with the customer\nrequirement:"))
    ready, options = load_options(scenario, DISCS)
    rows, _ = chosen(options, ready.machine.arm.names, 1)
    out = fitted(ready.sources, DISCS, rows, "chosen", tmp_path)
    assert "# agreed with the customer" in out
    assert "lost_motion: 6 arcsec" in out
    requirement = next(line for line in text.splitlines() if line.startswith("requirement:"))
    assert requirement in out.splitlines()


def test_references_of_a_catalogue_stay_references(tmp_path: Path) -> None:
    """An encoder in a file of its own is named, not copied; the arm and the file of a path count from the new folder."""
    shop = tmp_path / "shop"
    shop.mkdir()
    (shop / "disc.yaml").write_text((ROOT / "configs" / "encoders" / "disc-26.yaml").read_text())
    catalogue = yaml.safe_load(DISCS.read_text())
    catalogue["encoders"] = [{**catalogue["encoders"][0], "encoder": "disc.yaml"}]
    catalogue.pop("limits")
    (shop / "shop.yaml").write_text(yaml.safe_dump(catalogue))
    ready, options = load_options(DEMO, shop / "shop.yaml")
    rows, joints = chosen(options, ready.machine.arm.names, 2)
    out = fitted(ready.sources, shop / "shop.yaml", rows, "chosen", tmp_path)
    assert out.count("shop/disc.yaml") == len(rows)
    (tmp_path / "chosen.yaml").write_text(out)
    assert list(load_scenario(tmp_path / "chosen.yaml").machine.joints) == joints


def test_an_arm_within_the_scenario_finds_its_urdf(tmp_path: Path) -> None:
    """The file of an arm that stands in the scenario counts from the new folder like every other."""
    here = tmp_path / "a"
    here.mkdir()
    (here / "robot.urdf").write_text(URDF)
    (here / "scenario.yaml").write_text(INLINE)
    shop = {key: value for key, value in yaml.safe_load(DISCS.read_text()).items() if key != "limits"}
    (here / "shop.yaml").write_text(yaml.safe_dump(shop))
    ready, options = load_options(here / "scenario.yaml", here / "shop.yaml")
    rows, joints = chosen(options, ready.machine.arm.names, 3)
    there = tmp_path / "b"
    there.mkdir()
    (there / "chosen.yaml").write_text(fitted(ready.sources, here / "shop.yaml", rows, "chosen", there))
    assert list(load_scenario(there / "chosen.yaml").machine.joints) == joints


URDF = """<robot name="one"><link name="base"/><link name="tip"/><joint name="turn" type="revolute">
<parent link="base"/><child link="tip"/><origin xyz="0 0 0.1"/><axis xyz="0 0 1"/>
<limit lower="-1" upper="1" effort="1" velocity="1"/></joint></robot>"""
INLINE = """kind: scenario
name: inline
arm:
  kind: arm
  name: one
  kinematics: {convention: urdf, file: robot.urdf, base_link: base, tip_link: tip, tool: {xyz: [200 mm, 0 mm, 0 mm]}}
joints:
  turn:
    encoder: {kind: encoder, name: s, measures: rotation, summary: {resolution: 16 bit}}
    placement: output
requirement: {position: 1 mm}
tasks: [{kind: poses, name: t, poses: [{name: p, joints: [0 deg]}]}]
"""
