"""A whole run: the pieces of all tasks through one executor, once or until a tolerance is reached."""

from __future__ import annotations

import math
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.errors import DoesNotFit, RunError, TooLong
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine
from armsim.results import Adaptive
from armsim.results.pose_table import PoseTable, Rows, record
from armsim.sampling import executors
from armsim.sampling.chunk import Extremes, RunSpec, pose_chunks, sample_chunk
from armsim.sampling.duration import A_MINUTE, LONG_RUN, expected_seconds, in_words
from armsim.sampling.layout import GIB, Where, lay_out
from armsim.sampling.operation_limits import operating
from armsim.sampling.plan import UNIT_BLOCK
from armsim.sampling.pose import share_names
from armsim.sampling.run_options import RunOptions
from armsim.sampling.unit_draws import Drawn
from armsim.sampling_plan import MOST_UNITS, NumericalTolerance, SamplingPlan

LEAST_BATCHES = 5
"""Batches before their scatter is believed; the guide begins with two."""
LEAST_TRIALS = 10_000
"""Trials of a batch at least. JCGM 101:2008 7.9.4 b."""
MARGIN = 1.1
"""Batches taken beyond what their scatter so far foretells, so that few rounds are needed."""


@dataclass(frozen=True, eq=False)
class TaskConfigurations:
    """Where a task looks; ``key`` stands for its name in the random numbers."""

    name: str
    configurations: Configurations
    key: int = 0


@dataclass(frozen=True, eq=False)
class TaskSample:
    """What came of a task.

    Parameters
    ----------
    rows : (poses,)
        Of the `PoseTable`.
    extremes : Extremes
        The largest over the poses of what every unit has.
    operating : (units,) bool
        Units that keep to the limits of operation of their sensors.
    """

    rows: Rows
    extremes: Extremes
    operating: NDArray[np.bool_]

    @property
    def worst(self) -> Array:
        """Largest AP and RP of every unit, the same of its orientation, shape (ATTAINED, units). [m, m, rad, rad]"""
        return self.extremes.worst


@dataclass(frozen=True, eq=False)
class Samples:
    """What came of a run."""

    spec: RunSpec
    tasks: tuple[TaskSample, ...]
    adaptive: Adaptive | None


