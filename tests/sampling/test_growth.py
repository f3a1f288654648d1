"""A population that grows is, to the bit, the one that is sampled at once."""

import subprocess
import sys
from functools import cache
from itertools import count
from pathlib import Path

import numpy as np
import pytest
from support import ROOT

import armsim
from armsim.results import Result
from armsim.results.pose_table import row_type
from armsim.run_options import MEMORY, Interrupted, RunOptions
from armsim.sampling import population
from armsim.sampling.layout import Layout, Resources, Workload, choose_layout
from armsim.sampling.pose_statistics import share_names
from armsim.sampling.sampler import TABLES_IN_MEMORY
from armsim.sampling_plan import NumericalTolerance, SamplingPlan
from armsim.study import Study
from armsim.tasks import PoseSet

EVERY = ROOT / "scenarios" / "every-task.yaml"
DEMO = ROOT / "scenarios" / "bonding-cell.yaml"


@cache
def sampled_at_once(scenario: Path, units: int, visits: int) -> Result:
    """The run itself, whose bits depend on neither workers nor memory."""
    study = armsim.load(scenario).with_plan(units=units, visits=visits)
    return study.evaluate(study.find())[0]


@pytest.mark.parametrize(("scenario", "units"), [(EVERY, 300), (DEMO, 600), (EVERY, 5)])
@pytest.mark.parametrize("workers", [1, 3])
def test_the_last_answer_is_that_of_a_run(scenario, units, workers) -> None:  # type: ignore[no-untyped-def]
    """Source: the run itself, another path through the engine; paths and one-sided approaches among the tasks."""
    study = armsim.load(scenario).with_plan(units=units, visits=6)
    poses = study.find()
    answers = list(study.growing(poses, RunOptions(workers)))
    assert answers[0].units == 0
    assert answers[-1].units == units
    result = sampled_at_once(scenario, units, 6)
    samples = answers[-1].samples
    assert samples is not None
    assert study.result_of(poses, samples) == result
    for table, task in zip(answers[0].tables, result.tasks, strict=True):
        np.testing.assert_array_equal(table.column("first_order.rms"), task.column("first_order.rms"))
        assert np.isnan(table.column("error.p95")).all()


def test_intervals_narrow_as_it_grows() -> None:
    study = armsim.load(DEMO).with_plan(units=2000, visits=10)
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    widths = []
    for answer in study.growing():
        if answer.assessed_tasks:
            low, high = answer.assessed_tasks[0].interval  # type: ignore[misc]
            widths.append(high - low)
    assert widths[-1] < 0.5 * widths[0]


def test_it_is_stopped_between_calls() -> None:
    """Units and visits without end: it must come back soon after it is told to."""
    study = armsim.load(DEMO).with_plan(units=100_000, visits=1000)
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    calls = count(1)
    last = 0

    def stopped() -> bool:
        nonlocal last
        last = next(calls)
        return last > 40

    answers = list(study.growing(options=RunOptions(1, stopped=stopped)))
    assert answers[-1].units < 100_000
    assert last == 41


def test_what_cannot_fit_is_refused_after_first_order() -> None:
    """Not one pose of so many units fits; first order has no need of them."""
    answers = armsim.load(DEMO).with_plan(units=10_000_000).growing()
    assert next(answers).units == 0
    with pytest.raises(armsim.errors.RunError, match=r"10000000 arms at \d+ poses need"):
        next(answers)


