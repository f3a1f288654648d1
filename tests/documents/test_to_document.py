"""An encoder made in Python and written as YAML reads as the same encoder, to the bit."""

from __future__ import annotations

import doctest
from pathlib import Path

import pytest
import yaml
from support import ROOT

import armsim
from armsim.documents import check_file, load_scenario
from armsim.documents.to_document import quantity_text
from armsim.documents.units import read
from armsim.model.encoder import Encoder

FILES = sorted((ROOT / "configs" / "encoders").glob("*.yaml"))
SCENARIOS = [
    "seven-from-sheets",
    "track-cell",
    "lessons/stated-noise",
    "lessons/stated-misalignment",
    "lessons/heads-askew",
]


def written_and_read(encoder: Encoder, folder: Path) -> object:
    (folder / "encoder.yaml").write_text(armsim.to_yaml(encoder))
    return check_file(folder / "encoder.yaml")


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_an_encoder_is_read_as_it_was(path: Path, tmp_path: Path) -> None:
    encoder = check_file(path)
    assert isinstance(encoder, Encoder)
    assert written_and_read(encoder, tmp_path) == encoder


@pytest.mark.parametrize("name", SCENARIOS)
def test_encoders_and_parts_of_a_scenario(name: str, tmp_path: Path) -> None:
    """Sheets in other words, and the parts of joints as a scenario states them."""
    path = ROOT / "scenarios" / f"{name}.yaml"
    scenario = load_scenario(path)
    for encoder in {joint.encoder.name: joint.encoder for joint in scenario.machine.joints}.values():
        assert written_and_read(encoder, tmp_path) == encoder
    data = yaml.safe_load(path.read_text())
    data["arm"] = str((path.parent / data["arm"]).resolve())
    for joint in scenario.machine.joints:
        block = data.get("joints", {}).get(joint.name, {"encoder": {}})
        if isinstance(block["encoder"], str):
            block["encoder"] = str((path.parent / block["encoder"]).resolve())
        if "mounting" in block:
            block["mounting"] = yaml.safe_load(armsim.to_yaml(joint.mounting, joint.encoder.measures))
    if scenario.requirement is not None and "requirement" in data:
        data["requirement"] = yaml.safe_load(armsim.to_yaml(scenario.requirement))
    (tmp_path / "scenario.yaml").write_text(yaml.safe_dump(data))
    again = load_scenario(tmp_path / "scenario.yaml")
    assert [joint.mounting for joint in again.machine.joints] == [joint.mounting for joint in scenario.machine.joints]
    assert again.requirement == scenario.requirement


@pytest.mark.parametrize("value", [1e-6, 12.5e-6, 0.1 + 0.2, 1 / 3, 4.848136811095e-06, 7.3e-9, 2.5])
@pytest.mark.parametrize("kind", ["length", "angle", "ratio", "time", "angular stiffness", "expansion"])
def test_a_number_keeps_its_last_bit(value: float, kind: str) -> None:
    assert read(quantity_text(value, (kind,)), kind) == value


def test_the_examples_of_the_package_run() -> None:
    assert doctest.testmod(armsim).failed == 0
    assert doctest.testmod(armsim).attempted >= 2
