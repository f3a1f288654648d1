"""Machines made of few lines, and published arms, for the tests."""

from __future__ import annotations

import contextlib
import io
import math
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from functools import lru_cache
from importlib.metadata import distribution
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import roboticstoolbox as rtb
from blank_figures import blank_figure
from pose_samples import PoseSample

from armsim.core.counting import LOGARITHMIC_BINS, logarithmic_edge
from armsim.core.kernel_digest import LANES
from armsim.core.quantiles import estimate_quantiles
from armsim.core.sample_kernel import SUMS, Histograms
from armsim.core.screws import FRAME, SCREW, Axes, apply_unit_errors, displace
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import Axis, Term
from armsim.model.arm import Arm
from armsim.model.chain import denavit_hartenberg
from armsim.model.encoder import Encoder, SheetSummary
from armsim.model.joint import Joint
from armsim.model.kinematics import ArmJoint, ElementaryTransform
from armsim.model.machine import Machine
from armsim.sampling.kernel_arrays import DISTANCE, empty_histograms, empty_units, quantile_query
from armsim.sampling.random_draws import UNIT_BLOCK
from armsim.sampling.statistics import TAIL

ROOT = Path(__file__).parent.parent
BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome", "chrome"))), None)
"""Program of the tests in a browser; none on a machine without one."""
BLANK = (sys.executable, str(Path(__file__).with_name("blank_figures.py")))
"""The command in a process of its own, with figures that are blank."""
HANG = 600.0
"""Guard against a test that would wait for ever, and no measure of speed: nothing takes so long on any machine. [s]"""


def until(true: Callable[[], Any], what: str = "nothing came of it") -> Any:
    """Wait for a sign, not for a time."""
    end = time.monotonic() + HANG
    while not (sign := true()):
        assert time.monotonic() < end, what
        time.sleep(0.005)
    return sign


def wait_for_sampling(process: subprocess.Popen[bytes]) -> None:
    """Read what a run says until it says what it samples; the first run of all compiles before, and says so."""
    assert process.stderr is not None
    lines = []
    for line in iter(process.stderr.readline, b""):
        lines.append(line)
        if b"visits in all" in line:
            return
    raise AssertionError(lines)


def published_arm(name: str) -> tuple[Arm, rtb.DHRobot]:
    """A Denavit-Hartenberg model of roboticstoolbox, and the same as an Arm."""
    robot = getattr(rtb.models.DH, name)()
    motions: list[ElementaryTransform] = []
    joints = []
    for number, link in enumerate(robot.links):
        revolute = bool(link.isrevolute)
        theta, d = (link.offset, link.d) if revolute else (link.theta, link.offset)
        motions += denavit_hartenberg(number, f"j{number + 1}", revolute, theta, d, link.a, link.alpha, bool(link.mdh))
        joints.append(ArmJoint(f"j{number + 1}", revolute, -math.pi, math.pi))
    return Arm(name, tuple(joints), tuple(motions)), robot


def planar_arm(*lengths: float) -> Arm:
    """Revolute joints about z, one after another, lengths in m."""
    motions: list[ElementaryTransform] = []
    for number, length in enumerate(lengths):
        motions += denavit_hartenberg(number, f"j{number + 1}", True, 0.0, 0.0, length, 0.0)
    names = [f"j{number + 1}" for number in range(len(lengths))]
    return Arm("planar", tuple(ArmJoint(name, True, -math.pi, math.pi) for name in names), tuple(motions))


def normal_joint(name: str, std: float) -> Joint:
    """A joint whose only error of size is a normal one, drawn at every visit, of standard deviation ``std`` [rad]."""
    return Joint(name, Encoder("ideal", summary=SheetSummary(60.0, repeatability=Distribution("normal", std))))


def normal_machine(arm: Arm, *stds: float) -> Machine:
    return Machine(arm, tuple(normal_joint(name, std) for name, std in zip(arm.names, stds, strict=True)))


def curve(
    terms: tuple[Term, ...], positions: np.ndarray, coefficients: dict[str, np.ndarray] | None = None
) -> np.ndarray:
    """Error of terms at positions, with the mean coefficients or the given ones."""
    state = State.at_rest(positions)
    out = np.zeros(len(state.position))
    for term in terms:
        values = term.mean if coefficients is None else coefficients[term.name]
        for act in term.acts:
            out += values[act.coefficient] * act.shape.value(state)
    return out


def on_joint(joint: Joint) -> list[Term]:
    return [term for term in joint.terms() if term.axes == (Axis(joint.name),)]


def robot_file(*parts: str) -> Path:
    """A file of the package example-robot-data."""
    place = distribution("example-robot-data").locate_file("cmeel.prefix/share/example-robot-data/robots")
    return Path(str(place)).joinpath(*parts)


@lru_cache
def _edges() -> np.ndarray:
    return np.array([logarithmic_edge(number) for number in range(LOGARITHMIC_BINS)])


