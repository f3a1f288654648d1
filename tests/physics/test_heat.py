"""Temperatures of joints against arms whose lengths, scales and brackets are grown one by one, by a chain of the test.

Source: products of elementary matrices and of length, expansion and rise, by hand.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support import invoke

import armsim
from armsim.decide.option_moments import _with_one_joint, moments_of
from armsim.tasks import pose_cache

ROWS = {"lift": (0.0, 0.05, 0.1, -90.0), "elbow": (10.0, 0.12, 0.45, 30.0), "hand": (0.0, 0.03, 0.2, 0.0)}
"""theta or its offset [deg], d or its offset [m], a [m], alpha [deg]."""
LINKS, TAPE, BRACKET, RADIUS, HEAD = 12e-6, 8e-6, 23e-6, 0.02, 0.015
POSES = ((50, 20, -40), (310, -75, 110))
UNITS = 4000
ARM = """kind: arm
name: lift and two links
kinematics:
  convention: standard-dh
  joints:
    - {name: lift, type: prismatic, theta: 0 deg, a: 100 mm, alpha: -90 deg, offset: 50 mm, range: [0 mm, 400 mm]}
    - {name: elbow, type: revolute, d: 120 mm, a: 450 mm, alpha: 30 deg, offset: 10 deg, range: [-170 deg, 170 deg]}
    - {name: hand, type: revolute, d: 30 mm, a: 200 mm, alpha: 0 deg, range: [-170 deg, 170 deg]}
  tool: {xyz: [0 mm, 40 mm, 90 mm], rpy: [0 deg, 0 deg, 0 deg]}