@dataclass(frozen=True, eq=False)
class Runner:
    """A machine and a place where it is sampled."""

    machine: Machine
    coverage: float
    options: RunOptions
    workers: int
    pool: Executor
    where: Where

    def run(self, plan: SamplingPlan, asked: list[TaskConfigurations]) -> Samples:
        """Sample all poses; with a tolerance, with ever more units until it is reached.

        A run that ends with some number of units is, to the bit, the run that asks for that number.
        """
        if plan.tolerance is None:
            spec = self._spec(plan, asked, 0)
            return Samples(spec, self._once(spec, asked), None)
        batch = batch_units(plan, self.coverage)
        most = MOST_UNITS // batch
        count = min(max(LEAST_BATCHES, -(-plan.units // batch)), most)
        done: Samples | None = None
        while True:
            try:
                spec = self._spec(replace(plan, units=count * batch), asked, batch)
            except RunError:
                if done is None:
                    raise
                return done  # what was reached so far stands; more does not fit into the memory
            tasks = self._once(spec, asked)
            reached = self._judge(spec, asked, tasks, plan.tolerance, count)
            done = Samples(spec, tasks, reached)
            if reached.reached or count >= most:
                return done
            wanted = min(MARGIN * count * reached.doubt**2, float(most))
            count = min(max(count + 1, math.ceil(wanted)), most)

    @property
    def _record(self) -> np.dtype[np.void]:
        return record(len(self.machine.joints), len(share_names(self.machine)))

    def _spec(self, plan: SamplingPlan, asked: list[TaskConfigurations], batch: int) -> RunSpec:
        options = self.options
        poses = sum(len(task.configurations) for task in asked)
        row = self._record.itemsize // 8
        if options.afterwards > options.memory:
            raise DoesNotFit(
                f"what is made of the samples takes {options.afterwards / GIB:.2g} GiB of memory, allowed "
                f"{options.memory / GIB:.2g} GiB"
            )
        layout = lay_out(self.machine, plan, poses, row, self.workers, options.memory, self.where, batch, len(asked))
        samples = poses * plan.units * plan.visits
        spec = RunSpec(self.machine, plan, self.coverage, layout, batch)
        seconds = expected_seconds(spec, asked, self.workers) if samples > LONG_RUN else 0.0
        lasting = f", about {in_words(seconds)}" if seconds > A_MINUTE else ""
        options.note(
            f"{poses} poses x {plan.units} units x {plan.visits} visits = {samples:.3g} pose-samples, "
            f"at most {max(layout.estimate, options.afterwards) / GIB:.2g} GiB of memory{lasting}"
        )
        if seconds > options.longest:
            raise TooLong(f"the run would take about {in_words(seconds)}, allowed are {in_words(options.longest)}")
        whole = layout.unit_block >= plan.units
        if self.where == "threads":
            try:
                return replace(spec, drawn=Drawn(self.machine.terms, plan, whole))
            except OSError:
                pass  # drawn again for every group of poses
        if not whole and not batch:
            options.note(
                f"the units do not fit into the memory allowed and are drawn anew for every {layout.group} poses; with "
                f"{layout.whole / GIB:.2g} GiB they would be drawn once"
            )
        return spec

    def _once(self, spec: RunSpec, asked: list[TaskConfigurations]) -> tuple[TaskSample, ...]:
        do, out, fit = partial(sample_chunk, spec), [], operating(spec.machine, spec.plan)
        for task in asked:
            cut = pose_chunks(task.key, task.configurations, self.workers)
            total = len(task.configurations)
            rows = np.empty(total, self._record)
            extremes = Extremes.none(spec.plan.units)
            at = 0
            self.options.progress(task.name, 0, total)
            for done in executors.in_order(self.pool, self.workers, do, cut):
                rows[at : at + len(done.rows)] = done.rows
                at += len(done.rows)
                extremes.join(done.extremes)
                self.options.progress(task.name, at, total)
            out.append(TaskSample(rows, extremes, fit))
        return tuple(out)

    def _judge(
        self,
        spec: RunSpec,
        asked: list[TaskConfigurations],
        tasks: tuple[TaskSample, ...],
        tolerance: NumericalTolerance,
        count: int,
    ) -> Adaptive:
        worst, where = 0.0, ""
        for task, sample in zip(asked, tasks, strict=True):
            table = PoseTable(("",) * len(sample.rows), share_names(self.machine), sample.rows)
            quantile, doubt = table.column("error.at_coverage"), table.column("error.at_coverage_doubt")
            allowed = np.array([tolerance.of(float(q)) for q in quantile])
            ratio = np.divide(doubt, allowed, out=np.zeros_like(doubt), where=doubt > 0)
            if ratio.max() >= worst:
                worst, where = float(ratio.max()), f"pose {int(np.argmax(ratio)) + 1} of {task.name}"
        return Adaptive(count, spec.batch, worst, where, worst <= 1.0)


def batch_units(plan: SamplingPlan, coverage: float) -> int:
    """Units of a batch: so many that their visits make M trials, M = max(J, 10^4), J = 100 / (1 - p) rounded up.

    References
    ----------
    .. [1] JCGM 101:2008 7.9.4 b.
    """
    trials = max(math.ceil(100 / (1 - coverage)), LEAST_TRIALS)
    return -(-trials // (plan.visits * UNIT_BLOCK)) * UNIT_BLOCK


@contextmanager
def sampling(
    machine: Machine,
    coverage: float,
    options: RunOptions = RunOptions(),
) -> Iterator[Runner]:
    """A place to sample: threads, processes, or a cluster, there until the end of the block."""
    workers = options.threads
    with ExitStack() as stack:
        if options.cluster is not None:
            pool, workers = stack.enter_context(executors.cluster(options.cluster))
        elif options.processes:
            pool = stack.enter_context(executors.processes(workers))
        else:
            pool = stack.enter_context(executors.threads(workers))
        where: Where = "cluster" if options.cluster is not None else "processes" if options.processes else "threads"
        yield Runner(machine, coverage, options, workers, pool, where)
