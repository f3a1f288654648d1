"""Sampling of poses on a CUDA device: one thread per unit, one block of threads per pose and `LANES` units.

A unit is one simulated arm with its own drawn error coefficients.

The subroutines of the processor's kernel work on rows of `LANES` units. The same sources, with rows of one unit, are
what a thread of the device does: the draws are the same to the bit, the arithmetic to its rounding. Only what threads
share is written here: the counts, and the sums and extremes of a block, added up in the order of the processor.
"""

from __future__ import annotations

import math
from functools import cache, lru_cache
from types import FunctionType
from typing import Any, NamedTuple

import numpy as np
from numba import cuda as numba_cuda
from numba import types

from armsim.core import screws
from armsim.core.compile import CONFIG, Floats, Indices, Subroutine, Words
from armsim.core.counting import LINEAR_BINS, RATIO_BINS
from armsim.core.device_counts import TOTALS, WINDOWS
from armsim.core.kernel_digest import LANES, kernel_digest
from armsim.core.pose_kernel import Part, Poses
from armsim.core.sample_kernel import (
    MEASURES,
    SUMS,
    VISITS_PER_CALL,
    Block,
    Buffers,
    Visits,
    _accumulate,
    _apply_block,
    _bin_measures,
    _displace_by_visit,
    _draw_visits,
)
from armsim.core.screws import FRAME, SCREW, Axes
from armsim.core.unit_figures import UNIT_STATISTICS, UnitErrors, VisitEffect, statistics_of_block

cuda: Any = numba_cuda
SIMULATED = bool(CONFIG.ENABLE_CUDASIM)
"""Whether numba runs kernels of devices in Python, for tests."""
THREADS = LANES
"""Threads of a block that samples, one per unit."""
GATHERING = 256
"""Threads of a block that gathers or clears counts."""
CLEARED = 1024
"""Counts that a thread clears."""
FIXED = 8
"""Numbers of a pose beside those of its axes and entries."""
AXES = MOVING = COEFFICIENTS = SIGNS = 1
"""Stand for the numbers of the machine: axes, axes that visits move, coefficients of visits, rows of their signs."""
_TOTALS, _ENDS = SUMS + 1, 2 * MEASURES
_PAIRS, _LINEAR, _LINEAR_PAIRS = 2 * RATIO_BINS, 3 * RATIO_BINS, 3 * RATIO_BINS + 3 * LINEAR_BINS


def _arrays(dimensions: str, scalar: Any) -> list[Any]:
    return [types.Array(scalar, int(number), "C") for number in dimensions]


