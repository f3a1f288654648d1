"""An invented arm and its two sessions with a tracker, from a hidden truth: python tests/invented_session.py [--write]

Hidden are zeros of the joints by up to some mrad, links by some 0.2 mm, an error wave of every joint, growth of aluminium
from the cool morning to the warm evening, where the tracker stands in each session, where its target sits on the flange
(in the evening on another adapter), readings that scatter by 15 um, and one of them that is wrong by 30 mm. Tool points by
pinocchio alone. Writes scenarios/measured/rows.csv, the table of the drawing, and scenarios/measured/tracker.csv, the
export, decimal commas and all; prints both without --write.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
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
EXPANSION, MASTERED = 23e-6, 20.0
"""Of the links [1/K], and the temperature at which the arm was mastered. [degC]"""


@dataclass(frozen=True)
class Station:
    """A session: its name, number of poses, place of the target on the flange [m], place of the tracker from the base [m],
    its turn by x, y, z [rad], temperatures of the arm at its beginning and end [degC]."""

    name: str
    poses: int
    target: tuple[float, float, float]
    origin: tuple[float, float, float]
    turn: tuple[float, float, float]
    temperatures: tuple[float, float]

    def tracker(self, points: np.ndarray) -> np.ndarray:
        """Points of the base frame in the frame of the tracker. [m]"""
        return np.asarray(Rotation.from_euler("xyz", self.turn).apply(points - np.array(self.origin)))


STATIONS = (
    Station("morning", 36, (0.012, -0.007, 0.045), (2.6, -1.1, 0.4), (0.02, -0.01, 2.1), (20.8, 22.4)),
    Station("evening", 24, (0.012, -0.007, 0.052), (-1.4, 2.3, 0.5), (-0.01, 0.03, -0.7), (26.9, 27.6)),
)
MEASURED, FRESH, SEED = sum(station.poses for station in STATIONS), 300, 20_018
SESSION = np.repeat(np.arange(len(STATIONS)), [station.poses for station in STATIONS])
"""Session of every measured pose."""
KELVIN = np.concatenate([np.linspace(*station.temperatures, station.poses) for station in STATIONS]) - MASTERED
"""Temperature of the arm at every measured pose above that of mastering. [K]"""


def tools(rows: np.ndarray, q: np.ndarray, target: np.ndarray, kelvin: np.ndarray) -> np.ndarray:
    """Places of a target at joint positions (n, 6) and temperatures (n,) above mastering, shape (n, 3). [m]"""
    out = np.empty((len(q), 3))
    for n, (angles, rise) in enumerate(zip(q, kelvin, strict=True)):
        frame, growth = pin.SE3.Identity(), 1.0 + EXPANSION * rise
        for (theta, d, a, alpha), angle in zip(rows, angles, strict=True):
            frame *= pin.SE3(pin.utils.rotate("z", float(angle + theta)), np.array([0.0, 0.0, d * growth]))
            frame *= pin.SE3(pin.utils.rotate("x", float(alpha)), np.array([a * growth, 0.0, 0.0]))
        out[n] = frame.act(np.asarray(target, dtype=float))
    return out


def nominal() -> np.ndarray:
    """Rows in radians and metres."""
    return NOMINAL * np.array([math.pi / 180, 1.0, 1.0, math.pi / 180])


def sessions() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Commanded joints of measured and fresh poses [rad]; readings of the former, each in the frame of the tracker in its
    session [m]; true places of the latter at the temperature of mastering, with the target and in the frame of the first
    session. [m]"""
    rng = np.random.default_rng(SEED)
    low, high = np.radians(RANGES).T
    joints = np.radians(np.round(np.degrees(rng.uniform(low, high, (MEASURED + FRESH, 6))), 2))
    true = nominal() + rng.normal(0.0, SPREADS, (6, 4))
    phase = rng.uniform(0.0, 2 * math.pi, 6)
    attained = joints + WAVE * np.sin(joints + phase)
    read = rng.normal(0.0, NOISE, (MEASURED, 3))
    for number, station in enumerate(STATIONS):
        rows = np.flatnonzero(number == SESSION)
        read[rows] += station.tracker(tools(true, attained[rows], np.array(station.target), KELVIN[rows]))
    read[WRONG] += OUTLIER * np.array([0.6, 0.0, -0.8])
    first = STATIONS[0]
    fresh = first.tracker(tools(true, attained[MEASURED:], np.array(first.target), np.zeros(FRESH)))
    return joints[:MEASURED], joints[MEASURED:], read, fresh


def rows_text() -> str:
    """The table of the drawing."""
    lines = ["joint,offset [deg],d [mm],a [mm],alpha [deg],lower [deg],upper [deg]"]
    for n, ((theta, d, a, alpha), (low, high)) in enumerate(zip(NOMINAL, RANGES, strict=True), start=1):
        lines.append(f"{n},{theta:g},{1e3 * d:g},{1e3 * a:g},{alpha:g},{low:g},{high:g}")
    return "\n".join(lines) + "\n"


def tracker_text() -> str:
    """The export, as an instrument in a country of decimal commas writes it."""
    joints, _, read, _ = sessions()
    lines = [
        ";".join(["session", *(f"j{n} [deg]" for n in range(1, 7)), "X [mm]", "Y [mm]", "Z [mm]", "temperature [°C]"])
    ]
    for q, point, number, kelvin in zip(np.degrees(joints), 1e3 * read, SESSION, KELVIN, strict=True):
        cells = [*(f"{angle:.2f}" for angle in q), *(f"{value:.4f}" for value in point), f"{MASTERED + kelvin:.1f}"]
        lines.append(f"{STATIONS[number].name};{';'.join(cells).replace('.', ',')}")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    for path, text in ((ROWS, rows_text()), (TRACKER, tracker_text())):
        if "--write" in sys.argv:
            path.write_text(text)
        else:
            print(text, end="")
