"""Elementary transforms of a serial chain, and its axes and frames at poses."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from armsim.arrays import Array
from armsim.errormodel.terms import Axis

X, Y, Z = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)
ERROR_MOTIONS = {f"{kind} {axis}": (n, kind == "tilt") for kind in ("shift", "tilt") for n, axis in enumerate("xyz")}
"""Error motions of a joint: direction, z along its own motion, and whether they turn. Of a shaft ISO 230-7:2015 calls
shifts along x and y radial, along z axial; of a slide ISO 230-1:2012 calls them straightness."""
DEFLECTIONS = {f"{kind} {axis}": (n, kind == "bend") for kind in ("sag", "bend") for n, axis in enumerate("xyz")}
"""Deflections of a joint and its link, along and about x, y, z of the frame that the joint carries: direction, and
whether they turn. They follow the motion of the joint and may be along or about its own axis."""
RANGE_ROUNDING = 1e-9
"""Rounding tolerance of a range. [rad or m]"""


@dataclass(frozen=True)
class ElementaryTransform:
    """Turn about, or shift along, a fixed direction of the local frame.

    Parameters
    ----------
    direction : (3,)
        Unit vector.
    rotary : bool
    value : float
        Fixed part of the motion. [rad or m]
    axes : tuple of Axis
        Names under which errors act on it: the motion of a joint, a constant of a link, or both.
    joint : int, optional
        Number of the joint whose variable is added to the value.
    factors : tuple of (int, float)
        Of a follower, which has no drive: numbers of the joints that it follows, and its motion per motion of each.
    """

    direction: tuple[float, float, float]
    rotary: bool
    value: float
    axes: tuple[Axis, ...] = ()
    joint: int | None = None
    factors: tuple[tuple[int, float], ...] = ()

    @property
    def moves(self) -> bool:
        """Whether it moves with any joint."""
        return self.joint is not None or bool(self.factors)

    def value_at(self, q: Array) -> Array:
        """Value at joint positions of shape (P, joints), shape (P,). [rad or m]"""
        value = np.full(len(q), float(self.value))
        if self.joint is not None:
            value += q[:, self.joint]
        for number, factor in self.factors:
            value += factor * q[:, number]
        return value


@dataclass(frozen=True)
class ArmJoint:
    """Name and travel of one joint. ``lower`` and ``upper`` are in rad (revolute) or m (prismatic)."""

    name: str
    revolute: bool
    lower: float = -math.inf
    upper: float = math.inf

    @property
    def travel(self) -> float:
        """Upper minus lower end; one turn or one metre where there are no ends. [rad or m]"""
        travel = self.upper - self.lower
        return travel if math.isfinite(travel) else (2 * math.pi if self.revolute else 1.0)

    def in_range(self, position: float) -> bool:
        """Whether a position is within the range, up to rounding."""
        return self.lower - RANGE_ROUNDING <= position <= self.upper + RANGE_ROUNDING


@dataclass(frozen=True)
class Coupling:
    """Coupling of the drive of a joint to several joints.

    Parameters
    ----------
    joint : int
        Number of the joint.
    drive_factors : tuple of float
        Motion at the drive per motion of every joint, in the unit of its own joint before its own gear.
    motor_only : bool
        Whether the coupling lies between motor and joint, so that a sensor on the joint sees the joint alone.
    """

    joint: int
    drive_factors: tuple[float, ...]
    motor_only: bool = False


@dataclass(frozen=True, eq=False)
class Kinematics:
    """Axes of an arm at P poses, and their effect on the tool point.

    Parameters
    ----------
    direction : (P, axes, 3)
        Unit vectors of the axes, in the base frame.
    column : (P, axes, 3)
        Columns of the geometric Jacobian of the tool point. [m/rad or 1]
    rotary : (axes,) bool
    tool : (P, 4, 4)
        Pose of the tool. [m]
    points : (P, joints + followers + 2, 3)
        Base, every joint and follower, tool point: the arm drawn as a line. [m]
    """

    direction: Array
    column: Array
    rotary: np.ndarray
    tool: Array
    points: Array

    def at(self, poses: slice) -> Kinematics:
        """Some of the poses, as views."""
        return Kinematics(self.direction[poses], self.column[poses], self.rotary, self.tool[poses], self.points[poses])


@dataclass(frozen=True, eq=False)
class Frames:
    """Frames of an arm at P poses.

    Parameters
    ----------
    links : (P, joints + followers, 4, 4)
        Frame that each joint, then each follower carries: the last of its row.
    tool : (P, 4, 4)
    direction, origin : (P, joints + followers, 3)
        Unit vectors, and points [m], of their axes.
    """

    links: Array
    tool: Array
    direction: Array
    origin: Array


class Chain(Protocol):
    """Protocol of a serial chain, for conventions and for other libraries."""

    @property
    def name(self) -> str:
        """Name of the arm."""

    @property
    def joints(self) -> tuple[ArmJoint, ...]:
        """Joints, base first."""

    @property
    def motions(self) -> tuple[ElementaryTransform, ...]:
        """The whole chain from base to tool."""


def rotation(direction: ArrayLike, angle: ArrayLike) -> Array:
    """Rotation matrices about a unit vector, shape (P, 3, 3), for angles of shape (P,). Rodrigues's formula.

    Parameters
    ----------
    direction : (3,)
        Unit vector.
    angle : (P,) [rad]

    Returns
    -------
    (P, 3, 3)
    """
    x, y, z = np.asarray(direction, dtype=float)
    angle = np.atleast_1d(np.asarray(angle, dtype=float))[:, None, None]
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    along: Array = np.outer([x, y, z], [x, y, z])
    matrix: Array = along + np.cos(angle) * (np.eye(3) - along) + np.sin(angle) * cross
    return matrix


def roll_pitch_yaw(matrix: Array) -> tuple[float, float, float]:
    """Turns about the fixed x, y, z axes, roll first, of a rotation. [rad]

    Where the pitch is +-90 deg only the difference (+90 deg) or the sum (-90 deg) of roll and yaw counts: the yaw is
    then 0.

    Parameters
    ----------
    matrix : (3, 3) or (4, 4)
        Rotation, or a frame.

    Returns
    -------
    roll, pitch, yaw : float
    """
    horizontal = math.hypot(matrix[0, 0], matrix[1, 0])
    pitch = math.atan2(-matrix[2, 0], horizontal)
    if horizontal < 1e-9:
        return math.atan2(-matrix[1, 2], matrix[1, 1]), pitch, 0.0
    return math.atan2(matrix[2, 1], matrix[2, 2]), pitch, math.atan2(matrix[1, 0], matrix[0, 0])


def z_onto(direction: ArrayLike) -> Array:
    """Rotation matrix, shape (3, 3), that turns z onto a unit vector."""
    d = np.asarray(direction, dtype=float)
    axis = np.cross([0.0, 0.0, 1.0], d)
    sine = float(np.linalg.norm(axis))
    if sine < 1e-15:
        return np.eye(3) if d[2] > 0 else np.diag([1.0, -1.0, -1.0])
    matrix: Array = rotation(axis / sine, math.atan2(sine, float(d[2])))[0]
    return matrix


def rigid_motion(points: Array, targets: Array) -> tuple[Array, Array]:
    """Rotation and translation that best map points onto others, by least squares.

    Parameters
    ----------
    points, targets : (n, 3) [m]

    Returns
    -------
    turn : (3, 3)
    shift : (3,) [m]

    References
    ----------
    .. [1] Kabsch, Acta Cryst. A32 (1976) 922.
    """
    centred_points, centred_targets = points - points.mean(axis=0), targets - targets.mean(axis=0)
    left_vectors, _, right_vectors = np.linalg.svd(centred_points.T @ centred_targets)
    sign = np.sign(np.linalg.det(left_vectors @ right_vectors))
    turn = (left_vectors @ np.diag([1.0, 1.0, sign]) @ right_vectors).T
    return turn, targets.mean(axis=0) - turn @ points.mean(axis=0)
