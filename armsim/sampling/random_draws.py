"""Random draws of the population: coefficients of its units, and keys of the streams of random numbers.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np
from numpy.random import Generator, Philox
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.core.kernel_digest import LANES
from armsim.errormodel.draws import FollowingDraw, TableDraw
from armsim.errormodel.terms import Term
from armsim.sampling_plan import SamplingPlan

UNIT_BLOCK = 8 * LANES
"""Units per random generator: more units extend a population without changing its first units."""


def stream_key(seed: int, *names: object) -> bytes:
    """Key of a stream of random numbers: sixteen bytes from seed and names.

    Keyed by name, not by position in a list, so that two machines draw the same numbers for the same cause on the same
    joint, whatever else differs between them.

    Parameters
    ----------
    seed : int
    *names : object
        Converted to text.

    Returns
    -------
    bytes
        Sixteen bytes.
    """
    text = "\x1f".join([str(seed), *(str(name) for name in names)])
    return hashlib.blake2b(text.encode(), digest_size=16).digest()


def draw_units(terms: Sequence[Term], plan: SamplingPlan, first: int = 0, units: int | None = None) -> Array:
    """Unit coefficients of a range of units, in the order of the terms.

    Parameters
    ----------
    terms : sequence of Term
    plan : SamplingPlan
    first : int
        Number of the first unit, a multiple of `UNIT_BLOCK`.
    units : int, optional
        All of the plan where not given.

    Returns
    -------
    (coefficients, units), with the units rounded up to a multiple of `LANES`
    """
    if first % UNIT_BLOCK:
        raise ValueError(f"first unit {first} is not a multiple of {UNIT_BLOCK}")
    lanes = -(-(plan.units if units is None else units) // LANES) * LANES
    draws = [term.draw for term in terms if term.life == "unit"]
    names = [term.name for term in terms if term.life == "unit"]
    out = np.empty((sum(len(draw.limits) for draw in draws), lanes))
    first_rows = dict(zip(names, np.cumsum([0, *(len(draw.limits) for draw in draws)]).tolist(), strict=False))
    for start in range(0, lanes, UNIT_BLOCK):
        row = 0
        for draw, name in zip(draws, names, strict=True):
            if isinstance(draw, TableDraw):
                values = draw.coefficients_of_units(plan.seed, first + start, UNIT_BLOCK)
            else:
                values = draw(Generator(_philox(plan.seed, name, first + start)), UNIT_BLOCK)
            out[row : row + len(values), start : start + UNIT_BLOCK] = values[:, : lanes - start]
            row += len(values)
    for draw, name in zip(draws, names, strict=True):
        for other, response in draw.response.items() if isinstance(draw, FollowingDraw) else ():
            if other in first_rows:
                conditional = response @ out[first_rows[other] : first_rows[other] + response.shape[1]]
                out[first_rows[name] : first_rows[name] + len(conditional)] += conditional
    return out


def _philox(seed: int, *names: object) -> Philox:
    return Philox(key=int.from_bytes(stream_key(seed, *names), "little"))


def visit_key(seed: int, term: Term, coefficient: int) -> NDArray[np.uint32]:
    """Key of one coefficient of visit life, shape (2,).

    Parameters
    ----------
    seed : int
    term : Term
    coefficient : int

    Returns
    -------
    (2,) uint32
    """
    return np.frombuffer(stream_key(seed, term.name, "visit", coefficient)[:8], dtype="<u4").astype(np.uint32)
