"""Conditions of readings (session, temperature, orientation), and their effect on the measured machine.

A group holds the readings of a pose in one session at one temperature. Every session has its own frame and target. If
the temperature is known, so is the size of the drifts of the arm. A visit with a probe gives two groups of three rows:
the position of the target, and its rotation about x, y, z of the base times `LEVER`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from armsim import causes
from armsim.arrays import Array
from armsim.calibration.measured_machine import INSTRUMENT, SCALE, Layout, group_of, session_of
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.terms import Axis
from armsim.model.configurations import Configurations
from armsim.model.kinematics import Kinematics
from armsim.model.machine import EvaluatedMachine, Machine

LEVER = 1.0
"""Length by which rotations are multiplied to give displacements. [m]"""
THERMAL_GROWTH = 0
"""Coefficient of a temperature term that is the growth of the arm; the others are drifts in proportion to it."""


@dataclass(frozen=True, eq=False)
class Conditions:
    """Conditions under which M groups of readings were taken.

    Parameters
    ----------
    sessions : (M,) of int
    temperature_rises : (M,), optional [K]
        Temperature of the arm above that of mastering; unknown if not given.
    partners : (M,) of int
        Index of the group of positions that were read together with a group of orientations; for a group of positions
        its own index.
    offsets : (M, 3) [m]
        Offset of the target from its stated position, in the tool frame.
    centre : (3,) [m]
        Fixed point of the scale of the instrument, in the base frame.
    names : tuple of str
        Names of the sessions.
    """

    sessions: NDArray[np.int64]
    temperature_rises: Array | None
    partners: NDArray[np.int64]
    offsets: Array
    centre: tuple[float, float, float] = (0.0, 0.0, 0.0)
    names: tuple[str, ...] = ("",)

    @staticmethod
    def positions_only(groups: int) -> Conditions:
        """Conditions of positions read in one session at an unknown temperature."""
        return Conditions(np.zeros(groups, np.int64), None, np.arange(groups), np.zeros((groups, 3)))

    @property
    def key(self) -> tuple[bytes, ...]:
        """Hashable key of the conditions."""
        temperature_rises = b"" if self.temperature_rises is None else self.temperature_rises.tobytes()
        return self.sessions.tobytes(), temperature_rises, self.partners.tobytes(), self.offsets.tobytes()

    @property
    def oriented(self) -> NDArray[np.bool_]:
        """Mask of the groups that hold orientations, shape (M,)."""
        return np.asarray(self.partners != np.arange(len(self.partners)))

    @property
    def layout(self) -> Layout:
        """Sessions up to the last one with a group of readings, and whether orientations were read."""
        return Layout(self.names[: int(self.sessions.max()) + 1], bool(self.oriented.any()))

    def only(self, groups: NDArray[np.intp]) -> Conditions:
        """Conditions of some of the groups; groups of orientations need their partners."""
        index_of = {int(group): n for n, group in enumerate(groups)}
        partners = np.array([index_of[int(self.partners[group])] for group in groups], dtype=np.int64)
        temperature_rises = None if self.temperature_rises is None else self.temperature_rises[groups]
        return replace(
            self,
            sessions=self.sessions[groups],
            temperature_rises=temperature_rises,
            partners=partners,
            offsets=self.offsets[groups],
        )

    @property
    def without_temperature(self) -> Conditions:
        """The same conditions at an unknown temperature."""
        return replace(self, temperature_rises=None)

    def session_factor(self, axis: Axis) -> Array:
        """1 for groups of the session to which an axis belongs, 0 for others, shape (M,); 1 for all other axes."""
        if not group_of(axis) or axis.parameter == SCALE:
            return np.ones(len(self.sessions))
        return np.asarray(self.sessions == session_of(axis), dtype=float)

    def axes_at_targets(
        self, tool_kinematics: Kinematics, axes: Sequence[Axis], point_offset: Array | None = None
    ) -> Kinematics:
        """Axes with respect to the targets, or to points at an offset from them.

        The scale of the instrument moves every target in proportion to its distance from the centre.

        Parameters
        ----------
        tool_kinematics : Kinematics
            Kinematics of the tool.
        axes : sequence of Axis
            In the order of its columns.
        point_offset : (3,), optional [m]
            Offset of the point from the target, in the frame of the tool.

        Returns
        -------
        Kinematics
            Kinematics of the target.
        """
        offsets = self.offsets if point_offset is None else self.offsets + point_offset
        lever_arms = np.einsum("nij,nj->ni", tool_kinematics.tool[:, :3, :3], offsets)
        tool = tool_kinematics.tool.copy()
        tool[:, :3, 3] += lever_arms
        turned = np.cross(tool_kinematics.direction, lever_arms[:, None, :]) * tool_kinematics.rotary[None, :, None]
        direction, column = tool_kinematics.direction.copy(), tool_kinematics.column + turned
        for number, axis in enumerate(axes):
            if axis.parameter == SCALE and axis.owner == INSTRUMENT:
                direction[:, number] = column[:, number] = tool[:, :3, 3] - np.array(self.centre)
        return replace(tool_kinematics, direction=direction, column=column, tool=tool)

    def columns(self, tool_kinematics: Kinematics, axes: Sequence[Axis]) -> Array:
        """Jacobian of the rows of every group with respect to the axes: displacements, or rotations times `LEVER`.

        Parameters
        ----------
        tool_kinematics : Kinematics
            Kinematics of the tool.
        axes : sequence of Axis

        Returns
        -------
        (M, axes, 3) [m/rad or 1]
            In the base frame.
        """
        column, oriented = self.axes_at_targets(tool_kinematics, axes).column.copy(), self.oriented
        column[oriented] = LEVER * tool_kinematics.direction[oriented] * tool_kinematics.rotary[None, :, None]
        return column


def one_kelvin_above(machine: Machine) -> Machine:
    """The machine at a known temperature of one kelvin above that of mastering."""
    rise = Distribution("fixed", 1.0)
    return replace(machine, environment=replace(machine.environment, temperature_rise=rise))


def evaluated_at(
    machine: Machine,
    joints: Array,
    conditions: Conditions | None,
    as_points: bool = False,
    point_offset: Array | None = None,
) -> EvaluatedMachine:
    """A machine as evaluated for groups of readings at given joint positions.

    At a known temperature, drifts act in proportion to it. Thermal growth, which is then known, is left out: it is
    subtracted from the readings instead.

    Parameters
    ----------
    machine : Machine
    joints : (M, joints) [rad or m]
    conditions : Conditions, optional
    as_points : bool
        Whether groups of orientations keep the motions of their points, for exact kinematics, in place of rotations.
    point_offset : (3,), optional [m]
        As in `Conditions.axes_at_targets`.

    Returns
    -------
    EvaluatedMachine
    """
    if conditions is None:
        return machine.evaluate(Configurations(joints))
    temperature_known = conditions.temperature_rises is not None
    evaluated = (one_kelvin_above(machine) if temperature_known else machine).evaluate(Configurations(joints))
    acts = []
    for term, term_acts in zip(evaluated.terms, evaluated.acts, strict=True):
        heat = temperature_known and term.cause is causes.TEMPERATURE
        rise = (
            conditions.temperature_rises if heat and conditions.temperature_rises is not None else np.ones(len(joints))
        )
        factors = [conditions.session_factor(axis) * rise for axis in evaluated.axes]
        acts.append(
            tuple((k, axis, value * factors[axis]) for k, axis, value in term_acts if k != THERMAL_GROWTH or not heat)
        )
    postures = conditions.axes_at_targets(evaluated.postures, evaluated.axes, point_offset)
    if not as_points:
        postures = replace(postures, column=conditions.columns(evaluated.postures, evaluated.axes))
    return replace(evaluated, postures=postures, acts=tuple(acts), draw_acts=tuple(acts))


def thermal_growth(machine: Machine, joints: Array, conditions: Conditions) -> Array:
    """Thermal growth of the rows of every group per kelvin of a known temperature.

    Parameters
    ----------
    machine : Machine
    joints : (M, joints) [rad or m]
    conditions : Conditions

    Returns
    -------
    (M, 3) [m/K]
        In the base frame.
    """
    evaluated = one_kelvin_above(machine).evaluate(Configurations(joints))
    column, out = conditions.columns(evaluated.postures, evaluated.axes), np.zeros((len(joints), 3))
    for term, acts in zip(evaluated.terms, evaluated.acts, strict=True):
        for k, axis, value in acts:
            if term.cause is causes.TEMPERATURE and k == THERMAL_GROWTH:
                out += column[:, axis] * value[:, None]
    return out


def rotations_from_points(tool_rotation: Array, displacements: Sequence[Array]) -> Array:
    """Rotations about x, y, z of the base times `LEVER`, from displacements of four points.

    Parameters
    ----------
    tool_rotation : (3, 3)
        Nominal rotation of the tool.
    displacements : four of (..., 3) [m]
        Displacements of the target, and of points at the distance `LEVER` from it along x, y, z of the tool.

    Returns
    -------
    (..., 3) [m]
        In the base frame.
    """
    from scipy.spatial.transform import Rotation

    centre, *ends = displacements
    axes_of_tool = np.stack([(end - centre) / LEVER for end in ends], axis=-1) + tool_rotation
    shape = axes_of_tool.shape[:-2]
    vectors = Rotation.from_matrix((axes_of_tool @ tool_rotation.T).reshape(-1, 3, 3)).as_rotvec()
    return np.asarray(LEVER * vectors.reshape(*shape, 3))
