"""Sums over points of the distribution of the visits at many poses, from which the scatter of an arm is integrated."""

from __future__ import annotations

import math

import numpy as np

from armsim.core.compile import Floats, compiled, subroutine

POINTS = 256
"""Points per block."""
DISTANCE_POWERS = 4
"""Sums of the distance f over points: f, f^2, f^3, f^4."""


@compiled
def sum_distance_powers(standardised: Floats, gains: Floats, sums: Floats) -> None:
    """Sums of the distance f = |sum over k of gains_k z_k|.

    Parameters
    ----------
    standardised : (coefficients, points)
        Standardised coefficients z; the points a multiple of `POINTS`.
    gains : (poses, coefficients, 3)
    sums : (poses, DISTANCE_POWERS), written
    """
    x, y, z = np.empty(POINTS), np.empty(POINTS), np.empty(POINTS)
    totals = np.empty((DISTANCE_POWERS, POINTS))
    for p in range(gains.shape[0]):
        totals[:] = 0.0
        for start in range(0, standardised.shape[1], POINTS):
            _displace(standardised, gains[p], start, x, y, z)
            _powers(x, y, z, totals[0], totals[1], totals[2], totals[3])
        for s in range(DISTANCE_POWERS):
            total = 0.0
            for u in range(POINTS):
                total += totals[s, u]
            sums[p, s] = total


@compiled
def sum_influences(standardised: Floats, gains: Floats, influences: Floats) -> None:
    """Sums of each coefficient times the direction of the displacement.

    Parameters
    ----------
    standardised, gains
        As in `sum_distance_powers`.
    influences : (poses, coefficients, 3), written
        Sum over points of z_k x / |x|.
    """
    x, y, z = np.empty(POINTS), np.empty(POINTS), np.empty(POINTS)
    totals = np.empty((gains.shape[1], 3, POINTS))
    for p in range(gains.shape[0]):
        totals[:] = 0.0
        for start in range(0, standardised.shape[1], POINTS):
            _displace(standardised, gains[p], start, x, y, z)
            _normalise(x, y, z)
            for k in range(gains.shape[1]):
                row = standardised[k][start : start + POINTS]
                _add_products(row, x, y, z, totals[k, 0], totals[k, 1], totals[k, 2])
        for k in range(gains.shape[1]):
            for j in range(3):
                total = 0.0
                for u in range(POINTS):
                    total += totals[k, j, u]
                influences[p, k, j] = total


@subroutine
def _displace(standardised: Floats, gains: Floats, start: int, x: Floats, y: Floats, z: Floats) -> None:
    x[:] = 0.0
    y[:] = 0.0
    z[:] = 0.0
    for k in range(gains.shape[0]):
        _add_three(standardised[k][start : start + POINTS], gains[k, 0], gains[k, 1], gains[k, 2], x, y, z)


@subroutine
def _add_three(row: Floats, gx: float, gy: float, gz: float, x: Floats, y: Floats, z: Floats) -> None:
    for u in range(x.shape[0]):
        x[u] += row[u] * gx
        y[u] += row[u] * gy
        z[u] += row[u] * gz


@subroutine
def _powers(x: Floats, y: Floats, z: Floats, sum_1: Floats, sum_2: Floats, sum_3: Floats, sum_4: Floats) -> None:
    for u in range(x.shape[0]):
        q = x[u] * x[u] + y[u] * y[u] + z[u] * z[u]
        f = math.sqrt(q)
        sum_1[u] += f
        sum_2[u] += q
        sum_3[u] += f * q
        sum_4[u] += q * q


@subroutine
def _normalise(x: Floats, y: Floats, z: Floats) -> None:
    for u in range(x.shape[0]):
        f = 1.0 / max(math.sqrt(x[u] * x[u] + y[u] * y[u] + z[u] * z[u]), 1e-300)
        x[u] *= f
        y[u] *= f
        z[u] *= f


@subroutine
def _add_products(row: Floats, x: Floats, y: Floats, z: Floats, a: Floats, b: Floats, c: Floats) -> None:
    for u in range(x.shape[0]):
        a[u] += row[u] * x[u]
        b[u] += row[u] * y[u]
        c[u] += row[u] * z[u]
