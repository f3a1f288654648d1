"""What a hostile user found, kept from coming back."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from support import BLANK, ROOT, invoke

COMMAND = [sys.executable, "-m", "armsim"]
LESSON = ROOT / "scenarios" / "lessons" / "eccentricity.yaml"
SMALL = ["--units", "100", "--visits", "2"]
ONE = """\
kind: scenario
name: {name}
arm:
  kind: arm
  name: one
  kinematics: {{convention: standard-dh, joints: [{{name: j1, type: revolute, d: 0 mm, a: 300 mm, alpha: 0 deg, range: [-170 deg, 170 deg]}}]}}
joints:
  j1: {{encoder: {{kind: encoder, name: disc, measures: rotation, signal_periods: 128, interpolation: 10 bit, track_radius: 8 mm, graduation_error: 10 arcsec, price: 5}}, placement: output}}
requirement: {{position: {position}}}
tasks:
  - {{kind: poses, name: "{task}", poses: [{{name: "{pose}", joints: [10 deg]}}{more}]}}
sampling: {{units: {units}, visits: 3}}
"""
CATALOGUE = """\
kind: catalogue
name: one
placements: {output: 0}
mountings: [{name: plain, price: 0, mounting: {eccentricity: 10 um}}]
encoders:
  - {encoder: {kind: encoder, name: disc, measures: rotation, signal_periods: 128, interpolation: 10 bit, track_radius: 8 mm, price: 5}}
