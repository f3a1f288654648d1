"""Stages of the sampling kernel, each against what this machine could do: python tests/benchmarks/stages.py

Operations are counted by hand from the source of each kernel: multiplications, with or without an addition (a division or
a root as eight; steps of the integer generator as half, since twice as many are done at a time); additions alone and
selections run beside them. The limit is their number over the rate of multiply-adds that the machine reaches on rows in its
first cache, or, where that is longer, the bytes read and written over the rate of a copy there.
"""

from __future__ import annotations

import os

os.environ.setdefault("NUMBA_NUM_THREADS", "1")

import time
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from armsim.core import philox, screws, unit_figures
from armsim.core import sample_kernel as kernel
from armsim.core.compile import compiled
from armsim.core.counting import LOGARITHMIC_BINS
from armsim.core.kernel_digest import LANES

CALLS = 2000
TABLE_BITS = 4
REPEATS = 7


class Stage(NamedTuple):
    """A kernel called so often; operations and bytes for each number that it makes, of which one call makes ``makes``."""

    name: str
    call: Callable[[], Any]
    makes: int
    operations: float
    bytes_moved: float
    of_sample: float


@compiled
def multiply_add(a, b):  # type: ignore[no-untyped-def]
    for _ in range(CALLS):
        for u in range(LANES):
            x = a[u]
            y = x * 0.5 + 0.25
            z = x * 0.25 + 0.5
            for _ in range(16):
                y = y * 0.999 + 0.001
                z = z * 0.998 + 0.002
            b[u] = y + z


@compiled
def copy_rows(a, b):  # type: ignore[no-untyped-def]
    for _ in range(CALLS):
        for u in range(a.shape[0]):
            b[u] = a[u]


@compiled
def draw_words(key, words):  # type: ignore[no-untyped-def]
    for i in range(CALLS):
        philox.philox4x32(key, 0, i, 0, 0, words)


@compiled
def add_normals(words, target):  # type: ignore[no-untyped-def]
    for _ in range(CALLS):
        philox.add_normals(words, 1e-6, target)


@compiled
def add_uniforms(words, target):  # type: ignore[no-untyped-def]
    for _ in range(CALLS):
        philox.add_uniforms(words, 1e-6, target)


@compiled
def displace(errors, screw_rows, rotary, settled, frame, half):  # type: ignore[no-untyped-def]
    for i in range(CALLS):
        for u in range(7 * LANES):
            frame[u] = settled[u]
        screws.displace(errors, i % 4, screw_rows, rotary, frame, half)


@compiled
def turn(frame, angle, ratio):  # type: ignore[no-untyped-def]
    for _ in range(CALLS):
        unit_figures.rotation_angles(frame, angle, ratio)


@compiled
def gather(frame, angle, distance, totals):  # type: ignore[no-untyped-def]
    for _ in range(CALLS):
        kernel._accumulate(frame, angle, (0.0, 0.0, 0.0), distance, totals)


@compiled
def place(frame, distance, angle, bins, extremes):  # type: ignore[no-untyped-def]
    line = ((-1.0, 2048.0), (-1.0, 2048.0), (-1.0, 2048.0))
    for _ in range(CALLS):
        kernel._bin_measures(frame, distance, angle, line, bins, extremes)


@compiled
def count(now, before, histograms):  # type: ignore[no-untyped-def]
    for i in range(CALLS):
        kernel._count(now, before, LANES, i % 2 == 1, histograms)


@compiled
def add_from_table(words, table, target):  # type: ignore[no-untyped-def]
    """What a draw from a table of the law of several causes would take: a half of a symmetric law, cells by the leading
    bits of the probability, a polynomial of degree five in each; the coefficients are of no law."""
    first = np.int64((1023 - 34) << TABLE_BITS)
    for _ in range(CALLS):
        for u in range(4 * LANES):
            word = words[u]
            bits = np.float64((min(word, ~word) + 0.5) * 2.0**-32).view(np.int64)
            cell = (bits >> np.int64(52 - TABLE_BITS)) - first
            others = (bits & np.int64((1 << (52 - TABLE_BITS)) - 1)) | np.int64(0x3FF0000000000000)
            m = np.int64(others).view(np.float64) - 1.0
            x = table[5, cell]
            for k in range(4, -1, -1):
                x = table[k, cell] + m * x
            target[u] += 1e-6 * (x if word >> np.uint32(31) else -x)


