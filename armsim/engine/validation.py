"""First order held against Monte Carlo."""

from __future__ import annotations

import math

import numpy as np

from armsim.arrays import Array
from armsim.engine import statistics as stats
from armsim.engine.firstorder import Linearised
from armsim.errormodel.distributions import NORMAL_95
from armsim.results.poses import Validation, Verdict

SURE = 2.0
"""Half-widths by which an end must differ: six ends at hundreds of poses are looked at, and at nearly four standard
deviations (one in ten thousand) hardly one of them differs by chance."""


def validate(linear: Linearised, pose: int, ends: Array, intervals: Array) -> tuple[Validation, ...]:
    """Coverage intervals of every coordinate by both ways, compared to two significant digits and to one.

    The tolerance is that of the largest coordinate: a coordinate that hardly errs is not held to its own digits.

    Parameters
    ----------
    linear : Linearised
    pose : int
        Its number there.
    ends : (3, 2) [m]
        The 2.5 % and the 97.5 % quantile of each coordinate by Monte Carlo.
    intervals : (3, 2, 2) [m]
        Of those; nan where the sample cannot tell.

    References
    ----------
    .. [1] JCGM 101:2008 clause 8, and 7.9.2 for the tolerance.
    """
    std = np.sqrt(np.diag(linear.covariance[pose]))
    predicted = linear.mean[pose][:, None] + NORMAL_95 * std[:, None] * np.array([-1.0, 1.0])
    wide = (intervals[:, :, 1] - intervals[:, :, 0]) / 2
    wide = np.where(np.isnan(wide), math.inf, wide)
    rows = list(zip(np.abs(predicted - ends).ravel().tolist(), wide.ravel().tolist(), strict=True))
    return tuple(_compare(digits, rows, stats.numerical_tolerance(float(std.max()), digits)) for digits in (2, 1))


def _compare(digits: int, rows: list[tuple[float, float]], tolerance: float) -> Validation:
    """The interval end that decides: the one surest to differ, or else the one least sure to agree."""
    surest = max(rows, key=lambda row: row[0] - SURE * row[1])
    least = max(rows, key=lambda row: row[0] + row[1])
    difference, sampling = surest if surest[0] - SURE * surest[1] > tolerance else least
    verdict: Verdict = "undecided"
    if difference - SURE * sampling > tolerance:
        verdict = "differs"
    elif difference + sampling <= tolerance:
        verdict = "agrees"
    return Validation(digits, difference, tolerance, sampling if math.isfinite(sampling) else None, verdict)
