"""Amplitudes of waves near zero: the law of Rice by repetition, with noise drawn here."""

from __future__ import annotations

import math

import numpy as np
import pytest

from armsim.calibration.amplitude_interval import rice_amplitudes, rice_intervals
from armsim.physics.harmonics import fit_harmonics

TURN = 2 * math.pi


@pytest.mark.parametrize("truth", [0.0, 0.5, 1.0, 3.0, 10.0])
@pytest.mark.parametrize("spread", [1.0, 3.0])
def test_intervals_of_amplitudes_cover_the_truth(truth: float, spread: float) -> None:
    """400 fits with noise of a standard deviation of 1 and of ``spread`` across: 95 %, within 2.33 binomial deviations.

    Where the noise differs by direction the interval may cover more.
    """
    rng, repetitions, freedom = np.random.default_rng(round(10 * truth + spread)), 400, 20
    phase = rng.uniform(0, TURN, repetitions)
    noise = rng.normal(size=(repetitions, 2)) * np.array([1.0, spread])
    fitted = truth * np.stack([np.cos(phase), np.sin(phase)], axis=1) + noise
    variances = rng.chisquare(freedom, repetitions) / freedom
    covariances = variances[:, None, None] * np.diag([1.0, spread**2])
    low, high = rice_intervals(fitted, covariances, np.full(repetitions, freedom)).T
    assert np.all(low >= 0.0)
    share = float(np.mean((low <= truth) & (truth <= high)))
    tolerance = 2.33 * math.sqrt(0.95 * 0.05 / repetitions)
    assert share > 0.95 - tolerance
    assert share < 0.95 + tolerance or spread > 1.0
    if truth == 0.0:
        assert float(np.mean(low == 0.0)) == share  # one-sided


def test_amplitudes_of_fitted_curves_cover_the_truth() -> None:
    """400 curves at 24 equal steps, amplitudes of 0, 0.5, 1, 3 and 10 standard uncertainties: 93 to 97 % as a whole."""
    rng, t, shares = np.random.default_rng(15), np.arange(24) * TURN / 24, []
    sigma = math.sqrt(2 / 24)
    sizes = np.array([0.0, 0.5, 1.0, 3.0, 10.0]) * sigma
    for _ in range(400):
        phases = rng.uniform(0, TURN, 5)
        error = sum(a * np.cos(h * t + p) for h, (a, p) in enumerate(zip(sizes, phases, strict=True), 1))
        fit = fit_harmonics(t, error + rng.normal(0, 1, 24), (1, 2, 3, 4, 5), np.zeros(24))
        blocks = np.array([fit.covariance[2 * n : 2 * n + 2, 2 * n : 2 * n + 2] for n in range(5)])
        low, high = rice_intervals(fit.coefficients.reshape(5, 2), blocks, fit.freedom).T
        shares.append((low <= sizes) & (sizes <= high))
    assert np.all(np.abs(np.mean(shares, axis=0) - 0.95) < 2.33 * math.sqrt(0.95 * 0.05 / 400))


def test_squares_of_amplitudes_are_right_on_average() -> None:
    """Mean of the square without the noise's share: that of the wave, over 20 000 fits, 4 standard errors."""
    rng, n = np.random.default_rng(16), 20_000
    for truth in (3.0, 6.0):
        fitted = np.array([truth, 0.0]) + rng.normal(size=(n, 2))
        squares = rice_amplitudes(fitted, np.broadcast_to(np.eye(2), (n, 2, 2))) ** 2
        assert abs(squares.mean() - truth**2) < 4 * squares.std() / math.sqrt(n) + 0.03  # those cut off at 0
    assert rice_amplitudes(np.array([[1.0, 0.5]]), np.eye(2)[None]).tolist() == [0.0]


def test_critical_distances_are_those_of_simulated_amplitudes() -> None:
    """Interval of an amplitude fitted exactly: ends at which 95 % of 400 000 simulated fits are as near."""
    rng = np.random.default_rng(17)
    for truth in (0.0, 0.7, 2.0, 5.0):
        fitted = np.hypot(truth + rng.normal(size=400_000), rng.normal(size=400_000))
        distance = float(np.quantile(np.abs(fitted - truth), 0.95))
        edge = np.array([[truth + distance, 0.0]])
        low = rice_intervals(edge, np.eye(2)[None], 10**7)[0, 0]
        assert low == pytest.approx(truth, abs=0.02)