"""


def one(folder: Path, **changes: str) -> Path:
    arguments = {
        "name": "one",
        "position": "1 mm",
        "task": "stations",
        "pose": "p",
        "more": "",
        "units": "100",
        **changes,
    }
    (folder / "one.yaml").write_text(ONE.format(**arguments))
    (folder / "catalogue.yaml").write_text(CATALOGUE)
    return folder / "one.yaml"


def armsim(*arguments: object, **more: object) -> subprocess.CompletedProcess[str]:
    if not more:
        return invoke(*arguments)
    return subprocess.run([*COMMAND, *map(str, arguments)], capture_output=True, text=True, check=False, **more)  # type: ignore[call-overload,no-any-return]


def test_a_folder_with_things_of_the_user_is_not_replaced(tmp_path: Path) -> None:
    """Inputs beside the result, notes inside its tables, a folder that only looks like a result."""
    project = tmp_path / "project"
    (project / "tables").mkdir(parents=True)
    path = one(project / "tables")
    process = armsim("run", path, "--out", project)
    assert process.returncode == 2
    assert "holds other things than a result" in process.stderr
    assert path.exists()
    out = tmp_path / "out"
    assert armsim("run", path, "--out", out).returncode in (0, 4)
    (out / "tables" / "notes.txt").write_text("mine")
    process = armsim("run", path, "--out", out)
    assert process.returncode == 2
    assert "tables/notes.txt" in process.stderr
    assert (out / "tables" / "notes.txt").read_text() == "mine"
    (out / "tables" / "notes.txt").unlink()
    assert armsim("run", path, "--out", out).returncode in (0, 4)
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    for wrong in (tmp_path / "loop", tmp_path / ("x" * 300)):
        process = armsim("run", path, "--out", wrong)
        assert process.returncode == 2, process.stderr
        assert "--out" in process.stderr


def test_brackets_in_names_are_printed_as_they_are(tmp_path: Path) -> None:
    path = one(tmp_path, name='"q [/i]"', task="st [/b] [red]", pose="p [/x]", position="1 nm")
    process = armsim("run", path, "--out", tmp_path / "r")
    assert process.returncode == 1, process.stderr
    assert "[/b] [red]" in process.stdout
    assert armsim("what-if", path).returncode == 0
    assert armsim("select", path, "--catalogue", tmp_path / "catalogue.yaml").returncode == 1


def test_a_pose_out_of_reach_is_told_by_the_deciding_commands(tmp_path: Path) -> None:
    path = one(tmp_path, more=", {name: far, xyz: [900 mm, 0 mm, 0 mm]}")
    chosen = armsim("select", path, "--catalogue", tmp_path / "catalogue.yaml")
    assert chosen.returncode == 1, chosen.stderr
    output = " ".join(chosen.stdout.split())
    assert "No choice can meet the requirement, whatever the sensors" in output
    assert "far cannot be reached" in output
    assert "was examined" not in output
    budget = armsim("allocate", path)
    assert budget.returncode in (1, 3)
    assert "cannot reach far" in budget.stdout + budget.stderr
    assert "cannot be reached and are left out" in armsim("what-if", path).stderr


def test_many_faults_are_told_in_few_lines(tmp_path: Path) -> None:
    (tmp_path / "many.yaml").write_text("kind: scenario\n" + "".join(f"k{n}: {n}\n" for n in range(20_000)))
    process = armsim("check", tmp_path / "many.yaml")
    assert process.returncode == 2
    assert "more errors" in process.stderr
    assert len(process.stderr.splitlines()) < 200


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('x [mm],y [mm],z [mm]\n300,"-80\n1",0\n310,-80,0\n', ["2:1", "over several lines"]),
        ("x [mm],y [mm],z [mm]\n1,nan,0\nq,2,0\n1,2\n", ["2:1", "3:1", "4:1"]),
        ("x [mm],y [mm],z [mm]\n3_10,0,0\n1,2,3\n", ["not a number"]),
        ("x [mm],y [mm],z [mm]\n\u0663\u0661\u0660,0,0\n1,2,3\n", ["not a number"]),
        ("x [mm],y [mm],z [mm]\n1e12,0,0\n1,2,3\n", ["out of range"]),
    ],
)
def test_waypoints_that_are_none(tmp_path: Path, text: str, message: list[str]) -> None:
    path = one(tmp_path)
    task = "tasks:\n  - {kind: path, name: seam, step: 5 mm, speed: 10 mm/s, file: seam.csv}\n"
    path.write_text(path.read_text().replace("tasks:\n", task))
    (tmp_path / "seam.csv").write_text(text, encoding="utf-8")
    process = armsim("check", path)
    assert process.returncode == 2
    for part in message:
        assert part in process.stderr


@pytest.mark.parametrize("number", ["1:30", "0x14", "0b11", "1_000", "017:20"])
def test_numbers_in_other_notations_are_not_taken(tmp_path: Path, number: str) -> None:
    process = armsim("check", one(tmp_path, units=number))
    assert process.returncode == 2
    assert "notation" in process.stderr or "whole number" in process.stderr


def test_a_long_value_is_cut_in_its_message(tmp_path: Path) -> None:
    process = armsim("check", one(tmp_path, position="1" * 10_000 + " um"))
    assert process.returncode == 2
    assert len(process.stderr) < 2_000


def test_where_only_the_printing_fails(tmp_path: Path) -> None:
    path = one(tmp_path)
    with Path("/dev/full").open("w") as full:
        process = subprocess.run(
            [*BLANK, "run", str(path), "--out", str(tmp_path / "r"), "--json"],
            stdout=full,
            stderr=subprocess.PIPE,
            check=False,
        )
    assert process.returncode == 3
    assert b"is written and complete" in process.stderr
    assert json.loads((tmp_path / "r" / "results.json").read_text())["scenario"] == "one"
    plain = armsim("run", path, env={"PYTHONIOENCODING": "ascii", "PATH": "/usr/bin:/bin"})
    assert plain.returncode == 0, plain.stderr


def test_the_command_line_has_the_bounds_of_the_documents(tmp_path: Path) -> None:
    for option, value in (("--seed", 10**23), ("--units", 10**11), ("--visits", 10**9)):
        assert armsim("run", one(tmp_path), option, value).returncode == 2
    assert (
        armsim("select", one(tmp_path), "--catalogue", tmp_path / "catalogue.yaml", "--write", tmp_path).returncode == 2
    )
