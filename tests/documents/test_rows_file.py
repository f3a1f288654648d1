"""Tables of rows as CSV, and the starter that is made of them."""

from __future__ import annotations

from pathlib import Path

import pytest
from support import invoke

from armsim.documents.load import check_file

SCARA = """joint,type,theta [deg],d [mm],a [mm],alpha [deg],lower [deg],upper [deg],from [mm],to [mm]
1,revolute,0,300,250,0,-130,130,0,0
2,revolute,0,0,200,180,-140,140,0,0
lift,prismatic,0,10,0,0,0,0,0,170
turn,revolute,5,0,0,0,-180,180,0,0
"""


def test_a_scara_becomes_a_scenario_that_is_good(tmp_path: Path) -> None:
    (tmp_path / "scara.csv").write_text(SCARA)
    process = invoke("new", tmp_path / "cell", "--rows", tmp_path / "scara.csv", "--convention", "modified-dh")
    assert process.returncode == 0, process.stderr
    scenario = check_file(tmp_path / "cell" / "scenario.yaml")
    arm = scenario.machine.arm  # type: ignore[union-attr]
    assert arm.names == ("j1", "j2", "lift", "turn")
    assert [joint.revolute for joint in arm.joints] == [True, True, False, True]
    assert arm.upper[2] == pytest.approx(0.17)
    assert check_file(tmp_path / "cell" / "arm.yaml").name == "scara"  # type: ignore[union-attr]
    assert "modified-dh" in (tmp_path / "cell" / "arm.yaml").read_text()
    assert "--measured" in process.stdout


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        (SCARA.replace("prismatic", "screw"), "csv:4:1: type: 'screw'"),
        (SCARA.replace("lift", "1"), "csv:4:1: joint: two joints named 'j1'"),
        (SCARA.replace(",to [mm]", ",upto [mm]"), "'upto [mm]'"),
        (SCARA.replace("alpha [deg]", "theta [deg]"), "two columns"),
        (SCARA.splitlines()[0] + "\n", "0 rows"),
        ("a [mm],d [mm],alpha [deg],lower [deg]\n1,2,3,4\n", "no column 'upper'"),
    ],
)
def test_a_fault_of_the_table_is_told_and_nothing_is_made(changed: str, message: str, tmp_path: Path) -> None:
    (tmp_path / "rows.csv").write_text(changed)
    process = invoke("new", tmp_path / "cell", "--rows", tmp_path / "rows.csv")
    assert process.returncode == 2
    assert message in process.stderr
    assert not (tmp_path / "cell").exists()
