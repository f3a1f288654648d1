"""Quantiles, intervals and verdicts."""

import numpy as np
import pytest

from armsim.engine import statistics as stats


def test_clopper_pearson() -> None:
    """Source: the rule of the closed ends: 0 of n has the upper end 1 - 0.025^(1/n); and scipy.stats.binomtest."""
    from scipy.stats import binomtest

    assert stats.clopper_pearson(0, 20) == (0.0, pytest.approx(1 - 0.025 ** (1 / 20)))
    assert stats.clopper_pearson(20, 20) == (pytest.approx(0.025 ** (1 / 20)), 1.0)
    for passed, n in ((1, 10), (95, 100), (1980, 2000)):
        reference = binomtest(passed, n).proportion_ci(0.95, method="exact")
        assert stats.clopper_pearson(passed, n) == (pytest.approx(reference.low), pytest.approx(reference.high))


def test_quantile_is_a_member_of_the_sample() -> None:
    """Source: definition; numpy.quantile with the inverted distribution function."""
    x = np.sort(np.random.default_rng(0).random(1000))
    for p in (0.001, 0.5, 0.95, 0.999):
        assert stats.quantile(x, p) == np.quantile(x, p, method="inverted_cdf")
    assert stats.quantile(x, 0.0) == x[0]
    assert stats.quantile(x, 1.0) == x[-1]


@pytest.mark.parametrize("share", [0.0, 0.5, 0.9])
def test_interval_of_a_nested_quantile_covers(share: float) -> None:
    """Intervals must hold the true quantile in 95 % of repeated populations, however much of the scatter is of unit life.

    Source: brute force: 400 populations of 200 units and 10 visits, normal, true 95 % quantile 1.6449.
    """
    generator = np.random.default_rng(7)
    trials, units, visits = 400, 200, 10
    held = 0
    for _ in range(trials):
        standing = np.sqrt(share) * generator.standard_normal(units)
        values = standing + np.sqrt(1 - share) * generator.standard_normal((visits, units))
        interval = stats.nested_quantile(values, np.sort(values, axis=None), 0.95).interval
        assert interval is not None
        held += interval[0] <= 1.6448536 <= interval[1]
    # binomial scatter of the coverage itself: sqrt(0.95*0.05/400) = 1.1 %; three of them below, anything above
    assert held / trials >= 0.95 - 3 * 0.011


def test_one_unit_has_no_interval() -> None:
    values = np.array([[1.0], [2.0], [3.0]])
    assert stats.nested_quantile(values, np.sort(values, axis=None), 0.5).interval is None
    assert stats.unit_quantile(np.array([1.0]), 0.95).interval is None


def test_interval_over_units_covers() -> None:
    """Source: brute force: 600 samples of 100 units, true 95 % quantile of a uniform law 0.95."""
    generator = np.random.default_rng(8)
    held = 0
    for _ in range(600):
        interval = stats.unit_quantile(np.sort(generator.random(100)), 0.95).interval
        assert interval is not None
        held += interval[0] <= 0.95 <= interval[1]
    assert held / 600 >= 0.95 - 3 * 0.009
