"""Sampling on a CUDA device beside that of the processor: python tests/benchmarks/device.py [--scenarios] [--large]

Needs a device and the ``cuda`` extra. Every scenario is sampled by both and all figures are compared, as shares of the
largest of their column. Then the demo, for its plan, for 10^8 pose-samples, and with --large for 10^10: the time in which the device is
called by any thread, with all copies; that of sampling as a whole, with first order and statistics; the kernel alone.
Then, for a changed encoder of the demo, the time to first order and to the whole population, as the page shows them.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

import armsim
from armsim.core import device_kernel
from armsim.run_options import RunOptions
from armsim.sampling import cuda_sampler

HERE = Path(__file__).resolve().parent.parent.parent
MEMORY = 48 * 2**30
REPEATS = 5
MANY = 50_000
"""Arms from which a plan is sampled once, and by the device alone."""


def largest_difference(one: Any, other: Any) -> tuple[float, float, float]:
    """Largest differences of two samples: of a task's rows, of the rows without what is read from counts, of the units."""
    rows = exact = units = 0.0
    for a, b in zip(one.tasks, other.tasks, strict=True):
        x, y = (task.rows.view(np.float64).reshape(len(task.rows), -1) for task in (a, b))
        if not np.array_equal(np.isnan(x), np.isnan(y)):
            raise AssertionError("undefined in one and defined in the other")
        scale = np.nanmax(np.abs(x), axis=0, initial=1e-300)
        difference = np.nan_to_num(np.abs(x - y) / scale)
        rows = max(rows, float(difference.max()))
        mean = np.nan_to_num(np.abs(a.rows["error"]["covariance"] - b.rows["error"]["covariance"]))
        exact = max(exact, float(mean.max() / np.abs(a.rows["error"]["covariance"]).max()))
        units = max(units, float((np.abs(a.worst - b.worst) / np.maximum(a.worst.max(axis=1), 1e-300)[:, None]).max()))
    return rows, exact, units


def compare(names: list[str], threads: int) -> None:
    """Print the differences of scenarios."""
    print(
        f"\n{'scenario':34} {'poses':>6} {'arms':>6} {'all figures':>12} {'covariance':>12} {'units':>10}  sampled on"
    )
    for name in names:
        path = HERE / name
        study = armsim.load(path)
        plan = study.scenario.plan
        study = study.with_plan(units=min(plan.units, 2000), visits=min(plan.visits, 30))
        sets = study.find()
        by_processor, by_device = (
            study.sample(sets, RunOptions(threads, MEMORY, device=device)) for device in ("cpu", "cuda")
        )
        if "processor" in by_device.spec.sampler.device:
            sys.exit(f"{path.stem}: {by_device.spec.sampler.device}")
        differences = largest_difference(by_processor, by_device)
        poses = sum(len(one.names) for one in sets)
        print(
            f"{path.stem:34} {poses:6} {study.scenario.plan.units:6} {differences[0]:12.1e} {differences[1]:12.1e} "
            f"{differences[2]:10.1e}  {by_device.spec.sampler.device}",
            flush=True,
        )


