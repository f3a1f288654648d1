"""Quantile of the length of a normal vector."""

from __future__ import annotations

import numpy as np

from armsim.arrays import Array


def quantile_by_moments(mean: Array, covariance: Array, p: float) -> Array:
    """Quantile of |m + N(0, C)| at every pose, shape (poses,), accurate to 2 % at 95 %.

    From three cumulants of the square:

        c_k = tr C^k + k m^T C^(k-1) m,   h = c_2^3 / c_3^2,   q^2 = c_1 + (chi2_h(p) - h) sqrt(c_2 / h)

    Parameters
    ----------
    mean : (poses, 3) [m]
    covariance : (poses, 3, 3) [m^2]
    p : float

    Returns
    -------
    (poses,)
        In the unit of the mean.

    References
    ----------
    .. [1] Imhof, Biometrika 48 (1961) 419, eq. 4.1: Pearson's approximation of quadratic forms.
    """
    from scipy.special import chdtri

    trace = np.trace(covariance, axis1=1, axis2=2)
    size = np.maximum(trace + np.sum(mean**2, axis=1), 1e-300)
    unit, scaled_mean = covariance / size[:, None, None], mean / np.sqrt(size)[:, None]
    power, cumulants = np.broadcast_to(np.eye(3), unit.shape), []
    for k in (1, 2, 3):
        mean_term = np.einsum("pi,pij,pj->p", scaled_mean, power, scaled_mean)
        power = power @ unit
        cumulants.append(np.trace(power, axis1=1, axis2=2) + k * mean_term)
    c1, c2, c3 = cumulants
    no_scatter = c3 <= 1e-30  # nothing but a mean
    h = np.where(no_scatter, 1.0, c2**3 / np.where(no_scatter, 1.0, c3) ** 2)
    square = c1 + (chdtri(h, 1.0 - p) - h) * np.sqrt(c2 / h)
    return np.asarray(np.sqrt(size * np.where(no_scatter, np.sum(scaled_mean**2, axis=1), np.maximum(square, 0.0))))
