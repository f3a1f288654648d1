"""Interface of the samplers of poses, and the implementation for the processor.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from armsim.arrays import Array
from armsim.core.pose_kernel import HistogramStack, PoseOutputs, PoseQuery, Poses, UnitArrays, WorkItem, sample_poses


@dataclass(frozen=True)
class CallSizes:
    """Sizes of the calls of a sampler, each much longer than its preparation, and short enough for a stop.

    Parameters
    ----------
    poses : int
        Largest number of poses per call where all units are drawn at once.
    pose_bytes : int
        Memory of a pose of such a call, beside that of its units and histograms. [bytes]
    unit_bytes : int
        Largest memory of the units of such a call. [bytes]
    short_poses, short_samples : int
        Largest number of poses and of pose-samples of a call where a stop must be noticed soon, for some 20 ms.
    chunk_samples : int
        Pose-samples of a chunk, below which its preparation would take longer than its sampling.
    samples_at_once : int
        Pose-samples up to which an answer that could grow is sampled at once.
    """

    poses: int = 8
    pose_bytes: int = 0
    unit_bytes: int = 4 * 2**20
    short_poses: int = 4
    short_samples: int = 400_000
    chunk_samples: int = 100_000
    samples_at_once: int = 0


class PoseSampler(Protocol):
    """Sampler of poses: the draws, kinematics and statistics are the same on every device."""

    @property
    def sizes(self) -> CallSizes:
        """Sizes of its calls."""

    @property
    def device(self) -> str:
        """Name of the device that sampled; empty for the processor."""

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
        """Sample a work item; called by several threads at a time.

        Parameters
        ----------
        poses : Poses
        coefficients : (coefficients, units of the block, or more)
        item : WorkItem
        query : PoseQuery
        histogram_stack : HistogramStack
        units : UnitArrays
        outputs : PoseOutputs
            As in `core.pose_kernel.sample_poses`, which says what is written.
        """


@dataclass(frozen=True)
class ProcessorSampler:
    """Sampling by the processor."""

    sizes: CallSizes = CallSizes()
    device: str = ""

    sample = staticmethod(sample_poses)


PROCESSOR = ProcessorSampler()
