"""Work that can be done anywhere: a piece of a task in, rows of its table out.

Random numbers are keyed by what they stand for and every sum runs in a fixed order, so that the bits of the rows do not
depend on where a piece is done, how large it is, or what else is done there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from armsim.engine.firstorder import Linearised, linearise
from armsim.engine.layout import Layout
from armsim.engine.montecarlo import DISTANCE, PoseSample, Sampler, blocks, line_scale
from armsim.engine.plan import SamplingPlan, draw_units
from armsim.engine.pose import fill_first_order, fill_sampled, share_names
from armsim.model.machine import Machine
from armsim.posetable import PoseTable
from armsim.results import Requirement
from armsim.spreads import Array

CHUNK = 32
"""Poses whose kinematics is worked out together, counted from the first of a task."""


@dataclass(frozen=True, eq=False)
class Job:
    """What all pieces have in common.

    Parameters
    ----------
    machine : Machine
    plan : SamplingPlan
    coverage : float
        At which a quantile is asked for.
    requirement : Requirement, optional
    layout : Layout
    batch : int
        Units of a batch by which the doubt of the quantile is judged, as many as the layout draws at a time; 0 without.
    """

    machine: Machine
    plan: SamplingPlan
    coverage: float
    requirement: Requirement | None
    layout: Layout
    batch: int = 0


@dataclass(frozen=True, eq=False)
class Piece:
    """Some poses of a chunk.

    Parameters
    ----------
    task : int
        Number of the task.
    first : int
        Number of the first pose of the chunk.
    joints : (poses of the chunk, joints)
    speeds : the same, optional
    begin, end : int
        The poses of the chunk that are asked for.
    """

    task: int
    first: int
    joints: Array
    speeds: Array | None
    begin: int
    end: int


@dataclass(frozen=True, eq=False)
class Done:
    """Rows of the poses of a piece, and which units pass at all of them, packed as bits."""

    values: Array
    passing: NDArray[np.uint8]


def pieces(task: int, joints: Array, speeds: Array | None, workers: int) -> list[Piece]:
    """The poses of a task, cut so that every worker finds work."""
    # the kinematics of a chunk is worked out for every piece of it: cut only where workers would stand idle
    chunks = -(-len(joints) // CHUNK)
    size = CHUNK if workers == 1 or chunks >= 4 * workers else max(1, -(-len(joints) // (4 * workers)))
    out = []
    for first in range(0, len(joints), CHUNK):
        chunk = joints[first : first + CHUNK]
        moving = None if speeds is None else speeds[first : first + CHUNK]
        for begin in range(0, len(chunk), size):
            out.append(Piece(task, first, chunk, moving, begin, min(begin + size, len(chunk))))
    return out


def work(job: Job, piece: Piece, coefficients: Array | None = None) -> Done:
    """Do a piece.

    Parameters
    ----------
    job : Job
    piece : Piece
    coefficients : (coefficients, units), optional
        Of all units, where they are drawn already.
    """
    situation = job.machine.at(piece.joints, piece.speeds)
    linear = linearise(situation)
    sampler = Sampler.prepare(situation, job.plan)
    table = PoseTable.empty([""] * len(piece.joints), share_names(job.machine), len(job.machine.joints))
    fill_first_order(table, piece.joints, situation, linear)
    passing = np.ones(job.plan.units, dtype=bool)
    size = min(job.layout.group, piece.end - piece.begin)
    rooms = [PoseSample.room(job.plan.units) for _ in range(size)]
    spare = PoseSample.room(0) if job.batch else None
    for start in range(piece.begin, piece.end, size):
        group = list(zip(range(start, min(start + size, piece.end)), rooms, strict=False))
        batches = _sample_group(job, piece, sampler, linear, group, coefficients, spare)
        for pose, room in group:
            line = line_scale(linear, pose)
            fill_sampled(table, pose, linear, job.coverage, room, line, job.plan.visits)
            if len(batches[pose]) > 1:
                doubt = 2.0 * float(np.std(batches[pose], ddof=1)) / math.sqrt(len(batches[pose]))
                table.columns["error.at_coverage_doubt"][pose] = doubt
            passing &= passes(room, job.requirement)
            room.clear()
    return Done(table.values[piece.begin : piece.end], np.packbits(passing))


def _sample_group(
    job: Job,
    piece: Piece,
    sampler: Sampler,
    linear: Linearised,
    group: list[tuple[int, PoseSample]],
    coefficients: Array | None,
    spare: PoseSample | None,
) -> dict[int, list[float]]:
    """Sample all units at some poses, a block of units after the other; quantiles of every batch at every pose."""
    found: dict[int, list[float]] = {pose: [] for pose, _ in group}
    for first, units in _blocks(job):
        drawn = coefficients
        if drawn is None or job.layout.unit_block < job.plan.units:
            drawn = draw_units(job.machine.terms, job.plan, first, units)
        for pose, room in group:
            line = line_scale(linear, pose)
            sampler.sample(pose, piece.first + pose, piece.task, line, drawn, first, units, room, spare)
            if spare is not None:
                if units == job.batch:
                    found[pose].append(float(spare.counted(DISTANCE, job.plan.visits).quantiles((job.coverage,))[0]))
                room.absorb(spare)
                spare.clear()
    return found


def _blocks(job: Job) -> Iterator[tuple[int, int]]:
    return blocks(job.plan.units, job.layout.unit_block)


def passes(sample: PoseSample, requirement: Requirement | None) -> NDArray[np.bool_]:
    """Units whose AP and RP are within the requirement at this pose, shape (units,)."""
    if requirement is None:
        return np.ones(len(sample.accuracy), dtype=bool)
    out = sample.accuracy <= requirement.position
    if requirement.repeatability is not None:
        out &= sample.repeatability <= requirement.repeatability
    return np.asarray(out)


def worst_again(job: Job, task: int, number: int, joints: Array, speeds: Array | None) -> tuple[Array, Array]:
    """AP and RP of every unit at one pose of a task: cheaper sampled once more than kept at every pose."""
    first = number // CHUNK * CHUNK
    chunk = slice(first, first + CHUNK)
    situation = job.machine.at(joints[chunk], None if speeds is None else speeds[chunk])
    linear = linearise(situation)
    sampler = Sampler.prepare(situation, job.plan)
    room = PoseSample.room(job.plan.units)
    piece = Piece(task, first, joints[chunk], None, number - first, number - first + 1)
    _sample_group(job, piece, sampler, linear, [(number - first, room)], None, None)
    return room.accuracy, room.repeatability
