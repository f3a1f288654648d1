"""How often the interval of a slope of `armsim sensitivity` holds the truth: python tests/slope_coverage.py [--seeds 200]

Two arms of two links in a plane. ``sheets``: joints whose data sheets state little but an accuracy. ``laws``: numbers of
every law, errors that all arms share, and errors of visits. The truth is the difference of two very large runs with
common random numbers, by plain numpy from the drawings: it shares no code with what it checks. One line per number: the
truth with its standard error, the mean and half of the interval that are printed, and the share that hold the truth.
"""

from __future__ import annotations

import argparse
import math
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

import armsim
from armsim.decide import sensitivities
from armsim.decide.sensitivity import NumberSensitivity
from armsim.run_options import RunOptions
from armsim.study import Study

ARCSEC = math.pi / 648_000
MICRO = 1e-6
L1, L2 = 0.4, 0.3
Q1, Q2 = math.radians(20.0), math.radians(60.0)
ELBOW = L1 * np.array([math.cos(Q1), math.sin(Q1)])
TOOL = ELBOW + L2 * np.array([math.cos(Q1 + Q2), math.sin(Q1 + Q2)])
ABOUT = np.array([[-TOOL[1], TOOL[0]], [-(TOOL - ELBOW)[1], (TOOL - ELBOW)[0]]])
"""What a turn of either joint does to the tool. [m/rad]"""
ALONG = np.array([[math.cos(Q1), math.sin(Q1)], [math.cos(Q1 + Q2), math.sin(Q1 + Q2)]])
"""What a longer link does to it. [1]"""
PAYLOAD, GRAVITY = 2.0, 9.80665
RADIUS = 0.02
BATCHES = 10
"""Of arms, by which the error of a simulated truth is judged."""

ARM = """
kind: arm
name: two links
kinematics:
  convention: standard-dh
  joints:
    - {name: j1, type: revolute, d: 0 mm, a: 400 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}
    - {name: j2, type: revolute, d: 0 mm, a: 300 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}
  base: {xyz: [0 mm, 0 mm, 0 mm], rpy: [90 deg, 0 deg, 0 deg]}
masses: {payload: {mass: 2 kg}}
"""
SCENARIO = """
kind: scenario
name: two links
arm: arm.yaml
joints:
  j1: %s
  j2: %s
requirement: {position: 1 mm, coverage: %s}
tasks:
  - {kind: poses, name: t, poses: [{name: p, joints: [20 deg, 60 deg]}]}
sampling: {units: 2000, visits: 4, seed: 1}
"""
DISC = "{kind: encoder, name: s, measures: rotation, track_radius: 20 mm, summary: {resolution: 30 bit%s}}"
SHEETS = (
    f"{{encoder: {DISC % ', accuracy: 40 arcsec'}, placement: output, mounting: {{eccentricity: 2 um}}, "
    "mastering: %s arcsec}"
)
FIRST = (
    f"{{encoder: {DISC % ''}, placement: motor, mastering: {{limit: 20 arcsec, distribution: arcsine}}, "
    "transmission: {ratio: 100, lost_motion: 30 arcsec, stiffness: 60 N*m/mrad, kinematic_error: "
    "[{per: input-turn, order: 2, amplitude: {std: 9 arcsec, distribution: rayleigh}}]}}"
)
SECOND = (
    f"{{encoder: {DISC % ', accuracy: 30 arcsec, repeatability: {std: 4 arcsec, distribution: normal}'}, "
    "placement: output, mastering: {limit: 25 arcsec, distribution: triangular}}"
)
Sizes = dict[str, float]
Simulation = Callable[[Sizes, int, int], np.ndarray]


def _wave(rng: np.random.Generator, n: int) -> np.ndarray:
    return np.cos(2 * np.pi * rng.random(n))


def _accuracy(rng: np.random.Generator, limit: float, n: int) -> np.ndarray:
    """One harmonic of unknown phase whose rms over the turn is that of a uniform law. JCGM 100:2008 4.3.7."""
    return math.sqrt(2.0 / 3.0) * limit * _wave(rng, n)


def simulate_sheets(sizes: Sizes, n: int, seed: int) -> np.ndarray:
    """Distance of n arms. [m]"""
    rng = np.random.default_rng(seed)
    turn = np.zeros((2, n))
    for j, name in enumerate(("j1", "j2")):
        turn[j] += _accuracy(rng, sizes[f"joints.{name}.encoder.summary.accuracy"] * ARCSEC, n)
        turn[j] += sizes[f"joints.{name}.mastering"] * ARCSEC * rng.uniform(-1.0, 1.0, n)
        offset = sizes[f"joints.{name}.mounting.eccentricity"] * MICRO * rng.uniform(0.0, 1.0, n)
        turn[j] += offset / RADIUS * _wave(rng, n)
    return np.linalg.norm(ABOUT.T @ turn, axis=0)


