"""A session before it is measured: which poses, in whose sight, in what order, what they leave."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from support import ROOT, invoke

from armsim.documents.load import load_changed, load_scenario

CELL = ROOT / "scenarios" / "bonding-cell.yaml"
INSTRUMENT = {"std": "10 um", "position": ["1.5 m", "0.3 m", "0.5 m"], "target_offset": ["0 mm", "20 mm", "20 mm"],
              "normal": [0, 1, 1], "acceptance_angle": "40 deg"}  # fmt: skip
BLOCK = {"instrument": INSTRUMENT, "poses": {"candidates": 400, "count": 8}, "visits": 2, "identify": {"zeros": True}}
SPEEDS = {"j1": 120, "j2": 90, "j3": 120, "j4": 250, "j5": 250, "j6": 400}
"""Of the joints. [deg/s]"""
ONE = [{"kind": "poses", "name": "one", "poses": [{"name": "p", "joints": ["0 deg"] * 6}]}]


def planned(folder: Path, block: dict[str, object]) -> Path:
    motion = {"sample_time": "1 ms", "joints": {name: {"speed": f"{speed} deg/s"} for name, speed in SPEEDS.items()}}
    changes = {"calibration": block, "sampling": {"units": 40, "visits": 3, "seed": 7}, "tasks": ONE, "motion": motion,
               "requirement": None}  # fmt: skip
    file = folder / "plan.yaml"
    file.write_text(json.dumps({"kind": "scenario", "name": "plan", "base": str(CELL), "changes": changes}))
    return file


def test_chosen_poses_are_in_sight_and_the_moves_are_timed(tmp_path: Path) -> None:
    """The angle between normal and line of sight by scipy's rotations from the frames of roboticstoolbox's chain; time
    of a move by the joint that takes longest; the order is no longer than that of the candidates' numbers."""
    answer = invoke("calibrate", planned(tmp_path, BLOCK), "--out", tmp_path / "out", "--json")
    assert answer.returncode == 0, answer.stderr
    record = json.loads(answer.stdout)
    arm = load_changed(load_scenario(CELL), {}).machine.arm
    robot = arm.to_robot()
    assert len(record["poses"]) == 8
    assert record["candidates"] < record["offered"] == 400
    for pose in record["poses"]:
        frame = robot.fkine(pose["joints"]).A
        turn = Rotation.from_matrix(frame[:3, :3])
        target = frame[:3, 3] + turn.apply([0.0, 0.02, 0.02])
        assert np.allclose(target, pose["position"], atol=1e-9)
        line, normal = np.array([1.5, 0.3, 0.5]) - target, turn.apply([0.0, 1.0, 1.0])
        cosine = line @ normal / np.linalg.norm(line) / np.linalg.norm(normal)
        assert math.degrees(math.acos(cosine)) <= 40.0 + 1e-9
    speeds = np.radians(list(SPEEDS.values()))
    joints = np.array([pose["joints"] for pose in record["poses"]])
    times = [pose["move"] for pose in record["poses"]]
    assert times[0] is None
    assert times[1:] == pytest.approx(np.max(np.abs(np.diff(joints, axis=0)) / speeds, axis=1))
    numbered = joints[np.argsort([int(pose["name"].split()[1]) for pose in record["poses"]])]
    assert sum(times[1:]) <= np.max(np.abs(np.diff(numbered, axis=0)) / speeds, axis=1).sum()
    rows = list(csv.DictReader((tmp_path / "out" / "tables" / "poses.csv").open()))
    assert [row["pose"] for row in rows] == [pose["name"] for pose in record["poses"]]
    page = (tmp_path / "out" / "report.html").read_text()
    assert "in sight of the instrument, of 400" in page
    assert page.index("Where to measure</") < page.index("Residual error</")


@pytest.mark.parametrize(
    ("changed", "problem"),
    [
        ({"acceptance_angle": "0.01 deg"}, "none of 400 poses"),
        ({"normal": [0, 0, 0]}, "no direction"),
        ({"acceptance_angle": "-5 deg"}, "too small"),
    ],
)
def test_a_cone_that_sees_nothing_is_an_error(changed: dict[str, object], problem: str, tmp_path: Path) -> None:
    file = planned(tmp_path, {**BLOCK, "instrument": {**INSTRUMENT, **changed}})
    answer = invoke("calibrate", file, "--out", tmp_path / "out")
    assert answer.returncode == 2
    assert problem in answer.stderr
    assert "plan.yaml" in answer.stderr
    assert not (tmp_path / "out").exists()
