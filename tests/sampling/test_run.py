"""The same bits however a run is laid out, bounded memory, and sampling that knows when to stop."""

import math
import os
import signal
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support import ROOT, normal_machine, planar_arm, until

import armsim
from armsim.errors import RunError
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine
from armsim.run_options import RunOptions
from armsim.sampling import executors
from armsim.sampling import sampler as engine
from armsim.sampling.chunk import CHUNK, EvaluatedChunk, RunSpec
from armsim.sampling.layout import BASE_BYTES, GIB, Resources, Workload, choose_layout
from armsim.sampling.pose_block import PoseBlock
from armsim.sampling_plan import NumericalTolerance, SamplingPlan
from armsim.study import Study

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"


def configurations_of(machine: Machine, poses: int = 100) -> list[engine.TaskConfigurations]:
    q = np.random.default_rng(0).uniform(-1, 1, (poses, len(machine.joints)))
    return [
        engine.TaskConfigurations("first", Configurations(q)),
        engine.TaskConfigurations("second", Configurations(q[:3])),
    ]


def numbers(
    machine: Machine, plan: SamplingPlan, workers: int = 1, memory: int = GIB, processes: bool = False
) -> list[bytes]:
    with engine.open_runner(machine, 0.95, RunOptions(workers, memory, processes)) as place:
        sampled = place.run(plan, configurations_of(machine))
    return [
        part.tobytes()
        for task in sampled.tasks
        for part in (task.rows, *task.extremes.worst, *task.extremes.repeatability_bounds)
    ]


@pytest.fixture(scope="module")
def demo() -> Study:
    return armsim.load(DEMO)


@pytest.fixture(scope="module")
def plain(demo: Study) -> list[bytes]:
    return numbers(demo.scenario.machine, SamplingPlan(10_000, 5, 3))


def test_any_number_of_threads(demo: Study, plain: list[bytes]) -> None:
    assert numbers(demo.scenario.machine, SamplingPlan(10_000, 5, 3), workers=3) == plain
    assert numbers(demo.scenario.machine, SamplingPlan(10_000, 5, 4), workers=3) != plain


def test_any_block_size(demo: Study, plain: list[bytes]) -> None:
    """So little memory that units are drawn in blocks, several poses sharing each."""
    machine, plan = demo.scenario.machine, SamplingPlan(10_000, 5, 3)
    small = int(choose_layout(machine, plan, Workload(103, 200)).estimated_bytes) - 2**20
    layout = choose_layout(machine, plan, Workload(103, 200), Resources(memory=small))
    assert layout.unit_block < plan.units
    assert numbers(machine, plan, memory=small) == plain


@pytest.mark.parametrize("size", [1, 3])
def test_poses_evaluated_apart_have_the_same_bits(size: int) -> None:
    """Rows of first order, of a single pose too. Source: the same rows evaluated together."""
    machine, plan = armsim.load(ROOT / "scenarios" / "every-task.yaml").scenario.machine, SamplingPlan(200, 5, 1)
    spec, configurations = RunSpec.in_one_block(machine, plan, 0.95), Configurations(machine.survey()[:7])
    together = EvaluatedChunk.evaluate(spec, configurations).table(spec, configurations)
    for first in range(0, 7, size):
        poses = slice(first, first + size)
        alone = EvaluatedChunk.evaluate(spec, configurations[poses]).table(spec, configurations[poses])
        assert np.array_equal(alone.numbers, together.numbers[poses], equal_nan=True)


def test_more_workers_evaluate_no_pose_twice(demo: Study, monkeypatch: pytest.MonkeyPatch) -> None:
    evaluated: list[int] = []

    def watched(spec: RunSpec, configurations: Configurations) -> EvaluatedChunk:
        evaluated.append(len(configurations))
        return evaluate(spec, configurations)

    evaluate = EvaluatedChunk.evaluate
    monkeypatch.setattr(EvaluatedChunk, "evaluate", watched)
    numbers(demo.scenario.machine, SamplingPlan(128, 2, 3), workers=16)
    assert sum(evaluated) == 103  # the poses of both tasks


