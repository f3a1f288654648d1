"""Sub-divisional error and noise against sine and cosine through the arctangent."""

import numpy as np
import pytest
from support import curve

from armsim.physics.signal import noise, sub_divisional_error
from armsim.spreads import Spread


def through_arctangent(phase: np.ndarray, o_s: float, o_c: float, d: float, a: float) -> np.ndarray:
    """Phase error of an interpolator that takes the two signals at face value."""
    sine = (1 + d / 2) * np.sin(phase + a / 2) + o_s
    cosine = (1 - d / 2) * np.cos(phase - a / 2) + o_c
    out = np.arctan2(sine, cosine) - phase
    return out - 2 * np.pi * np.round(out / (2 * np.pi))


def test_ten_thousand_random_signals() -> None:
    """Source: brute force; first order of Heydemann (1981). The rest is bounded by the square of the sum."""
    generator = np.random.default_rng(1)
    order = 100.0
    position = generator.uniform(0, 2 * np.pi, 10_000)
    for o_s, o_c, d, a in generator.uniform(-0.03, 0.03, (10_000 // 100, 4)):
        terms = sub_divisional_error(
            order, Spread("fixed", 1.0), Spread("fixed", d or 1e-9), Spread("fixed", a or 1e-9)
        )
        coefficients = {
            "signal offset": np.array([o_s, o_c]),
            "amplitude mismatch": np.array([d]),
            "phase error": np.array([a]),
        }
        exact = through_arctangent(order * position[:100], o_s, o_c, d, a) / order
        bound = (abs(o_s) + abs(o_c) + abs(d) + abs(a)) ** 2 / order
        assert np.abs(curve(terms, position[:100], coefficients) - exact).max() < bound


def test_correction_leaves_the_rest() -> None:
    before = sub_divisional_error(64.0, Spread("uniform", 0.02), Spread("uniform", 0.01), Spread("uniform", 0.02))
    after = sub_divisional_error(64.0, Spread("uniform", 0.02), Spread("uniform", 0.01), Spread("uniform", 0.02), 0.9)
    for full, rest in zip(before, after, strict=True):
        assert rest.limit == pytest.approx(0.1 * full.limit)
        for a, b in zip(full.acts, rest.acts, strict=True):
            assert b.shape.gain == pytest.approx(0.1 * a.shape.gain)


def test_absent_quantities_make_no_terms() -> None:
    assert sub_divisional_error(64.0) == ()


@pytest.mark.parametrize("order", [64.0, 2 * np.pi / 20e-6])
def test_noise_through_the_arctangent(order: float) -> None:
    generator = np.random.default_rng(2)
    n, level = 200_000, 0.002
    phase = generator.uniform(0, 2 * np.pi, n)
    sine = np.sin(phase) + level * generator.standard_normal(n)
    cosine = np.cos(phase) + level * generator.standard_normal(n)
    turned = np.angle(np.exp(1j * (np.arctan2(sine, cosine) - phase))) / order
    (term,) = noise(order, level)
    # relative standard deviation of a standard deviation from n draws: 1/sqrt(2n); four of them
    assert np.sqrt(term.second_moment[0, 0]) == pytest.approx(turned.std(), rel=4 / np.sqrt(2 * n) + 1e-4)
    assert term.life == "visit"
