"""Populations larger than the memory, runs longer than a coffee, clusters that die."""

from __future__ import annotations

import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support import HANG, ROOT, until

import armsim
from armsim.errors import RunError, TooLong
from armsim.results.pose_table import row_type
from armsim.run_options import RunOptions
from armsim.sampling import executors, unit_draws
from armsim.sampling.duration import duration_in_words
from armsim.sampling.layout import GIB, Resources, Workload, choose_layout
from armsim.sampling.pose_statistics import share_names
from armsim.sampling.random_draws import UNIT_BLOCK, draw_units
from armsim.sampling.unit_draws import UnitDraws
from armsim.sampling_plan import SamplingPlan
from armsim.study import Study


@pytest.fixture(scope="module")
def demo() -> Study:
    return armsim.load(ROOT / "scenarios" / "bonding-cell.yaml")


@pytest.mark.parametrize("in_memory", [True, False])
def test_a_population_kept_is_the_population_drawn(demo: Study, in_memory: bool) -> None:
    """To the bit, whichever units are asked for."""
    terms, plan = demo.scenario.machine.terms, SamplingPlan(5 * UNIT_BLOCK + 17, 1, 4)
    draws = UnitDraws(terms, plan, in_memory)
    for first, units in ((0, plan.units), (UNIT_BLOCK, 3), (2 * UNIT_BLOCK, 2 * UNIT_BLOCK), (5 * UNIT_BLOCK, 17)):
        expected = draw_units(terms, plan, first, units)
        assert np.array_equal(draws.coefficients(first, units), expected)
        assert draws.coefficients(first, units).flags.c_contiguous


def too_little(study: Study) -> int:
    """Memory with which the units of a study cannot all be kept."""
    plan, poses = study.scenario.plan, len(study.find()[0].configurations)
    row = row_type(len(study.scenario.machine.joints), len(share_names(study.scenario.machine))).itemsize // 8
    return choose_layout(study.scenario.machine, plan, Workload(poses, row), Resources(2)).bytes_if_undivided - 2**20


def test_little_memory_gives_the_same_bits(demo: Study) -> None:
    """Units that do not fit are drawn once into a file."""
    study = demo.with_plan(units=40_000, visits=2)
    study = study.with_scenario(tasks=(study.scenario.tasks[0],))
    notes: list[str] = []
    plain = study.run(2, memory=GIB).to_json()
    small = study.run(2, memory=too_little(study), note=notes.append).to_json()
    assert small == plain
    assert not any("drawn anew" in note for note in notes)


def test_no_room_for_the_file_is_told(demo: Study, monkeypatch: pytest.MonkeyPatch) -> None:
    """Then units are drawn anew for every few poses; what that costs to avoid is said, and the bits are the same."""
    study = demo.with_plan(units=40_000, visits=2)
    study = study.with_scenario(tasks=(study.scenario.tasks[0],))
    plain = study.run(2, memory=GIB).to_json()
    monkeypatch.setattr(unit_draws, "DISK_SHARE", 0.0)
    notes: list[str] = []
    assert study.run(2, memory=too_little(study), note=notes.append).to_json() == plain
    assert any("drawn anew for every" in note and "GiB they would be drawn once" in note for note in notes)


@pytest.mark.parametrize(
    ("seconds", "message"),
    [
        (70, "70 s"),
        (119, "119 s"),
        (150, "2.5 min"),
        (3600, "60 min"),
        (5400, "90 min"),
        (9000, "2.5 h"),
        (86400 * 3, "3 days"),
        (86400 * 1000, "1e+03 days"),
    ],
)
def test_durations_in_words(seconds: float, message: str) -> None:
    assert duration_in_words(seconds) == message


def test_a_long_run_is_told_before_and_asked_for_twice(demo: Study) -> None:
    """10^7 units x 10^4 visits x 564 poses are 5.6e13 pose-samples: no machine of today does that within a day."""
    study = demo.with_plan(units=1_000_000, visits=1_000_000)
    notes: list[str] = []
    with pytest.raises(TooLong, match=r"would take about .* days, allowed are 24 h"):
        study.run(2, memory=8 * GIB, note=notes.append, max_seconds=86_400.0)
    assert "days" in notes[0]
    words = [
        sys.executable,
        "-m",
        "armsim.cli.main",
        "run",
        str(ROOT / "scenarios" / "bonding-cell.yaml"),
        "--memory",
        "8GiB",
    ]
    process = subprocess.run(
        [*words, "--units", "1000000", "--visits", "1000000"], capture_output=True, text=True, check=False
    )
    assert process.returncode == 2
    assert "--yes" in process.stderr


def test_the_estimate_is_of_the_right_size(demo: Study) -> None:
    """Within a factor of ten of the time taken, by the median of five: it decides between a coffee and a night."""
    study = demo.with_plan(units=20_000, visits=100)
    study = study.with_scenario(tasks=(study.scenario.tasks[0],))
    study.with_plan(units=100).run(1)
    pose_sets = study.find()
    from armsim.sampling.duration import expected_seconds
    from armsim.sampling.population import TaskConfigurations

    start = time.process_time()
    _, sampled = study.evaluate(pose_sets, RunOptions(1))
    elapsed = time.process_time() - start
    request = [TaskConfigurations("stations", pose_sets[0].configurations)]
    expected = statistics.median(expected_seconds(sampled.spec, request, 1) for _ in range(5))
    assert elapsed / 10 < expected < 10 * elapsed


@contextmanager
def cluster(folder: Path) -> Iterator[tuple[str, subprocess.Popen[bytes], subprocess.Popen[bytes]]]:
    """A scheduler and a worker, each a process of its own that nobody starts again."""
    pytest.importorskip("distributed")
    file = folder / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder}
    scheduler = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "distributed.cli.dask_scheduler",
            "--port",
            "0",
            "--no-dashboard",
            "--scheduler-file",
            str(file),
        ],
        **quiet,
    )  # type: ignore[call-overload]
    worker = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "distributed.cli.dask_worker",
            "--scheduler-file",
            str(file),
            "--no-nanny",
            "--nthreads",
            "1",
            "--no-dashboard",
        ],
        **quiet,
    )  # type: ignore[call-overload]
    try:
        from distributed import Client

        until(file.exists, "the scheduler does not begin")
        with Client(scheduler_file=str(file), set_as_default=False) as client:
            client.wait_for_workers(1, timeout=HANG)
            address = client.scheduler.address
        yield address, scheduler, worker
    finally:
        for process in (worker, scheduler):
            process.kill()
            process.wait()


@pytest.mark.parametrize("dead", ["worker", "scheduler"])
def test_a_cluster_that_dies_is_told(demo: Study, tmp_path: Path, dead: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(executors, "MAX_TIME_WITHOUT_WORKERS", 4.0)
    study = demo.with_plan(units=3000, visits=50)
    with cluster(tmp_path) as (address, scheduler, worker):
        killed: list[int] = []

        def kill(task: str, completed: int, total: int) -> None:
            if completed and "poses" not in task and not killed:
                process = worker if dead == "worker" else scheduler
                process.send_signal(signal.SIGKILL)
                killed.append(process.pid)

        message = "no worker for 4 s" if dead == "worker" else "scheduler was lost"
        with pytest.raises(RunError, match=message):
            study.run(progress=kill, cluster=address)
        assert killed


def test_units_are_the_same_with_processes(demo: Study) -> None:
    study = demo.with_plan(units=600, visits=3)
    study = study.with_scenario(tasks=(replace(study.scenario.tasks[0]),))
    assert study.run(2, processes=True).to_json() == study.run(1).to_json()
