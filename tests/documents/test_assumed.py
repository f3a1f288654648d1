"""What a scenario does not state and the model takes: told in check, in the review with its share, in the manifest.

Source of the shares: arms drawn by numpy in this file.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from support import ROOT, invoke

import armsim
from armsim.model.gears import TYPICAL_GEARS
from armsim.report.assumed_values import assumed_frame, assumed_records, assumed_sentence, assumed_share

ARCSEC = math.pi / 648_000
CELL = """kind: scenario
name: geared
arm: {arm}
joints:
  j1:
    encoder: {{kind: encoder, name: s, measures: rotation, resolution: 34 bit, lines: 512{sheet}}}
    placement: {placement}
    mounting: {{{mounting}}}
    transmission: {{ratio: 20, {gear}}}
    mastering: {{limit: 100 arcsec, distribution: fixed}}
tasks: [{{kind: poses, name: lever, poses: [{{name: out, joints: [0 deg]}}]}}]
sampling: {{units: 400, visits: 2, seed: 1}}
"""


def cell(tmp_path: Path, gear: str, placement: str = "motor", sheet: str = "", mounting: str = "") -> Path:
    path, arm = tmp_path / "geared.yaml", ROOT / "configs" / "arms" / "one-link.yaml"
    path.write_text(CELL.format(arm=arm, gear=gear, placement=placement, sheet=sheet, mounting=mounting))
    return path


@pytest.mark.parametrize(
    ("gear", "rests"),
    [
        ("type: planetary", (True, True)),
        ("type: planetary, lost_motion: 180 arcsec", (True, False)),
        ("type: planetary, kinematic_error: [{per: input-turn, order: 1, amplitude: 60 arcsec}]", (False, True)),
    ],
)
def test_the_share_that_rests_on_a_type_of_gear(tmp_path: Path, gear: str, rests: tuple[bool, bool]) -> None:
    """Drawn: 180 arcsec of lost motion, waves of up to 60 arcsec per turn of input and of output, a zero of 100 arcsec."""
    n, rng = 400_000, np.random.default_rng(1)
    sizes = rng.uniform(-60, 60, (2, n)) * np.sin(rng.uniform(0, 2 * np.pi, (2, n)))
    waves = sizes.sum(axis=0) if "kinematic" not in gear else sizes[0]
    lost = rng.choice((-90.0, 90.0), n)
    mean_square = np.mean((waves + lost + 100.0) ** 2)
    expected = (np.mean(waves**2) if rests[0] else 0) + (np.mean(lost**2) if rests[1] else 0)
    result = armsim.run(cell(tmp_path, gear))
    task = result.tasks[0]
    assert assumed_share(task, result.assumptions) == pytest.approx(expected / mean_square, abs=0.01)
    keys = [assumption.key for assumption in result.assumptions]
    assert keys == [
        f"transmission.{key}" for key, item in zip(("kinematic_error", "lost_motion"), rests, strict=True) if item
    ]
    sentence = assumed_sentence(result, task)
    assert (
        "lost_motion of j1: 180 arcsec (typical of a planetary gear; common practice, no source)" in sentence
    ) == rests[1]
    assert ("order 1 per input turn up to 60.0 arcsec" in sentence) == rests[0]
    shares = [record["shares"]["lever"] for record in assumed_records(result)]
    assert sum(shares) == pytest.approx(expected / mean_square, abs=0.01)


def test_check_and_run_tell(tmp_path: Path) -> None:
    path = cell(tmp_path, "type: planetary")
    printed = " ".join(invoke("check", path).stdout.split())
    assert "assumed, not stated" in printed
    assert "j1 transmission.lost_motion 180 arcsec typical of a planetary gear; common practice, no source" in printed
    output = json.loads(invoke("check", "--json", path).stdout)[str(path)]["assumptions"]
    assert [item["key"] for item in output] == ["transmission.kinematic_error", "transmission.lost_motion"]
    out = tmp_path / "out"
    assert invoke("run", path, "--out", out).returncode == 0
    manifest = json.loads((out / "manifest.json").read_text())
    assert [item["key"] for item in manifest["assumptions"]] == [item["key"] for item in output]
    assert 0.4 < sum(item["shares"]["lever"] for item in manifest["assumptions"]) < 0.6
    page = " ".join((out / "report.html").read_text().split())
    front, _, others = page.partition("The arm and its sensors</h2>")
    assert "Assumed, not stated: transmission.kinematic_error of j1" in front
    assert "of the mean square error over lever" in front
    assert "Values that are assumed, not stated" in others
    results = json.loads((out / "results.json").read_text())
    assert [result["key"] for result in results["assumptions"]] == [result["key"] for result in output]


def test_a_gear_that_is_stated_is_not_assumed(tmp_path: Path) -> None:
    path = cell(tmp_path, "lost_motion: 180 arcsec")
    assert "assumed" not in invoke("check", path).stdout
    result = armsim.run(path)
    assert (
        assumed_sentence(result, result.tasks[0]),
        len(assumed_frame(result.assumptions, result.tasks)),
        assumed_records(result),
    ) == ("", 0, [])


def test_inside_the_loop_nothing_rests_on_the_gear(tmp_path: Path) -> None:
    result = armsim.run(cell(tmp_path, "type: cycloidal", placement="output"))
    assert len(result.assumptions) == 2
    assert assumed_share(result.tasks[0], result.assumptions) == 0.0


def test_the_radius_that_a_sheet_does_not_state(tmp_path: Path) -> None:
    """24 mm of disc, read at 0.85 of 12 mm: 20 um off are 404 arcsec at the shaft, 20.2 of the joint, a wave."""
    result = armsim.run(
        cell(tmp_path, "lost_motion: 0 arcsec", sheet=", outer_diameter: 24 mm",
             mounting="eccentricity: {limit: 20 um, distribution: fixed}")
    )  # fmt: skip
    (target,) = result.assumptions
    assert (target.joint, target.key, target.value) == ("j1", "encoder.track_radius", "10.2 mm")
    wave = 20e-6 / 10.2e-3 / 20 / ARCSEC
    expected = 0.5 * wave**2 / (0.5 * wave**2 + 100.0**2)
    assert assumed_share(result.tasks[0], result.assumptions) == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("word", ["transmission.type", "planetary"])
def test_explain_lists_the_types(word: str) -> None:
    text = invoke("explain", word).stdout
    assert "common practice, no source" in text
    for name, gear in TYPICAL_GEARS.items():
        line = next(line for line in text.splitlines() if line.strip().startswith(f"{name}:"))
        assert f"{gear.lost_motion / ARCSEC:.3g}" in line
        assert all(f"order {item.order:g} per {item.per.replace('-', ' ')}" in line for item in gear.kinematic_error)
