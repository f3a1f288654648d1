"""Sampling of poses by the CUDA devices of a machine.

A unit is one simulated arm with its own drawn error coefficients.

Every call has a stream and memory of its own on the device, so that the copies of one call overlap with the kernels of
others. Threads prepare their calls one at a time, since the memory manager of the library is not safe for threads, and
wait for the device in parallel. A call takes some milliseconds of Python, whatever its size: where the memory allows,
one call samples all poses of a block for the threads that ask for parts of them. The processor computes the statistics
from the counts of the device, with the code that it uses for its own counts.
"""

from __future__ import annotations

import math
import threading
import warnings
import weakref
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import Future
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numba import cuda as numba_cuda

from armsim.arrays import Array
from armsim.core.device_counts import BINS, TOTALS, WINDOWS, DeviceCounts, conclude_poses, find_windows
from armsim.core.device_kernel import (
    COUNTS_PER_THREAD,
    GATHER_THREADS,
    THREADS,
    clearing_kernel,
    gathering_kernel,
    kernel_of,
    pack_poses,
    pack_sizes,
)
from armsim.core.pose_kernel import HistogramStack, PoseOutputs, PoseQuery, Poses, UnitArrays, WorkItem, callees
from armsim.core.unit_figures import UNIT_STATISTICS
from armsim.run_options import Note
from armsim.sampling.pose_sampler import PROCESSOR, CallSizes

cuda: Any = numba_cuda
SIZES = CallSizes(32, BINS, 64 * 2**20, 8, 100_000_000, 300_000, samples_at_once=1_000_000_000)
"""A pose takes a byte of memory per bin: few counts, of four bytes, are between the smallest and the largest value."""
MEMORY_SHARE = 0.5
"""Share of the device's free memory that is taken."""
SPARE_FACTOR = 1.25
"""Factor on the size of a new array, so that it seldom has to be replaced by a larger one."""
MOST_COUNTS = 2**32 - 1
"""Most visits that a count of the device holds."""
SHARED_BYTES = 256 * 2**20
"""Largest memory of the figures of the units at all poses of a block that are sampled by one call."""
GATHERED = 2**16
"""Number of gathered counts, rounded up to a multiple, so that calls share the arrays of few sizes."""
UNIT_BYTES = 8 * (UNIT_STATISTICS + 1)
"""Memory per unit of the outputs at a pose, on the device. [bytes]"""
warnings.filterwarnings(
    "ignore", ".*under-utilization", module="numba"
)  # a small work item uses few processors of the device


