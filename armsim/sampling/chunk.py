"""Chunks of poses evaluated together: kinematics, first-order model, distribution of the visits.

A unit is one simulated arm with its own drawn error coefficients.

Random numbers are keyed by the quantity that they draw and every sum runs in a fixed order, so that the bits of a row
depend neither on where its pose is sampled, nor on the size of its chunk, nor on what else is sampled.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from armsim.arrays import Array
from armsim.core.unit_figures import UNIT_STATISTICS
from armsim.model.configurations import Configurations
from armsim.model.machine import EvaluatedMachine, Machine
from armsim.results.figure import Figure
from armsim.results.pose_table import PoseTable, row_type
from armsim.sampling.first_order import FirstOrderErrors, linearise
from armsim.sampling.kernel_arrays import Scales
from armsim.sampling.layout import Layout
from armsim.sampling.monte_carlo import MachineAtPoses, unit_ranges
from armsim.sampling.pose_sampler import PROCESSOR, PoseSampler
from armsim.sampling.pose_statistics import fill_first_order, share_names
from armsim.sampling.random_draws import draw_units
from armsim.sampling.unit_draws import UnitDraws
from armsim.sampling.visit_distribution import VisitDistribution
from armsim.sampling_plan import SamplingPlan

CHUNK = 64
"""Most poses that one worker samples at a time."""


@dataclass(frozen=True, eq=False)
class RunSpec:
    """Specification of a run, common to all chunks.

    Parameters
    ----------
    machine : Machine
    plan : SamplingPlan
    coverage : float
        Probability of the quantile that is estimated in batches.
    layout : Layout
    batch : int
        Units of a batch, as many as the layout draws at a time; the scatter between batches gives the uncertainty of
        the quantile. 0 without batches.
    draws, draws_moving : UnitDraws, optional
        Population of the machine at rest, and of the machine in motion, where they are drawn once for all chunks of
        this process.
    sampler : PoseSampler
    """

    machine: Machine
    plan: SamplingPlan
    coverage: float
    layout: Layout
    batch: int = 0
    draws: UnitDraws | None = None
    draws_moving: UnitDraws | None = None
    sampler: PoseSampler = PROCESSOR

    @staticmethod
    def in_one_block(machine: Machine, plan: SamplingPlan, coverage: float) -> RunSpec:
        """Specification with all units drawn at once and one pose at a time.

        Parameters
        ----------
        machine : Machine
        plan : SamplingPlan
        coverage : float

        Returns
        -------
        RunSpec
        """
        return RunSpec(machine, plan, coverage, Layout(plan.units, 1, 1, 0))

    @property
    def row_type(self) -> np.dtype[np.void]:
        """Data type of a row of the pose table."""
        return row_type(len(self.machine.joints), len(share_names(self.machine)))

    def plan_with_units(self, units: int) -> SamplingPlan:
        """The plan with another number of units."""
        return replace(self.plan, units=units)

    def coefficients(self, first: int, units: int, in_motion: bool = False) -> Array:
        """Coefficients of a range of units as `draw_units`; with stored draws ``first`` is a multiple of `LANES`.

        Parameters
        ----------
        first : int
        units : int
        in_motion : bool
            Whether the machine moves along a path.

        Returns
        -------
        (coefficients, units rounded up to a multiple of `LANES`)
        """
        machine, draws = (self.machine.moving, self.draws_moving) if in_motion else (self.machine, self.draws)
        if draws is not None:
            return draws.coefficients(first, units)
        return draw_units(machine.terms, self.plan, first, units)

    def unit_blocks(self, block: int = 0, in_motion: bool = False) -> Iterator[tuple[slice, Array]]:
        """Iterate over blocks of units: their slice, and their coefficients.

        Parameters
        ----------
        block : int
            Units per block; 0 for that of the layout.
        in_motion : bool
            Whether the machine moves along a path.

        Yields
        ------
        (slice, (coefficients, units))
        """
        for first, units in unit_ranges(self.plan.units, block or self.layout.unit_block):
            yield slice(first, first + units), self.coefficients(first, units, in_motion)


@dataclass(frozen=True, eq=False)
class PoseChunk:
    """Poses of a task that one worker samples at a time.

    Parameters
    ----------
    task : int
        Key of the task.
    configurations : Configurations
        Joint positions of these poses.
    """

    task: int
    configurations: Configurations


@dataclass(frozen=True, eq=False)
class EvaluatedChunk:
    """Chunk with its kinematics, first-order model and kernel tables.

    Parameters
    ----------
    machine : Machine
        Machine at rest, or in motion where the chunk is part of a path.
    evaluated : EvaluatedMachine
    first_order : FirstOrderErrors
    scales : Scales
    machine_at_poses : MachineAtPoses
    tangents : (poses, 3)
        Unit tangents of the path; zero without a path.
    in_motion : bool
        Whether the chunk is part of a path.
    """

    machine: Machine
    evaluated: EvaluatedMachine
    first_order: FirstOrderErrors
    scales: Scales
    machine_at_poses: MachineAtPoses
    tangents: Array
    in_motion: bool

    @staticmethod
    def evaluate(spec: RunSpec, configurations: Configurations) -> EvaluatedChunk:
        """Evaluate a chunk of configurations.

        Parameters
        ----------
        spec : RunSpec
        configurations : Configurations

        Returns
        -------
        EvaluatedChunk
        """
        in_motion = configurations.is_path
        evaluated = spec.machine.evaluate(configurations)
        tangents = np.zeros((len(configurations), 3)) if configurations.tangents is None else configurations.tangents
        first_order = linearise(evaluated)
        machine_at_poses = MachineAtPoses.prepare(evaluated, spec.plan)
        machine = spec.machine.moving if in_motion else spec.machine
        return EvaluatedChunk(
            machine, evaluated, first_order, Scales.from_first_order(first_order), machine_at_poses, tangents, in_motion
        )

    def table(self, spec: RunSpec, configurations: Configurations) -> PoseTable:
        """Pose table with the columns that need no sample; the others are nan.

        Parameters
        ----------
        spec : RunSpec
        configurations : Configurations

        Returns
        -------
        PoseTable
        """
        out = PoseTable.empty([""] * len(configurations), share_names(spec.machine), len(spec.machine.joints))
        fill_first_order(out, spec.machine, configurations.joints, self.evaluated, self.first_order)
        return out

    def fill_first_unit(self, table: PoseTable, distribution: VisitDistribution, spec: RunSpec) -> None:
        """Write the mean error of the first unit (simulated arm) into the table, at the poses of a path.

        Figures of a path show this unit as an example.

        Parameters
        ----------
        table : PoseTable
            Written to.
        distribution : VisitDistribution
        spec : RunSpec
        """
        coefficients = spec.coefficients(0, 1, self.in_motion)
        for pose in range(len(table)):
            table.column("first_unit")[pose] = self.machine_at_poses.unit_statistics_at_pose(
                pose, distribution, coefficients, 1
            )[1][:, 0]

    def unit_statistics(
        self, spec: RunSpec, distribution: VisitDistribution, poses: range
    ) -> Iterator[tuple[slice, int, Array]]:
        """Statistics of all units in the limit of infinitely many visits, by block of units and pose.

        Parameters
        ----------
        spec : RunSpec
        distribution : VisitDistribution
        poses : range
            Poses within the chunk.

        Yields
        ------
        units : slice
        pose : int
        unit_statistics : (UNIT_STATISTICS, units)
        """
        for units, coefficients in spec.unit_blocks(in_motion=self.in_motion):
            for pose in poses:
                unit_statistics = self.machine_at_poses.unit_statistics_at_pose(
                    pose, distribution, coefficients, units.stop - units.start, self.tangents[pose]
                )[0]
                yield units, pose, unit_statistics


@dataclass(frozen=True, eq=False)
class Extremes:
    """Largest statistics of every unit over the poses.

    Parameters
    ----------
    worst : (UNIT_STATISTICS, units) [m, m, rad, rad]
        AP and RP of every unit, and the same of its orientation.
    repeatability_bounds : (2, units) [m]
        Upper and lower bound of RP from the numerical integration over the visits.
    """

    worst: Array
    repeatability_bounds: Array

    @staticmethod
    def without_poses(units: int) -> Extremes:
        """Extremes over no poses."""
        return Extremes(np.zeros((UNIT_STATISTICS, units)), np.full((2, units), -np.inf))

    def add(self, unit_statistics: Array, half_width: Array) -> None:
        """Include further poses.

        Parameters
        ----------
        unit_statistics : (poses, UNIT_STATISTICS, units) [m, m, rad, rad]
        half_width : (poses,) [m]
            Half-width of the 95 % interval of RP from numerical integration.
        """
        np.maximum(self.worst, unit_statistics.max(axis=0), out=self.worst)
        for bound, sign in zip(self.repeatability_bounds, (1.0, -1.0), strict=True):
            np.maximum(
                bound, (unit_statistics[:, Figure.REPEATABILITY] + sign * half_width[:, None]).max(axis=0), out=bound
            )

    def with_bounds(self, figure: Figure) -> Array:
        """A figure with its upper and lower bound by the integration of RP, shape (3, units). [m or rad]"""
        value = self.worst[figure]
        return np.stack([value, *(self.repeatability_bounds if figure is Figure.REPEATABILITY else (value, value))])

    def select_units(self, units: slice) -> Extremes:
        """View of a range of units."""
        return Extremes(self.worst[:, units], self.repeatability_bounds[:, units])

    def include(self, other: Extremes) -> None:
        """Include the extremes of other poses."""
        np.maximum(self.worst, other.worst, out=self.worst)
        np.maximum(self.repeatability_bounds, other.repeatability_bounds, out=self.repeatability_bounds)


def unit_statistics_at(spec: RunSpec, number: int, configurations: Configurations) -> tuple[Array, Array]:
    """Statistics of every unit at one pose, shape (UNIT_STATISTICS, units), and RP by each net. [m and rad]

    Parameters
    ----------
    spec : RunSpec
    number : int
        Number of the pose in the task.
    configurations : Configurations
        Joint positions of all poses of the task.

    Returns
    -------
    unit_statistics : (UNIT_STATISTICS, units) [m, m, rad, rad]
    repeatability : (NETS,) [m]
        RP by each net.
    """
    chunk = EvaluatedChunk.evaluate(spec, configurations[number : number + 1])
    distribution = chunk.machine_at_poses.visit_distribution(chunk.tangents)
    out = np.empty((UNIT_STATISTICS, spec.plan.units))
    for units, _, unit_statistics in chunk.unit_statistics(spec, distribution, range(1)):
        out[:, units] = unit_statistics
    return out, distribution.nets[0]