def simulate_laws(sizes: Sizes, n: int, seed: int) -> np.ndarray:
    """Distance of one visit of each of n arms. [m]"""
    rng = np.random.default_rng(seed)
    load = -PAYLOAD * GRAVITY * np.array([TOOL[0], TOOL[0] - ELBOW[0]])
    amplitude = sizes["joints.j1.transmission.kinematic_error.0.amplitude"] * ARCSEC * rng.rayleigh(size=n)
    turn = np.stack([
        sizes["joints.j1.mastering"] * ARCSEC * np.sin(np.pi * (rng.random(n) - 0.5))
        + amplitude * _wave(rng, n)
        + 0.5 * sizes["joints.j1.transmission.lost_motion"] * ARCSEC * rng.choice([-1.0, 1.0], n)
        + load[0] / (1e3 * sizes["joints.j1.transmission.stiffness"]),
        _accuracy(rng, sizes["joints.j2.encoder.summary.accuracy"] * ARCSEC, n)
        + 0.5 * sizes["joints.j2.mastering"] * ARCSEC * (rng.uniform(-1.0, 1.0, n) + rng.uniform(-1.0, 1.0, n))
        + sizes["joints.j2.encoder.summary.repeatability"] * ARCSEC * rng.normal(size=n),
    ])  # fmt: skip
    return np.linalg.norm(ABOUT.T @ turn, axis=0)


CASES: dict[str, tuple[str, str, Sizes, Simulation]] = {
    "sheets": (
        SHEETS % 8,
        SHEETS % 20,
        {
            **{f"joints.{name}.encoder.summary.accuracy": 40.0 for name in ("j1", "j2")},
            **{f"joints.{name}.mounting.eccentricity": 2.0 for name in ("j1", "j2")},
            "joints.j1.mastering": 8.0,
            "joints.j2.mastering": 20.0,
        },
        simulate_sheets,
    ),
    "laws": (
        FIRST,
        SECOND,
        {
            "joints.j1.mastering": 20.0,
            "joints.j1.transmission.kinematic_error.0.amplitude": 9.0,
            "joints.j1.transmission.lost_motion": 30.0,
            "joints.j1.transmission.stiffness": 60.0,
            "joints.j2.encoder.summary.accuracy": 30.0,
            "joints.j2.mastering": 25.0,
            "joints.j2.encoder.summary.repeatability": 4.0,
        },
        simulate_laws,
    ),
}


def study(folder: Path, case: str, coverage: float = 0.95) -> Study:
    """The study of a case."""
    (folder / "arm.yaml").write_text(ARM)
    file = folder / f"{case}-{coverage:g}.yaml"
    file.write_text(SCENARIO % (*CASES[case][:2], f"{100 * coverage:g} %"))
    return armsim.load(file)


def quantiles(case: str, coverage: float, arms: int, factors: Sizes) -> np.ndarray:
    """The quantile with some sizes times a factor, by batches of so many arms, shape (BATCHES,). [m]"""
    _, _, sizes, simulation = CASES[case]
    changed = {path: value * factors.get(path, 1.0) for path, value in sizes.items()}
    return np.array([np.quantile(simulation(changed, arms, seed), coverage) for seed in range(BATCHES)])


def true_slope(case: str, path: str, coverage: float, arms: int, step: float) -> tuple[float, float]:
    """Change of the quantile per unit of a number, by runs with common random numbers, and its standard error. [m]

    The number is a share ``step`` larger and smaller: the more, the less noise is in the difference of two quantiles,
    and the more curvature, of the order of the square of the step. A stiffness is taken by its inverse, to which the
    error is proportional.
    """
    inverse = path.endswith("stiffness")
    ends = [1.0 / (1.0 + sign * step) if inverse else 1.0 + sign * step for sign in (1.0, -1.0)]
    more, less = (quantiles(case, coverage, arms, {path: factor}) for factor in ends)
    return _mean((more - less) / (2.0 * step * CASES[case][2][path]) * (-1.0 if inverse else 1.0))


def true_tenth(case: str, path: str, coverage: float, arms: int) -> tuple[float, float]:
    """Change of the quantile by a tenth of a number less, and its standard error. [m]"""
    return _mean(quantiles(case, coverage, arms, {path: 0.9}) - quantiles(case, coverage, arms, {}))


def _mean(batches: np.ndarray) -> tuple[float, float]:
    return float(batches.mean()), float(batches.std(ddof=1) / math.sqrt(len(batches)))


def lines(case_study: Study, seed: int) -> dict[str, NumberSensitivity]:
    """The lines of a seed, by path."""
    return {line.path: line for line in sensitivities(case_study.with_plan(seed=seed), RunOptions(1)).lines}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--arms", type=int, default=2_000_000, help="of a batch of the simulated truth")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for case, (_, _, sizes, _) in CASES.items():
            for coverage in (0.95, 0.99):
                small_study = study(Path(folder), case, coverage)
                actual = [lines(small_study, seed) for seed in range(arguments.seeds)]
                for path in sizes:
                    true, error = true_slope(case, path, coverage, arguments.arms, 0.05)
                    per = [row[path].per_unit for row in actual]
                    hits = np.mean([item.interval[0] <= true <= item.interval[1] for item in per if item.interval])
                    mean = float(np.mean([item.value for item in per]))
                    half = float(
                        np.mean([0.5 * (item.interval[1] - item.interval[0]) for item in per if item.interval])
                    )
                    print(
                        f"{case:7} {coverage:.0%} {path:52} {true / MICRO:8.4f} ({error / MICRO:.4f}) um per unit, "
                        f"mean {mean / MICRO:8.4f}, half {half / MICRO:.4f}, held {hits:.1%}", flush=True,
                    )  # fmt: skip


if __name__ == "__main__":
    main()
