"""Expected duration of a run, extrapolated from a small part of it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from armsim.sampling.chunk import CHUNK, EvaluatedChunk, PoseChunk, RunSpec
from armsim.sampling.chunk_sampler import sample_chunk
from armsim.sampling.random_draws import UNIT_BLOCK
from armsim.sampling.unit_draws import UnitDraws

if TYPE_CHECKING:
    from armsim.sampling.population import TaskConfigurations

MAX_SECONDS_PER_SAMPLE = 6e-7
"""Upper bound of the time of a pose-sample, except in runs with very few visits: several times
that of six joints. [s]"""
A_MINUTE, A_DAY = 60.0, 86_400.0
MOST_VISITS = 200
"""Visits of the timed part."""


def expected_seconds(spec: RunSpec, tasks: Sequence[TaskConfigurations], workers: int) -> float:
    """Expected time of the chunks of a run, on a number of workers as fast as this process. [s]

    One pose is sampled with a small and a larger number of units; from both times follow the time per unit, which is
    extrapolated, and a constant time per pose.

    Parameters
    ----------
    spec : RunSpec
    tasks : sequence of TaskConfigurations
    workers : int

    Returns
    -------
    float [s]
    """
    task = tasks[0]
    configurations = task.configurations[:CHUNK]
    start = time.perf_counter()
    EvaluatedChunk.evaluate(spec, configurations).table(spec, configurations)
    per_pose = (time.perf_counter() - start) / len(configurations)
    chunk = PoseChunk(task.key, configurations[:1])
    visits = min(spec.plan.visits, MOST_VISITS)
    times = {}
    for units in (UNIT_BLOCK, UNIT_BLOCK, 4 * UNIT_BLOCK):  # the first makes the kernels ready
        plan = replace(spec.plan, units=units, visits=visits, tolerance=None)
        small = replace(spec, plan=plan, layout=replace(spec.layout, unit_block=units, poses_per_call=1), batch=0)
        small = replace(small, draws=UnitDraws(spec.machine.terms, plan, in_memory=True))
        start = time.perf_counter()
        sample_chunk(small, chunk)
        times[units] = time.perf_counter() - start
    per_unit = max(times[4 * UNIT_BLOCK] - times[UNIT_BLOCK], 0.0) / (3 * UNIT_BLOCK)
    poses = sum(len(task.configurations) for task in tasks)
    return poses * (per_pose + per_unit * spec.plan.units * spec.plan.visits / visits) / workers


def duration_in_words(seconds: float) -> str:
    """Duration to two digits: 90 s, 12 min, 3.4 h, 5.1 days."""
    for unit, length, most in (("s", 1.0, 120.0), ("min", 60.0, 120.0), ("h", 3600.0, 48.0)):
        if seconds < most * length:
            return f"{seconds / length:.2g} {unit}" if seconds < 100 * length else f"{seconds / length:.0f} {unit}"
    return f"{seconds / A_DAY:.2g} days" if seconds < 100 * A_DAY else f"{seconds / A_DAY:.3g} days"
