"""Choice of where poses are sampled: the processor, or a CUDA device where there is one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from armsim.errors import InputError, Problem
from armsim.run_options import RunOptions
from armsim.sampling.pose_sampler import PROCESSOR, PoseSampler

if TYPE_CHECKING:
    from armsim.sampling.cuda_sampler import CudaDevice

MIN_SAMPLES = 500_000_000
"""Pose-samples below which ``auto`` stays on the processor: a device needs seconds to make its kernels ready."""
MIN_UNITS = 1000
"""Units below which ``auto`` stays on the processor: a device works on all of them at a time."""
ACCEPTED = "cpu, or auto, which takes a device where there is one"


def check_device(options: RunOptions) -> None:
    """Refuse a device that is required and not available.

    Raises
    ------
    InputError
        There is none, or the samples are to be made in other processes.
    """
    if options.device != "cuda":
        return
    if options.in_other_processes:
        raise _refusal("cuda, with processes or a cluster: they sample on processors")
    if not _devices():
        raise _refusal("cuda: no CUDA device, or no driver of it (pip install 'armsim[cuda]')")


def pose_sampler(options: RunOptions, samples: int, units: int) -> PoseSampler:
    """Sampler of a run.

    Parameters
    ----------
    options : RunOptions
    samples, units : int
        Pose-samples and units of the run, by which ``auto`` decides.

    Returns
    -------
    PoseSampler

    Raises
    ------
    InputError
        A device is required and not available.
    """
    check_device(options)
    by_size = options.device == "auto" and samples >= MIN_SAMPLES and units >= MIN_UNITS
    if options.device != "cuda" and (not by_size or options.in_other_processes):
        return PROCESSOR
    cuda_devices = _devices()
    if not cuda_devices:
        options.note("no CUDA device: sampling on the processor")
        return PROCESSOR
    from armsim.sampling.cuda_sampler import CudaSampler, device_names

    options.note(f"sampling on {device_names(cuda_devices)}")
    return CudaSampler(cuda_devices, options.threads, options.note)


def _devices() -> tuple[CudaDevice, ...]:
    """The devices; none where there is none, or their library is not installed."""
    try:
        from armsim.sampling.cuda_sampler import cuda_devices
    except ImportError:
        return ()
    return cuda_devices()


def _refusal(actual: str) -> InputError:
    return InputError(Problem("device", 0, 0, "", actual, ACCEPTED))
