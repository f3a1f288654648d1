"""How a run is laid out in the memory it may take."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from armsim.errors import DoesNotFit
from armsim.model.machine import Machine
from armsim.sampling.executors import AHEAD
from armsim.sampling.plan import UNIT_BLOCK
from armsim.sampling.pose_sample import SLOT_BYTES, UNIT_BYTES
from armsim.sampling.run_options import MEMORY
from armsim.sampling_plan import SamplingPlan

GIB = 2**30
BASE = 290 * 2**20
"""Bytes of the interpreter, the libraries and compiled kernels; measured by the benchmark."""
PROCESS = 240 * 2**20
"""Bytes of one more process that samples."""
BLOCK = 8 * UNIT_BLOCK
"""Units drawn at a time where they cannot all be kept."""
TOGETHER = 8
"""Poses, at most, that one call of the kernel samples where all units are drawn at once."""
AT_ONCE = 4 * 2**20
"""Bytes that their units may take."""
RECORD = 20
"""Bytes of a unit that a piece hands back and a task keeps: largest AP and RP, whether it passes."""
NAME = 200
"""Bytes that the name of a pose and what belongs to it take beside its numbers."""


Where = Literal["threads", "processes", "cluster"]


@dataclass(frozen=True)
class Layout:
    """Sizes on which the result does not depend.

    Parameters
    ----------
    unit_block : int
        Units drawn at a time; all of them where they fit.
    group : int
        Poses that are sampled together: those that share one drawing of a block.
    slots : int
        Poses whose counts are kept at a time; one where every pose is done with before the next.
    estimate : int
        Bytes that the run takes at most.
    whole : int
        Bytes with which all units could be kept at once.
    """

    unit_block: int
    group: int
    slots: int
    estimate: int
    whole: int = 0


def lay_out(
    machine: Machine,
    plan: SamplingPlan,
    poses: int,
    row: int,
    workers: int = 1,
    memory: int = MEMORY,
    where: Where = "threads",
    batch: int = 0,
    tasks: int = 1,
) -> Layout:
    """Sizes for a run.

    Parameters
    ----------
    machine : Machine
    plan : SamplingPlan
    poses : int
        Of all tasks together.
    row : int
        Numbers kept of each.
    workers : int
    memory : int
        Bytes that may be taken.
    where : str
        ``threads`` share what is drawn; ``processes`` keep everything for themselves; on a ``cluster`` the memory holds
        for this process and for each process of the cluster on its own.
    batch : int
        Units that must be drawn together; 0 if any number may.
    tasks : int
        For each of which the worst of every unit is kept.

    Raises
    ------
    DoesNotFit
        It cannot fit; says what would.
    """
    record = RECORD * (tasks + 1 + AHEAD * workers)  # of a unit: of tasks, and of pieces on their way
    records, rows = record * plan.units, poses * (8 * row + NAME)
    if where == "cluster":
        if BASE + rows + records > memory:
            raise DoesNotFit(_advice(plan, poses, rows, BASE + rows + records, memory - BASE - rows, 1, record, memory))
        workers, records, record, fixed = 1, 0, 0, PROCESS
    else:
        fixed = BASE + rows + (workers * PROCESS if where == "processes" else 0)
    coefficients = sum(len(term.mean) for term in machine.terms if term.life == "unit")
    owners = 1 if where == "threads" else workers

    def drawn(units: int) -> int:
        return 8 * coefficients * units + 64 * UNIT_BLOCK  # and what a draw takes on its way

    def samples(group: int, slots: int) -> int:
        return workers * (slots * SLOT_BYTES + group * UNIT_BYTES * plan.units)

    spare = 1 if batch else 0
    together = max(1, min(TOGETHER, AT_ONCE // (UNIT_BYTES * plan.units)))
    whole = fixed + records + owners * drawn(plan.units) + samples(together, 1)
    if not batch and whole <= memory:
        return Layout(plan.units, together, 1, whole, whole)
    block = min(batch or BLOCK, plan.units)
    least = fixed + records + workers * drawn(block) + samples(1, 1 + spare)
    if least > memory:
        left = memory - fixed - workers * drawn(block)
        raise DoesNotFit(_advice(plan, poses, rows, least, left, workers, record, memory))
    group = max(1, min(64, int((memory - least) / samples(1, 1)) + 1))
    return Layout(block, group, group + spare, least + samples(group - 1, group - 1), whole)


def _advice(
    plan: SamplingPlan, poses: int, rows: int, least: int, left: int, workers: int, record: int, memory: int
) -> str:
    """What would fit: ``left`` bytes are there for what grows with the units, ``record`` of them for each."""
    found = f"{plan.units} units at {poses} poses need {least / GIB:.3g} GiB of memory, allowed {memory / GIB:.3g} GiB"
    advice = [f"{math.ceil(least / GIB * 10) / 10:g}GiB of memory"]
    if workers > 1:
        advice.append(f"fewer than {workers} workers")
    fits = int((left - workers * SLOT_BYTES) / (workers * UNIT_BYTES + record))
    if fits >= UNIT_BLOCK:
        advice.append(f"at most {fits // UNIT_BLOCK * UNIT_BLOCK} units")
    elif rows > memory / 10:
        advice.append("fewer poses (a wider step)")
    return f"{found}: take {', or '.join(advice)}"
