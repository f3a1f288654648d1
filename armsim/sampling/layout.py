"""Layout of a run within its memory limit.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from armsim.core.kernel_digest import LANES
from armsim.core.unit_figures import UNIT_STATISTICS
from armsim.errors import DoesNotFit
from armsim.model.machine import Machine
from armsim.run_options import MEMORY
from armsim.sampling.executors import CHUNKS_AHEAD
from armsim.sampling.kernel_arrays import HISTOGRAM_BYTES, UNIT_BYTES
from armsim.sampling.pose_sampler import CallSizes
from armsim.sampling.random_draws import UNIT_BLOCK
from armsim.sampling_plan import SamplingPlan

GIB = 2**30
BASE_BYTES = 290 * 2**20
"""Memory of the interpreter, libraries and compiled kernels, measured by the benchmark. [bytes]"""
PROCESS_BYTES = 240 * 2**20
"""Memory of a further sampling process. [bytes]"""
UNITS_PER_BLOCK = 8 * UNIT_BLOCK
"""Number of units drawn at a time where all do not fit into the memory."""
RECORD_BYTES = 8 * (UNIT_STATISTICS + 2) + 1
"""Memory per unit of a chunk's result and a task: largest statistics, bounds of RP, limits of operation. [bytes]"""
MAX_POSES_PER_OUTPUT = 64
"""Largest number of poses whose statistics are computed together."""
ENTRY_BYTES = 200
"""Memory of a pose's name and other entries beside its numbers. [bytes]"""


Backend = Literal["threads", "processes", "cluster"]


@dataclass(frozen=True)
class Layout:
    """Block and group sizes of a run; the result does not depend on them.

    Parameters
    ----------
    unit_block : int
        Units drawn at a time; all of them where they fit.
    poses_per_call : int
        Poses sampled in one kernel call; they share the draws of a block of units.
    histograms : int
        Poses whose histograms are in memory at a time; 1 where every pose is finished before the next.
    estimated_bytes : int
        Largest memory of the run. [bytes]
    bytes_if_undivided : int
        Memory with which all units could be drawn at once. [bytes]
    poses_per_output : int
        Poses whose statistics are computed together, at least ``poses_per_call``.
    all_units_at_once : bool
        Whether all units are drawn before the first is sampled.
    """

    unit_block: int
    poses_per_call: int
    histograms: int
    estimated_bytes: int
    bytes_if_undivided: int = 0
    poses_per_output: int = 1
    all_units_at_once: bool = True


@dataclass(frozen=True)
class Workload:
    """Size of a run: numbers of poses, of tasks, and of values per pose.

    Parameters
    ----------
    poses : int
        Number of poses of all tasks.
    numbers_per_pose : int
        Numbers stored per pose.
    tasks : int
        Number of tasks; the worst statistics of every unit are stored per task.
    batch : int
        Units that must be drawn together; 0 if any number may.
    in_motion : bool
        Whether a task is a path; the machine in motion has a population of its own.
    """

    poses: int
    numbers_per_pose: int
    tasks: int = 1
    batch: int = 0
    in_motion: bool = False


@dataclass(frozen=True)
class Resources:
    """Workers, memory and backend of a run.

    Parameters
    ----------
    workers : int
    memory : int
        Memory that may be taken. [bytes]
    backend : str
        ``threads`` share what is drawn; ``processes`` keep everything for themselves; on a ``cluster`` the memory holds
        for this process and for each process of the cluster on its own.
    sizes : CallSizes
        Of the sampler.
    """

    workers: int = 1
    memory: int = MEMORY
    backend: Backend = "threads"
    sizes: CallSizes = CallSizes()


