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
from armsim.core.counting import LINEAR_BINS, LOGARITHMIC_BINS
from armsim.core.device_counts import TOTALS, WINDOWS
from armsim.core.kernel_digest import LANES, kernel_digest
from armsim.core.pose_kernel import Poses, WorkItem
from armsim.core.sample_kernel import (
    MEASURES,
    SUMS,
    VISITS_PER_CALL,
    Block,
    Buffers,
    VisitErrors,
    _accumulate,
    _bin_measures,
    _displace_by_unit_errors,
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
GATHER_THREADS = 256
"""Threads of a block that copies or clears counts."""
COUNTS_PER_THREAD = 1024
"""Counts that one thread clears."""
POSE_NUMBERS = 8
"""Numbers stored per pose besides those of its axes and entries."""
AXES = VISIT_AXES = COEFFICIENTS = SIGNS = 1
"""Placeholders of `_sample`, replaced by the sizes of a machine: number of axes, of axes that visits move, of visit
coefficients, and of rows for their signs."""
_TOTALS, _EXTREMES = SUMS + 1, 2 * MEASURES
_PAIRS, _LINEAR, _LINEAR_PAIRS = 2 * LOGARITHMIC_BINS, 3 * LOGARITHMIC_BINS, 3 * LOGARITHMIC_BINS + 3 * LINEAR_BINS


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
SINGLE_UNIT_CONSTANTS = {"LANES": 1} | {
    name: getattr(screws, name) // LANES for name in ("X", "Y", "Z", "A", "B", "C", "W")
}
"""Values, for rows of one unit, of the constants for rows of `LANES` units."""


@cache
def single_unit_function(subroutine: Any) -> Any:
    """Function of the device for one unit, from the source of a subroutine for `LANES` units."""
    function = _clone(subroutine.py_func, SINGLE_UNIT_CONSTANTS)
    return function if SIMULATED else cuda.jit(device=True)(function)


def _clone(function: Any, constants: dict[str, int]) -> FunctionType:
    """A function with other constants, that calls functions of the device."""
    scope = {name: function.__globals__[name] for name in function.__code__.co_names if name in function.__globals__}
    for name, value in scope.items():
        scope[name] = single_unit_function(value) if isinstance(value, Subroutine) else constants.get(name, value)
    return FunctionType(function.__code__, scope, function.__name__)


@cache
def sampling_kernel(axes: int, visit_axes: int, coefficients: int) -> Any:
    """Kernel that samples units at poses, `_sample` for a machine of some size, cached on disk.

    Parameters
    ----------
    axes, visit_axes, coefficients : int
        Number of axes, of axes that visits move, and of visit coefficients of the machine.
    """
    sizes = {"AXES": axes, "VISIT_AXES": visit_axes, "COEFFICIENTS": coefficients, "SIGNS": max(1, coefficients)}
    kernel = _clone(_sample, sizes)
    kernel.__module__ = __name__
    # the file in the cache has this name, which differs for other sizes and sources
    kernel.__qualname__ = f"sample_{axes}_{visit_axes}_{coefficients}_{kernel_digest()}"
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
        cuda.local.array((VISIT_AXES, SCREW), np.float64),
        cuda.local.array(FRAME, np.float64),
        cuda.local.array((VISIT_AXES, VISITS_PER_CALL), np.float64),
        cuda.local.array((VISIT_AXES, VISITS_PER_CALL, 1), np.float64),
        cuda.local.array(FRAME, np.float64),
        cuda.local.array(2, np.float64),
        cuda.local.array(1, np.float64),
        cuda.local.array(1, np.float64),
        cuda.local.array(4, np.uint32),
        cuda.local.array((SIGNS, 4), np.uint32),
    )
    length, figures = cuda.local.array(1, np.float64), cuda.local.array((UNIT_STATISTICS, 1), np.float64)
    barycentre, bins = cuda.local.array((3, 1), np.float64), cuda.local.array(MEASURES, np.int64)
    previous_bins = cuda.local.array(MEASURES, np.int64)
    total, extremes = cuda.local.array(_TOTALS, np.float64), cuda.local.array(_EXTREMES, np.float64)
    for i in range(SUMS + 1):
        total[i] = 0.0
    for m in range(MEASURES):
        extremes[m], extremes[MEASURES + m] = math.inf, -math.inf
    if unit < units:
        offset = 2 * unit_entries
        unit_errors = UnitErrors(
            unit_coefficients, tables[:unit_entries], tables[unit_entries:offset], row[POSE_NUMBERS:][:unit_entries]
        )
        first_entry, entry_axis = (
            tables[offset : offset + COEFFICIENTS + 1],
            tables[offset + COEFFICIENTS + 1 :][:visit_entries],
        )
        offset += COEFFICIENTS + 1 + visit_entries
        distribution, visit_axes = tables[offset : offset + COEFFICIENTS], tables[offset + COEFFICIENTS :][:VISIT_AXES]
        offset += COEFFICIENTS + VISIT_AXES
        visit_errors = VisitErrors(
            keys,
            distribution,
            first_entry,
            entry_axis,
            row[POSE_NUMBERS + unit_entries :][:visit_entries],
            visit_axes,
            tables[offset + AXES :][:VISIT_AXES],
        )
        pose_vectors = vectors[pose, 2 * AXES :]
        axes = Axes(vectors[pose, :AXES], vectors[pose, AXES : 2 * AXES], tables[offset : offset + AXES])
        effect = VisitEffect(pose_vectors[0], pose_vectors[1], pose_vectors[2], row[6:POSE_NUMBERS], slopes[pose])
        bin_scales = (row[0], row[1]), (row[2], row[3]), (row[4], row[5])
        centre = pose_vectors[3, 0], pose_vectors[3, 1], pose_vectors[3, 2]
        block = Block(tables[offset + AXES + VISIT_AXES + pose], task, first_unit, units, visits)
        _displace_by_unit_errors(unit_errors, visit_errors, axes, unit, buffers)
        statistics_of_block(
            buffers.axis_errors, buffers.unit_frame, effect, buffers.angle, buffers.ratio, figures, barycentre
        )
        for i in range(UNIT_STATISTICS):
            unit_statistics[pose, i, unit] = figures[i, 0]
        for first in range(0, visits, VISITS_PER_CALL):
            _draw_visits(visit_errors, block, unit, first, buffers.errors, buffers.words, buffers.bits)
            for a in range(VISIT_AXES):
                for v in range(VISITS_PER_CALL):
                    buffers.by_visit[a, v, 0] = buffers.errors[a, v]
            for v in range(first, min(first + VISITS_PER_CALL, visits)):
                _displace_by_visit(visit_errors, v - first, buffers)
                _accumulate(buffers.frame, buffers.angle, centre, length, total)
                _bin_measures(buffers.frame, length, buffers.angle, bin_scales, bins, extremes)
                cuda.atomic.add(count, bins[0], np.uint32(1))
                cuda.atomic.add(count, LOGARITHMIC_BINS + bins[1], np.uint32(1))
                for j in range(3):
                    cuda.atomic.add(count, _LINEAR + j * LINEAR_BINS + bins[2 + j], np.uint32(1))
                if v % 2 == 1:
                    cuda.atomic.add(count, _PAIRS + max(bins[0], previous_bins[0]), np.uint32(1))
                    for j in range(3):
                        pair = max(bins[2 + j], previous_bins[2 + j])
                        cuda.atomic.add(count, _LINEAR_PAIRS + j * LINEAR_BINS + pair, np.uint32(1))
                for m in range(MEASURES):
                    previous_bins[m] = bins[m]
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
            first, end, offset = windows[pose, w, 0], windows[pose, w, 1], windows[pose, w, 2]
            for b in range(first + cuda.threadIdx.x, end, GATHER_THREADS):
                gathered[offset + b - first] = counts[pose, b]
                counts[pose, b] = 0

    return cuda.jit(_GATHERING)(gather)


