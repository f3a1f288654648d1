"""Serial kinematic chains of any convention, as a list of elementary transforms."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from armsim.arrays import Array
from armsim.errormodel.terms import Axis, Role
from armsim.model.kinematics import (
    DEFLECTIONS,
    ERROR_MOTIONS,
    ArmJoint,
    Coupling,
    ElementaryTransform,
    Frames,
    Kinematics,
    X,
    Y,
    Z,
    rotation,
    z_onto,
)


@dataclass(frozen=True, eq=False)
class Arm:
    """A serial arm.

    Parameters
    ----------
    name : str
    joints : tuple of ArmJoint
        Base first.
    motions : tuple of ElementaryTransform
        The whole chain from base to tool.
    groups : mapping
        Group name to joint names.
    couplings : tuple of Coupling
        Joints whose drives also move with other joints.
    """

    name: str
    joints: tuple[ArmJoint, ...]
    motions: tuple[ElementaryTransform, ...]
    groups: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    couplings: tuple[Coupling, ...] = ()

    def __getstate__(self) -> dict[str, object]:
        """Fields only: cached values are not sent to other processes."""
        return {field.name: getattr(self, field.name) for field in fields(self)}

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of the joints, base first."""
        return tuple(joint.name for joint in self.joints)

    @cached_property
    def joint_and_follower_names(self) -> tuple[str, ...]:
        """Names of the joints, then those of the followers, base first each."""
        return (*self.names, *(motion.axes[0].owner for motion in self.followers))

    @cached_property
    def lower(self) -> Array:
        """Lower ends of the joint ranges, shape (joints,). [rad or m]"""
        return np.array([joint.lower for joint in self.joints])

    @cached_property
    def upper(self) -> Array:
        """Upper ends of the joint ranges, shape (joints,). [rad or m]"""
        return np.array([joint.upper for joint in self.joints])

    @cached_property
    def middle(self) -> Array:
        """Middle of the joint ranges, zero where they have no ends, shape (joints,). [rad or m]"""
        ends = zip(self.lower, self.upper, strict=True)
        return np.array([0.5 * (a + b) if math.isfinite(b - a) else 0.0 for a, b in ends])

    @cached_property
    def finite_lower(self) -> Array:
        """Lower ends; half a turn or half a metre below the middle if a range has none, shape (joints,). [rad or m]"""
        travels = np.array([joint.travel for joint in self.joints])
        return np.where(np.isfinite(self.lower), self.lower, self.middle - 0.5 * travels)

    @cached_property
    def finite_upper(self) -> Array:
        """Upper ends; half a turn or half a metre above the middle if a range has none, shape (joints,). [rad or m]"""
        travels = np.array([joint.travel for joint in self.joints])
        return np.where(np.isfinite(self.upper), self.upper, self.middle + 0.5 * travels)

    @cached_property
    def reach(self) -> float:
        """Bound on the distance from base to tool point. [m]"""
        lengths = [abs(motion.value) for motion in self.motions if not motion.rotary]
        slides = [(joint, 1.0) for joint in self.joints if not joint.revolute]
        slides += [
            (self.joints[number], abs(factor))
            for motion in self.followers
            if not motion.rotary
            for number, factor in motion.factors
        ]
        travels = [(max(abs(joint.lower), abs(joint.upper)), factor) for joint, factor in slides]
        return sum(lengths) + sum(factor * travel if math.isfinite(travel) else factor for travel, factor in travels)

    @cached_property
    def followers(self) -> tuple[ElementaryTransform, ...]:
        """Motions without a drive that follow joints, base first."""
        return tuple(motion for motion in self.motions if motion.factors)

    @cached_property
    def follower_factors(self) -> Array:
        """Motion of every follower per motion of every joint, shape (followers, joints). [rad or m per rad or m]"""
        factors = np.zeros((len(self.followers), len(self.joints)))
        for row, motion in zip(factors, self.followers, strict=True):
            for number, factor in motion.factors:
                row[number] += factor
        return factors

    @cached_property
    def moving_indices(self) -> tuple[int, ...]:
        """For every motion, the index of its joint or follower in `joint_and_follower_names`; -1 if it is fixed."""
        followers = iter(range(len(self.joints), len(self.joint_and_follower_names)))
        return tuple(
            next(followers) if motion.factors else -1 if motion.joint is None else motion.joint
            for motion in self.motions
        )

    def moved_by(self, axis: Axis) -> tuple[tuple[Axis, float], ...]:
        """Axes that move with an axis, and how far each moves per motion of it: itself first, then its followers.

        Parameters
        ----------
        axis : Axis

        Returns
        -------
        tuple of (Axis, float)
        """
        if axis.role is not Role.MOTION or axis.owner not in self.names:
            return ((axis, 1.0),)
        number = self.names.index(axis.owner)
        steps = zip(self.followers, self.follower_factors[:, number].tolist(), strict=True)
        return ((axis, 1.0), *((motion.axes[0], factor) for motion, factor in steps if factor))

    def group_of(self, joint: str) -> str:
        """Name of the group that contains a joint, or the name of the joint itself."""
        return next((name for name, members in self.groups.items() if joint in members), joint)

    def motion_index(self, axis: Axis) -> int:
        """Index of the motion that an axis names.

        Raises
        ------
        KeyError
            The arm has no such axis.
        """
        return self._motions_by_axis[axis]

    @cached_property
    def _motions_by_axis(self) -> dict[Axis, int]:
        return {axis: index for index, motion in enumerate(self.motions) for axis in motion.axes}

    def with_error_motions(
        self,
        axes: Iterable[Axis],
        centres: Mapping[str, float] | None = None,
        springs: Mapping[str, tuple[float, float, float]] | None = None,
    ) -> Arm:
        """Arm with the error motions among some axes added to its chain; itself where there are none.

        They precede the motion of a joint that turns, in the frame that carries it: their x and y do not turn with it.
        Those of a slide follow its motion: they act at its carriage. Deflections follow the motion of any joint.

        Parameters
        ----------
        axes : iterable of Axis
        centres : mapping of joint to float, optional
            Positions along the axis at which they act; the origin if not given. [m]
        springs : mapping of joint to (3,), optional
            Places at which deflections act, in the frame after the motion of the joint. [m]

        Returns
        -------
        Arm

        Raises
        ------
        KeyError
            An error motion that neither `ERROR_MOTIONS` nor `DEFLECTIONS` knows.
        ValueError
            An error motion that is the joint's own motion.
        """
        missing_axes = {axis for axis in axes if axis.role is Role.ERROR_MOTION and axis not in self._motions_by_axis}
        if not missing_axes:
            return self
        order = [*ERROR_MOTIONS, *DEFLECTIONS]
        ordered_axes = sorted(missing_axes, key=lambda axis: order.index(axis.parameter))
        motions: list[ElementaryTransform] = []
        for motion in self.motions:
            name = None if motion.joint is None else self.names[motion.joint]
            of_joint = [axis for axis in ordered_axes if axis.owner == name]
            rigid = [_error_motion(axis, motion) for axis in of_joint if axis.parameter in ERROR_MOTIONS]
            x, y, z = motion.direction
            centre = (centres or {}).get(name or "", 0.0)
            rigid = _motions_at_point(rigid, (centre * x, centre * y, centre * z))
            elastic = _motions_at_point(
                [_deflection(axis) for axis in of_joint if axis.parameter in DEFLECTIONS],
                (springs or {}).get(name or "", (0.0, 0.0, 0.0)),
            )
            motions += [*rigid, motion, *elastic] if motion.rotary else [motion, *rigid, *elastic]
        return replace(self, motions=tuple(motions))

    def postures(self, q: ArrayLike, axes: Sequence[Axis] | None = None) -> Kinematics:
        """Kinematics of the arm at joint positions, in the base frame.

        Parameters
        ----------
        q : (P, joints) [rad or m]
        axes : sequence of Axis, optional
            Axes to evaluate, each alone; those of the joints, with all that follows them, where not given.

        Returns
        -------
        Kinematics
        """
        q = np.atleast_2d(np.asarray(q, dtype=float))
        if axes is None:
            joints = [Axis(name) for name in self.names]
            return self._with_followers(self.postures(q, [*joints, *(motion.axes[0] for motion in self.followers)]))
        poses = len(q)
        indices = [self.motion_index(axis) for axis in axes]
        frame = np.broadcast_to(np.eye(4), (poses, 4, 4)).copy()
        directions, origins, points = {}, {}, [frame[:, :3, 3].copy()]
        for index, motion in enumerate(self.motions):
            if index in indices:
                directions[index] = frame[:, :3, :3] @ np.array(motion.direction)
                origins[index] = frame[:, :3, 3].copy()
            _apply_motion(frame, motion, q)
            if motion.moves:
                points.append(frame[:, :3, 3].copy())
        tip = frame[:, :3, 3]
        points.append(tip.copy())
        rotary = np.array([self.motions[i].rotary for i in indices], dtype=bool)
        direction = np.stack([directions[i] for i in indices], axis=1) if indices else np.zeros((poses, 0, 3))
        column = direction.copy()
        for a, i in enumerate(indices):
            if rotary[a]:
                column[:, a] = np.cross(direction[:, a], tip - origins[i])
        return Kinematics(direction, column, rotary, frame, np.stack(points, axis=1))

    def _with_followers(self, separate: Kinematics) -> Kinematics:
        """Kinematics of the joints from that of joints and followers, each alone."""
        if not self.followers:
            return separate
        count, factors = len(self.joints), self.follower_factors

        def per_joint(columns: Array) -> Array:
            return np.asarray(columns[:, :count] + np.einsum("pfx,fj->pjx", columns[:, count:], factors))

        rotary = separate.rotary[:count] | np.any(factors[separate.rotary[count:]] != 0.0, axis=0)
        turning = per_joint(np.where(separate.rotary[:, None], separate.direction, 0.0))
        direction = np.where(rotary[:, None], turning, separate.direction[:, :count])
        return replace(separate, direction=direction, column=per_joint(separate.column), rotary=rotary)

    def fkine(self, q: ArrayLike) -> Any:
        """Pose of the tool in the base frame, as an object of spatialmath.

        Parameters
        ----------
        q : (joints,) or (P, joints) [rad or m]

        Returns
        -------
        spatialmath.SE3
            Of one pose, or of P poses. [m]

        Examples
        --------
        >>> import armsim
        >>> arm = armsim.load("scenarios/bonding-cell.yaml").scenario.machine.arm
        >>> arm.fkine([0, 0, 0, 0, 0, 0]).t.shape
        (3,)
        """
        import spatialmath

        return spatialmath.SE3(list(self.postures(q, []).tool), check=False)

    def frames(self, q: ArrayLike) -> Frames:
        """Frames of links and tool, and axes of joints and followers, in the base frame.

        Parameters
        ----------
        q : (P, joints) [rad or m]

        Returns
        -------
        Frames
        """
        q = np.atleast_2d(np.asarray(q, dtype=float))
        link_ends = {
            axis.owner: i
            for i, motion in enumerate(self.motions)
            for axis in motion.axes
            if axis.role in (Role.MOTION, Role.LINK)
        }
        moving = self.joint_and_follower_names
        last_motions = [link_ends[name] for name in moving]
        frame = np.broadcast_to(np.eye(4), (len(q), 4, 4)).copy()
        links = np.empty((len(q), len(moving), 4, 4))
        direction, origin = np.empty((len(q), len(moving), 3)), np.empty((len(q), len(moving), 3))
        for index, (motion, number) in enumerate(zip(self.motions, self.moving_indices, strict=True)):
            if number >= 0:
                direction[:, number] = frame[:, :3, :3] @ np.array(motion.direction)
                origin[:, number] = frame[:, :3, 3]
            _apply_motion(frame, motion, q)
            for link in (n for n, end in enumerate(last_motions) if end == index):
                links[:, link] = frame
        return Frames(links, frame, direction, origin)

    @staticmethod
    def from_robot(robot: Any, names: Sequence[str] | None = None) -> Arm:
        """The arm of a robot object of roboticstoolbox, as `toolbox.arm_parts`.

        Parameters
        ----------
        robot : Robot of roboticstoolbox
        names : sequence of str, optional
            Names of the joints.

        Returns
        -------
        Arm
        """
        from armsim.model.toolbox import arm_parts

        return Arm(*arm_parts(robot, names))

    def to_robot(self) -> Any:
        """The arm as a robot object of roboticstoolbox, as `toolbox.to_robot`."""
        from armsim.model.toolbox import to_robot

        return to_robot(self)