def layout_of(study: Study, pose_sets: list[PoseSet], workers: int) -> tuple[Layout, int]:
    """How a run is laid out, and the memory of tables that a growing population takes beside."""
    machine = study.scenario.machine
    row = row_type(len(machine.joints), len(share_names(machine))).itemsize
    poses = sum(len(item.names) for item in pose_sets)
    in_motion = any(item.configurations.directions is not None for item in pose_sets)
    load = Workload(poses, row // 8, len(pose_sets), in_motion=in_motion)
    return choose_layout(machine, study.scenario.plan, load, Resources(workers)), TABLES_IN_MEMORY * poses * row


@pytest.mark.parametrize(("spare", "hits"), [(2**20, "nothing"), (36 * 2**20, "part"), (2**29, "all")])
def test_memory_changes_no_bit(spare: int, hits: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is not held is sampled again from the first unit. Source: the run itself; paths among the tasks."""
    requests: list[bool] = []

    class Watched(population.MemoryAllowance):
        def take(self, memory: int) -> bool:
            requests.append(super().take(memory))
            return requests[-1]

    monkeypatch.setattr(population, "MemoryAllowance", Watched)
    study = armsim.load(EVERY).with_plan(units=600, visits=3)
    poses = study.find()
    layout, tables = layout_of(study, poses, 2)
    *_, last = study.growing(poses, RunOptions(2, layout.estimated_bytes + tables + spare))
    assert {"nothing": not any(requests), "part": any(requests) and not all(requests), "all": all(requests)}[hits]
    assert last.last
    assert last.samples is not None
    assert study.result_of(poses, last.samples) == sampled_at_once(EVERY, 600, 3)


def test_a_population_grows_in_processes_too() -> None:
    """They hold nothing from one answer to the next. Source: the run itself, in threads."""
    study = armsim.load(DEMO).with_plan(units=700, visits=3)
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    poses = study.find()
    *others, last = study.growing(poses, RunOptions(2, 2 * MEMORY, processes=True))
    assert [answer.units for answer in others] == [0, 128, 512]
    assert last.samples is not None
    assert study.result_of(poses, last.samples) == study.evaluate(poses)[0]


def test_a_stop_ends_a_run() -> None:
    """Source: the exception that is documented."""
    study = armsim.load(DEMO).with_plan(units=10_000, visits=1000)
    with pytest.raises(Interrupted):
        study.evaluate(study.find(), RunOptions(1, stopped=lambda: True))


def test_a_tolerance_is_reached_as_by_a_run() -> None:
    """The last answer is that of the run, also where the run takes more units than the plan says."""
    study = armsim.load(DEMO)
    study = study.with_scenario(tasks=study.scenario.tasks[:1], plan=SamplingPlan(300, 30, 5, NumericalTolerance(0.05)))
    poses = study.find()
    *others, last = study.growing(poses)
    assert not any(answer.last for answer in others)
    assert last.last
    assert last.samples is not None
    assert study.result_of(poses, last.samples) == study.evaluate(poses)[0]


def peak_of(poses: int) -> int:
    """Memory that a process takes to grow a population of the demo at so many poses, by default. [bytes]"""
    if not Path("/proc/self/status").exists():
        pytest.skip("the system keeps no peak")
    code = (
        "import armsim, numpy as np\n"
        "from armsim.model.configurations import Configurations\n"
        "from armsim.sampling.population import TaskConfigurations\n"
        "from armsim.sampling.sampler import FirstOrder, open_runner\n"
        f"scenario = armsim.load({str(DEMO)!r}).with_plan(units=2000, visits=4).scenario\n"
        f"q = np.random.default_rng(0).uniform(-1, 1, ({poses}, 6))\n"
        "with open_runner(scenario.machine, 0.95) as sampler:\n"
        "    first, *others = sampler.sample_growing(scenario.plan, [TaskConfigurations('t', Configurations(q))], 128)\n"
        "    assert isinstance(first, FirstOrder) and len(first.tables[0].rows) == len(q)\n"
        "    assert others[-1].last and others[-1].spec.plan.units == 2000\n"
        "print(next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    return int(out) * 1024


def test_five_thousand_poses_keep_to_the_memory() -> None:
    """More than can be held: first order and a last answer within 1 GiB. Source: the peak that the system itself keeps
    (VmHWM)."""
    assert peak_of(5000) < MEMORY
