"""Every CSV file is read by one reader: finite numbers of a sensible size, in a time that grows with the file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from relative_cost import Reference
from support import ROOT, planar_arm

from armsim.documents.calibration_document import read_joint_positions
from armsim.documents.curve_file import read_curves
from armsim.documents.measured_points import read_points
from armsim.documents.waypoints import read_waypoints
from armsim.errors import InputError

ARM = planar_arm(0.4, 0.3)
TURN = "".join(f"{angle},{angle % 7}\n" for angle in range(0, 360, 30))
TABLES: dict[str, tuple[Callable[[Path], Any], str]] = {
    "curve": (read_curves, "angle [deg],error [arcsec]\n" + TURN),
    "linear curve": (read_curves, "position [mm],error [um]\n" + TURN),
    "points": (
        lambda path: read_points(path, {"p": (np.zeros(1), np.zeros(3))}),
        "pose,x [mm],y [mm],z [mm]\np,0,1,2\np,1,0,2\n",
    ),
    "waypoints": (lambda path: read_waypoints(path, ARM), "x [mm],y [mm],z [mm]\n0,1,2\n1,0,2\n"),
    "turns": (
        lambda path: read_waypoints(path, ARM),
        "x [mm],y [mm],z [mm],roll [deg],pitch [deg],yaw [deg]\n0,1,2,0,0,0\n1,0,2,0,0,0\n",
    ),
    "joint waypoints": (lambda path: read_waypoints(path, ARM), "j1 [deg],j2 [rad]\n0,1\n1,0\n"),
    "poses": (lambda path: read_joint_positions(path, ARM), "j1 [deg],j2 [rad]\n0,1\n1,0\n"),
}


def test_there_is_one_reader() -> None:
    readers = [path.name for path in (ROOT / "armsim").rglob("*.py") if "csv.reader" in path.read_text()]
    assert readers == ["csv_columns.py"]


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize(
    "cell",
    [
        "1e400",
        "-1e400",
        "1e308",
        "1e15",
        "nan",
        "inf",
        "-Infinity",
        "1_0",
        "0x10",
        "\u0661",
        "",
        "1 2",
        "1e",
        "9" * 400,
    ],
)
def test_a_cell_that_is_no_finite_number(table: str, cell: str, tmp_path: Path) -> None:
    """In the place of every number of the second row: one error, of that line and column."""
    read, text = TABLES[table]
    file = tmp_path / "t.csv"
    file.write_text(text)
    read(file)
    header, first, second, *others = text.splitlines()
    for column, name in enumerate(header.split(",")):
        if "[" in name:
            cells = second.split(",")
            cells[column] = cell
            file.write_text("\n".join([header, first, ",".join(cells), *others, ""]), encoding="utf-8")
            with pytest.raises(InputError) as caught:
                read(file)
            (problem,) = caught.value.problems
            assert (problem.file, problem.line, problem.key) == (str(file), 3, name.partition(" ")[0])


def test_faults_beyond_those_that_are_told_are_counted(tmp_path: Path) -> None:
    read, text = TABLES["curve"]
    file = tmp_path / "t.csv"
    file.write_text(text + "x,1\n" * 1000)
    with pytest.raises(InputError) as caught:
        read(file)
    assert len(caught.value.problems) == 100
    assert caught.value.problems[-1].actual == "901 more errors of this kind"


def sensors(number: int) -> str:
    rows = (f"s{n},{angle},{angle % 7}" for n in range(number) for angle in range(0, 360, 45))
    return "\n".join(["sensor,angle [deg],error [arcsec]", *rows, ""])


def arms(number: int) -> str:
    rows = (f"a{n},p,{way},{visit},0,0" for n in range(number) for way in ("left", "right") for visit in range(4))
    return "\n".join(["arm,pose,direction,x [mm],y [mm],z [mm]", *rows, ""])


def visits(number: int) -> str:
    rows = (f"a,p,w{visit // 2},{visit / number},0,0" for visit in range(8 * number))
    return "\n".join(["arm,pose,direction,x [mm],y [mm],z [mm]", *rows, ""])


@pytest.mark.parametrize(
    ("rows", "read"), [(sensors, read_curves), (arms, TABLES["points"][0]), (visits, TABLES["points"][0])]
)
def test_the_work_grows_with_the_rows(rows: Callable[[int], str], read: Callable[[Path], Any], tmp_path: Path) -> None:
    """Four times as many sensors, arms or visits are four times the work, and not sixteen times."""
    small, large = tmp_path / "small.csv", tmp_path / "large.csv"
    small.write_text(rows(500))
    large.write_text(rows(2000))
    assert Reference(lambda: read(small)).ratio(lambda: read(large), 8.0) <= 8.0


@pytest.mark.parametrize(
    "text",
    [
        "pose;X [mm];Y [mm];Z [mm]\np;0,5;1;2\np;1;-2,25e1;2\n",
        "pose\tx (mm)\ty (mm)\tz (mm)\np\t0,5\t1\t2\np\t1\t-22.5\t2\n",
        "Pose,x_mm,y_mm,z_mm\np,0.5,1,2\np,1,-22.5,2\n",
        'pose,x/mm,y/m,z/um\n"p",0.5,0.001,2000\np,1,-0.0225,2000\n',
    ],
)
def test_tables_as_instruments_write_them(tmp_path: Path, text: str) -> None:
    """Separators, decimal commas and units in a header. Source: read by hand."""
    path = tmp_path / "points.csv"
    path.write_text(text)
    (arm,) = read_points(path, {"p": (np.zeros(1), np.zeros(3))})
    np.testing.assert_allclose(arm.visits["p"], [[0.5e-3, 1e-3, 2e-3], [1e-3, -22.5e-3, 2e-3]])


def test_a_refused_header_tells_what_was_read(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    path.write_text("pose;x [mm];y [mm];height [mm]\np;0;1;2\n")
    read = r"read: pose as words, x \[mm\] as length, y \[mm\] as length, 'height \[mm\]' not read"
    with pytest.raises(InputError, match=rf"'height \[mm\]' is not a known column; {read}"):
        read_points(path, {"p": (np.zeros(1), np.zeros(3))})
