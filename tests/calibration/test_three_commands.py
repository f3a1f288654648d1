"""From rows and a tracker's export to the arm that runs, for arms of seven axes and with slides; by pinocchio.

Three things are given: the table of the drawing, the export, and nothing else. The hidden arm has zeros of 1.5 mrad or
0.2 mm, links of 0.2 mm and 0.6 mrad.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pinocchio as pin
import pytest
import yaml
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation
from support import invoke

from armsim.calibration.registration import fit_registrations
from armsim.documents.absorbed_rows import absorbed_parameters
from armsim.model.calibration_plan import Instrument

POSES, FRESH, NOISE = 60, 300, 15e-6
SPREADS = {"r": (1.5e-3, 0.2e-3, 0.2e-3, 0.6e-3), "p": (0.0, 0.2e-3, 0.2e-3, 0.6e-3)}
"""Hidden errors of theta [rad], d [m], a [m], alpha [rad] of the row of a joint that turns or slides."""
TURN, ORIGIN = Rotation.from_euler("xyz", [0.02, -0.01, 2.1]), np.array([2.6, -1.1, 0.4])
TARGET = np.array([0.012, -0.007, 0.045])
FRAME = Instrument((NOISE,) * 3, pose="identified", target="identified")


@dataclass(frozen=True)
class Invented:
    """An invented arm: for every joint whether it turns (r) or slides (p), theta [deg], d [mm], a [mm], alpha [deg] and the
    ends of its range [deg or mm]."""

    table: tuple[tuple[str, float, float, float, float, float, float], ...]
    modified: bool = False

    @property
    def kinds(self) -> str:
        """Kinds of the joints."""
        return "".join(row[0] for row in self.table)

    @cached_property
    def rows(self) -> np.ndarray:
        """Theta [rad], d [m], a [m], alpha [rad] as drawn."""
        return np.array([row[1:5] for row in self.table]) * [math.pi / 180, 1e-3, 1e-3, math.pi / 180]

    def joints(self, count: int, seed: int) -> np.ndarray:
        """Joint positions as a controller displays them, shape (count, joints). [rad or m]"""
        low, high = np.array([row[5:7] for row in self.table]).T
        displayed = np.round(np.random.default_rng(seed).uniform(low, high, (count, len(low))), 2)
        return np.asarray(displayed * [math.pi / 180 if kind == "r" else 1e-3 for kind in self.kinds])

    def tools(self, rows: np.ndarray, joints: np.ndarray) -> np.ndarray:
        """Poses of the flange, shape (poses, 4, 4). [m]"""
        out = []
        for q in joints:
            frame = pin.SE3.Identity()
            for (theta, d, a, alpha), kind, value in zip(rows, self.kinds, q, strict=True):
                turning = kind == "r"
                along = pin.SE3(
                    pin.utils.rotate("z", float(theta + turning * value)), np.array([0, 0, d + (not turning) * value])
                )
                across = pin.SE3(pin.utils.rotate("x", float(alpha)), np.array([a, 0, 0]))
                frame = frame * across * along if self.modified else frame * along * across
            out.append(frame.homogeneous)
        return np.array(out)

    def points(self, rows: np.ndarray, joints: np.ndarray) -> np.ndarray:
        """Places of the target in the frame of the tracker, shape (poses, 3). [m]"""
        tools = self.tools(rows, joints)
        return np.asarray(TURN.apply(tools[:, :3, 3] + tools[:, :3, :3] @ TARGET - ORIGIN))

    @property
    def hidden(self) -> np.ndarray:
        """Rows as built."""
        return self.rows + np.random.default_rng(5).normal(0.0, [SPREADS[kind] for kind in self.kinds])

    @property
    def kinematics(self) -> dict[str, Any]:
        """The table as an arm document holds it."""
        joints = []
        for n, (kind, theta, d, a, alpha, low, high) in enumerate(self.table):
            unit, fixed = ("deg", {"d": f"{d} mm"}) if kind == "r" else ("mm", {"theta": f"{theta} deg"})
            offset = f"{theta} deg" if kind == "r" else f"{d} mm"
            joints.append(
                {"name": f"j{n + 1}", "type": "revolute" if kind == "r" else "prismatic", **fixed, "a": f"{a} mm",
                 "alpha": f"{alpha} deg", "offset": offset, "range": [f"{low} {unit}", f"{high} {unit}"]}
            )  # fmt: skip
        return {"convention": "modified-dh" if self.modified else "standard-dh", "joints": joints}

    def written(self, folder: Path) -> tuple[Path, Path]:
        """Table and export."""
        head = "Joint;Type;Theta (°);d (mm);a (mm);Alpha (°);lower (°);upper (°);from (mm);to (mm)"
        lines = [head]
        for n, (kind, theta, d, a, alpha, low, high) in enumerate(self.table, start=1):
            ends = f"{low};{high};;" if kind == "r" else f";;{low};{high}"
            lines.append(f"{n};{'revolute' if kind == 'r' else 'prismatic'};{theta};{d};{a};{alpha};{ends}")
        table, export = folder / "rows.csv", folder / "tracker.csv"
        table.write_text("\n".join(lines) + "\n", encoding="utf-8")
        joints = self.joints(POSES, 1)
        read = self.points(self.hidden, joints) + np.random.default_rng(2).normal(0.0, NOISE, (POSES, 3))
        units = ["°" if kind == "r" else "mm" for kind in self.kinds]
        rows = [[*(f"j{n} [{unit}]" for n, unit in enumerate(units, start=1)), "X [mm]", "Y [mm]", "Z [mm]"]]
        for q, point in zip(joints, read, strict=True):
            displayed = [
                math.degrees(value) if kind == "r" else 1e3 * value for kind, value in zip(self.kinds, q, strict=True)
            ]
            rows.append([*(f"{value:.2f}" for value in displayed), *(f"{1e3 * value:.4f}" for value in point)])
        export.write_text("\n".join(";".join(cells).replace(".", ",") for cells in rows) + "\n", encoding="utf-8")
        return table, export


ARMS = {
    "seven": Invented((
        ("r", 0, 340, 0, -90, -165, 165), ("r", 0, 0, 0, 90, -115, 115), ("r", 0, 400, 0, 90, -165, 165),
        ("r", 0, 0, 0, -90, -115, 115), ("r", 0, 400, 0, -90, -165, 165), ("r", 0, 0, 0, 90, -115, 115),
        ("r", 0, 126, 0, 0, -170, 170),
    )),
    "seven, modified": Invented((
        ("r", 0, 333, 0, 0, -165, 165), ("r", 0, 0, 0, -90, -100, 100), ("r", 0, 316, 0, 90, -165, 165),
        ("r", 0, 0, 82, 90, -170, -5), ("r", 0, 384, -82, -90, -165, 165), ("r", 0, 0, 0, 90, -5, 210),
        ("r", 0, 107, 88, 90, -165, 165),
    ), True),
    "gantry": Invented((
        ("p", 0, 0, 0, -90, 0, 2000), ("p", 90, 0, 0, 90, 0, 1000), ("p", 0, 0, 0, 0, -600, 0),
        ("r", 0, 0, 50, 90, -170, 170), ("r", 0, 120, 30, 0, -120, 120),
    )),
    "scara": Invented((
        ("r", 0, 250, 300, 0, -130, 130), ("r", 0, 0, 250, 180, -140, 140), ("p", 0, 0, 0, 0, 0, 120),
        ("r", 0, 50, 40, 0, -180, 180),
    )),
}  # fmt: skip
BY_SESSION = {
    "seven": {"j1": "zero d", "j7": "zero d a alpha"},
    "seven, modified": {"j1": "zero d a alpha", "j7": "zero d"},
    "gantry": {"j1": "zero d a", "j2": "zero d a", "j3": "zero d a", "j4": "d", "j5": "zero d a alpha"},
    "scara": {"j1": "zero d", "j2": "d", "j3": "zero d", "j4": "zero d a alpha"},
}
"""What is another frame of the tracker, or another place of its target: what comes before the first joint or behind the
last, whatever moves along directions that no joint turns, and along parallel axes. Source: plane geometry."""
PARAMETERS = ("zero", "d", "a", "alpha")


@pytest.mark.parametrize("name", ARMS)
def test_what_a_session_takes_for_its_own(name: str) -> None:
    """An error of 1e-4 of each in turn, and frame and target fitted to the arm as drawn: nothing is left where they take
    it."""
    arm = ARMS[name]
    names = {(joint, parameter) for joint, keys in BY_SESSION[name].items() for parameter in keys.split()}
    assert absorbed_parameters(arm.kinematics) == names
    joints = arm.joints(40, 3)
    tools = arm.tools(arm.rows, joints)
    for number, kind in enumerate(arm.kinds):
        for parameter in PARAMETERS:
            rows, column = arm.rows.copy(), {"zero": 0 if kind == "r" else 1, "d": 1, "a": 2, "alpha": 3}[parameter]
            rows[number, column] += 1e-4
            (fit,) = fit_registrations([arm.points(rows, joints)], [tools], FRAME)
            remainder = np.abs(fit.residuals).max()
            assert (remainder < 1e-9) == ((f"j{number + 1}", parameter) in names), (number, parameter, remainder)


def error(arm: Invented, rows: np.ndarray) -> float:
    """Rms distance [m] at fresh poses of the arm as built from that of some rows, its frame and target fitted to the
    measured poses by scipy."""
    joints, fresh = arm.joints(POSES, 1), arm.joints(FRESH, 9)
    read, tools = arm.points(arm.hidden, joints), arm.tools(rows, joints)

    def target_positions(x: np.ndarray, tools: np.ndarray) -> np.ndarray:
        return np.asarray(Rotation.from_rotvec(x[:3]).apply(tools[:, :3, 3] + tools[:, :3, :3] @ x[6:]) + x[3:6])

    start = np.concatenate([TURN.as_rotvec(), -TURN.apply(ORIGIN), TARGET])
    fitted = least_squares(lambda x: (target_positions(x, tools) - read).ravel(), start, x_scale="jac").x
    distance = target_positions(fitted, arm.tools(rows, fresh)) - arm.points(arm.hidden, fresh)
    return float(np.sqrt(np.mean(np.sum(distance**2, axis=1))))


def identified_rows(path: Path) -> np.ndarray:
    """Theta, d, a, alpha of an arm file, in SI."""
    factors = {"deg": math.pi / 180, "mm": 1e-3}
    out = []
    for row in yaml.safe_load(path.read_text())["kinematics"]["joints"]:
        keys = ("offset", "d") if row["type"] == "revolute" else ("theta", "offset")
        cells = [row[key].split() for key in (*keys, "a", "alpha")]
        out.append([float(number) * factors[unit] for number, unit in cells])
    return np.array(out)


@pytest.mark.parametrize("name", ARMS)
def test_a_table_and_an_export_are_enough(name: str, tmp_path: Path) -> None:
    """Degree signs, semicolons and decimal commas; the written arm runs by the command that is printed, errs at fresh poses
    within the interval that was told, and a twentieth of what the drawing does."""
    arm = ARMS[name]
    table, export = arm.written(tmp_path)
    convention = "modified-dh" if arm.modified else "standard-dh"
    for words in (("new", "cell", "--rows", table, "--convention", convention), ("check", "cell/scenario.yaml")):
        answer = invoke(*words, cwd=tmp_path)
        assert answer.returncode == 0, answer.stderr
    write = (
        "--measured",
        export,
        "--write",
        "built.yaml",
        "--units",
        60,
        "--out",
        "left",
        "--set",
        "sampling.visits=2",
    )
    answer = invoke("calibrate", "cell/scenario.yaml", *write, cwd=tmp_path)
    assert answer.returncode == 0, answer.stderr
    (following,) = [line for line in answer.stderr.splitlines() if line.startswith("next: armsim run ")]
    run = invoke(*following.split()[2:], "--units", 60, "--json", cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    (record,) = json.loads((tmp_path / "left" / "calibrate.json").read_text())["arms"]
    low, high = record["held_out"]["interval"]
    after, before = error(arm, identified_rows(tmp_path / "built.yaml")), error(arm, arm.rows)
    assert low < np.hypot(after, 3**0.5 * NOISE) < high
    assert after < 0.05 * before
