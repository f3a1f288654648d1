"""An encoder made in Python and written as YAML reads as the same encoder."""

from __future__ import annotations

import dataclasses
import doctest
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


@pytest.mark.parametrize("value", [1e-6, 12.5e-6, 0.1 + 0.2, 1 / 3, 4.848136811095e-06, 7.3e-9, 2.5])
@pytest.mark.parametrize("kind", ["length", "angle", "ratio", "time", "angular stiffness", "expansion"])
def test_a_number_keeps_all_but_its_last_bit(value: float, kind: str) -> None:
    assert read_quantity(quantity_text(value, (kind,)), kind) == pytest.approx(value, rel=5e-16, abs=0.0)


def test_the_examples_of_the_package_run() -> None:
    results = doctest.testmod(armsim)
    assert results.failed == 0
    assert results.attempted >= 2
