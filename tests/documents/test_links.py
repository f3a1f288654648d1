"""Files under several names: what they name is the same under each, whatever the order; marks in paths; slips in changes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from support import ROOT, few_discs, invoke

from armsim.cli.options import parse_changes
from armsim.decide.sweep import values_of
from armsim.documents.load import load_changed, load_scenario
from armsim.errors import InputError
from armsim.scenario import Scenario

DISCS = ROOT / "configs" / "catalogues" / "discs.yaml"
ENCODER = """kind: encoder
name: measured
measures: rotation
lines: 512
interpolation: 12 bit
track_radius: 20 mm
graduation_error: 5 arcsec
error_curves: {file: batch.csv, orders: [1], replaces: [graduation error]}
"""
SCENARIO = """kind: scenario
name: two
arm: {arm}
joints:
  j1: {{encoder: {first}, placement: output}}
  j2: {{encoder: {second}, placement: output}}
tasks: [{{kind: poses, name: t, poses: [{{name: p, joints: [10 deg, 20 deg]}}]}}]
sampling: {{units: 20, visits: 2, seed: 1}}
"""
ARM = """kind: arm
name: two links
kinematics:
  convention: standard-dh
  joints:
    - {name: j1, type: revolute, d: 0 mm, a: 400 mm, alpha: 0 deg, range: [-170 deg, 170 deg]}
    - {name: j2, type: revolute, d: 0 mm, a: 300 mm, alpha: 0 deg, range: [-170 deg, 170 deg]}
"""


def batch(size: float) -> str:
    rows = [f"{sensor},{angle},{size * (sensor + 1) * (1 if angle < 180 else -1)}"
            for sensor in range(5) for angle in range(0, 360, 30)]  # fmt: skip
    return "\n".join(["sensor,angle [deg],error [arcsec]", *rows, ""])


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """An encoder under two names, beside each of which lies a batch of another size."""
    for folder, size in (("disc", 4.0), ("link", 400.0), ("cell", 1.0)):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "batch.csv").write_text(batch(size))
    (tmp_path / "disc" / "e.yaml").write_text(ENCODER)
    (tmp_path / "link" / "e.yaml").symlink_to("../disc/e.yaml")
    (tmp_path / "cell" / "arm.yaml").write_text(ARM)
    return tmp_path / "cell"


@pytest.mark.parametrize("names", [("link", "disc"), ("disc", "link"), ("link", "link")])
@pytest.mark.parametrize("changes", [(), ("--set", "joints.j2.encoder.price=99")])
def test_a_file_names_the_same_under_each_of_its_names(
    tree: Path, names: tuple[str, str], changes: tuple[str, ...]
) -> None:
    """The batch beside the file itself, whatever name comes first and whatever is changed. Source: the plain scenario."""
    first, second = (f"../{name}/e.yaml" for name in names)
    (tree / "s.yaml").write_text(SCENARIO.format(arm="arm.yaml", first=first, second=second))
    (tree / "plain.yaml").write_text(SCENARIO.format(arm="arm.yaml", first="../disc/e.yaml", second="../disc/e.yaml"))

    def sizes(scenario: Scenario) -> list[list[float]]:
        terms = (joint.sensor_terms() for joint in scenario.machine.joints)
        return [[float(np.trace(term.second_moment)) for term in item] for item in terms]

    actual = load_changed(load_scenario(tree / "s.yaml"), parse_changes(changes[1:]))
    assert sizes(actual) == sizes(load_scenario(tree / "plain.yaml"))


def test_what_is_written_into_a_linked_folder_is_read_from_there(tmp_path: Path) -> None:
    (tmp_path / "real" / "deep").mkdir(parents=True)
    (tmp_path / "short").symlink_to(tmp_path / "real" / "deep")
    out = tmp_path / "short" / "chosen.yaml"
    coarse = ("--set", "tasks.side view.step=240 mm")
    process = invoke("select", ROOT / "scenarios" / "bonding-cell.yaml", "--catalogue", few_discs(tmp_path), "--write", out, "--units",
                  64, "--visits", 2, *coarse)  # fmt: skip
    assert process.returncode in (0, 4), process.stderr
    assert invoke("check", out).returncode == 0


def test_a_mark_in_a_path_is_no_mark_of_an_entry(tree: Path) -> None:
    """A folder a#b, a file e#1.yaml, an encoder disc #2 of a catalogue."""
    folder = tree.parent / "a#b"
    folder.mkdir()
    (folder / "e#1.yaml").write_text(ENCODER)
    (folder / "batch.csv").write_text(batch(4.0))
    text = (
        DISCS.read_text().replace("disc 13 128,", '"disc #13",').replace("../encoders", str(ROOT / "configs/encoders"))
    )
    (folder / "c.yaml").write_text(text)
    path = tree / "s.yaml"
    path.write_text(SCENARIO.format(arm="arm.yaml", first="'../a#b/e#1.yaml'", second="'../a#b/c.yaml#disc #13'"))
    joints = load_scenario(path).machine.joints
    assert [joint.encoder.name for joint in joints] == ["measured", "disc #13"]
    changed = invoke("check", path, "--set", "joints.j2.encoder.price=3", "--set", "joints.j1.encoder.price=4")
    assert changed.returncode == 0, changed.stderr


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("joints.j2.mastring=null", "no stated key 'mastring'"),
        ("foo=null", "no stated key 'foo'"),
        ("joints.j9=null", "no stated key 'j9'"),
        ("joints.j1.mastering=", "no value; accepted: a value as written in a file; null removes the key"),
        ("joints.j1.mastering=---", "no value"),
        ("joints.*=null", "joints"),
        ("joints.j1.transmission.ratio=!!bool maybe", "cannot be read"),
    ],
)
def test_a_slip_in_a_change_is_told(text: str, message: str) -> None:
    process = invoke("check", ROOT / "scenarios" / "bonding-cell.yaml", "--set", text)
    assert process.returncode == 2
    assert message in process.stderr
    assert "internal" not in process.stderr
    assert "armsim itself" not in process.stderr


