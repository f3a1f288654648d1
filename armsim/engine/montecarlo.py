"""The nested population at a pose: U built units, each visiting it V times, through exact kinematics."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.asked import SamplingPlan
from armsim.core import philox
from armsim.core.attained import ATTAINED, Axes, Kept, attain_units
from armsim.core.counting import LINE_BINS, RATIO_BINS, RATIO_EDGES, ratio_bins
from armsim.core.sample_kernel import MEASURES, SUMS, Place, Scale, Tallies, Visits, follow_units, sample_units
from armsim.core.sources import LANES
from armsim.engine.firstorder import Linearised
from armsim.engine.plan import draw_units, visit_key
from armsim.engine.statistics import Counted
from armsim.engine.visitlaw import VisitCoefficients, VisitLaw, turned_columns, visit_law
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.terms import Independent, Term
from armsim.model.machine import EvaluatedMachine

Counts = NDArray[np.int64]
DISTANCE, ROTATION = 0, 1
LINE_REACH = 16.0
"""Standard deviations, by first order, over which a coordinate is counted either way of its mean."""
_LAWS = {"normal": philox.NORMAL, "uniform": philox.UNIFORM, "two-valued": philox.TWO_VALUED}


@dataclass(frozen=True, eq=False)
class PoseSample:
    """What is kept of all units and visits at one pose: counts, sums, and five numbers per unit.

    Parameters
    ----------
    ratio_counts, ratio_pairs, line_counts, line_pairs, extremes
        As in `core.sample_kernel.Tallies`.
    figures : (ATTAINED, units)
        Of every unit over visits without number, as in `core.attained.attain_units`.
    square : (units,) [m^2]
        Mean over the visits of the squared distance.
    sums : (SUMS, blocks of units)
        Over visits and units, about the mean of first order.
    """

    ratio_counts: Counts
    ratio_pairs: Counts
    line_counts: Counts
    line_pairs: Counts
    extremes: Array
    figures: Array
    square: Array
    sums: Array

    @property
    def accuracy(self) -> Array:
        """AP of every unit, shape (units,). [m]"""
        return np.asarray(self.figures[0])

    @property
    def repeatability(self) -> Array:
        """RP of every unit, shape (units,). [m]"""
        return np.asarray(self.figures[1])

    @property
    def orientation_accuracy(self) -> Array:
        """AP of the orientation of every unit, shape (units,). [rad]"""
        return np.asarray(self.figures[2])

    @property
    def orientation_repeatability(self) -> Array:
        """RP of the orientation of every unit, shape (units,). [rad]"""
        return np.asarray(self.figures[3])

    @staticmethod
    def empty(units: int) -> PoseSample:
        """Arrays for a pose, with nothing counted."""
        extremes = np.full((2, MEASURES), np.inf)
        extremes[1] = -np.inf
        return PoseSample(
            np.zeros((2, RATIO_BINS), dtype=np.int64),
            np.zeros(RATIO_BINS, dtype=np.int64),
            np.zeros((3, LINE_BINS), dtype=np.int64),
            np.zeros((3, LINE_BINS), dtype=np.int64),
            extremes,
            np.empty((ATTAINED, units)),
            np.empty(units),
            np.empty((SUMS, -(-units // LANES))),
        )

    @staticmethod
    def bytes_needed(units: int) -> int:
        """Memory that `empty` takes."""
        return 8 * (3 * RATIO_BINS + 6 * LINE_BINS + (ATTAINED + 1) * units + SUMS * (units // LANES + 1))

    def absorb(self, other: PoseSample) -> None:
        """Add the counts of further units."""
        for measure in (DISTANCE, ROTATION):
            touched = other.touched(measure)
            self.ratio_counts[measure, touched] += other.ratio_counts[measure, touched]
        touched = other.touched(DISTANCE)
        self.ratio_pairs[touched] += other.ratio_pairs[touched]
        self.line_counts[:] += other.line_counts
        self.line_pairs[:] += other.line_pairs
        np.minimum(self.extremes[0], other.extremes[0], out=self.extremes[0])
        np.maximum(self.extremes[1], other.extremes[1], out=self.extremes[1])

    def clear(self) -> None:
        """Forget the counts, to serve again."""
        if np.isfinite(self.extremes[0, DISTANCE]):
            for measure in (DISTANCE, ROTATION):
                self.ratio_counts[measure, self.touched(measure)] = 0
            self.ratio_pairs[self.touched(DISTANCE)] = 0
        self.line_counts[:] = 0
        self.line_pairs[:] = 0
        self.extremes[0], self.extremes[1] = np.inf, -np.inf

    def touched(self, measure: int) -> slice:
        """Bins of the ratio scale between the smallest and the largest value."""
        low, high = _bins_of(self.extremes[:, measure])
        return slice(low, high + 1)

    def counted(self, measure: int, visits: int) -> Counted:
        """Distance or rotation_angle of all visits."""
        touched = self.touched(measure)
        pairs = self.ratio_pairs[touched] if measure == DISTANCE else None
        edges = RATIO_EDGES[touched.start : touched.stop + 1]
        ends = self.extremes[:, measure]
        return Counted(self.ratio_counts[measure, touched], pairs, edges, ends, self.figures.shape[1], visits)

    def coordinate(self, axis: int, line: Array, visits: int) -> Counted:
        """One coordinate of the displacement of all visits; ``line`` as in `core.sample_kernel.Scale`."""
        held = np.flatnonzero(self.line_counts[axis])
        touched = slice(held[0], held[-1] + 1)
        edges = line[axis, 0] + np.arange(touched.start, touched.stop + 1) / line[axis, 1]
        return Counted(
            self.line_counts[axis, touched],
            self.line_pairs[axis, touched],
            edges,
            self.extremes[:, 2 + axis],
            self.figures.shape[1],
            visits,
        )


def scale_of(linear: Linearised, pose: int) -> Scale:
    """Where the coordinates are counted and summed: about the mean of first order."""
    std = np.sqrt(np.diag(linear.covariance[pose]))
    reach = LINE_REACH * np.maximum(std, max(1e-3 * float(std.max()), 1e-15))
    line = np.stack([linear.mean[pose] - reach, LINE_BINS / (2 * reach)], axis=1)
    return Scale(line, np.ascontiguousarray(linear.mean[pose]))


@dataclass(frozen=True, eq=False)
class Sampler:
    """A evaluated laid out for the kernels.

    An entry of a table says: this coefficient moves this axis by its value times this number, at every pose.
    """

    evaluated: EvaluatedMachine
    plan: SamplingPlan
    unit_index: Counts
    unit_axis: Counts
    unit_value: Array
    visit_keys: NDArray[np.uint32]
    visit_laws: tuple[str, ...]
    visit_law: Counts
    visit_index: Counts
    visit_axis: Counts
    visit_value: Array

    @staticmethod
    def prepare(evaluated: EvaluatedMachine, plan: SamplingPlan) -> Sampler:
        """Lay out the tables."""
        poses = len(evaluated.postures.tool)
        unit: list[tuple[int, int, Array]] = []
        visit: list[tuple[int, int, Array]] = []
        keys: list[NDArray[np.uint32]] = []
        laws: list[str] = []
        first = 0
        for term, acts in zip(evaluated.terms, evaluated.acts, strict=True):
            if term.life == "unit":
                unit += [(first + k, axis, value) for k, axis, value in acts]
                first += len(term.mean)
            else:
                spreads = _visit_spreads(term)
                visit += [(len(keys) + k, axis, value * spreads[k].scale) for k, axis, value in acts]
                laws += [spread.distribution for spread in spreads]
                keys += [visit_key(plan.seed, term, k) for k in range(len(spreads))]
        return Sampler(
            evaluated,
            plan,
            *_table(unit, poses),
            np.array(keys, dtype=np.uint32).reshape(-1, 2),
            tuple(laws),
            np.array([_LAWS[law] for law in laws], dtype=np.int64),
            *_table(visit, poses),
        )

    def _axes(self, pose: int) -> Axes:
        at = self.evaluated.postures
        return Axes(at.direction[pose], at.column[pose], at.rotary)

    def _kept(self, pose: int, coefficients: Array) -> Kept:
        return Kept(coefficients, self.unit_index, self.unit_axis, self.unit_value[pose])

    def _drawn(self, pose: int) -> Visits:
        return Visits(self.visit_keys, self.visit_law, self.visit_index, self.visit_axis, self.visit_value[pose])

    def law(self, tangents: Array | None = None, only: slice = slice(None)) -> VisitLaw:
        """The law of the visits; ``tangents`` of shape (poses, 3) on a path; RP at the poses of ``only``."""
        own = VisitCoefficients(self.visit_laws, self.visit_index, self.visit_axis, self.visit_value)
        at = self.evaluated.postures
        return visit_law(own, at, self.plan, np.zeros((len(at.column), 3)) if tangents is None else tangents, only)

    def sample(
        self,
        pose: int,
        at: tuple[int, int],
        scale: Scale,
        coefficients: Array,
        block: tuple[int, int],
        into: PoseSample,
        counts: PoseSample | None = None,
    ) -> None:
        """Sample some units at one pose of the evaluated.

        Parameters
        ----------
        pose : int
            Its place in the evaluated.
        at : (pose, task)
            Its number in the task and that of the task: they key the random numbers.
        scale : Scale
            Of `scale_of`.
        coefficients : (coefficients, units)
            Of `draw_units` from the first unit on.
        block : (first, units)
        into : PoseSample
            Of the whole population: takes what is known of each unit.
        counts : PoseSample, optional
            Takes the counts; ``into`` where not given.
        """
        to = into if counts is None else counts
        first, units = block
        blocks = slice(first // LANES, first // LANES - (-units // LANES))
        squares, sums = np.empty(units), np.empty((SUMS, blocks.stop - blocks.start))
        kernel: Any = sample_units
        kernel(
            self._kept(pose, coefficients), self._drawn(pose), self._axes(pose), Place(*at, first),
            (units, self.plan.visits), scale,
            Tallies(to.ratio_counts, to.ratio_pairs, to.line_counts, to.line_pairs, to.extremes), (squares, sums),
        )  # fmt: skip
        into.square[first : first + units] = squares
        into.sums[:, blocks] = sums

    def attain(
        self, pose: int, law: VisitLaw, coefficients: Array, units: int, tangent: Array | None = None
    ) -> tuple[Array, Array]:
        """What units have at one pose over visits without number.

        Parameters
        ----------
        pose : int
            Its place in the evaluated.
        law : VisitLaw
            Of the evaluated.
        coefficients : (coefficients, units)
        units : int
        tangent : (3,), optional
            Of a path.

        Returns
        -------
        figures : (ATTAINED, units)
            Of `core.attained.attain_units`.
        barycentre : (3, units) [m]
        """
        figures, barycentre = np.empty((ATTAINED, units)), np.empty((3, units))
        effect = law.at(pose, np.zeros(3) if tangent is None else tangent)
        kernel: Any = attain_units
        kernel(self._kept(pose, coefficients), self._axes(pose), effect, units, figures, barycentre)
        return figures, barycentre

    def barycentres(self, pose: int, coefficients: Array, units: int) -> Array:
        """Mean attained less commanded position of some units at one pose, shape (3, units). [m]"""
        return self.attain(pose, self.law(only=slice(0, 0)), coefficients, units)[1]

    def visit_gains(self, pose: int, coefficients: Array, units: int) -> Array:
        """What every standardised coefficient of visit life does to the tool point of some units at one pose.

        The errors that a unit keeps rotation_angle the columns of the Jacobian, to first order.

        Returns
        -------
        (3, units, coefficients) [m]
        """
        at = self.evaluated.postures
        standing = np.zeros((at.column.shape[1], units))
        for k, axis, value in zip(self.unit_index, self.unit_axis, self.unit_value[pose], strict=True):
            standing[axis] += coefficients[k, :units] * value
        own = VisitCoefficients(self.visit_laws, self.visit_index, self.visit_axis, self.visit_value[pose : pose + 1])
        columns = turned_columns(at.direction[pose], at.column[pose], at.rotary, standing)
        return np.asarray(np.einsum("jua,ak->juk", columns, own.on_axes(len(standing))[0]))

    def whole(self, pose: int, linear: Linearised, task: int = 0) -> PoseSample:
        """All units at one pose, at once."""
        out = PoseSample.empty(self.plan.units)
        coefficients = draw_units(self.evaluated.terms, self.plan)
        self.sample(pose, (pose, task), scale_of(linear, pose), coefficients, (0, self.plan.units), out)
        law = self.law(only=slice(pose, pose + 1))
        out.figures[:] = self.attain(pose, law, coefficients, self.plan.units)[0]
        return out

    def follow(
        self, pose: int, number: int, task: int, coefficients: Array, first: int, units: int, visits: int | None = None
    ) -> tuple[Array, Array]:
        """Every visit of some units at one pose, one by one; as many as the plan says, or ``visits``.

        Returns
        -------
        displacement : (3, visits, units) [m]
        rotation_angle : (visits, units) [rad]
        """
        many = self.plan.visits if visits is None else visits
        displacement, rotation_angle = np.empty((3, many, units)), np.empty((many, units))
        kernel: Any = follow_units
        kernel(
            self._kept(pose, coefficients), self._drawn(pose), self._axes(pose), Place(number, task, first),
            displacement, rotation_angle,
        )  # fmt: skip
        return displacement, rotation_angle

    def every(self, pose: int, task: int = 0) -> tuple[Array, Array]:
        """Every visit of every unit at one pose, as `follow`."""
        return self.follow(pose, pose, task, draw_units(self.evaluated.terms, self.plan), 0, self.plan.units)


def blocks(units: int, block: int) -> Iterator[tuple[int, int]]:
    """First unit and number of units of every block."""
    for first in range(0, units, block):
        yield first, min(block, units - first)


def _bins_of(values: Array) -> tuple[int, int]:
    bins = np.empty(2, dtype=np.int64)
    ratio_bins(np.ascontiguousarray(values), bins)
    return int(bins[0]), int(bins[1])


def _visit_spreads(term: Term) -> tuple[Distribution, ...]:
    assert isinstance(term.draw, Independent)  # held by Term itself
    return term.draw.spreads


def _table(entries: list[tuple[int, int, Array]], poses: int) -> tuple[Counts, Counts, Array]:
    index = np.array([k for k, _, _ in entries], dtype=np.int64)
    axis = np.array([a for _, a, _ in entries], dtype=np.int64)
    value = np.array([v for _, _, v in entries]).reshape(len(entries), poses)
    return index, axis, np.ascontiguousarray(value.T)
