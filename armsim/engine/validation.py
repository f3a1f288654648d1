"""First order held against Monte Carlo."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from armsim.engine import statistics as stats
from armsim.engine.firstorder import Linearised
from armsim.results import Comparison, Verdict
from armsim.spreads import Array

NORMAL_95 = 1.959963984540054
"""Coverage factor of a normal law at 95 %."""


def validate(linear: Linearised, pose: int, displacement: Array, bins: NDArray[np.int16]) -> tuple[Comparison, ...]:
    """Coverage intervals of every coordinate by both ways, compared to two significant digits and to one.

    The tolerance is that of the largest coordinate: a coordinate that hardly errs is not held to its own digits.

    Parameters
    ----------
    linear : Linearised
    pose : int
        Its number there.
    displacement : (3, visits, units) [m]
    bins : (visits * units,) int16
        Room to work in, as in `statistics.Ranked`.

    References
    ----------
    .. [1] JCGM 101:2008 clause 8, and 7.9.2 for the tolerance.
    """
    std = np.sqrt(np.diag(linear.covariance[pose]))
    rows: list[tuple[float, float]] = []
    for axis in range(3):
        values = displacement[axis]
        low, high = stats.nested_quantiles(values, (0.025, 0.975), bins)
        centre, half = float(linear.mean[pose, axis]), NORMAL_95 * float(std[axis])
        for end, found in ((centre - half, low), (centre + half, high)):
            wide = math.inf if found.interval is None else (found.interval[1] - found.interval[0]) / 2
            rows.append((abs(end - found.value), wide))
    return tuple(_compare(digits, rows, stats.numerical_tolerance(float(std.max()), digits)) for digits in (2, 1))


def _compare(digits: int, rows: list[tuple[float, float]], tolerance: float) -> Comparison:
    """The interval end that decides: the one surest to differ, or else the one least sure to agree."""
    surest = max(rows, key=lambda row: row[0] - row[1])
    difference, sampling = surest if surest[0] - surest[1] > tolerance else max(rows, key=lambda row: row[0] + row[1])
    verdict: Verdict = "undecided"
    if difference - sampling > tolerance:
        verdict = "differs"
    elif difference + sampling <= tolerance:
        verdict = "agrees"
    return Comparison(digits, difference, tolerance, sampling if math.isfinite(sampling) else None, verdict)