def test_changes_are_of_scenarios() -> None:
    process = invoke("check", ROOT / "configs" / "encoders" / "disc-13.yaml", "--set", "graduation_error=99 arcsec")
    assert process.returncode == 2
    assert "a scenario, whose values it changes" in process.stderr


def test_a_count_with_an_exponent_is_a_count() -> None:
    process = invoke("check", ROOT / "scenarios" / "bonding-cell.yaml", "--set", "sampling.units=1e2")
    assert process.returncode == 0, process.stderr
    assert invoke("check", ROOT / "scenarios" / "bonding-cell.yaml", "--set", "sampling.units=1.5").returncode == 2


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("0100..0200:2", "'0100' is not a decimal number"),
        ("0100um..0200um:2", "'0100um' is not a decimal number"),
        ("1_0..20:2", "'1_0' is not a decimal number"),
        ("50..100:3_0", "'3_0' values"),
        ("50..100:３", "values"),
        ("5um..4mm:2", "two units, um and mm"),
        ("5..6", "no FROM..TO"),
        ("5..6:1", "'1' values"),
    ],
)
def test_a_sweep_reads_numbers_as_files_do(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message.replace(".", r"\.")) as caught:
        values_of(text)
    assert "--sweep" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "values"),
    [("0.5..1.5:2", ["0.5", "1.5"]), ("-1e3..1e3:3", ["-1000", "0", "1000"]), (".5um..1um:2", ["0.5 um", "1 um"]),
     ("5 um .. 40 um:2", ["5 um", "40 um"]), ("0..2:3", ["0", "1", "2"])],
)  # fmt: skip
def test_what_a_sweep_takes(text: str, values: list[str]) -> None:
    assert values_of(text) == values