def kernel_time(call: tuple[Any, ...]) -> tuple[float, int]:
    """Shortest time of the sampling kernel for the poses of a call, and its pose-samples. [s]"""
    from numba import cuda

    poses, coefficients, part = call
    packed = [cuda.to_device(values) for values in device_kernel.pack_poses(poses, part.low, part.high)]
    population, sizes = cuda.to_device(coefficients), cuda.to_device(device_kernel.pack_sizes(poses, part))
    number, blocks = part.high - part.low, -(-part.units // device_kernel.THREADS)
    outputs = [
        cuda.to_device(np.zeros(shape, dtype=scalar))
        for shape, scalar in (
            ((number, cuda_sampler.BINS), np.uint32),
            ((number, part.units), float),
            ((number, 4, part.units), float),
            ((number, blocks, cuda_sampler.TOTALS), float),
        )
    ]
    kernel, times = device_kernel.kernel_of(poses), []
    for _ in range(REPEATS):
        begin, end = cuda.event(), cuda.event()
        begin.record()
        kernel[(blocks, number), device_kernel.THREADS](*packed, population, sizes, *outputs)
        end.record()
        end.synchronize()
        times.append(cuda.event_elapsed_time(begin, end) * 1e-3)
    return min(times), number * part.units * part.visits


def covered(spans: list[tuple[float, float]]) -> float:
    """Time in which any of the calls ran. [s]"""
    total, until = 0.0, -np.inf
    for begin, end in sorted(spans):
        total += max(0.0, end - max(begin, until))
        until = max(until, end)
    return total


def demo(threads: int, large: bool) -> None:
    """Print the times of the demo."""
    calls: list[tuple[Any, ...]] = []
    spans: list[tuple[float, float]] = []
    untimed = cuda_sampler.CudaSampler._try

    def timed(self: Any, poses: Any, coefficients: Any, item: Any) -> Any:
        begin = time.perf_counter()
        sampled = untimed(self, poses, coefficients, item)
        spans.append((begin, time.perf_counter()))
        if len(calls) < 100:
            calls.append((poses, coefficients, item))
        return sampled

    cuda_sampler.CudaSampler._try = timed  # type: ignore[method-assign]
    study = armsim.load(HERE / "scenarios/bonding-cell.yaml")
    fine = study.change({"tasks.side view.step": "12 mm"})
    start = time.perf_counter()
    study.with_plan(units=256, visits=2).run(threads, memory=MEMORY, device="cuda")
    print(f"\nfirst run, with its kernel: {time.perf_counter() - start:.2f} s")
    plans = [study, fine.with_plan(units=1000, visits=30)]
    plans += [fine.with_plan(units=100_000, visits=30)] if large else []
    print(
        f"{'poses':>6} {'arms':>7} {'pose-samples':>13} {'threads':>8} {'calls':>8} {'sample':>8} {'processor':>10}  [s]"
    )
    for planned in plans:
        plan, sets = planned.scenario.plan, planned.find()
        poses, repeats = sum(len(one.names) for one in sets), REPEATS if plan.units < MANY else 1
        for workers in sorted({4, threads}):
            options = RunOptions(workers, MEMORY, device="cuda")
            best, in_calls = np.inf, np.inf
            for _ in range(repeats):
                spans.clear()
                start = time.perf_counter()
                planned.sample(sets, options)
                best = min(best, time.perf_counter() - start)
                in_calls = min(in_calls, covered(spans))
            beside = "-"
            if workers == threads and repeats > 1:
                start = time.perf_counter()
                planned.sample(sets, RunOptions(threads, MEMORY))
                beside = f"{time.perf_counter() - start:.3f}"
            samples = poses * plan.units * plan.visits
            print(
                f"{poses:6} {plan.units:7} {samples:13.3g} {workers:8} {in_calls:8.3f} {best:8.3f} {beside:>10}",
                flush=True,
            )
    seconds, samples = kernel_time(
        max(calls, key=lambda call: (call[2].high - call[2].low) * call[2].units * call[2].visits)
    )
    print(f"kernel alone: {seconds / samples * 1e9:.3f} ns a pose-sample, of {samples:.3g} pose-samples")


def growing(threads: int) -> None:
    """Print the times to first order and to all arms of the demo after a change, on the processor and on the device."""
    study = armsim.load(HERE / "scenarios/bonding-cell.yaml")
    print(f"\n{'after a change':>20} {'first order':>12} {'all arms':>9}  [s, shortest of {REPEATS}]")
    for device in ("cpu", "cuda"):
        first_order, complete = np.inf, np.inf
        for number in range(REPEATS):
            changed = study.change({"joints.j2.mounting.eccentricity": f"{10 + number} um"})
            sets = changed.find()
            start = time.perf_counter()
            for answer in changed.growing(sets, RunOptions(threads, MEMORY, device=device)):
                seconds = time.perf_counter() - start
                if answer.samples is None:
                    first_order = min(first_order, seconds)
            complete = min(complete, seconds)
        print(f"{device:>20} {first_order:12.3f} {complete:9.3f}", flush=True)


def main() -> None:
    """Compare and time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenarios", action="store_true", help="compare the scenarios too")
    parser.add_argument("--large", action="store_true", help="time 10^10 pose-samples too")
    arguments = parser.parse_args()
    devices = cuda_sampler.cuda_devices()
    if not devices:
        sys.exit("no CUDA device")
    threads = os.cpu_count() or 1
    print(f"{cuda_sampler.device_names(devices)}, {threads} processors")
    if arguments.scenarios:
        names = sorted(str(path.relative_to(HERE)) for path in (HERE / "scenarios").glob("*.yaml"))
        compare([name for name in names if "kind: scenario" in (HERE / name).read_text()], threads)
    demo(threads, arguments.large)
    growing(threads)


if __name__ == "__main__":
    main()