@lru_cache(maxsize=1)
def clearing_kernel() -> Any:
    """Kernel that sets counts to zero."""

    def clear(counts):  # type: ignore[no-untyped-def]
        i = cuda.grid(1)
        counts[i * COUNTS_PER_THREAD : (i + 1) * COUNTS_PER_THREAD] = 0

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
    """Poses from ``low`` up to ``high`` as a device takes them.

    If visits move no axis, they move the first axis by zero.
    """
    pose_range = slice(low, high)
    scales = poses.bin_scales[pose_range].reshape(high - low, 6)
    rows = np.concatenate(
        [scales, poses.repeatability[pose_range], poses.unit_value[pose_range], poses.visit_value[pose_range]], axis=1
    )
    pose_vectors = [
        values[pose_range, None] for values in (poses.shift, poses.rotation_shift, poses.tangent, poses.centre)
    ]
    vectors = np.concatenate([poses.direction[pose_range], poses.column[pose_range], *pose_vectors], axis=1)
    visit_axes = poses.visit_axes if len(poses.visit_axes) else np.zeros(1, dtype=np.int64)
    tables = (
        poses.unit_coefficient, poses.unit_axis, poses.visit_first_entry, poses.visit_entry_axis,
        poses.visit_distribution, visit_axes, poses.rotary, poses.rotary[visit_axes], poses.number[pose_range],
    )  # fmt: skip
    keys = poses.visit_key if len(poses.visit_key) else np.zeros((1, 2), dtype=np.uint32)
    return PackedPoses(
        rows, vectors, np.ascontiguousarray(poses.slope[pose_range]), np.concatenate(tables, dtype=np.int64), keys
    )


def kernel_of(poses: Poses) -> Any:
    """Kernel that samples these poses."""
    return sampling_kernel(poses.direction.shape[1], max(1, len(poses.visit_axes)), len(poses.visit_key))


def pack_sizes(poses: Poses, item: WorkItem) -> Indices:
    """Numbers of a work item for the kernel: task, first unit, units, visits, entries of units and of visits."""
    entries = poses.unit_value.shape[1], poses.visit_value.shape[1]
    return np.array([item.task, item.first, item.units, item.visits, *entries], dtype=np.int64)
