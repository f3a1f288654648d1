"""Three studies of coupled arms against whole populations drawn by numpy, which share no code with the product.

Chains by rows of Denavit and Hartenberg, mechanisms by hand (docstrings of `tests/physics/test_couplings.py`), every
cause of size by its physics; what is below a thousandth of the mean square (tilted discs, signals corrected on the chip,
noise, steps) is left out. Source of the laws: the tolerance is uniform, sizes are absolute values in random directions
(JCGM 101:2008 6.4.2); statics and gear kinematics by hand.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import yaml
from support import ROOT

import armsim

ARCSEC = np.pi / 180 / 3600
ARMS = 40_000
STEP = 1e-6


def rows_of(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Rows (theta, d, a, alpha) of an arm, and its tool."""

    def number(text: str) -> float:
        value, unit = str(text).split()
        return float(value) * {"mm": 1e-3, "deg": np.pi / 180}[unit]

    data = yaml.safe_load((ROOT / "configs" / "arms" / f"{name}.yaml").read_text())["kinematics"]
    rows = []
    for row in data["joints"]:
        theta, d = (row.get("offset", "0 deg"), row["d"]) if row["type"] == "revolute" else (row["theta"], "0 mm")
        rows.append([number(text) for text in (theta, d, row["a"], row["alpha"])])
    tool = [number(text) for text in data.get("tool", {}).get("xyz", ["0 mm"] * 3)]
    return np.array(rows), np.array(tool)


def chained(rows: np.ndarray, tool: np.ndarray) -> np.ndarray:
    """Tool point of a chain of rows."""
    frame = np.eye(4)
    for theta, d, a, alpha in rows:
        c, s, ca, sa = np.cos(theta), np.sin(theta), np.cos(alpha), np.sin(alpha)
        frame = frame @ [[c, -s * ca, s * sa, a * c], [s, c * ca, -c * sa, a * s], [0, sa, ca, d], [0, 0, 0, 1]]
    return (frame @ [*tool, 1.0])[:3]


def gradient(function: Callable[[np.ndarray], np.ndarray], at: np.ndarray) -> np.ndarray:
    """Central differences, shape (..., len(at))."""
    steps = STEP * np.eye(len(at))
    return np.stack([(function(at + d) - function(at - d)) / (2 * STEP) for d in steps], axis=-1)


