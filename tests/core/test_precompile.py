"""Compilation of the kernels before they are called. Source: the types that the calls of a run have, and the compiler."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numba.core.errors import TypingError
from pose_samples import all_visits
from support import normal_machine, planar_arm

from armsim.core import damped_least_squares, pose_kernel, precompile, visit_sums
from armsim.core.compile import compiled, subroutine
from armsim.core.function_addresses import call_at_address, call_by_address
from armsim.core.sample_kernel import displace_units_per_visit
from armsim.core.unit_figures import evaluate_units
from armsim.model.configurations import Configurations
from armsim.run_options import RunOptions
from armsim.sampling.kernels import COMPILE_COMMAND
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling.population import TaskConfigurations
from armsim.sampling.sampler import open_runner
from armsim.sampling_plan import SamplingPlan
from armsim.tasks.base import Command, PoseConstraints
from armsim.tasks.inverse import Solver


@subroutine
def twice(x: float) -> float:
    return 2.0 * x


@call_by_address(lambda: (np.empty(1), 1))
def fill(values: np.ndarray, number: int) -> None:
    values[:] = twice(number)
    if number > 2:
        raise MemoryError


@compiled
def call_fill(address: int, values: np.ndarray, number: int) -> None:
    call_at_address(address, fill, (values, number))


def test_a_separate_function_is_called_and_its_error_heard() -> None:
    values = np.zeros(2)
    call_fill(fill.address(), values, 2)  # type: ignore[attr-defined]
    assert values.tolist() == [4.0, 4.0]
    with pytest.raises(MemoryError):
        call_fill(fill.address(), values, 3)  # type: ignore[attr-defined]


def test_a_call_with_other_types_does_not_compile() -> None:
    with pytest.raises(TypingError, match="float32"):
        call_fill(0, np.zeros(2, dtype=np.float32), 2)


def test_a_subroutine_is_called_from_python_too() -> None:
    assert twice(1.5) == 3.0


def test_the_jobs_compile_the_types_that_a_run_passes() -> None:
    """No kernel of a run is compiled for another set of types, so that nothing is compiled after the jobs."""
    machine = normal_machine(planar_arm(0.3, 0.2, 0.1), 1e-4, 1e-4, 1e-4)
    solver = Solver(machine.arm, PoseConstraints())
    assert isinstance(solver.solve(Command((0.3, 0.1, 0.0)), solver.starts()), np.ndarray)
    with open_runner(machine, 0.95, RunOptions(1)) as sampler:
        sampler.run(SamplingPlan(130, 2, 1), [TaskConfigurations("", Configurations(np.zeros((1, 3))))])
    evaluated = machine.evaluate(Configurations(np.zeros((1, 3))))
    at_pose = MachineAtPoses.prepare(evaluated, SamplingPlan(130, 2, 1))
    at_pose.barycentres(0, np.zeros((3, 256)), 130)
    all_visits(at_pose, 0)
    for job in (
        "barycentres of arms",
        "visits one by one",
        "poses",
        "integrals over visits",
        precompile.SOLVER_JOBS[2],
    ):
        precompile.JOBS[job].compile()
    kernels = (
        evaluate_units,
        displace_units_per_visit,
        pose_kernel._sample_poses,
        visit_sums.sum_distance_powers,
        visit_sums.sum_influences,
        damped_least_squares._solve_from,
    )
    assert [len(kernel.signatures) for kernel in kernels] == [1] * 6  # type: ignore[attr-defined]


def test_a_job_waits_for_those_that_it_contains() -> None:
    names = list(precompile.JOBS)
    assert all(
        names.index(other) < names.index(name) for name, job in precompile.JOBS.items() for other in job.contains
    )


def test_processes_share_all_jobs_and_leave_nothing_to_compile(tmp_path: Path) -> None:
    """In an empty cache: every function is compiled for one set of types, and a new process finds all of a run there."""
    shared, cache = tmp_path / "shared", tmp_path / "cache"
    shared.mkdir()
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(cache)}
    command = [sys.executable, "-c", COMPILE_COMMAND, str(shared)]
    processes = [subprocess.Popen(command, env=environment) for _ in range(2)]
    assert [process.wait() for process in processes] == [0, 0]
    assert {file.stem for file in shared.iterdir()} == set(precompile.JOBS)
    assert not list(cache.rglob("*.2.nbc"))
    before = {file.name for file in cache.rglob("*.nbi")}
    again = "from armsim.core import precompile; [job.compile() for job in precompile.JOBS.values()]"
    subprocess.run([sys.executable, "-c", again], env=environment, check=True)
    assert {file.name for file in cache.rglob("*.nbi")} == before
