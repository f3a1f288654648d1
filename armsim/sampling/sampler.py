"""Sampling of a machine on threads, processes or a cluster: a complete run, a growing run, or one up to a tolerance.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace

import numpy as np

from armsim.core.kernel_digest import LANES
from armsim.errors import DoesNotFit, RunError, TooLong
from armsim.formatting import plural
from armsim.model.machine import Machine
from armsim.results import Convergence
from armsim.results.pose_table import PoseTable, row_type
from armsim.run_options import RunOptions
from armsim.sampling import executors
from armsim.sampling.chunk import RunSpec
from armsim.sampling.devices import check_device, pose_sampler
from armsim.sampling.duration import A_MINUTE, MAX_SECONDS_PER_SAMPLE, duration_in_words, expected_seconds
from armsim.sampling.layout import (
    BASE_BYTES,
    GIB,
    Backend,
    Layout,
    Resources,
    Workload,
    choose_layout,
    with_short_calls,
)
from armsim.sampling.population import Population, Stop, TaskConfigurations, TaskSample, Workers
from armsim.sampling.pose_sampler import PoseSampler
from armsim.sampling.pose_statistics import share_names
from armsim.sampling.random_draws import UNIT_BLOCK
from armsim.sampling.unit_draws import UnitDraws
from armsim.sampling_plan import MOST_UNITS, NumericalTolerance, SamplingPlan

MIN_BATCHES = 5
"""Least number of batches for an estimate of their scatter; JCGM 101 begins with two."""
MIN_TRIALS = 10_000
"""Least number of trials of a batch. JCGM 101:2008 7.9.4 b."""
BATCH_MARGIN = 1.1
"""Factor on the predicted number of batches, so that few rounds are needed."""
GROWTH_FACTOR = 4
"""Growth factor between successive populations."""
TABLES_IN_MEMORY = 4
"""Tables of all poses at a time in a growing run: the filled rows, two answers, one pending."""


@dataclass(frozen=True, eq=False)
class Samples:
    """Samples of all tasks.

    Parameters
    ----------
    spec : RunSpec
        With the plan that was sampled.
    tasks : tuple of TaskSample
    adaptive : Convergence, optional
        Record of the iterations to a tolerance.
    last : bool
        Whether the population has all requested units.
    """

    spec: RunSpec
    tasks: tuple[TaskSample, ...]
    adaptive: Convergence | None
    last: bool = True


@dataclass(frozen=True, eq=False)
class FirstOrder:
    """First-order tables of all tasks; columns that need a sample are nan."""

    tables: tuple[PoseTable, ...]


@dataclass(frozen=True, eq=False)
class Runner:
    """Machine with its workers and options."""

    machine: Machine
    coverage: float
    options: RunOptions
    workers: Workers
    backend: Backend

    def run(self, plan: SamplingPlan, tasks: list[TaskConfigurations]) -> Samples:
        """Sample all poses; with a tolerance, add units until it is reached.

        A run that ends with some number of units is, to the bit, the run that asks for that number.

        Parameters
        ----------
        plan : SamplingPlan
        tasks : list of TaskConfigurations

        Returns
        -------
        Samples

        Raises
        ------
        DoesNotFit, TooLong, Interrupted
        """
        if plan.tolerance is None:
            spec = self._announce(plan, tasks)
            return Samples(spec, self._sample_once(spec, tasks), None)
        batch = batch_units(plan, self.coverage)
        most_batches = MOST_UNITS // batch
        count = min(max(MIN_BATCHES, -(-plan.units // batch)), most_batches)
        result: Samples | None = None
        while True:
            try:
                spec = self._announce(replace(plan, units=count * batch), tasks, batch)
            except RunError:
                if result is None:
                    raise
                return result  # the last complete round; more units do not fit into the memory
            samples = self._sample_once(spec, tasks)
            convergence = self._convergence(spec, tasks, samples, plan.tolerance, count)
            result = Samples(spec, samples, convergence)
            if convergence.reached or count >= most_batches:
                return result
            needed = min(BATCH_MARGIN * count * convergence.doubt**2, float(most_batches))
            count = min(max(count + 1, math.ceil(needed)), most_batches)

    def sample_growing(
        self, plan: SamplingPlan, tasks: list[TaskConfigurations], first_units: int
    ) -> Iterator[FirstOrder | Samples]:
        """Yield first-order tables, then populations of ``first_units`` units and more; the last is that of `run`.

        Samples are stored from one population to the next as far as the memory allows.

        Parameters
        ----------
        plan : SamplingPlan
        tasks : list of TaskConfigurations
        first_units : int
            Units of the first population; a device samples all at once where it takes little longer.

        Yields
        ------
        FirstOrder or Samples

        Raises
        ------
        DoesNotFit, Interrupted
        """
        workload, sampler = self._workload(plan, tasks), self._sampler(plan, tasks)
        resources = self._resources(sampler)
        tables = workload.poses * 8 * workload.numbers_per_pose * TABLES_IN_MEMORY
        if BASE_BYTES + tables > resources.memory:
            raise DoesNotFit(f"tables of {workload.poses} poses need {(BASE_BYTES + tables) / GIB:.3g} GiB of memory")
        refusal: DoesNotFit | None = None
        try:
            layout = choose_layout(self.machine, plan, workload, resources)
        except DoesNotFit as error:  # raised after first order, which needs no sample
            refusal, layout = error, Layout(plan.units, 1, 1, resources.memory)
        spec = RunSpec(self.machine, plan, self.coverage, layout, sampler=sampler)
        short_spec = replace(spec, layout=with_short_calls(layout, plan, resources))
        resumable_memory = max(0, resources.memory - short_spec.layout.estimated_bytes - tables)
        population = Population(
            short_spec, tasks, self.workers, Stop(self.options.stopped), self.options.progress, resumable_memory
        )
        yield FirstOrder(tuple(population.first_order()))
        if refusal is not None:
            raise refusal
        population.spec = self._with_draws(short_spec, tasks)
        at_once = workload.poses * plan.units * plan.visits <= sampler.sizes.samples_at_once
        first = units = plan.units if at_once else min(-(-first_units // LANES) * LANES, plan.units)
        while units < plan.units or plan.tolerance is None:
            # keeping the first units would take as long as sampling them again, and would delay the first answer
            samples = population.sample_up_to(units, resumable=first < units < plan.units)
            yield Samples(replace(spec, plan=spec.plan_with_units(units)), samples, None, last=units == plan.units)
            if units == plan.units:
                return
            units = min(GROWTH_FACTOR * units, plan.units)
        yield self.run(plan, tasks)

    def _sampler(self, plan: SamplingPlan, tasks: list[TaskConfigurations]) -> PoseSampler:
        """Sampler of a run of a plan."""
        samples = sum(len(task.configurations) for task in tasks) * plan.units * plan.visits
        return pose_sampler(self.options, samples, plan.units)

    def _resources(self, sampler: PoseSampler) -> Resources:
        """Workers, memory and backend of the run."""
        return Resources(self.workers.count, self.options.memory, self.backend, sampler.sizes)

    def _workload(self, plan: SamplingPlan, tasks: list[TaskConfigurations], batch: int = 0) -> Workload:
        """Number of poses of all tasks, and the size of their rows."""
        row = row_type(len(self.machine.joints), len(share_names(self.machine))).itemsize // 8
        poses = sum(len(task.configurations) for task in tasks)
        return Workload(poses, row, len(tasks), batch, _contains_path(tasks))

    def _announce(self, plan: SamplingPlan, tasks: list[TaskConfigurations], batch: int = 0) -> RunSpec:
        """Prepare the specification of the sample, and announce it by a note."""
        options, workload = self.options, self._workload(plan, tasks, batch)
        if options.memory_afterwards > options.memory:
            raise DoesNotFit(
                f"writing the results takes {options.memory_afterwards / GIB:.2g} GiB of memory, allowed "
                f"{options.memory / GIB:.2g} GiB"
            )
        sampler = self._sampler(plan, tasks)
        layout = choose_layout(self.machine, plan, workload, self._resources(sampler))
        samples = workload.poses * plan.units * plan.visits
        spec = RunSpec(self.machine, plan, self.coverage, layout, batch, sampler=sampler)
        workers = self.workers.count
        may_be_long = samples * MAX_SECONDS_PER_SAMPLE / workers > min(A_MINUTE, options.max_seconds)
        seconds = expected_seconds(spec, tasks, workers) if may_be_long else 0.0
        duration = f", about {duration_in_words(seconds)}" if seconds > A_MINUTE else ""
        sizes = f"{plural(workload.poses, 'pose')} x {plural(plan.units, 'arm')} x {plural(plan.visits, 'visit')}"
        options.note(
            f"{sizes} = {samples:,.0f} visits in all, "
            f"at most {max(layout.estimated_bytes, options.memory_afterwards) / GIB:.2g} GiB of memory{duration}"
        )
        if seconds > options.max_seconds:
            raise TooLong(
                f"the run would take about {duration_in_words(seconds)}, "
                f"allowed are {duration_in_words(options.max_seconds)}"
            )
        with_draws = self._with_draws(spec, tasks)
        if not layout.all_units_at_once and with_draws.draws is None and not batch:
            options.note(
                f"the arms do not fit into the memory allowed and are drawn anew for every "
                f"{layout.poses_per_call} poses; with {layout.bytes_if_undivided / GIB:.2g} GiB they would be "
                "drawn once"
            )
        return with_draws

    def _with_draws(self, spec: RunSpec, tasks: list[TaskConfigurations]) -> RunSpec:
        """The specification with draws stored in memory or a file, if threads share them."""
        if self.backend != "threads":
            return spec
        try:
            draws = UnitDraws(self.machine.terms, spec.plan, spec.layout.all_units_at_once)
            draws_moving = (
                UnitDraws(self.machine.moving.terms, spec.plan, spec.layout.all_units_at_once)
                if _contains_path(tasks)
                else None
            )
        except OSError:
            return spec  # drawn again for every group of poses
        return replace(spec, draws=draws, draws_moving=draws_moving)

    def _sample_once(self, spec: RunSpec, tasks: list[TaskConfigurations]) -> tuple[TaskSample, ...]:
        stop = Stop(self.options.stopped)
        return Population(spec, tasks, self.workers, stop, self.options.progress).sample_up_to(spec.plan.units)

    def _convergence(
        self,
        spec: RunSpec,
        tasks: list[TaskConfigurations],
        samples: tuple[TaskSample, ...],
        tolerance: NumericalTolerance,
        count: int,
    ) -> Convergence:
        worst, worst_pose = 0.0, ""
        for task, sample in zip(tasks, samples, strict=True):
            table = PoseTable(("",) * len(sample.rows), share_names(self.machine), sample.rows)
            quantile, doubt = table.column("error.at_coverage"), table.column("error.at_coverage_doubt")
            allowed = np.array([tolerance.half_width_at(float(q)) for q in quantile])
            ratio = np.divide(doubt, allowed, out=np.zeros_like(doubt), where=doubt > 0)
            if ratio.max() >= worst:
                worst, worst_pose = float(ratio.max()), f"pose {int(np.argmax(ratio)) + 1} of {task.name}"
        return Convergence(count, spec.batch, worst, worst_pose, worst <= 1.0)


def _contains_path(tasks: list[TaskConfigurations]) -> bool:
    return any(task.configurations.is_path for task in tasks)


def batch_units(plan: SamplingPlan, coverage: float) -> int:
    """Units of a batch, so that their visits make M = max(J, 10^4) trials, J = 100 / (1 - p) rounded up.

    Parameters
    ----------
    plan : SamplingPlan
    coverage : float
        p.

    Returns
    -------
    int

    References
    ----------
    .. [1] JCGM 101:2008 7.9.4 b.
    """
    trials = max(math.ceil(100 / (1 - coverage)), MIN_TRIALS)
    return -(-trials // (plan.visits * UNIT_BLOCK)) * UNIT_BLOCK


@contextmanager
def open_runner(
    machine: Machine,
    coverage: float,
    options: RunOptions = RunOptions(),
) -> Iterator[Runner]:
    """Context of a `Runner` on threads, processes or a cluster.

    Parameters
    ----------
    machine : Machine
    coverage : float
    options : RunOptions

    Yields
    ------
    Runner
    """
    check_device(options)
    count = options.threads
    with ExitStack() as stack:
        if options.cluster is not None:
            pool, count = stack.enter_context(executors.cluster_pool(options.cluster))
        elif options.processes:
            pool = stack.enter_context(executors.process_pool(count))
        else:
            pool = stack.enter_context(executors.thread_pool(count))
        backend: Backend = "cluster" if options.cluster is not None else "processes" if options.processes else "threads"
        yield Runner(machine, coverage, options, Workers(pool, count, backend == "threads"), backend)
