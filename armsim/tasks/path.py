"""A path that the tool follows: lines and arcs, or joint positions one after another."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from armsim.arrays import Array
from armsim.errors import RunError
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations
from armsim.results import Unreachable
from armsim.results.poses import vector
from armsim.tasks.base import FREELY, Advance, Command, Fault, Holding, PoseSet, Task, quiet
from armsim.tasks.inverse import CLOSE, Failure, Solver

SMALL_STEP = 0.1
"""Motion of a joint between neighbours that needs no closer look. [rad; tenths of the reach on a prismatic joint]"""
HALVINGS = 8
"""Times that a larger one is halved before it is called a jump."""
STILL = 1e-7
"""Motion per path, as share of the largest of any joint, below which a joint is taken as standing."""
MOST_POINTS = 100_000
"""Points of one path."""
Position = tuple[float, float, float]


@dataclass(frozen=True)
class Waypoint:
    """A point to go to, in a line, or on an arc through ``via`` [m]; ``rpy`` [rad] where the tool turns on the way."""

    xyz: Position
    via: Position | None = None
    rpy: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Path(Task):
    """A path.

    Parameters
    ----------
    name : str
    step : float
        Between points that are looked at. [m]
    speed : float
        Of the tool point. [m/s]
    waypoints : tuple of Waypoint
        The first is where it begins.
    joints : tuple of (joints,), optional
        Joint positions in their place, joined in straight lines of joint space. [rad or m]
    holding : Holding
    """

    kind = "path"
    is_path = True
    must_reach = True
    name: str
    step: float
    speed: float
    waypoints: tuple[Waypoint, ...] = ()
    joints: tuple[tuple[float, ...], ...] = ()
    holding: Holding = FREELY

    def fault(self, arm: Arm) -> Fault | None:
        length = self.length_on(arm)
        if length / self.step <= MOST_POINTS:
            return None
        found = f"{self.step * 1e3:g} mm make {length / self.step:.3g} points"
        return Fault("step", found, f"at most {MOST_POINTS} points: a wider step")

    @property
    def length(self) -> float:
        """Of lines and arcs. [m]"""
        return sum(_leg(a.xyz, b)[1] for a, b in pairwise(self.waypoints))

    def length_on(self, arm: Arm) -> float:
        """Of the way of the tool point. [m]"""
        if not self.joints:
            return self.length
        return sum(_joint_leg(arm, a, b) for a, b in pairwise(self.joints))

    def find(self, arm: Arm, advance: Advance = quiet) -> PoseSet:
        if self.joints:
            q, corners = self._along_joints(arm)
            tips = arm.postures(q).tool[:, :3, 3]
            along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(tips, axis=0), axis=1))])
            return self._set(along, tips, q, corners, [])
        commands, along, corners = self._commands()
        solver = Solver(arm, self.holding)
        found: list[Array | Failure] = []
        seeds = solver.starts()
        for number, command in enumerate(commands):
            advance(number, len(commands))
            solved = solver.solve(command, seeds)
            if not isinstance(solved, Failure):
                previous = found[-1] if found else None
                if isinstance(previous, np.ndarray):
                    self._continuous(solver, commands[number - 1], command, previous, solved, along[number])
                    seeds = [solved, 2 * solved - previous, *(solved + shift for shift in solver.shifts())]
                else:
                    seeds = [solved, *(solved + shift for shift in solver.shifts())]
            found.append(solved)
        lost = [
            Unreachable(self._label(s), command.xyz, q.reason)
            for s, command, q in zip(along, commands, found, strict=True)
            if isinstance(q, Failure)
        ]
        kept = [n for n, q in enumerate(found) if not isinstance(q, Failure)]
        joints = np.array([found[n] for n in kept], dtype=float).reshape(len(kept), len(arm.joints))
        # where a point is missing, what comes before it ends like at a corner
        turns = {kept.index(n) for n in corners if n in kept} | {
            n for n, (a, b) in enumerate(pairwise(kept)) if b - a > 1
        }
        return self._set(along[kept], np.array([commands[n].xyz for n in kept]).reshape(-1, 3), joints, turns, lost)

    def _set(self, along: Array, tips: Array, joints: Array, corners: set[int], lost: list[Unreachable]) -> PoseSet:
        if len(along) < 2:
            return PoseSet((), Configurations(joints[:0]), tuple(lost))
        moves = _moves(joints, corners)
        length = _moves(along[:, None], corners)
        forward = length > STILL * self.step
        # where only the joints move, the speed of the tool says nothing of theirs: they count as slow
        speeds = np.divide(moves * self.speed, length, out=np.zeros_like(moves), where=forward)
        tangents = _moves(tips, corners)
        tangents = np.where(
            forward, tangents / np.maximum(np.linalg.norm(tangents, axis=1, keepdims=True), 1e-300), 0.0
        )
        moving = np.abs(moves) > np.maximum(STILL * np.abs(moves).max(axis=1, keepdims=True), 3 * CLOSE)
        ways = np.where(moving, np.sign(moves), 0.0)
        for n in range(1, len(ways)):  # a joint that stands keeps the side on which it came to stand
            ways[n] = np.where(ways[n] == 0, ways[n - 1], ways[n])
        configurations = Configurations(joints, speeds, ways, tangents)
        return PoseSet(tuple(_names([self._label(s) for s in along])), configurations, tuple(lost), along=along)

    def _commands(self) -> tuple[list[Command], Array, set[int]]:
        """Where the tool shall be at every point, the length up to there, and the points that are corners."""
        commands: list[Command] = []
        corners: set[int] = set()
        along: list[float] = []
        done = 0.0
        for number, (here, there) in enumerate(pairwise(self.waypoints)):
            at, length = _leg(here.xyz, there)
            points = max(1, math.ceil(length / self.step - 1e-9))
            for k in range(0 if number == 0 else 1, points + 1):
                share = k / points
                xyz = vector(at(share))
                if here.rpy is not None and there.rpy is not None:
                    commands.append(Command(xyz, _turned(here.rpy, there.rpy, share)))
                else:
                    commands.append(self.holding.at(xyz))
                along.append(done + share * length)
            done += length
            corners.add(len(commands) - 1)
        return commands, np.array(along), corners

    def _along_joints(self, arm: Arm) -> tuple[Array, set[int]]:
        """Joint positions so close that the tool never goes farther than a step, and which of them are corners."""
        rows = [np.array(self.joints[0])]
        corners: set[int] = set()
        for a, b in pairwise(self.joints):
            one, other = np.array(a), np.array(b)
            points = max(1, math.ceil(_joint_leg(arm, a, b) / self.step - 1e-9))
            rows += [one + k / points * (other - one) for k in range(1, points + 1)]
            corners.add(len(rows) - 1)
        return np.array(rows), corners

    def _label(self, along: float) -> str:
        """Length of the path at a point, to a hundredth of the distance between points."""
        places = max(0, 2 - math.floor(math.log10(self.step * 1e3)))
        return f"{round(along * 1e3, places) + 0.0:.10g} mm"

    def _continuous(
        self, solver: Solver, a: Command, b: Command, qa: Array, qb: Array, along: float, depth: int = 0
    ) -> None:
        """Halve a large motion until it proves to be one; what stays large is a jump to another posture."""
        large = np.abs(qb - qa)
        scale = np.array([1.0 if joint.revolute else solver.arm.reach for joint in solver.arm.joints])
        if (large / scale).max() <= SMALL_STEP:
            return
        names = ", ".join(name for name, part in zip(solver.arm.names, large / scale, strict=True) if part > SMALL_STEP)
        if depth == HALVINGS:
            raise RunError(
                f"task {self.name!r}: the path jumps from one posture to another after {self._label(along)} ({names}): "
                "begin it in another branch (near:, branch:), or lead it clear of the singular posture"
            )
        middle = _between(a, b)
        q = solver.solve(middle, [qa])
        if isinstance(q, Failure):
            raise RunError(
                f"task {self.name!r}: the arm loses the path just before {self._label(along)} ({names}): {q.reason}"
            )
        self._continuous(solver, a, middle, qa, q, along, depth + 1)
        self._continuous(solver, middle, b, q, qb, along, depth + 1)


def _names(labels: Sequence[str]) -> list[str]:
    """A name for every point; numbered where several lie at one length."""
    out, seen = [], dict.fromkeys(labels, 0)
    for name in labels:
        seen[name] += 1
        out.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return out


def _moves(values: Array, corners: set[int]) -> Array:
    """Motion at every point, shape as of ``values``: half of that from the point before to the point behind.

    At the first point and at corners that to the next point, at the last that from the one before.
    """
    ahead = np.diff(values, axis=0)
    out = np.concatenate([ahead[:1], 0.5 * (ahead[:-1] + ahead[1:]), ahead[-1:]])
    for n in corners:
        if n < len(ahead):
            out[n] = ahead[n]
    return out


def _joint_leg(arm: Arm, a: tuple[float, ...], b: tuple[float, ...]) -> float:
    """Way of the tool point along a straight line of joint space. [m]"""
    one, other = np.array(a), np.array(b)
    fine = arm.postures(one + np.linspace(0, 1, 65)[:, None] * (other - one)).tool[:, :3, 3]
    return float(np.linalg.norm(np.diff(fine, axis=0), axis=1).sum())


def _between(a: Command, b: Command) -> Command:
    middle = vector(0.5 * (np.array(a.xyz) + np.array(b.xyz)))
    if a.rpy is not None and b.rpy is not None:
        return Command(middle, _turned(a.rpy, b.rpy, 0.5))
    return Command(middle, a.rpy, a.direction)


def _turned(a: Position, b: Position, share: float) -> Position:
    """Orientation a share of the way between two, on the shortest turn."""
    from scipy.spatial.transform import Rotation, Slerp

    between = Slerp([0.0, 1.0], Rotation.from_euler("xyz", [a, b]))(share)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pitched by a right angle, one of many triples of turns: any will do
        return vector(between.as_euler("xyz"))


def _leg(start: Position, to: Waypoint) -> tuple[Callable[[float], Array], float]:
    """A function from share to point, and the length of the leg."""
    a, c = np.array(start), np.array(to.xyz)
    if to.via is None:
        return (lambda share: a + share * (c - a)), float(np.linalg.norm(c - a))
    circle = arc(start, to.via, to.xyz)
    if circle is None:
        raise RunError(f"no arc leads through {start}, {to.via}, {to.xyz}: they lie in one line")
    centre, radius, u, v, angle = circle
    return (lambda share: centre + radius * (math.cos(share * angle) * u + math.sin(share * angle) * v)), radius * angle


def arc(start: Position, via: Position, end: Position) -> tuple[Array, float, Array, Array, float] | None:
    """Circle through three points: centre, radius, unit vectors to the start and ahead of it, angle from start to end.

    None where the points lie in one line. Source: circumcentre, plane geometry.
    """
    a, b, c = np.array(start), np.array(via), np.array(end)
    ab, ac = b - a, c - a
    normal = np.cross(ab, ac)
    if np.linalg.norm(normal) <= 1e-9 * np.linalg.norm(ab) * np.linalg.norm(ac) or not np.any(normal):
        return None
    centre = a + (np.dot(ac, ac) * np.cross(np.cross(ab, ac), ab) + np.dot(ab, ab) * np.cross(ac, np.cross(ab, ac))) / (
        2 * np.dot(normal, normal)
    )
    radius = float(np.linalg.norm(a - centre))
    u = (a - centre) / radius
    v = np.cross(normal / np.linalg.norm(normal), u)
    angle = math.atan2(float(np.dot(c - centre, v)), float(np.dot(c - centre, u))) % (2 * math.pi)
    return centre, radius, u, v, angle
