"""An invented arm and its session with a tracker, from a hidden truth: python tests/invented_session.py [--write]

Seven hidden things: zeros of the joints by up to some mrad, links by some 0.2 mm, an error wave of every joint, a tracker
metres away, a target that sits where nobody measured, readings that scatter by 15 um, one of them wrong by 30 mm. Tool
points by pinocchio alone. Writes scenarios/measured/rows.csv, the table of the drawing, and scenarios/measured/tracker.csv,
the export, decimal commas and all; prints both without --write.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pinocchio as pin
from scipy.spatial.transform import Rotation

FOLDER = Path(__file__).parent.parent / "scenarios" / "measured"
ROWS, TRACKER = FOLDER / "rows.csv", FOLDER / "tracker.csv"
NOMINAL = np.array([
    (0.0, 0.335, 0.075, -90.0), (-90.0, 0.0, 0.270, 0.0), (0.0, 0.0, 0.090, -90.0),
    (0.0, 0.295, 0.0, 90.0), (0.0, 0.0, 0.0, -90.0), (180.0, 0.080, 0.0, 0.0),
])  # fmt: skip
"""Offset [deg], d [m], a [m], alpha [deg] of every joint."""
RANGES = np.array([(-165, 165), (-90, 110), (-80, 150), (-170, 170), (-115, 115), (-180, 180)], dtype=float)
"""Of the joints. [deg]"""
SPREADS = np.array([1.5e-3, 0.2e-3, 0.2e-3, 0.6e-3])
"""Of the hidden zeros and links. [rad or m]"""
WAVE, NOISE, OUTLIER, WRONG = 60e-6, 15e-6, 30e-3, 37
"""Amplitude of the waves [rad], scatter of readings [m], size of the wrong reading [m], and which it is."""
TARGET, STAND = np.array([0.012, -0.007, 0.045]), np.array([2.6, -1.1, 0.4])
"""Place of the target on the flange, and of the tracker from the base. [m]"""
MEASURED, FRESH, SEED = 60, 300, 20_018


def tools(rows: np.ndarray, q: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Places of a target at joint positions (n, 6), shape (n, 3). [m]"""
    out = np.empty((len(q), 3))
    for n, angles in enumerate(q):
        frame = pin.SE3.Identity()
        for (theta, d, a, alpha), angle in zip(rows, angles, strict=True):
            frame *= pin.SE3(pin.utils.rotate("z", float(angle + theta)), np.array([0.0, 0.0, d]))
            frame *= pin.SE3(pin.utils.rotate("x", float(alpha)), np.array([a, 0.0, 0.0]))
        out[n] = frame.act(target)
    return out


def nominal() -> np.ndarray:
    """Rows in radians and metres."""
    return NOMINAL * np.array([math.pi / 180, 1.0, 1.0, math.pi / 180])


def session() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Commanded joints of measured and fresh poses [rad], readings of the former, true places of the latter, both in the
    frame of the tracker. [m]"""
    rng = np.random.default_rng(SEED)
    low, high = np.radians(RANGES).T
    joints = np.radians(np.round(np.degrees(rng.uniform(low, high, (MEASURED + FRESH, 6))), 2))
    true = nominal() + rng.normal(0.0, SPREADS, (6, 4))
    phase = rng.uniform(0.0, 2 * math.pi, 6)
    attained = tools(true, joints + WAVE * np.sin(joints + phase), TARGET)
    turn = Rotation.from_euler("xyz", [0.02, -0.01, 2.1])
    read = turn.apply(attained[:MEASURED] - STAND) + rng.normal(0.0, NOISE, (MEASURED, 3))
    read[WRONG] += OUTLIER * np.array([0.6, 0.0, -0.8])
    return joints[:MEASURED], joints[MEASURED:], read, turn.apply(attained[MEASURED:] - STAND)


def rows_text() -> str:
    """The table of the drawing."""
    lines = ["joint,offset [deg],d [mm],a [mm],alpha [deg],lower [deg],upper [deg]"]
    for n, ((theta, d, a, alpha), (low, high)) in enumerate(zip(NOMINAL, RANGES, strict=True), start=1):
        lines.append(f"{n},{theta:g},{1e3 * d:g},{1e3 * a:g},{alpha:g},{low:g},{high:g}")
    return "\n".join(lines) + "\n"


def tracker_text() -> str:
    """The export, as an instrument in a country of decimal commas writes it."""
    joints, _, read, _ = session()
    lines = [";".join([*(f"j{n} [deg]" for n in range(1, 7)), "X [mm]", "Y [mm]", "Z [mm]"])]
    for q, point in zip(np.degrees(joints), 1e3 * read, strict=True):
        lines.append(
            ";".join([*(f"{angle:.2f}" for angle in q), *(f"{value:.4f}" for value in point)]).replace(".", ",")
        )
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    for path, text in ((ROWS, rows_text()), (TRACKER, tracker_text())):
        if "--write" in sys.argv:
            path.write_text(text)
        else:
            print(text, end="")