groups: {base: [lift, elbow], wrist: [hand]}
expansion: 12 ppm/K
"""
DISC = (
    "{kind: encoder, name: disc, measures: rotation, signal_periods: 1024, interpolation: 30 bit, track_radius: 20 mm}"
)
SCALE = "{kind: encoder, name: tape, measures: translation, signal_period: 20 um, interpolation: 30 bit, expansion: 8 ppm/K}"


def write(folder: Path, rises: dict[str, str], shared: str = "", mounting: str = "") -> Path:
    (folder / "arm.yaml").write_text(ARM)
    lines = []
    for name in ROWS:
        keys = f", temperature_rise: {rises[name]}" if name in rises else ""
        keys += f", mounting: {mounting}" if mounting and name == "elbow" else ""
        lines.append(f"  {name}: {{encoder: {SCALE if name == 'lift' else DISC}, placement: output{keys}}}")
    poses = ", ".join(f"{{name: p{n}, joints: [{a} mm, {b} deg, {c} deg]}}" for n, (a, b, c) in enumerate(POSES))
    environment = f"environment: {{temperature_rise: {shared}}}\n" if shared else ""
    path = folder / "scenario.yaml"
    path.write_text(
        "kind: scenario\nname: heat\narm: arm.yaml\njoints:\n" + "\n".join(lines) + "\n" + environment
        + f"tasks: [{{kind: poses, name: t, poses: [{poses}]}}]\nsampling: {{units: {UNITS}, visits: 4, seed: 3}}\n"
    )  # fmt: skip
    return path


def turn(axis: str, angle: np.ndarray) -> np.ndarray:
    c, s, out = np.cos(angle), np.sin(angle), np.tile(np.eye(4), (len(angle), 1, 1))
    i, j = (0, 1) if axis == "z" else (1, 2)
    out[:, i, i], out[:, i, j], out[:, j, i], out[:, j, j] = c, -s, s, c
    return out


def shift(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    out = np.tile(np.eye(4), (len(x), 1, 1))
    out[:, 0, 3], out[:, 1, 3], out[:, 2, 3] = x, y, z
    return out


def tool_points(
    pose: tuple[int, int, int], shared: np.ndarray, rises: dict[str, np.ndarray], head: float
) -> np.ndarray:
    """Tool points of arms of which every part has a temperature, shape (arms, 3). [m]"""
    one = np.ones_like(shared)
    out = np.tile(np.eye(4), (len(shared), 1, 1))
    for (name, (theta, d, a, alpha)), q in zip(ROWS.items(), pose, strict=True):
        warm = shared + rises.get(name, 0.0 * one)
        grown = 1.0 + LINKS * warm
        if name == "lift":  # its tape is longer: the reading that was commanded lies further out
            out = out @ turn("z", math.radians(theta) * one) @ shift(0 * one, 0 * one, d + 1e-3 * q * (1 + TAPE * warm))
        else:  # the bracket carries the head on, which then reads too much, and the loop turns back
            back = BRACKET * head * warm / RADIUS if name == "elbow" else 0.0 * one
            out = out @ turn("z", math.radians(theta + q) - back) @ shift(0 * one, 0 * one, d * grown)
        out = out @ shift(a * grown, 0 * one, 0 * one) @ turn("x", math.radians(alpha) * one)
    tool = 1.0 + LINKS * shared
    return np.asarray((out @ shift(0 * one, 0.04 * tool, 0.09 * tool))[:, :3, 3])


CASES: dict[str, tuple[dict[str, tuple[float, float]], tuple[float, float], float]] = {
    "one joint": ({"elbow": (5.0, 2.0)}, (0.0, 0.0), 0.0),
    "a slide with its tape": ({"lift": (4.0, 1.0)}, (0.0, 0.0), 0.0),
    "shared and each": ({"lift": (2.0, 2.0), "elbow": (6.0, 3.0), "hand": (-1.0, 1.0)}, (3.0, 2.0), 0.0),
    "bracket of the head": ({"elbow": (5.0, 2.0)}, (1.0, 1.0), HEAD),
}
"""Mean and limit of the rises of joints, of the shared one [K]; length of the bracket [m]."""


@pytest.mark.parametrize("case", CASES)
def test_the_error_is_that_of_an_arm_grown_part_by_part(tmp_path: Path, case: str) -> None:
    rises, shared, head = CASES[case]
    words = {name: f"{{mean: {mean} K, limit: {limit} K}}" for name, (mean, limit) in rises.items()}
    mounting = f"{{head_bracket: {1e3 * head} mm, bracket_expansion: 23 ppm/K}}" if head else ""
    path = write(tmp_path, words, f"{{mean: {shared[0]} K, limit: {shared[1]} K}}" if any(shared) else "", mounting)
    task = armsim.load(path).run().task("t")
    rng = np.random.default_rng(4)
    drawn_rises = {name: mean + rng.uniform(-limit, limit, UNITS) for name, (mean, limit) in rises.items()}
    common = shared[0] + rng.uniform(-shared[1], shared[1], UNITS)
    zero = np.zeros(1)
    for pose, at in zip(task.poses, POSES, strict=True):
        errors = tool_points(at, common, drawn_rises, head) - tool_points(at, zero, {}, 0.0)
        squares = np.sum(errors**2, axis=1)
        tolerance = 3 * math.sqrt(2) * squares.std() / squares.mean() / math.sqrt(UNITS) / 2
        assert pose.error.rms == pytest.approx(math.sqrt(squares.mean()), rel=tolerance)
        means = {name: np.array([mean]) for name, (mean, _) in rises.items()}
        mean = tool_points(at, np.array([shared[0]]), means, head) - tool_points(at, zero, {}, 0.0)
        # the mean of the errors is the error of the means but for squares of 1e-4; sampled by 4000 arms
        scatter = 3 * errors.std(axis=0) / math.sqrt(UNITS) + 1e-4 * np.linalg.norm(mean)
        assert np.all(np.abs(np.array(pose.error.mean) - mean[0]) <= scatter)


def test_it_belongs_to_its_joint(tmp_path: Path) -> None:
    """Link and sensor of a warm joint are one cause of that joint, in its group."""
    path = write(tmp_path, {"elbow": "{mean: 5 K, limit: 2 K}"}, "2 K")
    summary = armsim.load(path).run().task("t").summary
    owners = {(part.owner, part.cause) for part in summary.contributions if part.scatter + part.bias > 1e-6}
    assert owners == {("elbow", "temperature of a joint"), ("machine", "temperature")}
    base = sum(part.scatter + part.bias for part in summary.contributions if part.owner in ("lift", "elbow"))
    assert summary.groups["base"] == pytest.approx(base)
    assert base > 0.5


def test_a_search_counts_it_once(tmp_path: Path) -> None:
    """Moments of the joints alone and of the links make those of the whole machine."""
    rises = {"lift": "{mean: 2 K, limit: 2 K}", "elbow": "{mean: 6 K, limit: 3 K}"}
    scenario = armsim.load(write(tmp_path, rises, "{mean: 3 K, limit: 2 K}")).scenario
    machine = scenario.machine
    at = [pose_cache.poses_of(machine.arm, task).configurations for task in scenario.tasks]
    shared = ("machine/temperature",)
    together = moments_of(machine, at, shared)
    parts = moments_of(replace(machine, joints=()), at, shared)
    for joint in machine.joints:
        parts = parts + moments_of(_with_one_joint(machine, joint), at, shared)
    np.testing.assert_allclose(parts.mean_square, together.mean_square, rtol=1e-9)


WRONG = (
    ("5 arcsec", "temperature_rise", "'5 arcsec'"),
    ("{mean: 5 K, limit: 2 um}", "temperature_rise", "'2 um'"),
    ("5", "temperature_rise", "bare number 5"),
)


@pytest.mark.parametrize(("rise", "key", "finding"), WRONG)
def test_wrong_input_is_one_clear_error(tmp_path: Path, rise: str, key: str, finding: str) -> None:
    process = invoke("check", write(tmp_path, {"elbow": rise}))
    assert process.returncode == 2
    (line,) = [line for line in process.stderr.splitlines() if key in line]
    assert finding in line


def test_a_bare_rise_is_doubted_and_a_rise_without_effect_is_named(tmp_path: Path) -> None:
    process = invoke("check", write(tmp_path, {"elbow": "5 K"}))
    assert "joints.elbow.temperature_rise: 5 K is read as" in process.stderr
    assert "temperature rise of elbow above that: uniform" in process.stdout
    path = write(tmp_path, {"elbow": "{mean: 5 K, limit: 1 K}"})
    (tmp_path / "arm.yaml").write_text(ARM.replace("expansion: 12 ppm/K\n", ""))
    assert any("temperature_rise of elbow does nothing" in note for note in armsim.load(path).run().warnings)
