"""How sampling scales over threads and processes, also of another tree: python tests/benchmarks/scaling.py [TREE ...] [--json]

The demo's plan and one of 16000 units, with 1, 2, 4, ... workers up to the processors of the machine, trees in turn, the
shortest of the rounds. It needs what armsim itself needs to read a scenario and to sample, and no other library. The part
that is not divided follows from Amdahl's law: s of T(n) = T(1) (s + (1 - s) / n).
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).resolve().parent.parent.parent
ROUNDS = 2
LARGE = 16_000
"""Units of the larger plan, which is sampled at every second pose and in the first round only."""


class Timing(NamedTuple):
    """Seconds of sampling and statistics, of the clock and of the processors of this process."""

    units: int
    kind: str
    workers: int
    samples: int
    wall: float
    cpu: float


def workers_up_to(processors: int) -> list[int]:
    """1, 2, 4, ... and all processors."""
    return sorted({processors, *(1 << k for k in range(processors.bit_length()) if 1 << k <= processors)})


def measure(first_round: bool) -> None:
    """Print the timings of the tree in the current folder as lines of JSON."""
    import armsim
    from armsim.run_options import RunOptions

    memory, every = 64 * 2**30, workers_up_to(os.cpu_count() or 1)
    study = armsim.load("scenarios/bonding-cell.yaml")
    pose_sets = study.find()
    some = [poses.select(list(poses.names[::2])) for poses in pose_sets]
    study.with_plan(units=256, visits=2).sample(pose_sets, RunOptions(every[-1], memory))  # kernels and nets are ready
    plans = [(2000, pose_sets, "threads", workers) for workers in every]
    if first_round:
        plans += [(LARGE, some, "threads", workers) for workers in every if workers == 1 or workers >= every[-1] // 2]
        plans += [(2000, pose_sets, "processes", workers) for workers in sorted({1, every[-1]})]
    for units, sets, kind, workers in plans:
        planned = study.with_plan(units=units, visits=30)
        options = RunOptions(workers, memory, processes=kind == "processes")
        samples = sum(len(poses.names) for poses in sets) * units * 30
        start, cpu = time.perf_counter(), time.process_time()
        planned.sample(sets, options)
        row = Timing(units, kind, workers, samples, time.perf_counter() - start, time.process_time() - cpu)
        print(json.dumps(row), flush=True)


def timings(trees: list[Path]) -> dict[str, list[Timing]]:
    """Shortest times of every tree."""
    best: dict[tuple[str, int, str, int], Timing] = {}
    for number in range(ROUNDS):
        for tree in trees:
            command = [sys.executable, str(Path(__file__).resolve()), "--measure", str(number)]
            environment = {**os.environ, "PYTHONPATH": str(tree), "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
            child = subprocess.run(command, cwd=tree, env=environment, capture_output=True, text=True, check=True)
            for line in child.stdout.splitlines():
                row = Timing(*json.loads(line))
                name = str(tree), row.units, row.kind, row.workers
                best[name] = min(best.get(name, row), row, key=lambda timing: timing.wall)
    return {str(tree): [row for (name, *_), row in best.items() if name == str(tree)] for tree in trees}


def print_scaling(trees: list[Path]) -> dict[str, list[Timing]]:
    """Print a table of every tree and return its rows."""
    every = timings(trees)
    print(f"\nScaling of the demo's sampling, 30 visits, {os.cpu_count()} processors, shortest of {ROUNDS} rounds")
    for tree, rows in every.items():
        print(
            f"  {tree}\n  {'units':>6} {'workers':>13} {'s':>7} {'CPU s':>7} {'ns':>7} {'times one':>10} {'not divided':>12}"
        )
        for row in rows:
            one = next(r for r in rows if (r.units, r.kind, r.workers) == (row.units, row.kind, 1))
            ratio, n = row.wall / one.wall, row.workers
            serial = f"{(n * ratio - 1) / (n - 1):12.1%}" if n > 1 else ""
            cpu = f"{row.cpu:7.2f}" if row.kind == "threads" else " " * 7  # others have their own
            print(
                f"  {row.units:6} {n:3} {row.kind:>9} {row.wall:7.2f} {cpu} {row.wall / row.samples * 1e9:7.2f} "
                f"{1 / ratio:10.2f} {serial}"
            )
    return every


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("trees", nargs="*", type=Path, default=[HERE])
    parser.add_argument("--json", action="store_true", help="print the rows as JSON too")
    parser.add_argument("--measure", type=int, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.measure is not None:
        measure(arguments.measure == 0)
    else:
        table = print_scaling([tree.resolve() for tree in arguments.trees])
        if arguments.json:
            print(json.dumps({tree: [row._asdict() for row in rows] for tree, rows in table.items()}))
