"""Worked examples of JCGM 101:2008 through the engine's own draws and statistics.

Values from memory, recomputed by independent draws; the analytic ones are derived beside the check.
"""

import numpy as np
import pytest

from armsim.errormodel.distributions import Distribution
from armsim.sampling import statistics as stats

N = 1_000_000


def model(*spreads: Distribution, seed: int = 1) -> np.ndarray:
    generator = np.random.default_rng(seed)
    return np.sort(sum(spread.draw(generator, N) for spread in spreads))


def symmetric(ordered: np.ndarray) -> tuple[float, float]:
    """Probabilistically symmetric 95 % interval, 7.7.2."""
    return stats.quantile(ordered, 0.025), stats.quantile(ordered, 0.975)


def test_9_2_2_four_normal_quantities() -> None:
    """u = 2.0, interval [-3.92, 3.92]."""
    y = model(*[Distribution("normal", 1.0)] * 4)
    assert y.std() == pytest.approx(2.0, abs=4 * 2 / np.sqrt(2 * N))
    low, high = symmetric(y)
    # standard deviation of a quantile: sqrt(p(1-p)/N) over the density there, 0.0292 / 2
    tolerance = 4 * np.sqrt(0.025 * 0.975 / N) / (0.05845 / 2)
    assert (low, high) == (pytest.approx(-3.92, abs=tolerance), pytest.approx(3.92, abs=tolerance))


def test_9_2_3_four_rectangular_quantities_of_the_same_width() -> None:
    """u = 2.0, shortest interval [-3.88, 3.88]; first order says 3.92: 0.04 apart, validated to two digits (0.05)."""
    y = model(*[Distribution("uniform", np.sqrt(3))] * 4)
    assert y.std() == pytest.approx(2.0, abs=4 * 2 / np.sqrt(2 * N))
    low, high = symmetric(y)
    assert (low, high) == (pytest.approx(-3.88, abs=0.012), pytest.approx(3.88, abs=0.012))
    assert stats.numerical_tolerance(2.0, 2) == 0.05
    assert abs(3.92 - high) < stats.numerical_tolerance(2.0, 2)  # validated to two digits
    assert abs(3.92 - high) > stats.numerical_tolerance(2.0, 3)  # and not to three


def test_9_2_4_one_dominant_rectangular_quantity() -> None:
    """u = 10.1, interval [-17.0, 17.0] against +-19.9 by first order; of a symmetric law the shortest is symmetric."""
    y = model(*[Distribution("uniform", np.sqrt(3))] * 3, Distribution("uniform", 10 * np.sqrt(3)))
    assert y.std() == pytest.approx(np.sqrt(103), rel=4 / np.sqrt(2 * N))
    low, high = symmetric(y)
    assert (low, high) == (pytest.approx(-17.0, abs=0.1), pytest.approx(17.0, abs=0.1))
    assert 1.96 * y.std() == pytest.approx(19.9, abs=0.05)


@pytest.mark.parametrize(
    ("u", "digits", "expected"),
    [(0.1, 2, 0.005), (35e-6, 2, 0.5e-6), (0.0996, 2, 0.005), (7.2, 1, 0.5), (1e-9, 2, 0.5e-10)],
)
def test_7_9_2_numerical_tolerance(u: float, digits: int, expected: float) -> None:
    """Source: JCGM 101:2008 7.9.2, examples of the rule by hand: 35 g has c = 35, l = 0 and tolerance 0.5 g."""
    assert stats.numerical_tolerance(u, digits) == pytest.approx(expected)
