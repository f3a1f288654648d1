"""The nested population: U built units, each visiting every pose V times, through exact kinematics."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from armsim.core import philox
from armsim.core.population import sample_pose
from armsim.engine.plan import SamplingPlan, draw_units, visit_key
from armsim.model.machine import Situation
from armsim.spreads import Array, Spread
from armsim.terms import Independent, Term

T = TypeVar("T")
MEMORY = 4 * 2**30
"""Bytes that a run may take."""
_LAWS = {"normal": philox.NORMAL, "uniform": philox.UNIFORM, "two-valued": philox.TWO_VALUED}


@dataclass(frozen=True, eq=False)
class PoseSample:
    """Every unit and visit at one pose.

    Parameters
    ----------
    displacement : (3, visits, units) [m]
        Error of the tool point in the base frame.
    distance : (visits, units) [m]
        Its length.
    turn : (visits, units) [rad]
        Angle of the orientation error.
    barycentre : (3, units) [m]
        Mean over the visits.
    moments : (7, units)
        Means over the visits of xx, yy, zz, xy, xz, yz of the displacement [m^2], and of the squared turn [rad^2].
    repeatability : (units,) [m]
        RP; nan from a single visit.
    bins : (visits * units,) int16
        Room for the statistics to work in.
    """

    displacement: Array
    distance: Array
    turn: Array
    barycentre: Array
    moments: Array
    repeatability: Array
    bins: NDArray[np.int16]


@dataclass(frozen=True, eq=False)
class Sampler:
    """A situation with its unit coefficients drawn and its tables laid out for the kernel.

    An entry of a table says: this coefficient moves this axis by its value times this number, at every pose.
    """

    situation: Situation
    plan: SamplingPlan
    coefficients: Array
    unit_index: np.ndarray
    unit_axis: np.ndarray
    unit_value: Array
    visit_keys: np.ndarray
    visit_law: np.ndarray
    visit_index: np.ndarray
    visit_axis: np.ndarray
    visit_value: Array

    @staticmethod
    def prepare(situation: Situation, plan: SamplingPlan) -> Sampler:
        """Draw the units and lay out the tables."""
        poses = len(situation.postures.tool)
        unit: list[tuple[int, int, Array]] = []
        visit: list[tuple[int, int, Array]] = []
        keys: list[np.ndarray] = []
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
            draw_units(situation.terms, plan),
            *_table(unit, poses),
            np.array(keys, dtype=np.uint32).reshape(-1, 2),
            np.array(laws, dtype=np.int64),
            *_table(visit, poses),
        )

    def room(self) -> PoseSample:
        """Room for the sample of one pose."""
        units, visits = self.plan.units, self.plan.visits
        return PoseSample(
            np.empty((3, visits, units)),
            np.empty((visits, units)),
            np.empty((visits, units)),
            np.empty((3, units)),
            np.empty((7, units)),
            np.empty(units),
            np.empty(visits * units, dtype=np.int16),
        )

    def sample(self, pose: int, task: int, room: PoseSample | None = None) -> PoseSample:
        """Sample one pose of the situation; its number, and that of the task, key the random numbers.

        ``room`` is overwritten and returned where given: fresh memory costs as much as the kinematics.
        """
        sample = room if room is not None else self.room()
        at = self.situation.postures
        sample_pose(
            self.coefficients,
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
            0,
            pose,
            task,
            sample.displacement,
            sample.distance,
            sample.turn,
            sample.barycentre,
            sample.moments,
            sample.repeatability,
        )
        return sample


def memory_needed(terms: Sequence[Term], plan: SamplingPlan, workers: int) -> int:
    """Bytes that a run takes at most: the drawn units, and what each worker holds of one pose."""
    drawn = sum(len(term.mean) for term in terms if term.life == "unit") * plan.units
    # displacement, distance, turn, and the room in which ranks are sought
    return 8 * (2 * drawn + workers * 6 * plan.units * plan.visits)


def sample_poses(
    sampler: Sampler,
    task: int,
    reduce: Callable[[int, PoseSample], T],
    workers: int = 1,
    advance: Callable[[int], None] = lambda done: None,
) -> list[T]:
    """Sample every pose of a situation and keep what ``reduce`` makes of each, in the order of the poses.

    Parameters
    ----------
    sampler : Sampler
    task : int
        Number of the task in the scenario.
    reduce : callable (pose number, PoseSample) -> T
        Called in a worker thread; must not keep the sample, whose room serves the next pose.
    workers : int
        Threads. The result does not depend on it.
    advance : callable
        Told the poses done since the last call.
    """
    rooms = threading.local()

    def one(pose: int) -> T:
        if not hasattr(rooms, "own"):
            rooms.own = sampler.room()
        return reduce(pose, sampler.sample(pose, task, rooms.own))

    out: list[T] = []
    with ThreadPoolExecutor(workers) as pool:
        try:
            for reduced in pool.map(one, range(len(sampler.situation.postures.tool))):
                out.append(reduced)
                advance(1)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return out


def _visit_spreads(term: Term) -> tuple[Spread, ...]:
    assert isinstance(term.draw, Independent)  # held by Term itself
    return term.draw.spreads


def _table(entries: list[tuple[int, int, Array]], poses: int) -> tuple[np.ndarray, np.ndarray, Array]:
    index = np.array([k for k, _, _ in entries], dtype=np.int64)
    axis = np.array([a for _, a, _ in entries], dtype=np.int64)
    value = np.array([v for _, _, v in entries]).reshape(len(entries), poses)
    return index, axis, np.ascontiguousarray(value.T)