_SAMPLING = (
    *_arrays("233", types.float64), *_arrays("1", types.int64), *_arrays("2", types.uint32),
    *_arrays("2", types.float64), *_arrays("1", types.int64), *_arrays("2", types.uint32),
    *_arrays("233", types.float64),
)  # fmt: skip
_GATHERING = (*_arrays("2", types.uint32), *_arrays("3", types.int64), *_arrays("1", types.uint32))
_CLEARING = (*_arrays("1", types.uint32),)
"""Types of the arguments of the kernels, so that threads find them compiled."""
ROWS_OF_ONE = {"LANES": 1} | {name: getattr(screws, name) // LANES for name in ("X", "Y", "Z", "A", "B", "C", "W")}
"""What rows of one unit have in place of the constants of rows of `LANES` units."""


@cache
def of_one_unit(subroutine: Any) -> Any:
    """Function of the device for one unit, from the source of a subroutine for `LANES` units."""
    of_one = _clone(subroutine.py_func, ROWS_OF_ONE)
    return of_one if SIMULATED else cuda.jit(device=True)(of_one)


def _clone(function: Any, constants: dict[str, int]) -> FunctionType:
    """A function with other constants, that calls functions of the device."""
    scope = {name: function.__globals__[name] for name in function.__code__.co_names if name in function.__globals__}
    for name, value in scope.items():
        scope[name] = of_one_unit(value) if isinstance(value, Subroutine) else constants.get(name, value)
    return FunctionType(function.__code__, scope, function.__name__)


@cache
def sampling_kernel(axes: int, moving: int, coefficients: int) -> Any:
    """Kernel that samples units at poses, `_sample` for a machine of some size, cached on disk.

    Parameters
    ----------
    axes, moving, coefficients : int
        Axes, axes that visits move, and coefficients of visits of the machine.
    """
    sizes = {"AXES": axes, "MOVING": moving, "COEFFICIENTS": coefficients, "SIGNS": max(1, coefficients)}
    kernel = _clone(_sample, sizes)
    kernel.__module__ = __name__
    # the file in the cache bears this name: other sizes and sources have another
    kernel.__qualname__ = f"sample_{axes}_{moving}_{coefficients}_{kernel_digest()}"
    return cuda.jit(_SAMPLING, cache=True)(kernel)


def _sample(  # type: ignore[no-untyped-def]
    rows, vectors, slopes, tables, keys, unit_coefficients, sizes, counts, squared_errors, unit_statistics, totals
):
    """Sample units at poses: a block of threads per pose and `LANES` units.

    Takes the fields of `PackedPoses`, the coefficients of the units, and `pack_sizes`; adds to ``counts`` of shape
    (poses, BINS); writes ``squared_errors`` (poses, units), ``unit_statistics`` (poses, UNIT_STATISTICS, units) and
    ``totals`` (poses, blocks, TOTALS).
    """
    pose, lane = cuda.blockIdx.y, cuda.threadIdx.x
    start = cuda.blockIdx.x * THREADS
    unit = start + lane
    task, first_unit, units, visits = sizes[0], sizes[1], sizes[2], sizes[3]
    unit_entries, visit_entries = sizes[4], sizes[5]
    row, count = rows[pose], counts[pose]
    shared = cuda.shared.array((TOTALS, THREADS), np.float64)
    buffers = Buffers(
        cuda.local.array((AXES, 1), np.float64),
        cuda.local.array((MOVING, SCREW), np.float64),
        cuda.local.array(FRAME, np.float64),
        cuda.local.array((MOVING, VISITS_PER_CALL), np.float64),
        cuda.local.array((MOVING, VISITS_PER_CALL, 1), np.float64),
        cuda.local.array(FRAME, np.float64),
        cuda.local.array(2, np.float64),
        cuda.local.array(1, np.float64),
        cuda.local.array(1, np.float64),
        cuda.local.array(4, np.uint32),
        cuda.local.array((SIGNS, 4), np.uint32),
    )
    length, figures = cuda.local.array(1, np.float64), cuda.local.array((UNIT_STATISTICS, 1), np.float64)
    barycentre, bins = cuda.local.array((3, 1), np.float64), cuda.local.array(MEASURES, np.int64)
    before = cuda.local.array(MEASURES, np.int64)
    total, extremes = cuda.local.array(_TOTALS, np.float64), cuda.local.array(_ENDS, np.float64)
    for i in range(SUMS + 1):
        total[i] = 0.0
    for m in range(MEASURES):
        extremes[m], extremes[MEASURES + m] = math.inf, -math.inf
    if unit < units:
        at = 2 * unit_entries
        unit_errors = UnitErrors(
            unit_coefficients, tables[:unit_entries], tables[unit_entries:at], row[FIXED:][:unit_entries]
        )
        begin, axis = tables[at : at + COEFFICIENTS + 1], tables[at + COEFFICIENTS + 1 :][:visit_entries]
        at += COEFFICIENTS + 1 + visit_entries
        distribution, of_moving = tables[at : at + COEFFICIENTS], tables[at + COEFFICIENTS :][:MOVING]
        at += COEFFICIENTS + MOVING
        visit_errors = Visits(
            keys,
            distribution,
            begin,
            axis,
            row[FIXED + unit_entries :][:visit_entries],
            of_moving,
            tables[at + AXES :][:MOVING],
        )
        single = vectors[pose, 2 * AXES :]
        of_axes = Axes(vectors[pose, :AXES], vectors[pose, AXES : 2 * AXES], tables[at : at + AXES])
        effect = VisitEffect(single[0], single[1], single[2], row[6:FIXED], slopes[pose])
        bin_scales = (row[0], row[1]), (row[2], row[3]), (row[4], row[5])
        centre = single[3, 0], single[3, 1], single[3, 2]
        block = Block(tables[at + AXES + MOVING + pose], task, first_unit, units, visits)
        _apply_block(unit_errors, visit_errors, of_axes, unit, buffers)
        statistics_of_block(
            buffers.axis_errors, buffers.unit_frame, effect, buffers.angle, buffers.ratio, figures, barycentre
        )
        for i in range(UNIT_STATISTICS):
            unit_statistics[pose, i, unit] = figures[i, 0]
        for first in range(0, visits, VISITS_PER_CALL):
            _draw_visits(visit_errors, block, unit, first, buffers.errors, buffers.words, buffers.bits)
            for a in range(MOVING):
                for v in range(VISITS_PER_CALL):
                    buffers.by_visit[a, v, 0] = buffers.errors[a, v]
            for v in range(first, min(first + VISITS_PER_CALL, visits)):
                _displace_by_visit(visit_errors, v - first, buffers)
                _accumulate(buffers.frame, buffers.angle, centre, length, total)
                _bin_measures(buffers.frame, length, buffers.angle, bin_scales, bins, extremes)
                cuda.atomic.add(count, bins[0], np.uint32(1))
                cuda.atomic.add(count, RATIO_BINS + bins[1], np.uint32(1))
                for j in range(3):
                    cuda.atomic.add(count, _LINEAR + j * LINEAR_BINS + bins[2 + j], np.uint32(1))
                if v % 2 == 1:
                    cuda.atomic.add(count, _PAIRS + max(bins[0], before[0]), np.uint32(1))
                    for j in range(3):
                        pair = max(bins[2 + j], before[2 + j])
                        cuda.atomic.add(count, _LINEAR_PAIRS + j * LINEAR_BINS + pair, np.uint32(1))
                for m in range(MEASURES):
                    before[m] = bins[m]
        squared_errors[pose, unit] = total[SUMS] / visits
    for i in range(SUMS):
        shared[i, lane] = total[i]
    for i in range(2 * MEASURES):
        shared[SUMS + i, lane] = extremes[i]
    cuda.syncthreads()
    if lane < TOTALS:
        value = shared[lane, 0]
        for u in range(1, min(THREADS, units - start)):
            if lane < SUMS:
                value += shared[lane, u]
            elif lane < SUMS + MEASURES:
                value = min(value, shared[lane, u])
            else:
                value = max(value, shared[lane, u])
        totals[pose, cuda.blockIdx.x, lane] = value


@lru_cache(maxsize=1)
def gathering_kernel() -> Any:
    """Kernel that gathers the counts of poses and clears them, a block per pose.

    Its arguments are ``counts`` of shape (poses, BINS), cleared; ``windows`` of shape (poses, WINDOWS, 3), as
    `device_counts.DeviceCounts`; and the gathered counts, written.
    """

    def gather(counts, windows, gathered):  # type: ignore[no-untyped-def]
        pose = cuda.blockIdx.x
        for w in range(WINDOWS):
            first, end, at = windows[pose, w, 0], windows[pose, w, 1], windows[pose, w, 2]
            for b in range(first + cuda.threadIdx.x, end, GATHERING):
                gathered[at + b - first] = counts[pose, b]
                counts[pose, b] = 0

    return cuda.jit(_GATHERING)(gather)


@lru_cache(maxsize=1)
def clearing_kernel() -> Any:
    """Kernel that sets counts to zero."""

    def clear(counts):  # type: ignore[no-untyped-def]
        i = cuda.grid(1)
        counts[i * CLEARED : (i + 1) * CLEARED] = 0

    return cuda.jit(_CLEARING)(clear)


class PackedPoses(NamedTuple):
    """Poses as a device takes them; A axes, E and V entries of units and visits.

    rows : (poses, FIXED + E + V)
        Scales of the counts, repeatability, values of the entries.
    vectors : (poses, 2 A + 4, 3)
        Axis directions, columns, shift, shift of the rotation, tangent, centre of the sums.
    slopes : (poses, 2, A)
    tables : (numbers,)
        All that is the same at every pose, and the numbers of the poses.
    keys : (coefficients, 2)
    """

    rows: Floats
    vectors: Floats
    slopes: Floats
    tables: Indices
    keys: Words


def pack_poses(poses: Poses, low: int, high: int) -> PackedPoses:
    """Poses from ``low`` up to ``high`` as a device takes them; where visits move no axis, the first one by nothing."""
    at = slice(low, high)
    scales = poses.bin_scales[at].reshape(high - low, 6)
    rows = np.concatenate([scales, poses.repeatability[at], poses.unit_value[at], poses.value[at]], axis=1)
    single = [values[at, None] for values in (poses.shift, poses.turn_shift, poses.tangent, poses.centre)]
    vectors = np.concatenate([poses.direction[at], poses.column[at], *single], axis=1)
    moving = poses.moving if len(poses.moving) else np.zeros(1, dtype=np.int64)
    tables = (
        poses.unit_number, poses.unit_axis, poses.begin, poses.axis, poses.distribution, moving, poses.rotary,
        poses.rotary[moving], poses.number[at],
    )  # fmt: skip
    keys = poses.key if len(poses.key) else np.zeros((1, 2), dtype=np.uint32)
    return PackedPoses(
        rows, vectors, np.ascontiguousarray(poses.slope[at]), np.concatenate(tables, dtype=np.int64), keys
    )


def kernel_of(poses: Poses) -> Any:
    """Kernel that samples these poses."""
    return sampling_kernel(poses.direction.shape[1], max(1, len(poses.moving)), len(poses.key))


def pack_sizes(poses: Poses, part: Part) -> Indices:
    """Numbers of a part as the kernel takes them: task, first unit, units, visits, entries of units and of visits."""
    entries = poses.unit_value.shape[1], poses.value.shape[1]
    return np.array([part.task, part.first, part.units, part.visits, *entries], dtype=np.int64)
