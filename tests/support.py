"""Machines made of few lines, and published arms, for the tests."""

from __future__ import annotations

import contextlib
import io
import math
import os
import subprocess
from importlib.metadata import distribution
from pathlib import Path

import numpy as np
import roboticstoolbox as rtb

from armsim.core.counting import RATIO_BINS, RATIO_EDGES, ratio_bins, tally, tally_larger
from armsim.engine.statistics import Counted
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import Axis, Term
from armsim.model.arm import Arm, ArmJoint, ElementaryTransform
from armsim.model.chain import denavit_hartenberg
from armsim.model.encoder import Encoder, SheetSummary
from armsim.model.joint import Joint
from armsim.model.machine import Machine

ROOT = Path(__file__).parent.parent


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
    where = distribution("example-robot-data").locate_file("cmeel.prefix/share/example-robot-data/robots")
    return Path(str(where)).joinpath(*parts)


def counted(values: np.ndarray) -> Counted:
    """A population of shape (visits, units), not negative, counted as the engine counts distances."""
    visits, units = values.shape
    counts, pairs = np.zeros(RATIO_BINS, dtype=np.int64), np.zeros(RATIO_BINS, dtype=np.int64)
    bins = np.empty(values.shape, dtype=np.int64)
    for visit in range(visits):
        ratio_bins(np.ascontiguousarray(values[visit], dtype=float), bins[visit])
        tally(bins[visit], counts)
        if visit % 2:
            tally_larger(bins[visit - 1], bins[visit], pairs)
    touched = slice(bins.min(), bins.max() + 1)
    edges = RATIO_EDGES[touched.start : touched.stop + 1]
    ends = np.array([values.min(), values.max()], dtype=float)
    return Counted(counts[touched], pairs[touched], edges, ends, units, visits)


def invoke(*given: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """A command run in this process, as `main` would: many times as fast as a process of its own."""
    from armsim.cli.main import command

    out, err, here = io.StringIO(), io.StringIO(), Path.cwd()
    try:
        if cwd is not None:
            os.chdir(cwd)
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code, told = command([str(word) for word in given])
    finally:
        os.chdir(here)
    return subprocess.CompletedProcess(given, code, out.getvalue(), err.getvalue() + (f"{told}\n" if told else ""))
