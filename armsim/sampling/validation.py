"""Validation of first order by Monte Carlo."""

from __future__ import annotations

import math

import numpy as np

from armsim.arrays import Array
from armsim.errormodel.distributions import NORMAL_95
from armsim.results.poses import VERDICTS
from armsim.sampling import statistics as stats

RESOLVED_HALF_WIDTHS = 2.0
"""Half-widths by which an end must differ. They are nearly four standard deviations, which chance exceeds once in ten
thousand ends: seldom with six ends at hundreds of poses.
"""


def validate(mean: Array, covariance: Array, ends: Array, intervals: Array) -> dict[str, Array]:
    """Compare the coverage intervals of every coordinate by both methods, to two significant digits and to one.

    The tolerance is that of the largest coordinate: a coordinate with a small error is not held to its own digits. What
    decides is the interval end that is most certain to differ, or else the one least certain to agree.

    Parameters
    ----------
    mean : (poses, 3) [m], covariance : (poses, 3, 3) [m^2]
        Moments of the first-order model.
    ends : (poses, 3, 2) [m]
        The 2.5 % and the 97.5 % quantile of each coordinate by Monte Carlo.
    intervals : (poses, 3, 2, 2) [m]
        95 % intervals of those quantiles; nan where the sample is too small.

    Returns
    -------
    dict of (poses, 2)
        Fields of `results.poses.Validation`; verdicts as numbers of `VERDICTS`.

    References
    ----------
    .. [1] JCGM 101:2008 clause 8, and 7.9.2 for the tolerance.
    """
    poses = len(mean)
    std = np.sqrt(np.einsum("pii->pi", covariance))
    predicted = mean[:, :, None] + NORMAL_95 * std[:, :, None] * np.array([-1.0, 1.0])
    deviation = np.abs(predicted - ends).reshape(poses, 6)
    half_width = (intervals[..., 1] - intervals[..., 0]).reshape(poses, 6) / 2
    half_width = np.where(np.isnan(half_width), math.inf, half_width)
    tolerance = np.stack([stats.numerical_tolerance(std.max(axis=1), digits) for digits in (2, 1)], axis=1)
    all_poses = np.arange(poses)
    most_certain = np.argmax(deviation - RESOLVED_HALF_WIDTHS * half_width, axis=1)
    least_certain = np.argmax(deviation + half_width, axis=1)
    differs = (deviation - RESOLVED_HALF_WIDTHS * half_width)[all_poses, most_certain][:, None] > tolerance
    deciding_end = np.where(differs, most_certain[:, None], least_certain[:, None])
    difference, sampling = deviation[all_poses[:, None], deciding_end], half_width[all_poses[:, None], deciding_end]
    verdict = np.full((poses, 2), VERDICTS.index("undecided"))
    verdict[difference + sampling <= tolerance] = VERDICTS.index("agrees")
    verdict[difference - RESOLVED_HALF_WIDTHS * sampling > tolerance] = VERDICTS.index("differs")
    return {
        "digits": np.tile([2, 1], (poses, 1)),
        "difference": difference,
        "tolerance": tolerance,
        "sampling": np.where(np.isfinite(sampling), sampling, np.nan),
        "verdict": verdict,
    }
