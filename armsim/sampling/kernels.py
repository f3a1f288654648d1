"""Compilation of the kernels in a separate process, on the first run on a machine."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial

from armsim.core.compile import cache_folder

LONGEST_KERNEL_CACHE = "sample_kernel.sample_units*.nbi"
"""Cache index of the kernel that takes longest to compile."""
COMPILE_COMMAND = "from armsim.sampling.kernels import compile_sampling_kernels; compile_sampling_kernels()"


@contextmanager
def compiled_kernels(note: Callable[[str], None]) -> Iterator[Callable[[], None]]:
    """Compile the sampling kernels in the background; call the yielded function before they are needed.

    Does nothing where they are cached, or nothing can be cached.
    """
    folder = cache_folder()
    if folder is None or any(folder.rglob(LONGEST_KERNEL_CACHE)):
        yield lambda: None
        return
    note("compiling the kernels: this once, some 15 s")
    process = subprocess.Popen(
        [sys.executable, "-c", COMPILE_COMMAND], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        yield partial(_finished, process)
    finally:
        process.kill()
        process.wait()


def _finished(process: subprocess.Popen[bytes]) -> None:
    compile_quantile_kernels()  # the other process compiles these last
    process.wait()


def compile_quantile_kernels() -> None:
    """Estimate quantiles of empty counts, so that their kernels are compiled and cached."""
    import numpy as np

    from armsim.core.quantiles import estimate_quantiles
    from armsim.core.sample_kernel import Histograms
    from armsim.sampling.kernel_arrays import empty_histograms, quantile_query
    from armsim.sampling.statistics import TAIL

    histogram_stack = empty_histograms(1)
    histogram_stack.ratio[:, :, 0] = histogram_stack.linear[:, :, 0] = 1
    histogram_stack.extremes[:] = 0.0
    histograms, bin_scales = Histograms(*(counts[0] for counts in histogram_stack)), np.array([[0.0, 1.0]] * 3)
    estimate_quantiles(histograms, bin_scales, quantile_query([0], [0.5], [True], 2, 2), 2, 2, TAIL, np.empty((3, 1)))


def compile_sampling_kernels() -> None:
    """Sample a machine of one joint, so that all kernels of sampling are compiled and cached."""
    import numpy as np

    from armsim.errormodel.distributions import Distribution
    from armsim.model.arm import Arm
    from armsim.model.chain import denavit_hartenberg
    from armsim.model.configurations import Configurations
    from armsim.model.encoder import Encoder
    from armsim.model.encoder_parts import SheetSummary
    from armsim.model.joint import Joint
    from armsim.model.kinematics import ArmJoint
    from armsim.model.machine import Machine
    from armsim.sampling.population import TaskConfigurations
    from armsim.sampling.run_options import RunOptions
    from armsim.sampling.sampler import sampling
    from armsim.sampling_plan import SamplingPlan

    arm = Arm("one", (ArmJoint("j1", True, -1.0, 1.0),), tuple(denavit_hartenberg(0, "j1", True, 0.0, 0.0, 0.1, 0.0)))
    sensor = Encoder("one", summary=SheetSummary(20.0, repeatability=Distribution("normal", 1e-6)))
    machine = Machine(arm, (Joint("j1", sensor),))
    tasks = [TaskConfigurations("one", Configurations(np.zeros((1, 1))))]
    with sampling(machine, 0.95, RunOptions(workers=1)) as sampler:
        sampler.run(SamplingPlan(64, 2, 1), tasks)