def choose_layout(
    machine: Machine, plan: SamplingPlan, workload: Workload, resources: Resources = Resources()
) -> Layout:
    """Choose the layout of a run.

    Parameters
    ----------
    machine : Machine
    plan : SamplingPlan
    workload : Workload
    resources : Resources

    Returns
    -------
    Layout

    Raises
    ------
    DoesNotFit
        The run does not fit into the memory; the message says what would.
    """
    workers, memory, batch = resources.workers, resources.memory, workload.batch
    bytes_per_unit = RECORD_BYTES * (
        workload.tasks + 1 + CHUNKS_AHEAD * workers
    )  # results of the tasks, and of chunks that are not collected yet
    records, rows = bytes_per_unit * plan.units, workload.poses * (8 * workload.numbers_per_pose + ENTRY_BYTES)
    if resources.backend == "cluster":
        least_bytes = BASE_BYTES + rows + records
        if least_bytes > memory:
            raise DoesNotFit(
                _advice(plan, workload, resources, least_bytes, memory - BASE_BYTES - rows, bytes_per_unit)
            )
        workers, records, bytes_per_unit, fixed = 1, 0, 0, PROCESS_BYTES
    else:
        fixed = BASE_BYTES + rows + (workers * PROCESS_BYTES if resources.backend == "processes" else 0)
    fixed += workers * resources.sizes.poses * resources.sizes.pose_bytes
    machines = (machine, machine.moving) if workload.in_motion else (machine,)
    coefficients = sum(len(term.mean) for state in machines for term in state.terms if term.life == "unit")
    copies = 1 if resources.backend == "threads" else workers

    def draws_bytes(units: int) -> int:
        return 8 * coefficients * units + 64 * UNIT_BLOCK  # and the buffer of a draw

    batch_histograms = 1 if batch else 0
    poses_together = max(1, min(resources.sizes.poses, resources.sizes.unit_bytes // (UNIT_BYTES * plan.units)))
    with_draws = fixed + records + copies * draws_bytes(plan.units)
    while poses_together > CallSizes().poses and with_draws + _sample_bytes(workers, plan, poses_together, 1) > memory:
        poses_together //= 2
    all_at_once = with_draws + _sample_bytes(workers, plan, poses_together, 1)
    if not batch and all_at_once <= memory:
        return Layout(plan.units, poses_together, 1, all_at_once, all_at_once)
    block = min(batch or UNITS_PER_BLOCK, plan.units)
    least_bytes = fixed + records + workers * draws_bytes(block) + _sample_bytes(workers, plan, 1, 1 + batch_histograms)
    if least_bytes > memory:
        available = memory - fixed - workers * draws_bytes(block)
        raise DoesNotFit(
            _advice(plan, workload, replace(resources, workers=workers), least_bytes, available, bytes_per_unit)
        )
    bytes_per_pose = _sample_bytes(workers, plan, 1, 1)
    group = max(1, min(MAX_POSES_PER_OUTPUT, int((memory - least_bytes) / bytes_per_pose) + 1))
    estimate = least_bytes + (group - 1) * bytes_per_pose
    return Layout(block, group, group + batch_histograms, estimate, all_at_once, all_units_at_once=block >= plan.units)


def _sample_bytes(workers: int, plan: SamplingPlan, poses: int, histograms: int) -> int:
    """Memory of the workers for the figures of their units at some poses, and for their sets of histograms. [bytes]"""
    return workers * (histograms * HISTOGRAM_BYTES + poses * UNIT_BYTES * plan.units)


def with_short_calls(layout: Layout, plan: SamplingPlan, resources: Resources) -> Layout:
    """Layout with kernel calls so short that a stop is noticed soon, and histograms for every pose of a call.

    Where all units are drawn at once, statistics are computed at as many poses together as the memory allows.

    Parameters
    ----------
    layout : Layout
    plan : SamplingPlan
    resources : Resources

    Returns
    -------
    Layout
    """
    step = (
        LANES if layout.all_units_at_once and resources.backend == "threads" else UNIT_BLOCK
    )  # units that are all drawn can be divided at any lane
    sizes = resources.sizes
    if not layout.all_units_at_once:
        group = max(1, min(layout.poses_per_call, sizes.short_samples // (step * plan.visits)))
        block = max(1, sizes.short_samples // (group * step * plan.visits)) * step
        return replace(layout, unit_block=min(layout.unit_block, block), poses_per_call=group, histograms=group)
    used = _sample_bytes(resources.workers, plan, layout.poses_per_call, layout.histograms)
    available = resources.memory - (layout.estimated_bytes - used)
    group = max(1, min(sizes.short_poses, available // _sample_bytes(resources.workers, plan, 1, 1)))
    bytes_per_pose = _sample_bytes(resources.workers, plan, 1, 0)
    poses_per_output = max(
        group,
        min(MAX_POSES_PER_OUTPUT, (available - _sample_bytes(resources.workers, plan, 0, group)) // bytes_per_pose),
    )
    block = max(1, sizes.short_samples // (group * step * plan.visits)) * step
    estimate = resources.memory - available + _sample_bytes(resources.workers, plan, poses_per_output, group)
    return replace(
        layout,
        unit_block=min(plan.units, block),
        poses_per_call=group,
        histograms=group,
        estimated_bytes=estimate,
        poses_per_output=poses_per_output,
    )


def _advice(
    plan: SamplingPlan, workload: Workload, resources: Resources, least_bytes: int, available: int, bytes_per_unit: int
) -> str:
    """Advice on what would fit, with ``available`` bytes for results that take ``bytes_per_unit`` for each unit."""
    needed, allowed, workers = least_bytes / GIB, resources.memory / GIB, resources.workers
    needs = f"{plan.units} arms at {workload.poses} poses need {needed:.3g} GiB of memory, allowed {allowed:.3g} GiB"
    advice = [f"{math.ceil(needed * 10) / 10:g}GiB of memory"]
    if resources.backend == "cluster":
        workers = 1
    if workers > 1:
        advice.append(f"fewer than {workers} workers")
    fitting_units = int((available - workers * HISTOGRAM_BYTES) / (workers * UNIT_BYTES + bytes_per_unit))
    if fitting_units >= UNIT_BLOCK:
        advice.append(f"at most {fitting_units // UNIT_BLOCK * UNIT_BLOCK} arms (--units)")
    elif workload.poses * (8 * workload.numbers_per_pose + ENTRY_BYTES) > resources.memory / 10:
        advice.append("fewer poses (a wider step)")
    return f"{needs}: take {', or '.join(advice)}"
