"""Files that documents name count from where they are named, however deep and whatever is changed.

Beside every document but the right one stands a decoy of the same name with other content: whoever looks there is
found out by the hash, or by an error. The keys that name files are taken from the schemas of the documents.
"""

from __future__ import annotations

import math
import os
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml
from support import invoke

from armsim.documents import check_file
from armsim.documents.kinds import DOCUMENT_TYPES
from armsim.documents.load import load_changed, load_options, load_scenario
from armsim.documents.references import rebase_files
from armsim.documents.schema import document_schema
from armsim.documents.write_overrides import changes_text
from armsim.scenario import Scenario


def curve(sensors: int, size: float) -> str:
    """Angles of a turn with an error of order 1, other for every sensor. [arcsec]"""
    rows = [
        f"s{n},{angle},{size * (1 + 0.1 * n) * math.cos(math.radians(angle)):.6f}"
        for n in range(sensors)
        for angle in range(0, 360, 20)
    ]
    return "\n".join(["sensor,angle [deg],error [arcsec]", *rows, ""])


LINK = '<link name="{0}"/><joint name="{1}" type="revolute"><origin xyz="0 0 {2}"/><parent link="{0}"/><child link="{3}"/><axis xyz="0 {4} {5}"/><limit lower="-2" upper="2"/></joint>'
MEASURED = ", error_curves: {file: batch.csv, orders: [1], replaces: [graduation error]}"
DISC = "kind: encoder, name: {0}, measures: rotation, lines: 512, resolution: 20 bit, graduation_error: 5 arcsec"
TREE = {
    "cell/scenario.yaml": f"""\
kind: scenario
name: cell
arm: ../arm/arm.yaml
joints:
  j1:
    encoder: ../disc/disc.yaml
    motor_encoder: ../motor/motor.yaml
    placement: both
    mastering: 5 arcsec
    transmission: {{ratio: 50}}
  j2:
    encoder: ../shop/shop.yaml#held
    placement: motor
    transmission: {{ratio: 80, lost_motion: 20 arcsec}}
  j3:
    encoder: {{{DISC.format("inline")}}}
    placement: output
    error_curve: {{file: curve.csv, orders: [1], replaces: [graduation error]}}
tasks:
  - {{kind: path, name: way, step: 10 mm, speed: 1 mm/s, file: way.csv}}
  - {{kind: poses, name: list, poses: [{{name: p, joints: [1 deg, 2 deg, 3 deg]}}]}}
calibration: {{instrument: {{std: 10 um}}, poses: {{file: poses.csv}}, identify: {{zeros: true}}}}
requirement: {{position: 1 mm}}
sampling: {{units: 5, visits: 2, seed: 1}}
""",
    "cell/curve.csv": curve(1, 3.0),
    "cell/way.csv": "j1 [deg],j2 [deg],j3 [deg]\n0,10,20\n1,11,21\n",
    "cell/poses.csv": "j1 [deg],j2 [deg],j3 [deg]\n0,10,20\n20,30,10\n40,-30,5\n-40,60,50\n",
    "arm/arm.yaml": "kind: arm\nname: a\nkinematics: {convention: urdf, file: arm.urdf, base_link: l0, tip_link: l3}\n"
    "tolerances: {x: 10 um}\n",
    "arm/arm.urdf": '<robot name="r">'
    + LINK.format("l0", "j1", 0.3, "l1", 0, 1)
    + LINK.format("l1", "j2", 0.2, "l2", 1, 0)
    + LINK.format("l2", "j3", 0.4, "l3", 1, 0)
    + '<link name="l3"/></robot>',
    "disc/disc.yaml": f"{{{DISC.format('disc')}, price: 10{MEASURED}}}\n",
    "disc/batch.csv": curve(6, 4.0),
    "motor/motor.yaml": f"{{{DISC.format('motor')}, price: 4{MEASURED}}}\n",
    "motor/batch.csv": curve(6, 8.0),
    "shop/shop.yaml": f"""\
kind: catalogue
name: shop
encoders:
  - encoder: {{{DISC.format("held")}, price: 7{MEASURED}}}
  - encoder: ../disc/disc.yaml
mountings: [{{name: plain}}]
placements: {{motor: 0, output: 1, both: 2}}
""",
    "shop/batch.csv": curve(6, 16.0),
    "list/list.yaml": "kind: catalogue\nname: list\nencoders: list.csv\nplacements: {motor: 0, output: 1, both: 2}\n",
    "list/list.csv": "name,measures,lines,resolution [bit],graduation error [arcsec],price\nd,rotation,512,20,5,9\n",
    "grouped/grouped.yaml": """\
kind: scenario
name: grouped
arm: ../arm/arm.yaml
specification: ../asked/asked.yaml
groups:
  first: {joints: [j1], encoder: ../disc/disc.yaml, motor_encoder: ../motor/motor.yaml, placement: both}
  rest: {joints: [j2, j3], encoder: ../shop/shop.yaml#held, placement: motor}
""",
    "asked/asked.yaml": "kind: specification\ntasks: [{kind: path, name: way, step: 10 mm, speed: 1 mm/s, file: way.csv}]\n",
    "asked/way.csv": "j1 [deg],j2 [deg],j3 [deg]\n0,10,20\n1,11,21\n",
    "other/own.yaml": "kind: scenario\nbase: ../cell/scenario.yaml\n",
}
"""Every key that names a file, each file in another folder."""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("tree")
    for folder in {Path(name).parent for name in TREE}:
        (root / folder).mkdir()
        for name in {Path(name).name for name in TREE}:
            (root / folder / name).write_text("a decoy\n")
    for name, text in TREE.items():
        (root / name).write_text(text)
    return root


