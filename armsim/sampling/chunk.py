"""Work that can be done anywhere: a piece of a task in, rows of its table out.

Random numbers are keyed by what they stand for and every sum runs in a fixed order, so that the bits of the rows do not
depend on where a piece is done, how large it is, or what else is done there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.core.pose_kernel import Part
from armsim.core.unit_figures import ATTAINED
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine
from armsim.results.figure import Figure
from armsim.results.pose_table import PoseTable, Rows
from armsim.sampling.first_order import Linearised, linearise
from armsim.sampling.layout import Layout
from armsim.sampling.monte_carlo import Sampler, blocks, sample
from armsim.sampling.plan import draw_units
from armsim.sampling.pose import asked_at, fill_first_order, fill_sampled, share_names
from armsim.sampling.pose_sample import Scales, empty_slots, empty_told
from armsim.sampling.unit_draws import Drawn
from armsim.sampling.visit_law import VisitLaw
from armsim.sampling_plan import SamplingPlan

CHUNK = 64
"""Poses whose kinematics is worked out together, counted from the first of a task."""


@dataclass(frozen=True, eq=False)
class RunSpec:
    """What all pieces have in common.

    Parameters
    ----------
    machine : Machine
    plan : SamplingPlan
    coverage : float
        At which a quantile is asked for.
    layout : Layout
    batch : int
        Units of a batch by which the doubt of the quantile is judged, as many as the layout draws at a time; 0 without.
    drawn : Drawn, optional
        The population of the machine at rest, where it is drawn once for all pieces of this process.
    """

    machine: Machine
    plan: SamplingPlan
    coverage: float
    layout: Layout
    batch: int = 0
    drawn: Drawn | None = None

    @staticmethod
    def undivided(machine: Machine, plan: SamplingPlan, coverage: float) -> RunSpec:
        """All units drawn at once, one pose at a time."""
        return RunSpec(machine, plan, coverage, Layout(plan.units, 1, 1, 0))

    def units(self, first: int, units: int) -> Array:
        """Coefficients of some units of the machine at rest, as `draw_units`."""
        if self.drawn is not None:
            return self.drawn.of(first, units)
        return draw_units(self.machine.terms, self.plan, first, units)


@dataclass(frozen=True, eq=False)
class PoseChunk:
    """Some poses of a chunk.

    Parameters
    ----------
    task : int
        Key of the task.
    first : int
        Number of the first pose of the chunk.
    configurations : Configurations
        Of the whole chunk.
    begin, end : int
        The poses of the chunk that are asked for.
    """

    task: int
    first: int
    configurations: Configurations
    begin: int
    end: int


@dataclass(frozen=True, eq=False)
class Extremes:
    """The largest over poses of what every unit has.

    Parameters
    ----------
    worst : (ATTAINED, units) [m, m, rad, rad]
        AP and RP of every unit, and the same of its orientation.
    repeatability_bounds : (2, units) [m]
        RP that the integration over the visits holds for the most and for the least possible.
    """

    worst: Array
    repeatability_bounds: Array

    @staticmethod
    def none(units: int) -> Extremes:
        """Of no pose."""
        return Extremes(np.zeros((ATTAINED, units)), np.full((2, units), -np.inf))

    def add(self, figures: Array, half_width: Array) -> None:
        """Take further poses in.

        Parameters
        ----------
        figures : (poses, ATTAINED, units) [m, m, rad, rad]
        half_width : (poses,) [m]
            Of the interval of the integration of RP.
        """
        np.maximum(self.worst, figures.max(axis=0), out=self.worst)
        for bound, sign in zip(self.repeatability_bounds, (1.0, -1.0), strict=True):
            np.maximum(bound, (figures[:, Figure.REPEATABILITY] + sign * half_width[:, None]).max(axis=0), out=bound)

    def of_figure(self, figure: Figure) -> Array:
        """A figure, and what it is at most and at least by the integration of RP, shape (3, units). [m or rad]"""
        value = self.worst[figure]
        return np.stack([value, *(self.repeatability_bounds if figure is Figure.REPEATABILITY else (value, value))])

    def of(self, units: slice) -> Extremes:
        """A view of some units."""
        return Extremes(self.worst[:, units], self.repeatability_bounds[:, units])

    def join(self, other: Extremes) -> None:
        """Take the poses of another part in."""
        np.maximum(self.worst, other.worst, out=self.worst)
        np.maximum(self.repeatability_bounds, other.repeatability_bounds, out=self.repeatability_bounds)


@dataclass(frozen=True, eq=False)
class ChunkResult:
    """Rows of the poses of a piece, and the largest over them of what every unit has, as of `Extremes`."""

    rows: Rows
    extremes: Extremes


def pose_chunks(task: int, configurations: Configurations, workers: int) -> list[PoseChunk]:
    """The poses of a task, cut so that every worker finds work."""
    # the kinematics of a chunk is worked out for every piece of it: cut only where workers would stand idle
    chunks = -(-len(configurations) // CHUNK)
    size = CHUNK if workers == 1 or chunks >= 4 * workers else max(1, -(-len(configurations) // (4 * workers)))
    out = []
    for first in range(0, len(configurations), CHUNK):
        chunk = configurations[first : first + CHUNK]
        for begin in range(0, len(chunk), size):
            out.append(PoseChunk(task, first, chunk, begin, min(begin + size, len(chunk))))
    return out


@dataclass(frozen=True, eq=False)
class EvaluatedChunk:
    """A chunk made ready: its kinematics, its first order, its tables."""

    machine: Machine
    linear: Linearised
    scales: Scales
    sampler: Sampler
    tangents: Array

    @staticmethod
    def of(spec: RunSpec, configurations: Configurations) -> EvaluatedChunk:
        """The chunk at its configurations."""
        machine = spec.machine if configurations.directions is None else spec.machine.moving
        evaluated = spec.machine.evaluated(configurations)
        tangents = np.zeros((len(configurations), 3)) if configurations.tangents is None else configurations.tangents
        linear = linearise(evaluated)
        return EvaluatedChunk(machine, linear, Scales.of(linear), Sampler.prepare(evaluated, spec.plan), tangents)

    def table(self, spec: RunSpec, configurations: Configurations) -> PoseTable:
        """A table of its poses that holds what needs no sample."""
        out = PoseTable.empty([""] * len(configurations), share_names(spec.machine), len(spec.machine.joints))
        fill_first_order(out, spec.machine, configurations.joints, self.sampler.evaluated, self.linear)
        return out

    def fill_first_unit(self, table: PoseTable, law: VisitLaw, plan: SamplingPlan, poses: range) -> None:
        """Write the mean error of the first built unit at poses of a path."""
        one = draw_units(self.machine.terms, plan, 0, 1)
        for pose in poses:
            table.column("first_unit")[pose] = self.sampler.attain(pose, law, one, 1)[1][:, 0]

    def units(self, spec: RunSpec, first: int, units: int) -> Array:
        """Coefficients of some units of the machine of this chunk."""
        if self.machine is spec.machine:
            return spec.units(first, units)
        return draw_units(self.machine.terms, spec.plan, first, units)


def sample_chunk(spec: RunSpec, piece: PoseChunk) -> ChunkResult:
    """Do a piece."""
    plan, configurations = spec.plan, piece.configurations
    stage = EvaluatedChunk.of(spec, configurations)
    linear, sampler = stage.linear, stage.sampler
    table = stage.table(spec, configurations)
    law = sampler.law(stage.tangents, slice(piece.begin, piece.end))
    poses = sampler.laid_out(law, stage.scales, stage.tangents, configurations.numbers)
    extremes = Extremes.none(plan.units)
    size = min(spec.layout.group, piece.end - piece.begin)
    slots = empty_slots(spec.layout.slots)
    asked, coverage = asked_at(spec.coverage, plan)
    told = empty_told(size, plan.units, len(asked.ps), plan.units // spec.batch if spec.batch else 0)
    for low in range(piece.begin, piece.end, size):
        high = min(low + size, piece.end)
        told.sums[:] = 0.0
        for block, (first, units) in enumerate(blocks(plan.units, spec.layout.unit_block)):
            batch = block if spec.batch and units == spec.batch else -1
            part = Part(low, high, piece.task, first, units, plan.visits, plan.units, batch)
            sample(poses, stage.units(spec, first, units), part, asked, coverage, slots, told)
        half_width = law.half_width[low:high]
        fill_sampled(table, slice(low, high), linear, told, plan, half_width)
        extremes.add(told.figures[: high - low], half_width)
    if configurations.directions is not None:
        stage.fill_first_unit(table, law, plan, range(piece.begin, piece.end))
    return ChunkResult(table.rows[piece.begin : piece.end], extremes)


def attained_at(spec: RunSpec, number: int, configurations: Configurations) -> tuple[Array, Array]:
    """Figures of every unit at one pose of a task, shape (ATTAINED, units), and RP there by every net. [m]"""
    first_pose = number // CHUNK * CHUNK
    stage, pose = EvaluatedChunk.of(spec, configurations[first_pose : first_pose + CHUNK]), number - first_pose
    law = stage.sampler.law(stage.tangents, slice(pose, pose + 1))
    out = np.empty((ATTAINED, spec.plan.units))
    for first, units in blocks(spec.plan.units, spec.layout.unit_block):
        drawn = stage.units(spec, first, units)
        own = stage.sampler.attain(pose, law, drawn, units, stage.tangents[pose])[0]
        out[:, first : first + units] = own
    return out, law.nets[pose]