def test_blocks_grow_so_that_threads_wait_for_few_poses_at_first() -> None:
    """Every pose once and in order. Source: CHUNK poses, then as many as before, up to the most."""
    joints = np.arange(700.0)[:, None]
    blocks = PoseBlock.divide(0, Configurations(joints), 10)
    assert [len(block.configurations) for block in blocks] == [CHUNK, CHUNK, 2 * CHUNK, 4 * CHUNK, 700 - 8 * CHUNK]
    assert np.array_equal(np.concatenate([block.configurations.joints for block in blocks]), joints)
    assert all(sum(c.rows.stop - c.rows.start for c in block.chunks) == len(block.configurations) for block in blocks)


def test_processes(demo: Study, plain: list[bytes]) -> None:
    assert numbers(demo.scenario.machine, SamplingPlan(10_000, 5, 3), 2, 2 * GIB, processes=True) == plain


def test_a_worker_process_begins_with_all_that_it_needs() -> None:
    """It is forked from a process that has the kernels: each of 16 would import them for seconds."""
    modules = "[name in __import__('sys').modules for name in ('armsim.core.pose_kernel', 'scipy.special')]"
    with executors.process_pool(1) as pool:
        assert pool.submit(eval, modules).result() == [True, True]


def test_a_cluster_that_loses_a_worker_in_mid_run(demo: Study, tmp_path: Path) -> None:
    """Three worker processes of dask.distributed, one killed while it works: the result is that of one thread, to the bit."""
    distributed = pytest.importorskip("distributed")
    study = demo.with_plan(units=300, visits=4)
    alone = study.run(workers=1).to_json()
    with distributed.LocalCluster(
        n_workers=3, threads_per_worker=1, processes=True, dashboard_address=None, local_directory=str(tmp_path)
    ) as cluster:
        records: list[int] = []

        def kill_one(task: str, completed: int, total: int) -> None:
            if completed and not records:
                records.append(cluster.workers[0].pid)
                os.kill(records[0], signal.SIGKILL)

        result = study.run(progress=kill_one, cluster=cluster.scheduler_address)
        assert records
    assert result.to_json() == alone


