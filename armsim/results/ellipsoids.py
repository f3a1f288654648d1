"""Coverage ellipsoids: they contain a stated share of normal errors.

References
----------
.. [1] JCGM 102:2011 6.5.2: hyper-ellipsoidal coverage regions; the factor is the root of the chi-squared quantile.
"""

from __future__ import annotations

import math

import numpy as np

from armsim.arrays import Array

SHARE = 0.95


def coverage_factor(dimensions: int, share: float = SHARE) -> float:
    """Coverage factor of a normal distribution by its number of dimensions; 1.960, 2.448, 2.796 at 95 %."""
    from scipy.special import chdtri

    return math.sqrt(float(chdtri(dimensions, 1.0 - share)))


def ellipsoids(covariance: Array, share: float = SHARE) -> tuple[Array, Array]:
    """Semi-axes and directions of the coverage ellipsoids of covariances.

    Parameters
    ----------
    covariance : (P, n, n) [m^2]
    share : float

    Returns
    -------
    semi_axes : (P, n) [m]
        Longest first.
    directions : (P, n, n)
        Row k is the unit vector of semi-axis k.
    """
    values, vectors = np.linalg.eigh(covariance)
    factor = coverage_factor(covariance.shape[-1], share)
    semi_axes = factor * np.sqrt(np.maximum(values[..., ::-1], 0.0))
    return semi_axes, np.swapaxes(vectors[..., ::-1], -1, -2)
