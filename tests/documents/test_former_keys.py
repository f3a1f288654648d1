"""Renamed keys: read under the former name for one minor version, with a note that gives the present one."""

import re
from pathlib import Path

import numpy as np
import pytest
from support import ROOT, invoke

from armsim.documents.former_keys import FORMER_KEYS
from armsim.documents.kinds import DOCUMENT_TYPES
from armsim.documents.load import load_changed, load_scenario
from armsim.documents.source import read_source
from armsim.report.reference import words
from armsim.version import package_version

ARM = """\
kind: arm
name: two
kinematics:
  convention: standard-dh
  joints:
    - {name: j1, type: revolute, d: 0 mm, a: 300 mm, alpha: 0 deg, range: [-170 deg, 170 deg]}
    - {name: j2, type: revolute, d: 0 mm, a: 200 mm, alpha: 0 deg, range: [-170 deg, 170 deg]}
couplings: [{joint: j2, SEES: {j1: 1, j2: 1}}]
"""
SCENARIO = """\
kind: scenario
name: former
arm: arm.yaml
joints:
  j1: {encoder: disc.yaml, placement: output}
  j2: {encoder: disc.yaml, placement: output, needs: {TURNS_BY: [gear]}}
motion: {RIPPLE: 2 %, sample_time: 1 ms, joints: {j1: {speed: 10 deg/s}}}
calibration:
  instrument: {std: 10 um, AT: [1 m, 0 m, 0 m], CONE: 60 deg}
  identify: {zeros: true}
tasks:
  - {kind: path, name: line, step: 10 mm, speed: 10 mm/s, THROUGH: [{to: [300 mm, 0 mm, 0 mm]}, {to: [300 mm, 100 mm, 0 mm]}]}
"""
ENCODER = """\
kind: encoder
name: disc
measures: rotation
signal_periods: 1024
interpolation: 12 bit
function: absolute multi-turn
TURNS_BY: gear
"""
CATALOGUE = """\
kind: catalogue
name: discs
encoders: [{encoder: disc.yaml}, {encoder: other.yaml}]
limits:
  TOGETHER: [[j1, j2]]
  APART: [[disc, other]]
"""
PLACES = {"sees": "arm.yaml:8", "turns_by": "disc.yaml:7", "ripple": "scenario.yaml:7", "at": "scenario.yaml:9",
          "cone": "scenario.yaml:9", "through": "scenario.yaml:12", "together": "catalogue.yaml:5",
          "apart": "catalogue.yaml:6"}  # fmt: skip


def written(folder: Path, former: bool) -> Path:
    """Documents with the former or the present names of their keys; the scenario."""
    names = {key.name.upper(): key.name if former else key.present for key in FORMER_KEYS}
    texts = {"arm.yaml": ARM, "scenario.yaml": SCENARIO, "disc.yaml": ENCODER, "catalogue.yaml": CATALOGUE}
    texts["other.yaml"] = ENCODER.replace("name: disc", "name: other").partition("function")[0]
    folder.mkdir()
    for name, text in texts.items():
        for word, key in names.items():
            text = re.sub(rf"\b{word}:", f"{key}:", text)
        (folder / name).write_text(text)
    return folder / "scenario.yaml"


def test_former_names_give_the_same_scenario_and_a_note_each(tmp_path: Path) -> None:
    present, former = (load_scenario(written(tmp_path / name, name == "former")) for name in ("present", "former"))
    assert str(former.machine).replace("/former/", "/present/") == str(present.machine)
    assert former.machine.joints == present.machine.joints
    assert np.array_equal(former.machine.drive_matrix, present.machine.drive_matrix)
    assert former.tasks == present.tasks
    assert former.motion == present.motion
    assert str(former.calibration) == str(present.calibration)
    assert not any("now called" in note for note in present.notes)
    for key in FORMER_KEYS:
        if key.name not in ("together", "apart"):
            (note,) = {
                note for note in former.notes if f"{key.name!r} is now called" in note and PLACES[key.name] in note
            }
            assert note.endswith(
                f"{key.name!r} is now called {key.present!r}; the former name is read until armsim 0.3"
            )


def test_a_catalogue_is_read_under_either_name(tmp_path: Path) -> None:
    present, former = (
        read_source(written(tmp_path / name, name == "former").parent / "catalogue.yaml")
        for name in ("present", "former")
    )
    assert former.data == present.data
    assert {at: line for at, (line, _) in former.locations.items()} == {
        at: line for at, (line, _) in present.locations.items()
    }
    assert present.remarks == ()
    assert [remark.partition(": ")[0].rpartition("/")[2] for remark in former.remarks] == [
        PLACES["together"],
        PLACES["apart"],
    ]
    process = invoke("check", tmp_path / "former" / "catalogue.yaml")
    assert process.returncode == 0
    assert "'apart' is now called 'incompatible'" in process.stderr


def test_a_change_is_read_under_either_name(tmp_path: Path) -> None:
    scenario = load_scenario(written(tmp_path / "present", False))
    changed = load_changed(scenario, {
        "calibration.instrument.cone": "20 deg", "tasks.line.through": [{"to": ["300 mm", "0 mm", "0 mm"]},
        {"to": ["250 mm", "0 mm", "0 mm"]}], "motion": {"ripple": "3 %", "sample_time": "1 ms", "joints": {"j1": {"speed": "1 deg/s"}}},
    })  # fmt: skip
    assert changed.calibration is not None
    assert changed.calibration.instrument.acceptance_angle == pytest.approx(0.349, abs=1e-3)
    assert changed.motion is not None
    assert changed.motion.ripple_limit == pytest.approx(0.03)
    notes = [note for note in changed.notes if "is now called" in note]
    assert [note.partition(":")[0] for note in notes] == ["calibration.instrument.cone", "tasks.line.through", "motion"]


def test_both_names_at_once_are_an_error(tmp_path: Path) -> None:
    path = written(tmp_path / "both", False)
    path.write_text(path.read_text().replace("ripple_limit: 2 %", "ripple_limit: 2 %, ripple: 2 %"))
    process = invoke("check", path)
    assert process.returncode == 2
    assert "scenario.yaml:7" in process.stderr
    assert "motion.ripple: unknown key" in process.stderr


def test_present_names_are_keys_and_former_ones_end_with_their_version() -> None:
    explained = set(words())
    number = tuple(map(int, package_version().split(".")[:2]))
    for key in FORMER_KEYS:
        assert key.present in explained
        assert number < tuple(map(int, key.until.split("."))), f"{key.name} is to be taken out"


def test_no_document_of_the_tree_uses_a_former_name() -> None:
    for folder in ("configs", "scenarios", "armsim/cli/starter"):
        for path in (ROOT / folder).rglob("*.yaml"):
            text = path.read_text()
            if re.search(rf"^kind: ({'|'.join(DOCUMENT_TYPES)})", text, re.MULTILINE):
                assert read_source(path).remarks == (), path