def best(call: Callable[[], Any]) -> float:
    """Shortest time of a call. [s]"""
    call()
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


def stages() -> None:
    """Print the table for an arm of six joints, each with a uniform, a normal and a two-valued cause at every visit."""
    rng = np.random.default_rng(0)
    a, b = rng.random((2, LANES))
    short_a, short_b = rng.random((2, 8 * LANES))
    per_operation = best(lambda: multiply_add(a, b)) / (CALLS * LANES * 34)
    per_byte = best(lambda: copy_rows(short_a, short_b)) / (CALLS * len(short_a) * 16)
    print(
        f"\nStages of a pose-sample, six joints; {1e-9 / per_operation:.3g} multiply-adds a ns, {1e-9 / per_byte:.3g} B a ns"
    )
    print(f"  {'stage':22} {'ns':>6} {'limit':>7} {'reached':>8}")
    words = rng.integers(0, 2**32, 4 * LANES, dtype=np.uint32)
    target, angle, distance, frame = np.zeros(4 * LANES), np.zeros(LANES), rng.random(LANES), np.zeros(7 * LANES)
    direction = rng.standard_normal((6, 3))
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    axes = screws.Axes(direction, rng.standard_normal((6, 3)), np.ones(6, dtype=bool))
    rows, half = np.empty((6, screws.SCREW * LANES)), np.empty(2 * LANES)
    screws.apply_unit_errors(1e-5 * rng.standard_normal((6, LANES)), axes, np.arange(6), rows, frame, half)
    settled, errors = frame.copy(), 1e-5 * rng.standard_normal((6, 4, LANES))
    now, before = rng.integers(0, 4096, (2, 5 * LANES))
    shapes = (2, LOGARITHMIC_BINS), (LOGARITHMIC_BINS,), (3, 4096), (3, 4096)
    histograms = kernel.Histograms(*(np.zeros(shape, dtype=np.int64) for shape in shapes), np.zeros((2, 5)))
    key, bins = np.array([1, 2], dtype=np.uint32), np.zeros(5 * LANES, dtype=np.int64)
    every = (
        Stage("random words", lambda: draw_words(key, words), 4 * LANES, 10, 4, 12),
        Stage("normal law", lambda: add_normals(words, target), 4 * LANES, 27, 24, 6),
        Stage("uniform law", lambda: add_uniforms(words, target), 4 * LANES, 2, 20, 6),
        Stage(
            "kinematics", lambda: displace(errors, rows, axes.rotary, settled, frame, half), LANES, 6 * 48, 6 * 168, 1
        ),
        Stage("rotation angle", lambda: turn(frame, angle, half[:LANES]), LANES, 17, 56, 1),
        Stage("sums", lambda: gather(settled, angle, distance, np.zeros(11 * LANES)), LANES, 21, 224, 1),
        Stage("bins", lambda: place(settled, distance, angle, bins, np.zeros(10 * LANES)), LANES, 3, 280, 1),
        Stage("counts", lambda: count(now, before, histograms), LANES, 7, 16 * 7, 1),
    )
    total = floor = 0.0
    for item in every:
        actual = best(item.call) / (CALLS * item.makes) * item.of_sample * 1e9
        limit = max(item.operations * per_operation, item.bytes_moved * per_byte) * item.of_sample * 1e9
        total, floor = total + actual, floor + limit
        print(f"  {item.name:22} {actual:6.2f} {limit:7.2f} {limit / actual:8.0%}")
    print(f"  {'together':22} {total:6.2f} {floor:7.2f} {floor / total:8.0%}")
    table = rng.random((6, 34 << TABLE_BITS))
    actual = best(lambda: add_from_table(words, table, target)) / (CALLS * 4 * LANES) * 1e9
    print(f"  a draw from a table of a common law, not kept: {actual:.2f} ns")


if __name__ == "__main__":
    stages()
