"""What the numbers are held against, as the table of the manual: python tests/validation.py [--write]

Every row is worked out here and now, beside a library or a publication; with --write it goes into the page, with the day
and the machine. The tests of the same names hold far more; this is what a reader can look at.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE / "published")]

import numpy as np  # noqa: E402
from manual_tables import printed_on, write_between  # noqa: E402
from support import published_arm  # noqa: E402
from test_jcgm_101 import model, symmetric  # noqa: E402
from test_kinematics_models import MODELS, URDF, poses, urdf_tools  # noqa: E402

from armsim.errormodel.distributions import Distribution  # noqa: E402
from armsim.sampling import statistics as stats  # noqa: E402

START, END = "<!-- validation -->\n", "<!-- end of validation -->"
Row = tuple[str, str, str, float, float]
"""What is worked out, its source, the unit, the number or largest difference, and the published number (0 of a difference)."""


def rows_of_published_arms() -> tuple[float, float]:
    """Largest differences of tool positions [m] and of the Jacobian [m/rad or 1] of arms in rows."""
    position = jacobian = 0.0
    for name in MODELS:
        arm, robot = published_arm(name)
        robot.tool, robot.base = np.eye(4), np.eye(4)
        q = poses(arm, 50)
        at = arm.postures(q)
        for number, row in enumerate(q):
            position = max(position, float(np.abs(at.tool[number] - robot.fkine(row).A)[:3, 3].max()))
            jacobian = max(jacobian, float(np.abs(at.column[number].T - robot.jacob0(row)[:3]).max()))
    return position, jacobian


def urdf_difference() -> float:
    """Largest difference of tool positions of arms in URDF files. [m]"""
    largest = 0.0
    for parts, base, tip in URDF:
        for tool, expected in urdf_tools(parts, base, tip):
            largest = max(largest, float(np.abs(tool - expected)[:3, 3].max()))
    return largest


def validation_rows() -> list[Row]:
    """Rows of the table."""
    position, jacobian = rows_of_published_arms()
    root = np.sqrt(3)
    normal = model(*[Distribution("normal", 1.0)] * 4)
    flat = model(*[Distribution("uniform", root)] * 4)
    dominant = model(*[Distribution("uniform", root)] * 3, Distribution("uniform", 10 * root))
    points = np.array([[0.0, 0, 0, 4], [0, 0, 0, 0], [0, 0, 0, 0]])
    jcgm = "JCGM 101:2008, {}"
    return [
        (f"tool positions of {len(MODELS)} published arms in rows, 50 poses each", "roboticstoolbox", "m", position, 0.0),
        ("their Jacobians", "roboticstoolbox", "m/rad", jacobian, 0.0),
        (f"tool positions of {len(URDF)} arms in URDF files, 20 poses each", "pinocchio", "m", urdf_difference(), 0.0),
        ("upper end of the interval, four normal quantities", jcgm.format("9.2.2"), "", symmetric(normal)[1], 3.92),
        ("upper end, four rectangular quantities", jcgm.format("9.2.3"), "", symmetric(flat)[1], 3.88),
        ("upper end, one of them dominant", jcgm.format("9.2.4"), "", symmetric(dominant)[1], 17.0),
        ("AP of the points x = 0, 0, 0, 4", "ISO 9283:1998, 7.2.1, by hand", "", float(stats.pose_accuracy(points)), 1.0),
        ("RP of these points", "ISO 9283:1998, 7.2.2, by hand", "", float(stats.pose_repeatability(points)), 4.5),
    ]  # fmt: skip


def cells(row: Row) -> str:
    """A row of the table, a difference to one digit, a number to those of its publication."""
    what, source, unit, value, published = row
    if published:
        return f"| {what} | {source} | {value:.3g} | {published:.3g} |"
    return f"| {what} | {source} | {value:.0e} {unit} at most | 0 |"


def table() -> str:
    """The table with the day and the machine."""
    head = f"{printed_on()}\n\n"
    columns = "| what | held against | here | there |\n| --- | --- | --- | --- |\n"
    return head + columns + "".join(f"{cells(row)}\n" for row in validation_rows())


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--write", action="store_true")
    text = table()
    print(text)
    if parser.parse_args().write:
        write_between(START, END, text)


if __name__ == "__main__":
    main()
