"""Settings of groups and a specification that scenarios share: the same study as written out joint by joint."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from support import ROOT, invoke

import armsim
from armsim.documents.load import load_changed, load_scenario
from armsim.documents.schema import printed_schema

GROUPED = ROOT / "scenarios" / "seven-from-sheets.yaml"


def grouped() -> dict[str, Any]:
    data: dict[str, Any] = yaml.safe_load(GROUPED.read_text())
    text = json.dumps(data).replace("../configs", str(ROOT / "configs"))
    return dict(json.loads(text))


def written(folder: Path, data: dict[str, Any], name: str = "scenario.yaml") -> Path:
    folder.mkdir(exist_ok=True)
    (folder / name).write_text(yaml.safe_dump(data, sort_keys=False))
    return folder / name


def written_out(data: dict[str, Any]) -> dict[str, Any]:
    """The scenario with an entry for every joint, by hand."""
    groups = {**data["groups"]}
    large, wrist = groups["large"], groups["wrist"]
    joints = {name: {key: large[key] for key in large if key != "joints"} for name in ("j1", "j2", "j3", "j4")}
    joints |= dict.fromkeys(("j5", "j6", "j7"), wrist)
    return {**{key: value for key, value in data.items() if key != "groups"}, "joints": joints}


def test_groups_are_their_joints_written_out(tmp_path: Path) -> None:
    data = {**grouped(), "sampling": {"units": 64, "visits": 4, "seed": 1}}
    short = armsim.load(written(tmp_path / "a", data)).run()
    long = armsim.load(written(tmp_path / "b", written_out(data))).run()
    assert short.task("stations").column("error.p95").tolist() == long.task("stations").column("error.p95").tolist()
    assert short.joints == long.joints


def test_a_joint_wins_over_its_group_key_by_key(tmp_path: Path) -> None:
    data = grouped()
    data["joints"] = {
        "j6": {"mounting": {"disc_tilt": "0.2 deg"}, "mastering": "1 arcsec", "transmission": {"ratio": 50}}
    }
    joints = {joint.name: joint for joint in load_scenario(written(tmp_path, data)).machine.joints}
    assert joints["j6"].mounting.eccentricity == joints["j5"].mounting.eccentricity
    assert joints["j6"].mounting.disc_tilt.spread.nonzero
    assert not joints["j5"].mounting.disc_tilt.spread.nonzero
    assert (joints["j6"].transmission.ratio, joints["j5"].transmission.ratio) == (50, 80)
    assert joints["j6"].transmission.lost_motion == joints["j5"].transmission.lost_motion
    assert joints["j6"].mastering != joints["j5"].mastering


def test_changes_reach_what_a_group_states(tmp_path: Path) -> None:
    scenario = load_scenario(written(tmp_path, grouped()))
    changed = load_changed(scenario, {"groups.wrist.transmission.ratio": 60, "joints.j7.transmission.ratio": 30})
    assert [joint.transmission.ratio for joint in changed.machine.joints[4:]] == [60, 60, 30]
    derived = written(tmp_path, {"kind": "scenario", "base": "scenario.yaml",
                                 "changes": {"joints.j5.transmission.ratio": 55}}, "derived.yaml")  # fmt: skip
    assert load_scenario(derived).machine.joints[4].transmission.ratio == 55


def test_scenarios_share_a_specification(tmp_path: Path) -> None:
    """The requirement of a scenario replaces that of the file; what the file names counts from its own folder."""
    data = grouped()
    (tmp_path / "paths").mkdir()
    (tmp_path / "paths" / "way.csv").write_text("x [mm],y [mm],z [mm]\n500,0,500\n500,50,500\n")
    path = {"kind": "path", "name": "way", "file": "way.csv", "speed": "50 mm/s", "step": "10 mm"}
    tasks, requirement = data.pop("tasks"), data.pop("requirement")
    specification = {"kind": "specification", "requirement": requirement, "tasks": [*tasks, path]}
    written(tmp_path / "paths", specification, "cell.yaml")
    data["specification"] = "paths/cell.yaml"
    scenario = load_scenario(written(tmp_path, data))
    assert [task.name for task in scenario.tasks] == ["stations", "way"]
    assert scenario.requirement is not None
    assert scenario.requirement.position == pytest.approx(400e-6)
    assert {file.path.name for file in scenario.sources} >= {"cell.yaml", "way.csv", "scenario.yaml"}
    changed = load_changed(scenario, {"requirement.position": "90 um"})
    assert changed.requirement is not None
    assert changed.requirement.position == pytest.approx(90e-6)
    assert "cell.yaml" in {file.path.name for file in changed.sources}
    written(tmp_path, {**specification, "requirement": {"position": "70 um"}, "tasks": tasks}, "other.yaml")
    other = load_changed(scenario, {"specification": "other.yaml"})
    assert other.requirement is not None
    assert other.requirement.position == pytest.approx(70e-6)
    assert [task.name for task in other.tasks] == ["stations"]
    tighter = load_scenario(written(tmp_path, {**data, "requirement": {"position": "50 um"}}, "tighter.yaml"))
    assert tighter.requirement is not None
    assert tighter.requirement.position == pytest.approx(50e-6)
    assert invoke("check", tmp_path / "paths" / "cell.yaml").returncode == 0


@pytest.mark.parametrize("kind", ["scenario", "specification"])
def test_editors_accept_them(kind: str) -> None:
    data = grouped()
    document = (
        data if kind == "scenario" else {"kind": kind, "requirement": data["requirement"], "tasks": data["tasks"]}
    )
    jsonschema.validate(document, printed_schema(kind))
    if kind == "scenario":
        data["groups"]["wrist"]["monting"] = {}
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(data, printed_schema(kind))


FAULTS: dict[str, tuple[dict[str, Any], str]] = {
    "unknown group": ({"groups": {"foot": {"placement": "motor"}}}, "groups.foot: no group of the arm"),
    "no mapping": ({"groups": {"wrist": 5}}, "groups.wrist: not a mapping"),
    "twice": (
        {"groups": {"a": {"joints": ["j1"]}, "b": {"joints": ["j1"]}}}, "groups.b: joint 'j1' has settings of two groups"
    ),
    "stranger": ({"groups": {"a": {"joints": ["j9"], "placement": "motor"}}}, "groups.a.encoder: missing"),
    "unit": ({"groups": {"wrist": {"mastering": "3 lightyears"}}}, "groups.wrist.mastering: 'lightyears' is not a unit"),
    "no tasks": ({"tasks": None}, "tasks: missing"),
    "specification": ({"specification": "absent.yaml"}, "specification: file not found"),
    "other kind": ({"specification": "../arm.yaml"}, "kind: 'arm'"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_what_is_wrong_is_told_where_it_is_written(tmp_path: Path, fault: str) -> None:
    changes, message = FAULTS[fault]
    data = {key: value for key, value in {**grouped(), **changes}.items() if value is not None}
    (tmp_path / "arm.yaml").write_text((ROOT / "configs" / "arms" / "seven-turning.yaml").read_text())
    process = invoke("check", written(tmp_path / "s", data))
    assert process.returncode == 2
    assert message in process.stderr
    assert process.stderr.count(message) == 1


def test_a_specification_without_a_name_is_valid(tmp_path: Path) -> None:
    for name, words in (({}, "specification is valid"), ({"name": "cell"}, "specification 'cell' is valid")):
        file = written(tmp_path, {"kind": "specification", **name, "requirement": {"position": "70 um"}}, "s.yaml")
        answer = invoke("check", file)
        assert answer.returncode == 0, answer.stderr
        assert answer.stdout == f"{file}: {words}\n"