def sample_of(values: np.ndarray) -> PoseSample:
    """A population of shape (visits, units), not negative, counted as the engine counts distances."""
    visits, units = values.shape
    histogram_stack, arrays = empty_histograms(1), empty_units(1, units)
    histograms = Histograms(*(counts[0] for counts in histogram_stack))
    statistics, squares = arrays.unit_statistics[0], arrays.squared_errors[0]
    sample = PoseSample(visits, np.zeros((3, 2)), histograms, statistics, squares, np.zeros(SUMS))
    bins = np.clip(np.searchsorted(_edges(), values, side="right") - 1, 0, LOGARITHMIC_BINS - 1)
    sample.histograms.logarithmic[DISTANCE] = np.bincount(bins.ravel(), minlength=LOGARITHMIC_BINS)
    even = visits // 2 * 2
    pairs = np.maximum(bins[0:even:2], bins[1:even:2])
    sample.histograms.logarithmic_pairs[:] = np.bincount(pairs.ravel(), minlength=LOGARITHMIC_BINS)
    sample.histograms.extremes[:, DISTANCE] = values.min(), values.max()
    return sample


def estimates(sample: PoseSample, measure: list[int], ps: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    """Quantiles, shape (k,), and their 95 % intervals, shape (k, 2), as the engine reads them."""
    request = quantile_query(measure, ps, [True] * len(ps), sample.units, sample.visits)
    out = np.empty((3, len(ps)))
    estimate_quantiles(sample.histograms, sample.bin_scales, request, sample.units, sample.visits, TAIL, out)
    return out[0], out[1:].T


def displaced(errors: np.ndarray, axes: Axes, moving: np.ndarray) -> np.ndarray:
    """Displacement of the tool frame by errors, those of some axes as of a visit and all others as kept.

    Parameters
    ----------
    errors : (axes, n) [rad or m]
    axes : Axes
    moving : (moving axes,) int
        Axes, base first, whose errors are those of a visit.

    Returns
    -------
    (FRAME, n)
    """
    n = errors.shape[1]
    padded = np.zeros((len(errors), -(-n // LANES) * LANES))
    padded[:, :n] = errors
    out = np.empty((FRAME, padded.shape[1]))
    screws, frame, half = np.empty((len(moving), SCREW * LANES)), np.empty(FRAME * LANES), np.empty(2 * LANES)
    for start in range(0, padded.shape[1], LANES):
        constant = padded[:, start : start + LANES].copy()
        visit = np.ascontiguousarray(constant[moving])[:, None]
        constant[moving] = 0.0
        apply_unit_errors(constant, axes, moving, screws, frame, half)
        displace(visit, 0, screws, np.ascontiguousarray(axes.rotary[moving]), frame, half)
        out[:, start : start + LANES] = frame.reshape(FRAME, LANES)
    return out[:, :n]


COARSE = ("--set", "tasks.side view.step=120 mm")
"""The demo with 39 poses in place of 564, where a test is about something else."""
FEW_DISCS = ("disc 13 128,", "disc 20 256 c,", "disc 26 512,", "disc 35 1024 2h c,")


def few_discs(folder: Path) -> Path:
    """The demo's catalogue with four of its thirty discs, in a file of the folder: 16 ways to fit a joint in place of 120."""
    lines = (ROOT / "configs" / "catalogues" / "discs.yaml").read_text().splitlines()
    file = folder / "few-discs.yaml"
    few = [line for line in lines if "name: disc" not in line or any(name in line for name in FEW_DISCS)]
    file.write_text("\n".join(few) + "\n")
    return file


def few_arms_of_sensitivities() -> AbstractContextManager[object]:
    """Context in which sensitivities sample 1024 arms where the plan has no more, in place of 16 384."""
    return mock.patch("armsim.decide.sensitivity.LEAST_UNITS", UNIT_BLOCK)


def invoke(*arguments: object, cwd: Path | None = None, pictures: bool = False) -> subprocess.CompletedProcess[str]:
    """A command run in this process, as `main` would: many times as fast as a process of its own.

    Figures are made and, without ``pictures``, saved blank: to lay them out takes nine tenths of the time of a review.
    Sensitivities are sampled on as many arms as the command says, at least 1024: `decide/test_slopes.py` holds their numbers.
    """
    from armsim.cli.main import command

    out, err, folder = io.StringIO(), io.StringIO(), Path.cwd()
    saved = contextlib.nullcontext() if pictures else mock.patch("armsim.report.drawing.save_figure", blank_figure)
    try:
        if cwd is not None:
            os.chdir(cwd)
        with saved, few_arms_of_sensitivities(), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code, message = command([str(word) for word in arguments])
    finally:
        os.chdir(folder)
    return subprocess.CompletedProcess(
        arguments, code, out.getvalue(), err.getvalue() + (f"{message}\n" if message else "")
    )
