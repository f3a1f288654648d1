"""An encoder made in Python and written as YAML reads as the same encoder."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import pytest
import yaml
from support import ROOT

import armsim
from armsim.documents import check_file, load_scenario
from armsim.documents.to_document import quantity_text
from armsim.documents.units import read_quantity
from armsim.model.encoder import Encoder

FILES = sorted((ROOT / "configs" / "encoders").glob("*.yaml"))
SCENARIOS = [
    "seven-from-sheets",
    "track-cell",
    "lessons/stated-noise",
    "lessons/stated-misalignment",
    "lessons/heads-askew",
]


def close(one: object, other: object) -> bool:
    """Whether two objects are equal but for the last bits of their numbers."""
    if dataclasses.is_dataclass(one):
        compared = [field.name for field in dataclasses.fields(one) if field.compare]
        return type(one) is type(other) and all(close(getattr(one, n), getattr(other, n)) for n in compared)
    if isinstance(one, tuple):
        return isinstance(other, tuple) and len(one) == len(other) and all(map(close, one, other))
    if isinstance(one, float):
        return one == pytest.approx(other, rel=1e-14, abs=0.0)
    return one == other


def written_and_read(encoder: Encoder, folder: Path) -> object:
    (folder / "encoder.yaml").write_text(armsim.to_yaml(encoder))
    return check_file(folder / "encoder.yaml")


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_an_encoder_is_read_as_it_was(path: Path, tmp_path: Path) -> None:
    encoder = check_file(path)
    assert isinstance(encoder, Encoder)
    assert close(written_and_read(encoder, tmp_path), encoder)


@pytest.mark.parametrize("name", SCENARIOS)
def test_encoders_and_parts_of_a_scenario(name: str, tmp_path: Path) -> None:
    """Sheets in other words, and the parts of joints as a scenario states them."""
    path = ROOT / "scenarios" / f"{name}.yaml"
    scenario = load_scenario(path)
    for encoder in {joint.encoder.name: joint.encoder for joint in scenario.machine.joints}.values():
        assert close(written_and_read(encoder, tmp_path), encoder)
    data = yaml.safe_load(path.read_text())
    for joint in scenario.machine.joints:
        block = data.get("joints", {}).get(joint.name, {})
        if "mounting" in block:
            block["mounting"] = yaml.safe_load(armsim.to_yaml(joint.mounting, joint.encoder.measures))
        if not {"lead", "type"} & set(block.get("transmission", {"lead": ""})):  # a type brings typical values
            block["transmission"] = yaml.safe_load(armsim.to_yaml(joint.transmission))
    if scenario.requirement is not None and "requirement" in data:
        data["requirement"] = yaml.safe_load(armsim.to_yaml(scenario.requirement))
    (tmp_path / "configs").symlink_to(ROOT / "configs")
    fresh = tmp_path / path.relative_to(ROOT)
    fresh.parent.mkdir(parents=True)
    fresh.write_text(yaml.safe_dump(data))
    again = load_scenario(fresh)
    assert close(again.machine.joints, scenario.machine.joints)
    assert close(again.requirement, scenario.requirement)


def same(one: object, other: object) -> bool:
    """As `close`, within mappings too, whatever the file says of where a value comes from."""
    if isinstance(one, dict):
        return isinstance(other, dict) and one.keys() == other.keys() and all(same(one[k], other[k]) for k in one)
    if dataclasses.is_dataclass(one):
        names = [f.name for f in dataclasses.fields(one) if f.name not in ("value_origins", "sources", "notes", "file")]
        return type(one) is type(other) and all(same(getattr(one, n), getattr(other, n)) for n in names)
    if isinstance(one, tuple):
        return isinstance(other, tuple) and len(one) == len(other) and all(map(same, one, other))
    return close(one, other)


WHOLE = ["bonding-cell", "every-task", "seven-from-sheets", "track-cell", "lessons/two-sensors", "lessons/bending",
         "lessons/wind-up", "lessons/another-payload", "lessons/bus", "lessons/warm-link"]  # fmt: skip


@pytest.mark.parametrize("name", WHOLE)
def test_a_whole_scenario_is_read_as_it_was(name: str, tmp_path: Path) -> None:
    """Arm, joints, tasks of every kind, motion, plan: all in one document."""
    scenario = load_scenario(ROOT / "scenarios" / f"{name}.yaml")
    text = armsim.to_yaml(scenario)
    (tmp_path / "whole.yaml").write_text(text)
    assert same(load_scenario(tmp_path / "whole.yaml"), scenario)
    if not name.startswith("lessons"):
        (tmp_path / "arm.yaml").write_text(armsim.to_yaml(scenario.machine.arm))
        arm = check_file(tmp_path / "arm.yaml")
        assert isinstance(arm, armsim.Arm)
        assert same(arm, scenario.machine.arm)


@pytest.mark.parametrize(
    ("name", "reason"),
    [("palletiser", "followers or couplings"), ("measured/cell-poses", "has a calibration")],
)
def test_what_only_files_state_is_refused(name: str, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        armsim.to_yaml(load_scenario(ROOT / "scenarios" / f"{name}.yaml"))


def test_an_arm_of_other_transforms_is_refused() -> None:
    import roboticstoolbox as rtb

    arm = armsim.Arm.from_robot(rtb.ET.tz(0.3) * rtb.ET.Ry() * rtb.ET.tx(0.4))
    with pytest.raises(ValueError, match="no chain of Denavit-Hartenberg rows"):
        armsim.to_yaml(arm)


def test_a_scenario_made_in_python_is_written_and_runs_alike(tmp_path: Path) -> None:
    """No file is read before; the written one gives the same numbers. Source: the run of the objects themselves."""
    import roboticstoolbox as rtb

    links = [
        rtb.RevoluteMDH(d=0.3, qlim=[-3.0, 3.0]),
        rtb.PrismaticMDH(a=0.2, alpha=1.5, qlim=[0.0, 0.4]),
        rtb.RevoluteMDH(a=0.3, alpha=-0.4, offset=0.1, qlim=[-2.0, 2.5]),
    ]
    arm = armsim.Arm.from_robot(rtb.DHRobot(links, name="three links"))
    disc = Encoder("disc", signal_periods=512, interpolation=12.0, track_radius=12e-3, price=30.0)
    tape = Encoder("tape", "translation", signal_period=20e-6, interpolation=10.0)
    joints = [
        armsim.Joint("j3", disc, mastering=armsim.Distribution("normal", 1e-5)),
        armsim.Joint("j1", disc, placement="motor", transmission=armsim.Transmission(50.0, lost_motion=1e-4)),
        armsim.Joint("j2", tape),
    ]
    poses = (
        armsim.NamedPose.from_pose("out", arm.fkine([0.1, 0.2, 0.5])),
        armsim.NamedPose.from_pose("in", [0, 0.1, 1]),
    )
    scenario = armsim.Scenario.from_parts(
        "made", arm, joints, [armsim.Poses("stations", poses)], armsim.Requirement(1e-3), armsim.SamplingPlan(60, 3, 5)
    )
    assert scenario.machine.joints[1].travel == pytest.approx(0.4)
    result = armsim.Study(scenario).run(1)
    (tmp_path / "made.yaml").write_text(armsim.to_yaml(scenario))
    again = armsim.load(tmp_path / "made.yaml").run(1)
    for before, after in zip(result.tasks[0].poses, again.tasks[0].poses, strict=True):
        assert after.error.p95 == pytest.approx(before.error.p95, rel=1e-9)
    assert again.price == result.price == 60.0
    with pytest.raises(ValueError, match="joints j3; accepted: one for each of j1, j2, j3"):
        armsim.Scenario.from_parts("few", arm, joints[:1], scenario.tasks)


def test_angles_are_written_in_degrees() -> None:
    """Not in rad, though deg and arcsec hold an e as large numbers do."""
    assert quantity_text(math.pi, ("angle",)) == "180 deg"
    assert quantity_text(math.radians(20 / 3600), ("angle",)) == "20 arcsec"


@pytest.mark.parametrize("value", [1e-6, 12.5e-6, 0.1 + 0.2, 1 / 3, 4.848136811095e-06, 7.3e-9, 2.5])
@pytest.mark.parametrize("kind", ["length", "angle", "ratio", "time", "angular stiffness", "expansion"])
def test_a_number_keeps_all_but_its_last_bit(value: float, kind: str) -> None:
    assert read_quantity(quantity_text(value, (kind,)), kind) == pytest.approx(value, rel=5e-16, abs=0.0)