class _Memory:
    """Stream and arrays of a call, used again by the next call and replaced if they are too small."""

    def __init__(self) -> None:
        self.stream: Any = cuda.stream()
        self._on_device = _Arrays(cuda.device_array)
        self._on_host = _Arrays(cuda.pinned_array)

    @property
    def nbytes(self) -> int:
        """Memory on the device. [bytes]"""
        return sum(int(array.nbytes) for array in self._on_device.buffers.values())

    def array(self, name: str, shape: tuple[int, ...], scalar: Any) -> Any:
        """Array of a shape on the device."""
        return self._on_device.array(name, shape, scalar)

    def counts(self, poses: int) -> Any:
        """Counts of poses on the device, all zero: the kernel that copies them also clears them."""
        before = self._on_device.buffers.get("counts")
        counts = self.array("counts", (poses, BINS), np.uint32)
        buffer = self._on_device.buffers["counts"]
        if buffer is not before:
            clearing_kernel()[-(-buffer.size // (GATHER_THREADS * COUNTS_PER_THREAD)), GATHER_THREADS, self.stream](
                buffer
            )
        return counts

    def to_device(self, name: str, values: Any) -> Any:
        """Copy on the device, valid until the next call."""
        copy = self.array(name, values.shape, values.dtype)
        copy.copy_to_device(values, stream=self.stream)
        return copy

    def to_host(self, name: str, values: Any) -> Any:
        """Copy of an array of the device: complete when the stream is, valid until the next call."""
        host = self._on_host.array(name, values.shape, values.dtype)
        values.copy_to_host(host, stream=self.stream)
        return host


class _Arrays:
    """Arrays by name, each the start of a buffer; those of a shape that was used before are made once (0.1 ms each)."""

    def __init__(self, make: Any) -> None:
        self.buffers: dict[str, Any] = {}
        self._make = make
        self._arrays: dict[tuple[str, tuple[int, ...]], Any] = {}

    def array(self, name: str, shape: tuple[int, ...], scalar: Any) -> Any:
        """Array of a shape; its numbers are those of the last array of that name."""
        size = math.prod(shape)
        if name not in self.buffers or self.buffers[name].size < size:
            self._arrays = {key: array for key, array in self._arrays.items() if key[0] != name}
            self.buffers.pop(name, None)  # before the new one is made
            self.buffers[name] = self._make(int(SPARE_FACTOR * size), dtype=scalar)
        if (name, shape) not in self._arrays:
            self._arrays[name, shape] = self.buffers[name][:size].reshape(shape)
        return self._arrays[name, shape]


class CudaDevice:
    """A device that a process uses, with what it holds from call to call; ``calls`` are those it works on.

    Parameters
    ----------
    number : int
        Of the devices that the driver shows.
    """

    def __init__(self, number: int = 0) -> None:
        self._number, self.calls = number, 0
        with self.active():
            name = getattr(cuda.current_context().device, "name", "simulated device")
        self.name = name.decode() if isinstance(name, bytes) else str(name)
        self.lock = threading.Lock()
        """Held while a call is prepared, by all of the following but `available_bytes`."""
        self._memories: list[_Memory] = []
        self._populations: dict[int, tuple[Any, Any]] = {}

    def active(self) -> AbstractContextManager[Any]:
        """Context in which a thread calls this device."""
        context: AbstractContextManager[Any] = cuda.gpus[self._number]
        return context

    @property
    def available_bytes(self) -> int:
        """Memory that is free on the device, or held here and used again. [bytes]"""
        with self.active():
            free = cuda.current_context().get_memory_info()[0]
        return int(min(free, 2**50)) + sum(memory.nbytes for memory in self._memories)  # a simulated one is infinite

    def take_memory(self) -> _Memory:
        """Stream and arrays for a call, to be given back unless it fails."""
        return self._memories.pop() if self._memories else _Memory()

    def give_back(self, memory: _Memory) -> None:
        """Give back what a call took, for another one."""
        with self.lock:
            self._memories.append(memory)

    def population(self, coefficients: Array) -> Any:
        """Coefficients of units on the device, as long as the processor holds them."""
        number = id(coefficients)
        if number not in self._populations or self._populations[number][0]() is not coefficients:
            for other in [other for other, (reference, _) in self._populations.items() if reference() is None]:
                del self._populations[other]
            copy = cuda.to_device(coefficients if coefficients.size else np.zeros((1, 1)))
            self._populations[number] = weakref.ref(coefficients), copy
        return self._populations[number][1]


@lru_cache(maxsize=1)
def cuda_devices() -> tuple[CudaDevice, ...]:
    """Devices of this machine, all that the driver shows; none where it is not installed."""
    return tuple(CudaDevice(number) for number in range(len(cuda.gpus))) if cuda.is_available() else ()


def device_names(devices: Sequence[CudaDevice]) -> str:
    """Names of devices, equal ones with their number: "2 x NAME"."""
    counts = Counter(device.name for device in devices)
    return ", ".join(name if count == 1 else f"{count} x {name}" for name, count in counts.items())


class _DeviceSample(NamedTuple):
    """Sample of a device: the memory that it occupies, counts, and figures of the units, all of poses from 0 on."""

    device: CudaDevice
    memory: _Memory
    counts: DeviceCounts
    squared_errors: Array
    unit_statistics: Array

    def at(self, low: int, high: int) -> _DeviceSample:
        """The sample at some of its poses."""
        windows, counts, totals = self.counts
        counts_at_poses = DeviceCounts(windows[low:high], counts, totals[low:high])
        figures = self.squared_errors[low:high], self.unit_statistics[low:high]
        return _DeviceSample(self.device, self.memory, counts_at_poses, *figures)


@dataclass(eq=False)
class _SharedSample:
    """Sample of all poses of a block, of which threads take parts; ``open_poses`` are those that nobody took yet."""

    poses: Poses
    future: Future[_DeviceSample | None]
    open_poses: int


@dataclass(eq=False)
class CudaSampler:
    """Sampling of one run by devices: a call goes to the one that works on the fewest.

    What a device does not take, or loses, the processor samples instead: nothing is written before the device has
    returned all of a call.

    Parameters
    ----------
    cuda_devices : tuple of CudaDevice
    threads : int
        Largest number of threads that call at the same time; they share the memory.
    note : callable
        Called once if the processor has to sample.
    """

    cuda_devices: tuple[CudaDevice, ...]
    threads: int
    note: Note
    sizes: CallSizes = SIZES
    _failure: str = ""
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _limit: int = 0
    _shared_samples: dict[tuple[int, int, int], _SharedSample] = field(default_factory=dict)

    def __post_init__(self) -> None:
        smallest = min(device.available_bytes for device in self.cuda_devices)
        threads_of_a_device = -(-self.threads // len(self.cuda_devices))
        self._limit = int(MEMORY_SHARE * smallest) // threads_of_a_device

    @property
    def device(self) -> str:
        """Names of the devices, with a remark if the processor sampled too."""
        names = device_names(self.cuda_devices)
        return f"{names}, in part on the processor" if self._failure else names

    def sample(
        self,
        poses: Poses,
        coefficients: Array,
        item: WorkItem,
        query: PoseQuery,
        histogram_stack: HistogramStack,
        units: UnitArrays,
        outputs: PoseOutputs,
    ) -> None:
        """Sample a work item, on the device if possible.

        Parameters
        ----------
        poses, coefficients, item, query, histogram_stack, units, outputs
            As in `PoseSampler.sample`.
        """
        shared = None if self._failure else self._shared_sample(poses, coefficients, item)
        if shared is not None:
            of_block = shared.future.result()
            sampled = None if of_block is None else of_block.at(item.low, item.high)
        else:
            sampled = None if self._failure else self._try(poses, coefficients, item)
        if sampled is None:
            PROCESSOR.sample(poses, coefficients, item, query, histogram_stack, units, outputs)
        else:
            conclude: Any = conclude_poses
            figures = _with_figures(units, item, sampled)
            conclude(callees(), poses, item, query, histogram_stack, figures, outputs, sampled.counts)
        if shared is not None:
            self._leave(shared, item)
        elif sampled is not None:
            sampled.device.give_back(sampled.memory)

    def _shared_sample(self, poses: Poses, coefficients: Array, item: WorkItem) -> _SharedSample | None:
        """Sample of all poses together, made by the first thread that asks; None if it is large enough for calls of its
        own."""
        count = len(poses.direction)
        if count * item.units * UNIT_BYTES > SHARED_BYTES or _needed_bytes(count, item, coefficients) > self._limit:
            return None
        key = id(poses), item.first, item.units
        with self._lock:
            shared = self._shared_samples.get(key)
            is_first = shared is None
            if shared is None:
                shared = self._shared_samples[key] = _SharedSample(poses, Future(), count)
        if is_first:
            sampled = None
            try:
                sampled = self._try(poses, coefficients, item._replace(low=0, high=count))
            finally:  # whatever happens, nobody waits for ever
                shared.future.set_result(sampled)
        return shared

    def _leave(self, shared: _SharedSample, item: WorkItem) -> None:
        """Take the poses of an item out of a shared sample; after the last, give back its memory."""
        with self._lock:
            shared.open_poses -= item.high - item.low
            if shared.open_poses:
                return
            del self._shared_samples[id(shared.poses), item.first, item.units]
        sampled = shared.future.result()
        if sampled is not None:
            sampled.device.give_back(sampled.memory)

    def _try(self, poses: Poses, coefficients: Array, item: WorkItem) -> _DeviceSample | None:
        """Sample a work item on the device; None, with a note, if it cannot."""
        with self._lock:
            device = min(self.cuda_devices, key=lambda device: device.calls)
            device.calls += 1
        try:
            with device.active():
                return self._sample_on_device(device, poses, coefficients, item)
        except Exception as error:  # of the driver, the compiler or the memory
            with self._lock:
                if not self._failure:
                    self._failure = (str(error).strip() or type(error).__name__).splitlines()[0]
                    self.note(
                        f"{device_names(self.cuda_devices)} does not sample this ({self._failure}): the processor does"
                    )
            return None
        finally:
            with self._lock:
                device.calls -= 1

    def _sample_on_device(self, device: CudaDevice, poses: Poses, coefficients: Array, item: WorkItem) -> _DeviceSample:
        """Sample a work item on a device."""
        pose_count, blocks = item.high - item.low, -(-item.units // THREADS)
        if item.units * item.visits > MOST_COUNTS:
            raise OverflowError(f"{item.units} arms x {item.visits} visits at a time exceed its 32-bit counts")
        needed = _needed_bytes(pose_count, item, coefficients)
        if needed > self._limit:
            raise MemoryError(f"needed {needed / 2**30:.3g} GiB of its memory, allowed {self._limit / 2**30:.3g} GiB")
        with device.lock:
            memory, population = device.take_memory(), device.population(coefficients)
            packed = pack_poses(poses, item.low, item.high)
            inputs = [memory.to_device(name, values) for name, values in packed._asdict().items()]
            sizes, counts = memory.to_device("sizes", pack_sizes(poses, item)), memory.counts(pose_count)
            squared_errors = memory.array("squared errors", (pose_count, item.units), np.float64)
            statistics = memory.array("statistics", (pose_count, UNIT_STATISTICS, item.units), np.float64)
            totals = memory.array("totals", (pose_count, blocks, TOTALS), np.float64)
            outputs = counts, squared_errors, statistics, totals
            kernel_of(poses)[(blocks, pose_count), THREADS, memory.stream](*inputs, population, sizes, *outputs)
            host_totals = memory.to_host("totals", totals)
        memory.stream.synchronize()
        windows = np.empty((pose_count, WINDOWS, 3), dtype=np.int64)
        size = -(-find_windows(host_totals, windows) // GATHERED) * GATHERED
        with device.lock:
            gathered = memory.array("gathered", (size,), np.uint32)
            on_device = memory.to_device("windows", windows)
            gathering_kernel()[pose_count, GATHER_THREADS, memory.stream](counts, on_device, gathered)
            host_counts = memory.to_host("gathered", gathered)
            figures = memory.to_host("squared errors", squared_errors), memory.to_host("statistics", statistics)
        memory.stream.synchronize()
        return _DeviceSample(device, memory, DeviceCounts(windows, host_counts, host_totals), *figures)


def _needed_bytes(pose_count: int, item: WorkItem, coefficients: Array) -> int:
    """Memory on the device that a call needs. [bytes]"""
    blocks = -(-item.units // THREADS)
    return pose_count * (4 * BINS + UNIT_BYTES * item.units + 8 * blocks * TOTALS) + int(coefficients.nbytes)


def _with_figures(units: UnitArrays, item: WorkItem, sampled: _DeviceSample) -> UnitArrays:
    """Arrays of units with the figures of a sample."""
    pose_count = item.high - item.low
    if len(units.squared_errors) < pose_count:  # one row is used again for every pose: all units are in this item
        return units._replace(squared_errors=sampled.squared_errors, unit_statistics=sampled.unit_statistics)
    columns = slice(item.first, item.first + item.units)
    units.squared_errors[:pose_count, columns] = sampled.squared_errors
    units.unit_statistics[:pose_count, :, columns] = sampled.unit_statistics
    return units