class Population:
    """Errors of the drives of many arms, one visit each."""

    def __init__(self, drives: int, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.errors = np.zeros((ARMS, drives))

    def uniform(self, size: float) -> np.ndarray:
        return self.rng.uniform(-size, size, ARMS)

    def wave(self, size: float) -> np.ndarray:
        """A wave of uniform amplitude in a random direction."""
        return np.abs(self.uniform(size)) * np.sin(self.rng.uniform(0, 2 * np.pi, ARMS))

    def curve(self, size: float, share: float = 1.0) -> np.ndarray:
        """A curve of which only the size is known: one order, with the standard deviation of the tolerance."""
        out = np.sqrt(2.0) * size / np.sqrt(3.0) * np.sin(self.rng.uniform(0, 2 * np.pi, ARMS))
        return np.where(self.rng.uniform(0, 1, ARMS) < share, out, 0.0)

    def side(self, width: float) -> np.ndarray:
        return 0.5 * width * self.rng.choice([-1.0, 1.0], ARMS)


def rms_and_p95(shift: np.ndarray) -> tuple[float, float]:
    distance = np.linalg.norm(shift, axis=1)
    return float(np.sqrt(np.mean(distance**2))), float(np.quantile(distance, 0.95))


def palletiser(degrees: np.ndarray) -> np.ndarray:
    rows, tool = rows_of("palletising")
    turn, upper, fore, hand = np.radians(degrees)
    drives = np.array([turn, upper, upper + fore, hand])

    def placed(phi: np.ndarray, lengths: np.ndarray | float = 0.0) -> np.ndarray:
        joints = np.array([phi[0], phi[1], phi[2] - phi[1], -phi[2], phi[3]])  # the level joint follows the forearm
        now = rows.copy()
        now[:, 0] += joints
        now[:, 2] += lengths
        return now

    def energy(phi: np.ndarray) -> np.ndarray:
        now, total = placed(phi), 0.0
        for last, mass, centre in ((2, 40.0, [-0.45, 0, 0]), (3, 30.0, [-0.5, 0, 0]), (5, 8.0, [0, 0, 0.05])):
            total += mass * 9.80665 * chained(now[:last], np.array(centre))[2]
        return np.array(total + 25.0 * 9.80665 * chained(now, np.array([0, 0, 0.1]))[2])

    population = Population(4, 1)
    windings = -gradient(energy, drives) / 3e5
    for n in range(4):
        sensor_on_motor = n < 3
        ratio, corrected = (120.0, 0.07) if sensor_on_motor else (1.0, 0.07)
        error = corrected * population.wave(20e-6) / 12.3e-3 / ratio + population.curve(6 * ARCSEC) / ratio
        error += population.uniform((20 if sensor_on_motor else 30) * ARCSEC)
        if sensor_on_motor:
            error += population.wave(20 * ARCSEC) + population.side(30 * ARCSEC)
            error += windings[n] * (1.0 / (1.0 + population.uniform(0.10)) - 0.80)
        population.errors[:, n] = error
    shift = population.errors @ gradient(lambda phi: chained(placed(phi), tool), drives).T
    by_length = gradient(lambda lengths: chained(placed(drives, lengths), tool), np.zeros(5))
    return shift + population.rng.uniform(-50e-6, 50e-6, (ARMS, 5)) @ by_length.T


def quill(degrees: np.ndarray) -> np.ndarray:
    rows, tool = rows_of("scara-quill")
    shoulder, elbow, roll = np.radians(degrees[:3])
    lift, lead = degrees[3] * 1e-3, 0.020
    drives = np.array([shoulder, elbow, roll, lift - lead * roll / (2 * np.pi)])

    def placed(phi: np.ndarray, lengths: np.ndarray | float = 0.0) -> np.ndarray:
        now = rows.copy()
        now[:3, 0] += phi[:3]
        now[3, 1] += phi[3] + lead * phi[2] / (2 * np.pi)
        now[:, 2] += lengths
        return now

    population = Population(4, 2)
    for n in (0, 1):  # two heads cancel the odd orders, eccentricity among them
        population.errors[:, n] = population.curve(4 * ARCSEC, 0.5) + population.uniform(5 * ARCSEC)
    for n, turns, zero, side in ((2, 10.0, 30 * ARCSEC, 20 * ARCSEC), (3, 2 * 2 * np.pi / lead, 10e-6, 3e-6)):
        shaft = population.wave(15e-6) / 5.5e-3 + population.curve(20 * ARCSEC)
        population.errors[:, n] = shaft / turns + population.uniform(zero) + population.side(side)
    columns = gradient(lambda phi: chained(placed(phi), tool), drives)
    shift = population.errors @ columns.T
    shift += np.outer(population.uniform(40e-6) * lift, columns[:, 3])
    by_length = gradient(lambda lengths: chained(placed(drives, lengths), tool), np.zeros(4))
    return shift + population.rng.uniform(-15e-6, 15e-6, (ARMS, 4)) @ by_length.T


def coupled_six(degrees: np.ndarray) -> np.ndarray:
    rows, tool = rows_of("coupled-six")
    q = np.radians(degrees)
    drives = np.array([*q[:4], q[4] + 0.1 * q[3], q[5] - 0.5 * q[4] + 0.05 * q[3]])

    def placed(phi: np.ndarray, links: np.ndarray | float = 0.0) -> np.ndarray:
        pitch = phi[4] - 0.1 * phi[3]
        now = rows.copy()
        now[:, 0] += [*phi[:4], pitch, phi[5] + 0.5 * pitch - 0.05 * phi[3]]
        now[:, 2:] += np.reshape(links, (6, 2)) if np.ndim(links) else 0.0
        return now

    population = Population(6, 3)
    for n in range(3):  # two heads cancel the odd orders; the gear is inside the loop
        population.errors[:, n] = population.curve(4 * ARCSEC, 0.5) + population.uniform(8 * ARCSEC)
    for n in range(3, 6):
        shaft = population.wave(20e-6) / 5.5e-3 + population.curve(20 * ARCSEC)
        gear = population.wave(25 * ARCSEC) + population.side(20 * ARCSEC)
        population.errors[:, n] = shaft / 60 + gear + population.uniform(20 * ARCSEC)
    shift = population.errors @ gradient(lambda phi: chained(placed(phi), tool), drives).T
    by_link = gradient(lambda links: chained(placed(drives, links), tool), np.zeros(12))
    sizes = np.tile([30e-6, 20e-6], 6)
    return shift + population.rng.uniform(-sizes, sizes, (ARMS, 12)) @ by_link.T


STUDIES = {"palletiser": palletiser, "quill-scara": quill, "coupled-six": coupled_six}


@pytest.mark.parametrize("name", STUDIES)
def test_a_study_is_that_of_the_simulated_arms(name: str) -> None:
    path = Path(ROOT / "scenarios" / f"{name}.yaml")
    task = armsim.load(path).with_plan(units=4000, visits=8).run().tasks[0]
    poses_listed = yaml.safe_load(path.read_text())["tasks"][0]["poses"]
    for pose, listed in zip(task.poses, poses_listed, strict=True):
        rms, p95 = rms_and_p95(STUDIES[name](np.array([float(text.split()[0]) for text in listed["joints"]])))
        assert pose.error.rms == pytest.approx(rms, rel=0.02)
        assert pose.error.p95 == pytest.approx(p95, rel=0.02)
