"""Sampling of chunks in another process, which keeps what is common to all chunks of a run.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import pickle
import threading
from dataclasses import dataclass, field, replace
from functools import lru_cache

from armsim.sampling.chunk import PoseChunk, RunSpec
from armsim.sampling.chunk_sampler import ChunkResult, sample_chunk
from armsim.sampling.unit_draws import UnitDraws


@dataclass(eq=False)
class _DrawnSpecs:
    """Specification of a run, with the population at rest and in motion as soon as a chunk needs it."""

    spec: RunSpec
    specs: dict[bool, RunSpec] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def with_draws(self, in_motion: bool) -> RunSpec:
        """The specification with stored draws, where the memory allowed is enough for all units at once."""
        spec = self.spec
        if not spec.layout.all_units_at_once:
            return spec
        with self.lock:
            if in_motion not in self.specs:
                machine = spec.machine.moving if in_motion else spec.machine
                draws = UnitDraws(machine.terms, spec.plan, in_memory=True)
                self.specs[in_motion] = replace(spec, draws_moving=draws) if in_motion else replace(spec, draws=draws)
            return self.specs[in_motion]


def pickled_spec(spec: RunSpec) -> bytes:
    """A specification without its draws, pickled once for all chunks."""
    return pickle.dumps(replace(spec, draws=None, draws_moving=None))


@lru_cache(maxsize=1)
def _drawn_specs(pickled: bytes) -> _DrawnSpecs:
    """Population of a pickled specification, unpacked once per process."""
    return _DrawnSpecs(pickle.loads(pickled))


def sample_in_process(pickled: bytes, units: int, chunk: PoseChunk) -> ChunkResult:
    """Sample the first units at the poses of a chunk; a population is drawn once per process, not per chunk.

    Parameters
    ----------
    pickled : bytes
        As `pickled_spec` returns it.
    units : int
    chunk : PoseChunk

    Returns
    -------
    ChunkResult
    """
    spec = _drawn_specs(pickled).with_draws(chunk.configurations.is_path)
    return sample_chunk(spec, chunk, units)
