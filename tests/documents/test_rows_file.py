"""Tables of rows as CSV, and the starter that is made of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from support import invoke

from armsim.documents.load import check_file

SCARA = """joint,type,theta [deg],d [mm],a [mm],alpha [deg],lower [deg],upper [deg],from [mm],to [mm]
1,revolute,0,300,0,0,-130,130,0,0
2,revolute,0,0,250,0,-140,140,0,0
lift,prismatic,0,10,200,180,0,0,0,170
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
    text = (tmp_path / "cell" / "arm.yaml").read_text()
    assert "modified-dh" in text
    # heights along parallel axes at the base are one with that of the instrument: none has a tolerance
    assert text.count("tolerances: {d: 0 mm") == 4
    rows = scenario.machine.joints  # type: ignore[union-attr]
    assert [joint.mastering.scale > 0.0 for joint in rows] == [False, True, False, False]
    assert "--measured" in process.stdout


def test_a_degree_sign_is_a_unit(tmp_path: Path) -> None:
    texts = []
    for name, unit in (("words", "[deg]"), ("signs", "(°)")):
        (tmp_path / "scara.csv").write_text(SCARA.replace("[deg]", unit), encoding="utf-8")
        assert invoke("new", tmp_path / name, "--rows", tmp_path / "scara.csv").returncode == 0
        texts.append((tmp_path / name / "arm.yaml").read_text())
    assert texts[0] == texts[1]


def test_cells_that_do_not_apply_may_be_empty(tmp_path: Path) -> None:
    lines = ["joint,type,offset [deg],d [mm],a [mm],alpha [deg],lower [deg],upper [deg],from [mm],to [mm]",
             "1,revolute,,300,250,0,-130,130,,", "2,revolute,,0,200,180,,,,", "3,prismatic,,,0,0,,,0,170"]  # fmt: skip
    (tmp_path / "rows.csv").write_text("\n".join(lines) + "\n")
    process = invoke("new", tmp_path / "cell", "--rows", tmp_path / "rows.csv")
    assert process.returncode == 0, process.stderr
    arm = check_file(tmp_path / "cell" / "scenario.yaml").machine.arm  # type: ignore[union-attr]
    assert np.degrees(arm.upper[0]) == pytest.approx(130.0)
    assert np.isinf(arm.upper[1])
    assert arm.upper[2] == pytest.approx(0.17)


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        (SCARA.replace("prismatic", "screw"), "csv:4:1: type: 'screw'"),
        (SCARA.replace("lift", "1"), "csv:4:1: joint: two joints named 'j1'"),
        (SCARA.replace(",to [mm]", ",upto [mm]"), "'upto [mm]'"),
        (SCARA.replace("alpha [deg]", "theta [deg]"), "two columns"),
        (SCARA.splitlines()[0] + "\n", "0 rows"),
        ("a [mm],d [mm],alpha [deg],lower [deg]\n1,2,3,4\n", "no column 'upper'"),
        (SCARA.replace("0,0,0,170", "0,0,0,"), "csv:4:1: to: nothing; accepted: from and to: the range of lift"),
        (SCARA.replace("0,300,0", "0,,0"), "csv:2:1: d: nothing"),
    ],
)
def test_a_fault_of_the_table_is_told_and_nothing_is_made(changed: str, message: str, tmp_path: Path) -> None:
    (tmp_path / "rows.csv").write_text(changed)
    process = invoke("new", tmp_path / "cell", "--rows", tmp_path / "rows.csv")
    assert process.returncode == 2
    assert message in process.stderr
    assert not (tmp_path / "cell").exists()
