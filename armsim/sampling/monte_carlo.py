"""Nested population at a pose: U units with V visits each, by exact kinematics.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.core import philox
from armsim.core.pose_kernel import Poses
from armsim.core.sample_kernel import Block, VisitErrors, displace_units_per_visit
from armsim.core.screws import Axes
from armsim.core.unit_figures import UNIT_STATISTICS, UnitErrors, evaluate_units
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.terms import Independent, Term
from armsim.model.kinematics import Kinematics
from armsim.model.machine import EvaluatedMachine
from armsim.sampling.kernel_arrays import Scales
from armsim.sampling.random_draws import visit_key
from armsim.sampling.visit_distribution import (
    VisitCoefficients,
    VisitDistribution,
    nominal_gains,
    rotated_columns,
    visit_distribution,
)
from armsim.sampling.visit_integrals import VisitIntegrals
from armsim.sampling_plan import SamplingPlan

Indices = NDArray[np.int64]
_DISTRIBUTION_CODES = {"normal": philox.NORMAL, "uniform": philox.UNIFORM, "two-valued": philox.TWO_VALUED}


@dataclass(frozen=True, eq=False)
class MachineAtPoses:
    """Machine evaluated at poses, as arrays in the layout of the kernels.

    An entry says that a coefficient moves an axis by the coefficient times a value, which differs between poses.

    Parameters
    ----------
    postures : Kinematics
    terms : tuple of Term
    plan : SamplingPlan
    unit_index, unit_axis : (entries,)
        Coefficient and axis of every entry of unit life.
    unit_value : (poses, entries) [rad or m per unit of the coefficient]
    visit_keys : (coefficients, 2) uint32
        Keys of the random numbers of the coefficients of visit life.
    visit_distributions : tuple of str
        Their distributions.
    visit_distribution_codes : (coefficients,)
        The same as codes of `core.philox`.
    visit_index, visit_axis : (entries,)
        Coefficient and axis of every entry of visit life.
    visit_value : (poses, entries) [rad or m]
        Includes the scale of the distribution.
    """

    postures: Kinematics
    terms: tuple[Term, ...]
    plan: SamplingPlan
    unit_index: Indices
    unit_axis: Indices
    unit_value: Array
    visit_keys: NDArray[np.uint32]
    visit_distributions: tuple[str, ...]
    visit_distribution_codes: Indices
    visit_index: Indices
    visit_axis: Indices
    visit_value: Array

    @staticmethod
    def prepare(evaluated: EvaluatedMachine, plan: SamplingPlan) -> MachineAtPoses:
        """Lay out an evaluated machine.

        Parameters
        ----------
        evaluated : EvaluatedMachine
        plan : SamplingPlan

        Returns
        -------
        MachineAtPoses
        """
        poses = len(evaluated.postures.tool)
        unit: list[tuple[int, int, Array]] = []
        visit: list[tuple[int, int, Array]] = []
        keys: list[NDArray[np.uint32]] = []
        distributions: list[str] = []
        first = 0
        for term, acts in zip(evaluated.terms, evaluated.draw_acts, strict=True):
            if term.life == "unit":
                unit += [(first + k, axis, value) for k, axis, value in acts]
                first += len(term.mean)
            else:
                spreads = _visit_spreads(term)
                visit += [(len(keys) + k, axis, value * spreads[k].scale) for k, axis, value in acts]
                distributions += [spread.distribution for spread in spreads]
                keys += [visit_key(plan.seed, term, k) for k in range(len(spreads))]
        return MachineAtPoses(
            evaluated.postures,
            evaluated.terms,
            plan,
            *_entry_table(unit, poses),
            np.array(keys, dtype=np.uint32).reshape(-1, 2),
            tuple(distributions),
            np.array([_DISTRIBUTION_CODES[distribution] for distribution in distributions], dtype=np.int64),
            *_entry_table(visit, poses),
        )

    def select(self, poses: slice) -> MachineAtPoses:
        """Some of the poses, as views."""
        return replace(
            self,
            postures=self.postures.at(poses),
            unit_value=self.unit_value[poses],
            visit_value=self.visit_value[poses],
        )

    def _axes(self, pose: int) -> Axes:
        """Axes at a pose, in the layout of the kernels."""
        postures = self.postures
        return Axes(postures.direction[pose], postures.column[pose], postures.rotary)

    def _unit_errors(self, pose: int, coefficients: Array) -> UnitErrors:
        """Unit errors at a pose, in the layout of the kernels."""
        return UnitErrors(coefficients, self.unit_index, self.unit_axis, self.unit_value[pose])

    def _visits(self, pose: int) -> VisitErrors:
        """Visit errors at a pose, in the layout of the kernels."""
        rotary = self.postures.rotary[self.visit_axes]
        return VisitErrors(
            self.visit_keys,
            self.visit_distribution_codes,
            self._first_entries,
            self._entry_axes,
            self.visit_value[pose],
            self.visit_axes,
            rotary,
        )

    @cached_property
    def visit_axes(self) -> Indices:
        """Axes that visit coefficients move, base first."""
        return np.unique(self.visit_axis)

    @cached_property
    def _entry_axes(self) -> Indices:
        """Axis of every entry of a visit, numbered within `visit_axes`."""
        return np.searchsorted(self.visit_axes, self.visit_axis)

    @cached_property
    def _first_entries(self) -> Indices:
        """First entry of every visit coefficient."""
        return np.searchsorted(self.visit_index, np.arange(len(self.visit_keys) + 1))

    @property
    def _visit_coefficients(self) -> VisitCoefficients:
        """Coefficients of visit life, in the layout of the integrals."""
        return VisitCoefficients(self.visit_distributions, self.visit_index, self.visit_axis, self.visit_value)

    def visit_integrals(self, tangents: Array | None = None) -> VisitIntegrals:
        """Integrals over the distribution of the visits at the poses, not summed yet.

        Parameters
        ----------
        tangents : (poses, 3), optional
            Unit tangents of a path.

        Returns
        -------
        VisitIntegrals
        """
        path_tangents = np.zeros((len(self.postures.column), 3)) if tangents is None else tangents
        gains = nominal_gains(self._visit_coefficients, self.postures, path_tangents)
        return VisitIntegrals.prepare(self.visit_distributions, gains, self.plan)

    def distribution_of(self, integrals: VisitIntegrals) -> VisitDistribution:
        """Distribution of the visits at the poses, from the sums of `visit_integrals`."""
        return visit_distribution(self._visit_coefficients, self.postures, integrals)

    def visit_distribution(self, tangents: Array | None = None) -> VisitDistribution:
        """Distribution of the visits at the poses; ``tangents`` as of `visit_integrals`."""
        integrals = self.visit_integrals(tangents)
        integrals.sum()
        return self.distribution_of(integrals)

    def kernel_poses(self, distribution: VisitDistribution, scales: Scales, tangents: Array, numbers: Indices) -> Poses:
        """All poses for the kernels; ``numbers`` of shape (poses,) in their task.

        Parameters
        ----------
        distribution : VisitDistribution
        scales : Scales
        tangents : (poses, 3)
        numbers : (poses,)
            Numbers of the poses in their task.

        Returns
        -------
        Poses
        """
        postures = self.postures
        repeatabilities = np.stack([distribution.repeatability, distribution.orientation_repeatability], axis=1)
        shifts = distribution.shift, distribution.rotation_shift
        return Poses(
            numbers, postures.direction, postures.column, postures.rotary, self.unit_index, self.unit_axis,
            self.unit_value, self.visit_keys, self.visit_distribution_codes, self._first_entries, self._entry_axes,
            self.visit_value, self.visit_axes, postures.rotary[self.visit_axes], *scales, *shifts, tangents,
            repeatabilities, distribution.slope, distribution.half_width,
        )  # fmt: skip

    def unit_statistics_at_pose(
        self, pose: int, distribution: VisitDistribution, coefficients: Array, units: int, tangent: Array | None = None
    ) -> tuple[Array, Array]:
        """Statistics of units at one pose in the limit of infinitely many visits.

        Parameters
        ----------
        pose : int
            Index of the pose.
        distribution : VisitDistribution
            Distribution of the visits at these poses.
        coefficients : (coefficients, units)
        units : int
        tangent : (3,), optional
            Unit tangent of a path.

        Returns
        -------
        unit_statistics : (UNIT_STATISTICS, units)
            As `core.unit_figures.evaluate_units` writes them.
        barycentre : (3, units) [m]
        """
        unit_statistics, barycentre = np.empty((UNIT_STATISTICS, units)), np.empty((3, units))
        kernel: Any = evaluate_units
        effect = distribution.at_pose(pose, np.zeros(3) if tangent is None else tangent)
        kernel(self._unit_errors(pose, coefficients), self._axes(pose), effect, units, unit_statistics, barycentre)
        return unit_statistics, barycentre

    def barycentres(self, pose: int, coefficients: Array, units: int) -> Array:
        """Mean attained minus commanded position of units at one pose, shape (3, units). [m]

        Parameters
        ----------
        pose : int
        coefficients : (coefficients, units)
        units : int

        Returns
        -------
        (3, units) [m]
        """
        at_pose = self.select(slice(pose, pose + 1))
        return at_pose.unit_statistics_at_pose(0, at_pose.visit_distribution(), coefficients, units)[1]

    def visit_gains(self, pose: int, coefficients: Array, units: int) -> Array:
        """Effect of every standardised visit coefficient on the tool point of units at one pose.

        The unit errors rotate the columns of the Jacobian, to first order.

        Parameters
        ----------
        pose : int
        coefficients : (coefficients, units)
        units : int

        Returns
        -------
        (3, units, coefficients) [m]
        """
        postures = self.postures
        axis_errors = np.zeros((postures.column.shape[1], units))
        for k, axis, value in zip(self.unit_index, self.unit_axis, self.unit_value[pose], strict=True):
            axis_errors[axis] += coefficients[k, :units] * value
        value = self.visit_value[pose : pose + 1]
        visits = VisitCoefficients(self.visit_distributions, self.visit_index, self.visit_axis, value)
        columns = rotated_columns(postures.direction[pose], postures.column[pose], postures.rotary, axis_errors)
        return np.asarray(np.einsum("jua,ak->juk", columns, visits.effects_on_axes(len(axis_errors))[0]))

    def visit_displacements(
        self, pose: int, number: int, task: int, coefficients: Array, first: int, units: int, visits: int | None = None
    ) -> tuple[Array, Array]:
        """Attained points of units at one pose, visit by visit; ``visits`` as in the plan by default.

        Parameters
        ----------
        pose : int
        number : int
            Number of the pose in its task.
        task : int
            Key of the task.
        coefficients : (coefficients, units)
        first : int
            Number of the first unit.
        units : int
        visits : int, optional

        Returns
        -------
        displacement : (3, visits, units) [m]
        rotation_angle : (visits, units) [rad]
        """
        visit_count = self.plan.visits if visits is None else visits
        displacement, rotation_angle = np.empty((3, visit_count, units)), np.empty((visit_count, units))
        kernel: Any = displace_units_per_visit
        kernel(
            self._unit_errors(pose, coefficients), self._visits(pose), self._axes(pose),
            Block(number, task, first, units, visit_count), displacement, rotation_angle,
        )  # fmt: skip
        return displacement, rotation_angle


def unit_ranges(units: int, block: int) -> Iterator[tuple[int, int]]:
    """Iterate over blocks of units: first unit and number of units.

    Parameters
    ----------
    units : int
    block : int
        Units per block.

    Yields
    ------
    (int, int)
    """
    for first in range(0, units, block):
        yield first, min(block, units - first)


def _visit_spreads(term: Term) -> tuple[Distribution, ...]:
    """Distribution of every coefficient of a term of visit life."""
    assert isinstance(term.draw, Independent)  # ensured by Term
    return term.draw.spreads


def _entry_table(entries: list[tuple[int, int, Array]], poses: int) -> tuple[Indices, Indices, Array]:
    """Coefficient, axis and values of every entry, as three arrays."""
    index = np.array([k for k, _, _ in entries], dtype=np.int64)
    axis = np.array([a for _, a, _ in entries], dtype=np.int64)
    value = np.array([v for _, _, v in entries]).reshape(len(entries), poses)
    return index, axis, np.ascontiguousarray(value.T)