def _error_motion(axis: Axis, motion: ElementaryTransform) -> ElementaryTransform:
    """Error motion of a joint, in the frame before the motion of the joint."""
    number, rotary = ERROR_MOTIONS[axis.parameter]
    if number == 2 and rotary == motion.rotary:
        raise ValueError(f"{axis}: the joint's own motion, no error motion of it")
    x, y, z = z_onto(motion.direction)[:, number].tolist() if number < 2 else motion.direction
    return ElementaryTransform((x, y, z), rotary, 0.0, (axis,))


def _deflection(axis: Axis) -> ElementaryTransform:
    """Deflection of a joint and its link, in the frame after the motion of the joint."""
    number, rotary = DEFLECTIONS[axis.parameter]
    return ElementaryTransform((X, Y, Z)[number], rotary, 0.0, (axis,))


def _motions_at_point(
    motions: list[ElementaryTransform], origin: tuple[float, float, float]
) -> list[ElementaryTransform]:
    """Motions that act at a point of the local frame. [m]"""
    steps = [(direction, length) for direction, length in zip((X, Y, Z), origin, strict=True) if length]
    outward = [ElementaryTransform(direction, False, length) for direction, length in steps] if motions else []
    inward = [ElementaryTransform(direction, False, -length) for direction, length in steps] if motions else []
    return [*outward, *motions, *inward]


def _apply_motion(frame: Array, motion: ElementaryTransform, q: Array) -> None:
    """Carry frames of shape (P, 4, 4) over one motion."""
    value = motion.value_at(q)
    if motion.rotary:
        frame[:, :3, :3] = frame[:, :3, :3] @ rotation(motion.direction, value)
    else:
        frame[:, :3, 3] += (frame[:, :3, :3] @ np.array(motion.direction)) * value[:, None]
