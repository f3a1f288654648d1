"""A path that the tool follows: lines and arcs, or joint positions one after another."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from armsim.arrays import Array
from armsim.errors import RunError
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations
from armsim.model.kinematics import roll_pitch_yaw
from armsim.results import Unreachable
from armsim.results.poses import vector
from armsim.tasks.base import UNCONSTRAINED, Command, Fault, PointProgress, PoseConstraints, PoseSet, Task, no_progress
from armsim.tasks.inverse import POSE_TOLERANCE, Failure, Solver

SMALL_STEP = 0.1
"""Motion of a joint between neighbours that needs no subdivision. [rad; share of the reach on a prismatic joint]"""
HALVINGS = 8
"""Halvings of a larger motion before it counts as a jump."""
STATIONARY = 1e-7
"""Motion, as a share of the largest of any joint, below which a joint counts as stationary."""
MOST_POINTS = 100_000
"""Largest number of points of one path."""
Position = tuple[float, float, float]


@dataclass(frozen=True)
class Waypoint:
    """Point to which the tool moves in a line, or on an arc through ``via`` [m]; ``rpy`` [rad] if it turns."""

    xyz: Position
    via: Position | None = None
    rpy: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Path(Task):
    """A path that the tool follows.

    Parameters
    ----------
    name : str
    step : float
        Distance between the points evaluated. [m]
    speed : float
        Speed of the tool point. [m/s]
    waypoints : tuple of Waypoint
        The first is the beginning of the path.
    joints : tuple of (joints,), optional
        Joint positions instead of waypoints, joined in straight lines of joint space. [rad or m]
    constraints : PoseConstraints
    """

    kind = "path"
    is_path = True
    must_reach = True
    name: str
    step: float
    speed: float
    waypoints: tuple[Waypoint, ...] = ()
    joints: tuple[tuple[float, ...], ...] = ()
    constraints: PoseConstraints = UNCONSTRAINED

    def fault(self, arm: Arm) -> Fault | None:
        length = self.length_on(arm)
        if length / self.step <= MOST_POINTS:
            return None
        count_text = f"{self.step * 1e3:g} mm make {length / self.step:.3g} points"
        return Fault("step", count_text, f"at most {MOST_POINTS} points: a wider step")

    @property
    def length(self) -> float:
        """Length of the lines and arcs. [m]"""
        return sum(_leg(a.xyz, b)[1] for a, b in pairwise(self.waypoints))

    def length_on(self, arm: Arm) -> float:
        """Length of the path of the tool point on an arm. [m]"""
        if not self.joints:
            return self.length
        return sum(_joint_leg(arm, a, b) for a, b in pairwise(self.joints))

    def find(self, arm: Arm, progress: PointProgress = no_progress) -> PoseSet:
        if self.joints:
            q, corners = self._along_joints(arm)
            tips = arm.postures(q).tool[:, :3, 3]
            along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(tips, axis=0), axis=1))])
            return self._pose_set(along, tips, q, corners, [])
        commands, along, corners = self._commands()
        solver = Solver(arm, self.constraints)
        solutions: list[Array | Failure] = []
        seeds = solver.starts()
        for number, command in enumerate(commands):
            progress(number, len(commands))
            solution = solver.solve(command, seeds)
            if not isinstance(solution, Failure):
                previous = solutions[-1] if solutions else None
                if isinstance(previous, np.ndarray):
                    self._refuse_jump(solver, commands[number - 1], command, previous, solution, along[number])
                    seeds = [solution, 2 * solution - previous, *(solution + shift for shift in solver.shifts())]
                else:
                    seeds = [solution, *(solution + shift for shift in solver.shifts())]
            solutions.append(solution)
        unreachable = [
            Unreachable(self._label(s), command.xyz, q.reason)
            for s, command, q in zip(along, commands, solutions, strict=True)
            if isinstance(q, Failure)
        ]
        reached = [n for n, q in enumerate(solutions) if not isinstance(q, Failure)]
        joints = np.array([solutions[n] for n in reached], dtype=float).reshape(len(reached), len(arm.joints))
        # a point that is not reached divides the path, as a corner does
        reached_corners = {reached.index(n) for n in corners if n in reached} | {
            n for n, (a, b) in enumerate(pairwise(reached)) if b - a > 1
        }
        return self._pose_set(
            along[reached],
            np.array([commands[n].xyz for n in reached]).reshape(-1, 3),
            joints,
            reached_corners,
            unreachable,
        )

    def _pose_set(
        self, along: Array, tips: Array, joints: Array, corners: set[int], unreachable: list[Unreachable]
    ) -> PoseSet:
        if len(along) < 2:
            return PoseSet((), Configurations(joints[:0]), tuple(unreachable))
        moves = _central_differences(joints, corners)
        length = _central_differences(along[:, None], corners)
        forward = length > STATIONARY * self.step
        # if the tool point does not move, the speeds of the joints do not follow from its speed: they count as zero
        speeds = np.divide(moves * self.speed, length, out=np.zeros_like(moves), where=forward)
        tangents = _central_differences(tips, corners)
        tangents = np.where(
            forward, tangents / np.maximum(np.linalg.norm(tangents, axis=1, keepdims=True), 1e-300), 0.0
        )
        moving = np.abs(moves) > np.maximum(STATIONARY * np.abs(moves).max(axis=1, keepdims=True), 3 * POSE_TOLERANCE)
        directions = np.where(moving, np.sign(moves), 0.0)
        for n in range(1, len(directions)):  # a stationary joint keeps the direction of its last motion
            directions[n] = np.where(directions[n] == 0, directions[n - 1], directions[n])
        configurations = Configurations(joints, speeds, directions, tangents)
        return PoseSet(tuple(_names([self._label(s) for s in along])), configurations, tuple(unreachable), along=along)

    def _commands(self) -> tuple[list[Command], Array, set[int]]:
        """Command at every point, path length up to it, shape (points,) [m], and the numbers of the corners."""
        commands: list[Command] = []
        corners: set[int] = set()
        along: list[float] = []
        travelled = 0.0
        for number, (start, end) in enumerate(pairwise(self.waypoints)):
            point_at, length = _leg(start.xyz, end)
            points = max(1, math.ceil(length / self.step - 1e-9))
            for k in range(0 if number == 0 else 1, points + 1):
                share = k / points
                xyz = vector(point_at(share))
                if start.rpy is not None and end.rpy is not None:
                    commands.append(Command(xyz, _interpolate_rotation(start.rpy, end.rpy, share)))
                else:
                    commands.append(self.constraints.command_at(xyz))
                along.append(travelled + share * length)
            travelled += length
            corners.add(len(commands) - 1)
        return commands, np.array(along), corners

    def _along_joints(self, arm: Arm) -> tuple[Array, set[int]]:
        """Joint positions so close that the tool never goes farther than a step, and which of them are corners."""
        rows = [np.array(self.joints[0])]
        corners: set[int] = set()
        for a, b in pairwise(self.joints):
            start, end = np.array(a), np.array(b)
            points = max(1, math.ceil(_joint_leg(arm, a, b) / self.step - 1e-9))
            rows += [start + k / points * (end - start) for k in range(1, points + 1)]
            corners.add(len(rows) - 1)
        return np.array(rows), corners

    def _label(self, along: float) -> str:
        """Length of the path at a point, to a hundredth of the distance between points."""
        decimals = max(0, 2 - math.floor(math.log10(self.step * 1e3)))
        return f"{round(along * 1e3, decimals) + 0.0:.10g} mm"

    def _refuse_jump(
        self, solver: Solver, a: Command, b: Command, qa: Array, qb: Array, along: float, depth: int = 0
    ) -> None:
        """Raise a `RunError` if a motion between neighbours is a jump: large even after `HALVINGS`."""
        motion = np.abs(qb - qa)
        scale = np.array([1.0 if joint.revolute else solver.arm.reach for joint in solver.arm.joints])
        if (motion / scale).max() <= SMALL_STEP:
            return
        names = ", ".join(
            name for name, step in zip(solver.arm.names, motion / scale, strict=True) if step > SMALL_STEP
        )
        if depth == HALVINGS:
            raise RunError(
                f"task {self.name!r}: the path jumps from one posture to another after {self._label(along)} ({names}): "
                "begin it in another branch (near:, branch:), or lead it clear of the singular posture"
            )
        middle = _midpoint(a, b)
        q = solver.solve(middle, [qa])
        if isinstance(q, Failure):
            raise RunError(
                f"task {self.name!r}: the arm loses the path just before {self._label(along)} ({names}): {q.reason}"
            )
        self._refuse_jump(solver, a, middle, qa, q, along, depth + 1)
        self._refuse_jump(solver, middle, b, q, qb, along, depth + 1)


def _names(labels: Sequence[str]) -> list[str]:
    """Unique names of points: repeated labels are numbered."""
    out, counts = [], dict.fromkeys(labels, 0)
    for name in labels:
        counts[name] += 1
        out.append(name if counts[name] == 1 else f"{name} ({counts[name]})")
    return out


def _central_differences(values: Array, corners: set[int]) -> Array:
    """Central difference at every point, shape as of ``values``: half the motion from the previous to the next point.

    At the first point and at corners the motion to the next point, at the last that from the previous one.
    """
    ahead = np.diff(values, axis=0)
    out = np.concatenate([ahead[:1], 0.5 * (ahead[:-1] + ahead[1:]), ahead[-1:]])
    for n in corners:
        if n < len(ahead):
            out[n] = ahead[n]
    return out


def _joint_leg(arm: Arm, a: tuple[float, ...], b: tuple[float, ...]) -> float:
    """Path length of the tool point along a straight line of joint space. [m]"""
    start, end = np.array(a), np.array(b)
    fine = arm.postures(start + np.linspace(0, 1, 65)[:, None] * (end - start)).tool[:, :3, 3]
    return float(np.linalg.norm(np.diff(fine, axis=0), axis=1).sum())


def _midpoint(a: Command, b: Command) -> Command:
    middle = vector(0.5 * (np.array(a.xyz) + np.array(b.xyz)))
    if a.rpy is not None and b.rpy is not None:
        return Command(middle, _interpolate_rotation(a.rpy, b.rpy, 0.5))
    return Command(middle, a.rpy, a.direction)


def _interpolate_rotation(a: Position, b: Position, share: float) -> Position:
    """Orientation at a share of the shortest rotation between two, as fixed-axis angles, roll first. [rad]"""
    from scipy.spatial.transform import Rotation, Slerp

    between = Slerp([0.0, 1.0], Rotation.from_euler("xyz", [a, b]))(share)
    return roll_pitch_yaw(between.as_matrix())


def _leg(start: Position, end: Waypoint) -> tuple[Callable[[float], Array], float]:
    """Function from the share of a leg to the point on it, shape (3,) [m], and the length of the leg. [m]"""
    a, c = np.array(start), np.array(end.xyz)
    if end.via is None:
        return (lambda share: a + share * (c - a)), float(np.linalg.norm(c - a))
    circle = circle_through(start, end.via, end.xyz)
    if circle is None:
        raise RunError(f"no arc leads through {start}, {end.via}, {end.xyz}: they lie in one line")
    centre, radius, u, v, angle = circle
    return (lambda share: centre + radius * (math.cos(share * angle) * u + math.sin(share * angle) * v)), radius * angle


def circle_through(start: Position, via: Position, end: Position) -> tuple[Array, float, Array, Array, float] | None:
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
