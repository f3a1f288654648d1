"""Compilation of all kernels of a run into the cache, shared by processes that each take the next job.

A job compiles one kernel, or one function that a kernel calls, for the types that a run passes. A process claims a job
by a file that only one can create, and marks it done by another; a kernel waits for the functions that it contains.
What no process has compiled, because one was killed, is compiled when it is called first: claims only save time.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from armsim.core import (
    damped_least_squares,
    pose_kernel,
    pose_residual,
    quantiles,
    sample_kernel,
    screws,
    unit_figures,
    unit_summary,
    visit_sums,
)
from armsim.core.compile import Subroutine
from armsim.core.function_addresses import types_of

SCALAR_TYPES = {"f": np.float64, "i": np.int64, "u": np.uint32, "b": np.bool_}
POLL = 0.02
"""Time after which a process looks again for a job that is ready. [s]"""


def arrays(codes: str) -> list[Any]:
    """Arrays by codes such as ``f2``, doubles in two dimensions; ``i``: integers, ``u``: 32-bit words, ``b``: flags."""
    return [np.empty((1,) * int(code[1]), dtype=SCALAR_TYPES[code[0]]) for code in codes.split()]


def _compile(kernel: Any, *examples: object) -> None:
    """Compile a kernel for arguments of the types of the examples."""
    dispatcher = kernel.dispatcher if isinstance(kernel, Subroutine) else kernel
    dispatcher.compile(types_of(examples))


BUFFERS, VISITS = "f2 f2 f1 f2 f3 f1 f1 f1 f1 u1 u2", "u2 i1 i1 i1 f1 i1 b1"
POSES = "i1 f3 f3 b1 i1 i1 f2 u2 i1 i1 i1 f2 i1 b1 f3 f2 f2 f2 f2 f2 f3 f1"


def _compile_unit_errors() -> None:
    errors = unit_figures.UnitErrors(*arrays("f2 i1 i1 f1"))
    visits, axes = sample_kernel.VisitErrors(*arrays(VISITS)), screws.Axes(*arrays("f2 f2 b1"))
    _compile(sample_kernel._displace_by_unit_errors, errors, visits, axes, 0, sample_kernel.Buffers(*arrays(BUFFERS)))


def _compile_unit_statistics() -> None:
    effect = unit_figures.VisitEffect(*arrays("f1 f1 f1 f1 f2"))
    axis_errors, frame, angle, ratio, statistics, centre = arrays("f2 f1 f1 f1 f2 f2")
    _compile(unit_figures.statistics_of_block, axis_errors, frame, effect, angle, ratio, statistics, centre)


def _compile_draws() -> None:
    block, visits = sample_kernel.Block(0, 0, 0, 0, 0), sample_kernel.VisitErrors(*arrays(VISITS))
    _compile(sample_kernel._draw_visits, visits, block, 0, 0, *arrays("f2 u1 u2"))


def _compile_visits() -> None:
    visits = sample_kernel.VisitErrors(*arrays(VISITS))
    _compile(sample_kernel._displace_by_visit, visits, 0, sample_kernel.Buffers(*arrays(BUFFERS)))


def _compile_counts() -> None:
    frame, angle, distance, totals, extremes = arrays("f1 f1 f1 f1 f1")
    centre, line, (bins,) = (0.0, 0.0, 0.0), ((0.0, 0.0),) * 3, arrays("i1")
    _compile(sample_kernel._accumulate, frame, angle, centre, distance, totals)
    _compile(sample_kernel._bin_measures, frame, distance, angle, line, bins, extremes)
    _compile(sample_kernel._count, bins, bins, 0, True, sample_kernel.histograms_example())


def _compile_unit_evaluation() -> None:
    errors, axes = unit_figures.UnitErrors(*arrays("f2 i1 i1 f1")), screws.Axes(*arrays("f2 f2 b1"))
    effect = unit_figures.VisitEffect(*arrays("f1 f1 f1 f1 f2"))
    _compile(unit_figures.evaluate_units, errors, axes, effect, 0, *arrays("f2 f2"))


def _compile_visit_displacements() -> None:
    errors, axes = unit_figures.UnitErrors(*arrays("f2 i1 i1 f1")), screws.Axes(*arrays("f2 f2 b1"))
    visits, block = sample_kernel.VisitErrors(*arrays(VISITS)), sample_kernel.Block(0, 0, 0, 0, 0)
    _compile(sample_kernel.displace_units_per_visit, errors, visits, axes, block, *arrays("f3 f2"))


def _compile_visit_sums() -> None:
    _compile(visit_sums.sum_distance_powers, *arrays("f2 f3 f2"))
    _compile(visit_sums.sum_influences, *arrays("f2 f3 f3"))


def _compile_poses() -> None:
    query = quantiles.query_example()
    _compile(
        pose_kernel._sample_poses,
        pose_kernel.Callees(0, 0, 0, 0),
        pose_kernel.Poses(*arrays(POSES)),
        *arrays("f2"),
        pose_kernel.WorkItem(0, 0, 0, 0, 0, 0, 0, 0),
        pose_kernel.PoseQuery(query, query, 0.0, *arrays("i1")),
        pose_kernel.HistogramStack(*arrays("i3 i2 i3 i3 f3")),
        pose_kernel.UnitArrays(*arrays("f2 f3 f2 f2")),
        pose_kernel.PoseOutputs(*arrays("f2 f3 f1 f3 f2 f2")),
    )


def _compile_solver() -> None:
    (chain, target, _), bounds = pose_residual.residual_examples(), damped_least_squares.ranges_example()
    starts, out = arrays("f2 f1")
    _compile(
        damped_least_squares._solve_from, damped_least_squares.Callees(0, 0), chain, bounds, target, starts, 0, 0.0, out
    )


class Job(NamedTuple):
    """Compilation of a kernel, and the jobs whose functions it contains."""

    compile: Callable[[], object]
    contains: tuple[str, ...] = ()


UNIT_JOBS = ("errors of an arm", "AP and RP of an arm", "draws of visits", "kinematics of visits", "counts")
SOLVER_JOBS = ("steps of the solver", "residuals of a pose", "inverse kinematics")
JOBS: dict[str, Job] = {
    SOLVER_JOBS[0]: Job(lambda: _address(damped_least_squares._step)),
    SOLVER_JOBS[1]: Job(lambda: _address(pose_residual.evaluate)),
    SOLVER_JOBS[2]: Job(_compile_solver),
    UNIT_JOBS[0]: Job(_compile_unit_errors),
    UNIT_JOBS[1]: Job(_compile_unit_statistics),
    UNIT_JOBS[2]: Job(_compile_draws),
    UNIT_JOBS[3]: Job(_compile_visits),
    UNIT_JOBS[4]: Job(_compile_counts),
    "visits of arms": Job(lambda: _address(sample_kernel.sample_units), UNIT_JOBS),
    "quantiles": Job(lambda: _address(quantiles.estimate_quantiles)),
    "poses": Job(_compile_poses),
    "ranks of arms": Job(lambda: _address(unit_summary.read_ranks)),
    "integrals over visits": Job(_compile_visit_sums),
    "moments of arms": Job(lambda: _address(unit_summary.read_moments)),
    "barycentres of arms": Job(_compile_unit_evaluation, UNIT_JOBS[:2]),
    "visits one by one": Job(_compile_visit_displacements, (UNIT_JOBS[0], *UNIT_JOBS[2:4])),
}
"""All jobs; those that begin the longest chains of dependent jobs come first."""


def _address(function: Any) -> int:
    return int(function.address())


def is_done(folder: Path, name: str) -> bool:
    """Whether a job is done, by its mark in the folder that the processes share."""
    return (folder / f"{name}.done").exists()


def work(folder: Path) -> None:
    """Compile what no other process has claimed, until nothing is left.

    Parameters
    ----------
    folder : Path
        Folder, empty at first, that the processes share.
    """
    waiting = list(JOBS)
    while waiting:
        ready = (name for name in waiting if all(is_done(folder, other) for other in JOBS[name].contains))
        name = next(ready, None)
        if name is None:
            time.sleep(POLL)
            continue
        waiting.remove(name)
        try:
            (folder / name).touch(exist_ok=False)
        except FileExistsError:
            continue
        JOBS[name].compile()
        (folder / f"{name}.done").touch()


def main() -> None:
    """Compile what no other process has claimed; the shared folder is the argument of the process."""
    work(Path(sys.argv[1]))
