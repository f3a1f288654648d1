"""Stored draws of the unit coefficients, in memory or in an unnamed file.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Sequence
from typing import IO

import numpy as np

from armsim.arrays import Array
from armsim.core.kernel_digest import LANES
from armsim.errormodel.terms import Term
from armsim.sampling.random_draws import UNIT_BLOCK, draw_units
from armsim.sampling_plan import SamplingPlan

DISK_SHARE = 0.5
"""Most of the free disk space that the file may take, as a share."""


class UnitDraws:
    """Stored draws of the unit coefficients of a whole population.

    Parameters
    ----------
    terms : sequence of Term
        Terms of a machine at rest.
    plan : SamplingPlan
    in_memory : bool
        Whether they are stored in memory; otherwise in a file, which the system removes with the process.

    Raises
    ------
    OSError
        There is no room for the file.
    """

    def __init__(self, terms: Sequence[Term], plan: SamplingPlan, in_memory: bool) -> None:
        self._coefficients: Array | None = None
        self._file: IO[bytes] | None = None
        rows = sum(len(term.mean) for term in terms if term.life == "unit")
        if in_memory or not rows:
            self._coefficients = draw_units(terms, plan)
            return
        self._shape = (rows, UNIT_BLOCK)
        needed = 8 * rows * UNIT_BLOCK * -(-plan.units // UNIT_BLOCK)
        if not hasattr(os, "preadv") or needed > DISK_SHARE * shutil.disk_usage(tempfile.gettempdir()).free:
            raise OSError("no room for the file of the population")
        self._file = tempfile.TemporaryFile(prefix="armsim-")  # noqa: SIM115  open as long as the population is needed
        for first in range(0, plan.units, UNIT_BLOCK):
            draw_units(terms, plan, first, UNIT_BLOCK).tofile(self._file)
        self._file.flush()

    def coefficients(self, first: int, units: int) -> Array:
        """Coefficients of a range of units, shape (coefficients, units rounded up to a multiple of `LANES`).

        ``first`` is a multiple of `UNIT_BLOCK`.

        Parameters
        ----------
        first : int
        units : int

        Returns
        -------
        (coefficients, units rounded up to a multiple of `LANES`)
        """
        columns = -(-units // LANES) * LANES
        if self._coefficients is not None:
            if first == 0 and columns == self._coefficients.shape[1]:
                return self._coefficients
            return np.ascontiguousarray(self._coefficients[:, first : first + columns])
        assert self._file is not None  # one of the two
        out, block = np.empty((self._shape[0], columns)), np.empty(self._shape)
        for start in range(0, columns, UNIT_BLOCK):
            os.preadv(self._file.fileno(), [block.data.cast("B")], 8 * self._shape[0] * (first + start))
            out[:, start : start + UNIT_BLOCK] = block[:, : columns - start]
        return out
