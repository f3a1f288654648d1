"""The nested population at a pose: U built units, each visiting it V times, through exact kinematics."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from armsim.core import philox
from armsim.core.counting import LINE_BINS, RATIO_BINS, RATIO_EDGES, ratio_bins
from armsim.core.population import FIGURES, LANES, MEASURES, SUMS, follow_units, sample_units
from armsim.engine.firstorder import Linearised
from armsim.engine.plan import SamplingPlan, draw_units, visit_key
from armsim.engine.statistics import Counted
from armsim.model.machine import Situation
from armsim.spreads import Array, Spread
from armsim.terms import Independent, Term

Counts = NDArray[np.int64]
DISTANCE, TURN = 0, 1
LINE_REACH = 16.0
"""Standard deviations, by first order, over which a coordinate is counted either way of its mean."""
_LAWS = {"normal": philox.NORMAL, "uniform": philox.UNIFORM, "two-valued": philox.TWO_VALUED}


@dataclass(frozen=True, eq=False)
class PoseSample:
    """What is kept of all units and visits at one pose: counts, sums, and three numbers a unit.

    Parameters
    ----------
    ratio_counts, ratio_pairs, line_counts, line_pairs, extremes
        As in `core.population.sample_units`.
    figures : (FIGURES, units)
        Of every unit, as in `core.population.sample_units`.
    sums : (SUMS, blocks of units)
        Over visits and units.
    """

    ratio_counts: Counts
    ratio_pairs: Counts
    line_counts: Counts
    line_pairs: Counts
    extremes: Array
    figures: Array
    sums: Array

    @property
    def accuracy(self) -> Array:
        """AP of every unit, shape (units,). [m]"""
        return np.asarray(self.figures[0])

    @property
    def repeatability(self) -> Array:
        """RP of every unit, nan from a single visit, shape (units,). [m]"""
        return np.asarray(self.figures[1])

    @property
    def square(self) -> Array:
        """Mean over the visits of the squared distance, shape (units,). [m^2]"""
        return np.asarray(self.figures[2])

    @property
    def turn_accuracy(self) -> Array:
        """AP of the orientation of every unit, shape (units,). [rad]"""
        return np.asarray(self.figures[3])

    @property
    def turn_repeatability(self) -> Array:
        """RP of the orientation of every unit, nan from a single visit, shape (units,). [rad]"""
        return np.asarray(self.figures[4])

    @staticmethod
    def room(units: int) -> PoseSample:
        """Room for a pose; as it stands, nothing has been counted."""
        extremes = np.full((2, MEASURES), np.inf)
        extremes[1] = -np.inf
        return PoseSample(
            np.zeros((2, RATIO_BINS), dtype=np.int64),
            np.zeros(RATIO_BINS, dtype=np.int64),
            np.zeros((3, LINE_BINS), dtype=np.int64),
            np.zeros((3, LINE_BINS), dtype=np.int64),
            extremes,
            np.empty((FIGURES, units)),
            np.empty((SUMS, -(-units // LANES))),
        )

    @staticmethod
    def bytes_needed(units: int) -> int:
        """Memory that `room` takes."""
        return 8 * (3 * RATIO_BINS + 6 * LINE_BINS + FIGURES * units + SUMS * (units // LANES + 1))

    def absorb(self, other: PoseSample) -> None:
        """Add the counts of further units."""
        for measure in (DISTANCE, TURN):
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
            for measure in (DISTANCE, TURN):
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
        """Distance or turn of all visits."""
        touched = self.touched(measure)
        pairs = self.ratio_pairs[touched] if measure == DISTANCE else None
        edges = RATIO_EDGES[touched.start : touched.stop + 1]
        ends = self.extremes[:, measure]
        return Counted(self.ratio_counts[measure, touched], pairs, edges, ends, self.figures.shape[1], visits)

    def coordinate(self, axis: int, line: Array, visits: int) -> Counted:
        """One coordinate of the displacement of all visits; ``line`` as in `line_scale`."""
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


def line_scale(linear: Linearised, pose: int) -> Array:
    """Scale on which each coordinate is counted: lower end [m] and bins per metre, shape (3, 2)."""
    std = np.sqrt(np.diag(linear.covariance[pose]))
    reach = LINE_REACH * np.maximum(std, max(1e-3 * float(std.max()), 1e-15))
    return np.stack([linear.mean[pose] - reach, LINE_BINS / (2 * reach)], axis=1)


@dataclass(frozen=True, eq=False)
class Sampler:
    """A situation laid out for the kernels.

    An entry of a table says: this coefficient moves this axis by its value times this number, at every pose.
    """

    situation: Situation
    plan: SamplingPlan
    unit_index: Counts
    unit_axis: Counts
    unit_value: Array
    visit_keys: NDArray[np.uint32]
    visit_law: Counts
    visit_index: Counts
    visit_axis: Counts
    visit_value: Array

    @staticmethod
    def prepare(situation: Situation, plan: SamplingPlan) -> Sampler:
        """Lay out the tables."""
        poses = len(situation.postures.tool)
        unit: list[tuple[int, int, Array]] = []
        visit: list[tuple[int, int, Array]] = []
        keys: list[NDArray[np.uint32]] = []
        laws: list[int] = []
        first = 0
        for term, acts in zip(situation.terms, situation.acts, strict=True):
            if term.life == "unit":
                unit += [(first + k, axis, value) for k, axis, value in acts]
                first += len(term.mean)
            else:
                spreads = _visit_spreads(term)
                visit += [(len(keys) + k, axis, value * spreads[k].scale) for k, axis, value in acts]
                laws += [_LAWS[spread.distribution] for spread in spreads]
                keys += [visit_key(plan.seed, term, k) for k in range(len(spreads))]
        return Sampler(
            situation,
            plan,
            *_table(unit, poses),
            np.array(keys, dtype=np.uint32).reshape(-1, 2),
            np.array(laws, dtype=np.int64),
            *_table(visit, poses),
        )

    def _at(self, pose: int) -> tuple[Any, ...]:
        at = self.situation.postures
        return (
            self.unit_index,
            self.unit_axis,
            self.unit_value[pose],
            self.visit_keys,
            self.visit_law,
            self.visit_index,
            self.visit_axis,
            self.visit_value[pose],
            at.direction[pose],
            at.column[pose],
            at.rotary,
        )

    def sample(
        self,
        pose: int,
        number: int,
        task: int,
        line: Array,
        tangent: Array,
        coefficients: Array,
        first: int,
        units: int,
        into: PoseSample,
        counts: PoseSample | None = None,
    ) -> None:
        """Sample some units at one pose of the situation.

        Parameters
        ----------
        pose : int
            Its place in the situation.
        number, task : int
            Its number in the task and that of the task: they key the random numbers.
        line : (3, 2)
            Of `line_scale`.
        tangent : (3,)
            Of a path, zero without one.
        coefficients : (coefficients, units)
            Of `draw_units` from ``first`` on.
        first, units : int
        into : PoseSample
            Of the whole population: takes what is known of each unit.
        counts : PoseSample, optional
            Takes the counts; ``into`` where not given.
        """
        to = into if counts is None else counts
        at, blocks = slice(first, first + units), slice(first // LANES, first // LANES - (-units // LANES))
        figures = np.empty((FIGURES, units))
        sums = np.empty((SUMS, blocks.stop - blocks.start))
        kernel: Any = sample_units
        kernel(
            coefficients, *self._at(pose), first, units, self.plan.visits, number, task, line, tangent,
            to.ratio_counts, to.ratio_pairs, to.line_counts, to.line_pairs, to.extremes,
            figures, sums,
        )  # fmt: skip
        into.figures[:, at] = figures
        into.sums[:, blocks] = sums

    def whole(self, pose: int, linear: Linearised, task: int = 0) -> PoseSample:
        """All units at one pose, at once."""
        out = PoseSample.room(self.plan.units)
        coefficients = draw_units(self.situation.terms, self.plan)
        self.sample(pose, pose, task, line_scale(linear, pose), np.zeros(3), coefficients, 0, self.plan.units, out)
        return out

    def follow(
        self, pose: int, number: int, task: int, coefficients: Array, first: int, units: int
    ) -> tuple[Array, Array]:
        """Every visit of some units at one pose, one by one; parameters as of `sample`.

        Returns
        -------
        displacement : (3, visits, units) [m]
        turn : (visits, units) [rad]
        """
        displacement = np.empty((3, self.plan.visits, units))
        turn = np.empty((self.plan.visits, units))
        kernel: Any = follow_units
        kernel(coefficients, *self._at(pose), first, number, task, displacement, turn)
        return displacement, turn

    def every(self, pose: int, task: int = 0) -> tuple[Array, Array]:
        """Every visit of every unit at one pose, as `follow`."""
        return self.follow(pose, pose, task, draw_units(self.situation.terms, self.plan), 0, self.plan.units)


def blocks(units: int, block: int) -> Iterator[tuple[int, int]]:
    """First unit and number of units of every block."""
    for first in range(0, units, block):
        yield first, min(block, units - first)


def _bins_of(values: Array) -> tuple[int, int]:
    bins = np.empty(2, dtype=np.int64)
    ratio_bins(np.ascontiguousarray(values), bins)
    return int(bins[0]), int(bins[1])


def _visit_spreads(term: Term) -> tuple[Spread, ...]:
    assert isinstance(term.draw, Independent)  # held by Term itself
    return term.draw.spreads


def _table(entries: list[tuple[int, int, Array]], poses: int) -> tuple[Counts, Counts, Array]:
    index = np.array([k for k, _, _ in entries], dtype=np.int64)
    axis = np.array([a for _, a, _ in entries], dtype=np.int64)
    value = np.array([v for _, _, v in entries]).reshape(len(entries), poses)
    return index, axis, np.ascontiguousarray(value.T)
