"""How the population is drawn."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator, Philox
from numpy.typing import NDArray

from armsim.core.population import LANES
from armsim.spreads import Array
from armsim.terms import Term

UNIT_BLOCK = 4 * LANES
"""Units drawn by one generator: more units extend a population and leave its first units as they were."""


@dataclass(frozen=True)
class SamplingPlan:
    """Built units, visits of every unit to every pose, and the seed of all random numbers."""

    units: int = 2000
    visits: int = 30
    seed: int = 1


def key(seed: int, *names: object) -> bytes:
    """Sixteen bytes that stand for a seed and names: the key of one stream of random numbers.

    Keyed by name, not by place in a list, so that two machines draw the same numbers for the same cause on the same
    joint, whatever else differs between them.
    """
    text = "\x1f".join([str(seed), *(str(name) for name in names)])
    return hashlib.blake2b(text.encode(), digest_size=16).digest()


def draw_units(terms: Sequence[Term], plan: SamplingPlan) -> Array:
    """Coefficients of unit life of every unit, shape (coefficients, units), in the order of the terms."""
    blocks = range(0, plan.units, UNIT_BLOCK)
    rows = [np.zeros((0, plan.units))]
    for term in terms:
        if term.life == "unit":
            drawn = [
                term.draw(Generator(Philox(key=int.from_bytes(key(plan.seed, term.name, start), "little"))), UNIT_BLOCK)
                for start in blocks
            ]
            rows.append(np.concatenate(drawn, axis=1)[:, : plan.units])
    return np.ascontiguousarray(np.concatenate(rows))


def visit_key(seed: int, term: Term, coefficient: int) -> NDArray[np.uint32]:
    """Key of one coefficient of visit life, shape (2,)."""
    return np.frombuffer(key(seed, term.name, "visit", coefficient)[:8], dtype="<u4").astype(np.uint32)