Files = set[tuple[str, str]]


def files(scenario: Scenario, but: tuple[str, ...] = ("own.yaml",)) -> Files:
    """Every file read and its hash."""
    return {(os.path.realpath(s.path), s.sha256) for s in scenario.sources if s.path.name not in but}


def alternatives(node: Mapping[str, Any], defs: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    if "$ref" in node:
        yield from alternatives(defs[node["$ref"].rpartition("/")[2]], defs)
        return
    yield node
    for child in (*node.get("anyOf", ()), *node.get("oneOf", ())):
        yield from alternatives(child, defs)


def named(value: Any, node: Mapping[str, Any], defs: Mapping[str, Any], at: tuple[Any, ...] = ()) -> dict[Any, Any]:
    """Key paths of a document that name a file, each with the title and key of the schema that says so."""
    out = {}
    for option in alternatives(node, defs):
        for key, inner in value.items() if isinstance(value, dict) else ():
            child = option.get("properties", {}).get(key, option.get("additionalProperties"))
            if isinstance(child, dict):
                text = any(alternative.get("format") == "path" for alternative in alternatives(child, defs))
                if isinstance(inner, str) and text:
                    out[(*at, key)] = option.get("title"), key
                out |= named(inner, child, defs, (*at, key))
        if isinstance(value, list) and "items" in option:
            for number, inner in enumerate(value):
                out |= named(inner, option["items"], defs, (*at, number))
    return out


def schema_keys() -> set[tuple[str, str]]:
    """Title and key of every key of every kind of document that takes the name of a file."""
    out = set()
    for kind in DOCUMENT_TYPES:
        schema = document_schema(kind)
        for node in (schema, *schema.get("anyOf", ()), *schema["$defs"].values()):
            for key, entry in node.get("properties", {}).items():
                if any(alternative.get("format") == "path" for alternative in alternatives(entry, schema["$defs"])):
                    out.add((node["title"], key))
    return out


def test_the_tree_has_every_key_that_names_a_file() -> None:
    """A key that is new must be put into the tree, and so into the tests below."""
    used = set()
    for name, text in TREE.items():
        if name.endswith(".yaml"):
            data = yaml.safe_load(text)
            schema = document_schema(data["kind"])
            used |= set(named(data, schema, schema["$defs"]).values())
    assert len(used) >= 9
    assert used == schema_keys()


def leaves(value: Any, at: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Values by path, entries of lists by their names, as changes name them."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, (*at, key))
    elif isinstance(value, list) and value and all(isinstance(entry, dict) and "name" in entry for entry in value):
        for entry in value:
            yield from leaves(entry, (*at, str(entry["name"])))
    else:
        yield at, value


def values() -> dict[str, Any]:
    """Every value of the scenario and of what it refers to, by the path of its change; files themselves left out."""
    scenario = yaml.safe_load(TREE["cell/scenario.yaml"])
    scenario["arm"] = yaml.safe_load(TREE["arm/arm.yaml"])
    scenario["joints"]["j1"]["encoder"] = yaml.safe_load(TREE["disc/disc.yaml"])
    scenario["joints"]["j1"]["motor_encoder"] = yaml.safe_load(TREE["motor/motor.yaml"])
    scenario["joints"]["j2"]["encoder"] = yaml.safe_load(TREE["shop/shop.yaml"])["encoders"][0]["encoder"]
    schema = document_schema("scenario")
    files = {tuple(map(str, at[-2:])) for at in named(scenario, schema, schema["$defs"])}
    return {".".join(at): value for at, value in leaves(scenario) if at[-2:] not in files and at[-1] != "file"}


VALUES = values()


def test_no_change_aims_a_file_anew(place: Path) -> None:
    """Every value is set to what it is, alone: the same files are read. All of them at once, and by name, too."""
    document = load_scenario(place / "cell/scenario.yaml")
    assert len(files(document)) == 12
    assert len(VALUES) > 50
    for path, value in VALUES.items():
        if path not in ("kind", "name"):
            assert files(load_changed(document, {path: value})) == files(document), path
    changes = {path: value for path, value in VALUES.items() if path not in ("kind", "name")}
    changed = load_changed(document, changes)
    assert files(changed) == files(document)
    twice = load_changed(changed, {"joints.*.encoder.price": 99, "arm.name": "b"})
    assert files(twice) == files(document)
    batches = [[joint.encoder.batch_curve for joint in item.machine.joints] for item in (document, twice)]
    assert batches[0] == batches[1] != [None] * 3


def test_groups_and_specification_name_files_from_where_they_stand(place: Path) -> None:
    document = load_scenario(place / "grouped/grouped.yaml")
    named_files = ["arm/arm.urdf", "arm/arm.yaml", "asked/asked.yaml", "asked/way.csv", "disc/batch.csv", "disc/disc.yaml",
                   "grouped/grouped.yaml", "motor/batch.csv", "motor/motor.yaml", "shop/batch.csv", "shop/shop.yaml"]  # fmt: skip
    assert {path for path, _ in files(document)} == {os.path.realpath(place / name) for name in named_files}
    for path in ("joints.j1.encoder.price", "joints.*.encoder.price", "tasks.way.step"):
        assert files(load_changed(document, {path: "5 mm" if "tasks" in path else 3})) == files(document), path


def rebased(value: Any, node: Mapping[str, Any], defs: Mapping[str, Any], beside: Path, to: Path) -> Any:
    """A document with its files counted from another folder, by the walk of this test."""
    for at in named(value, node, defs):
        location = value
        for key in at[:-1]:
            location = location[key]
        location[at[-1]] = os.path.relpath(beside / location[at[-1]], to)
    return value


@pytest.mark.parametrize("key", ["arm", "joints", "tasks", "calibration", "joints.j1", "joints.j3.error_curve"])
def test_files_in_changes_count_from_the_file_that_states_them(place: Path, key: str) -> None:
    """A part of the scenario, lists among them, said once more in ``changes:`` of a file in another folder."""
    schema = document_schema("scenario")
    data = yaml.safe_load(TREE["cell/scenario.yaml"])
    value = rebased(data, schema, schema["$defs"], place / "cell", place / "other")
    for part in key.split("."):
        value = value[part]
    file = place / "other" / "own.yaml"
    file.write_text(yaml.safe_dump({"kind": "scenario", "base": "../cell/scenario.yaml", "changes": {key: value}}))
    document, variant = load_scenario(place / "cell/scenario.yaml"), load_scenario(file)
    assert files(variant) == files(document)
    for path in ("joints.j1.encoder.price", "joints.j2.encoder.price"):
        assert files(load_changed(variant, {path: 3})) == files(document)


@pytest.mark.parametrize("document", ["encoder", "arm"])
def test_documents_written_out_in_changes(place: Path, document: str) -> None:
    """The files of a document that stands in ``changes:`` itself count from the file of the changes."""
    folder, key = ("disc", "joints.j1.encoder") if document == "encoder" else ("arm", "arm")
    schema = document_schema(document)
    data = yaml.safe_load(TREE[f"{folder}/{folder}.yaml"])
    value = rebased(data, schema, schema["$defs"], place / folder, place / "other")
    file = place / "other" / "own.yaml"
    file.write_text(yaml.safe_dump({"kind": "scenario", "base": "../cell/scenario.yaml", "changes": {key: value}}))
    result_value, variant = load_scenario(place / "cell/scenario.yaml"), load_scenario(file)
    out = (os.path.realpath(place / folder / f"{folder}.yaml"),)
    assert {item for item in files(variant) if item[0] not in out} == {
        item for item in files(result_value) if item[0] not in out
    }


def test_files_of_the_command_line_count_from_the_scenario_that_it_names(place: Path) -> None:
    (place / "other" / "own.yaml").write_text(TREE["other/own.yaml"])
    shutil.copy(place / "disc/disc.yaml", place / "other/near.yaml")
    shutil.copy(place / "motor/batch.csv", place / "other/batch.csv")
    variant = load_changed(load_scenario(place / "other/own.yaml"), {"joints.j3.encoder": "near.yaml"})
    (place / "other/batch.csv").write_text("a decoy\n")
    assert os.path.realpath(place / "other/near.yaml") in {path for path, _ in files(variant)}


def test_a_catalogue_reads_what_stands_beside_it(place: Path) -> None:
    names = {path for path, _ in files(load_options(place / "cell/scenario.yaml", place / "shop/shop.yaml")[0])}
    assert os.path.realpath(place / "shop/batch.csv") in names
    check_file(place / "shop/shop.yaml")
    table = {path for path, _ in files(load_options(place / "cell/scenario.yaml", place / "list/list.yaml")[0])}
    assert os.path.realpath(place / "list/list.csv") in table


def test_changes_written_into_another_folder(place: Path) -> None:
    """What the command line has changed, saved elsewhere, reads the same files; a joint named ``file`` is none."""
    document = load_scenario(place / "cell/scenario.yaml")
    changes = {
        "joints.j3.encoder": "../disc/disc.yaml", "tasks": yaml.safe_load(TREE["cell/scenario.yaml"])["tasks"],
        "joints.j1": yaml.safe_load(TREE["cell/scenario.yaml"])["joints"]["j1"], "sampling.units": 7,
        "joints.j2.encoder": "../shop/shop.yaml#held", "tasks.way.file": "way.csv",
    }  # fmt: skip
    expected = files(load_changed(document, changes))
    shifts = rebase_files(changes, place / "cell", place / "other")
    file = place / "other" / "own.yaml"
    file.write_text(changes_text("own", place / "cell/scenario.yaml", place / "other", shifts))
    assert files(load_scenario(file)) == expected
    plain = {"tasks.list.poses.p.near": {"file": "10 deg", "arm": "5 deg"}, "groups.arm.mastering": "3 arcsec"}
    assert rebase_files(plain, place / "cell", place / "other") == plain


def test_a_fault_of_a_file_is_told_of_it(place: Path, tmp_path: Path) -> None:
    """What is wrong in a document whose price is changed is told with the line of that document."""
    shutil.copytree(place, tmp_path / "t")
    (tmp_path / "t/disc/disc.yaml").write_text(TREE["disc/disc.yaml"].replace("lines: 512", "\n lines: -3"))
    output = invoke("check", tmp_path / "t/cell/scenario.yaml").stderr
    changed = invoke("run", tmp_path / "t/cell/scenario.yaml", "--set", "joints.j1.encoder.price=3").stderr
    assert "disc.yaml:2:2: lines: " in output
    assert "lines: " in changed