def test_a_cluster_with_other_kernels_is_refused(demo: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Workers whose kernels differ would mix bits: one clear error before any work."""
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr(executors, "kernel_digest", lambda: "another")
    with (
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None, local_directory=str(tmp_path)
        ) as cluster,
        pytest.raises(RunError, match="with kernels another: their bits would differ"),
    ):
        demo.with_plan(units=20, visits=2).run(cluster=cluster.scheduler_address)


def test_a_pose_sees_the_same_numbers_alone_and_among_others(demo: Study) -> None:
    """Its visits are keyed by its name: what else is asked, and in which order, changes nothing of it."""
    study = demo.with_plan(units=50, visits=3)
    first = study.scenario.tasks[0]
    alone = study.with_scenario(tasks=(replace(first, poses=first.poses[2:3]),)).run(1)
    turned = study.with_scenario(tasks=(replace(first, poses=first.poses[::-1]),)).run(1)
    name = first.poses[2].name
    one, other = alone.tasks[0].pose(name), turned.tasks[0].pose(name)
    assert one.error == other.error
    assert one.accuracy == other.accuracy


def test_no_cluster_at_the_address(demo: Study) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(RunError, match="no cluster answers"):
        demo.run(cluster="tcp://127.0.0.1:9")


@pytest.mark.parametrize("factor", [1, 100])
def test_the_layout_keeps_to_the_memory(demo: Study, factor: int) -> None:
    """Units, visits and poses a hundred times as many still fit in a gibibyte, by the estimate."""
    machine = demo.scenario.machine
    for plan, poses in (
        (SamplingPlan(2000 * factor, 30), 564),
        (SamplingPlan(2000, 30 * factor), 564),
        (SamplingPlan(2000, 30), 564 * factor),
    ):
        assert BASE_BYTES < choose_layout(machine, plan, Workload(poses, 200), Resources(2)).estimated_bytes <= GIB


def test_the_measured_peak_stays_below_the_estimate(tmp_path: Path) -> None:
    """Source: the peak that the system itself keeps of a process (VmHWM)."""
    import subprocess
    import sys

    code = (
        "import armsim; from armsim.sampling.layout import GIB\n"
        f"study = armsim.load({str(DEMO)!r}).with_plan(units=200_000, visits=2)\n"
        "from dataclasses import replace\n"
        "tasks = study.scenario.tasks[:1]\n"
        "study.scenario = replace(study.scenario, tasks=tasks)\n"
        "study.run(2, memory=600 * 2**20, note=print)\n"
        "print(next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1])"
    )
    if not Path("/proc/self/status").exists():
        pytest.skip("the system keeps no peak")
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert int(out.split()[-1]) * 1024 < 600 * 2**20


def test_what_cannot_fit_is_refused_with_advice(demo: Study) -> None:
    with pytest.raises(RunError, match=r"take \S+GiB of memory, or fewer than 2 workers, or at most \d+ arms"):
        choose_layout(demo.scenario.machine, SamplingPlan(10_000_000, 30), Workload(564, 200), Resources(2, GIB // 2))
    with pytest.raises(RunError, match="fewer poses"):
        choose_layout(demo.scenario.machine, SamplingPlan(2000, 30), Workload(10_000_000, 200), Resources(2))


@pytest.mark.parametrize("tolerance", [NumericalTolerance(0.02), NumericalTolerance(4e-6, relative=False)])
def test_a_tolerance_is_reached_and_the_run_is_a_plain_one(tolerance: NumericalTolerance) -> None:
    """Source: JCGM 101:2008 7.9.4; the run that ends with n units is that of n units."""
    machine = normal_machine(planar_arm(0.4, 0.3), 1e-4, 2e-4)
    plan = SamplingPlan(500, 30, 5, tolerance)
    with engine.open_runner(machine, 0.95, RunOptions(2, GIB)) as place:
        sampled = place.run(plan, configurations_of(machine, 8))
        final = sampled.spec.plan
        again = place.run(replace(final, tolerance=None), configurations_of(machine, 8))
    reached = sampled.adaptive
    assert reached is not None
    assert reached.reached
    assert reached.batches >= engine.MIN_BATCHES
    assert final.units == reached.batches * reached.units_of_batch
    for task, other in zip(sampled.tasks, again.tasks, strict=True):
        numbers, others = (item.rows.view("f8").reshape(len(item.rows), -1) for item in (task, other))
        doubt = np.isnan(others) & ~np.isnan(numbers)
        assert doubt.any(axis=0).sum() == 1  # the doubt itself
        np.testing.assert_array_equal(np.where(doubt, np.nan, numbers), others)
        np.testing.assert_array_equal(task.extremes.repeatability_bounds, other.extremes.repeatability_bounds)


def test_the_doubt_of_a_tolerance_holds() -> None:
    """The quantile of a one-joint arm of 1 m is known, 1.95996 s: it lies within the doubt in 19 of 20 runs."""
    machine = normal_machine(planar_arm(1.0), 1e-4)
    hits = 0
    for seed in range(60):
        plan = SamplingPlan(100, 10, seed, NumericalTolerance(0.02))
        with engine.open_runner(machine, 0.95, RunOptions(1, GIB)) as place:
            sampled = place.run(plan, [engine.TaskConfigurations("t", Configurations(np.zeros((1, 1))))])
        values = sampled.tasks[0].rows
        from armsim.results.pose_table import PoseTable

        table = PoseTable(("p",), (("j1", "repeatability"), ("bias", "mean")), values)
        error = abs(table.column("error.at_coverage")[0] - 1.959964e-4)
        hits += error <= max(table.column("error.at_coverage_doubt")[0], 0.0)
    # five batches have four degrees of freedom: two of their standard deviations cover 88 %
    assert hits / 60 > 0.88 - 3 * math.sqrt(0.88 * 0.12 / 60)


def test_an_interrupt_ends_the_threads(demo: Study) -> None:
    def stop(task: str, completed: int, total: int) -> None:
        if completed:
            raise KeyboardInterrupt

    before = threading.active_count()
    with pytest.raises(KeyboardInterrupt):
        demo.with_plan(units=300).run(2, stop)
    until(lambda: threading.active_count() <= before, "threads go on")
