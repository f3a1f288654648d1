"""Quantiles, intervals and verdicts."""

import numpy as np
import pytest
from support import counted

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

    Source: brute force: 400 populations of 200 units and 10 visits, lognormal, true 95 % quantile exp(1.6449).
    """
    generator = np.random.default_rng(7)
    trials, units, visits = 400, 200, 10
    held = 0
    for _ in range(trials):
        standing = np.sqrt(share) * generator.standard_normal(units)
        values = standing + np.sqrt(1 - share) * generator.standard_normal((visits, units))
        interval = counted(np.exp(values)).estimates([0.95])[1][0]
        held += interval[0] <= np.exp(1.6448536) <= interval[1]
    # binomial scatter of the coverage itself: sqrt(0.95*0.05/400) = 1.1 %; three of them below, anything above
    assert held / trials >= 0.95 - 3 * 0.011


def test_one_unit_has_no_interval() -> None:
    values = np.array([[1.0], [2.0], [3.0]])
    assert np.isnan(counted(values).estimates([0.5])[1]).all()
    assert stats.unit_quantiles(np.array([1.0]), [0.95])[0].interval is None


def test_interval_over_units_covers() -> None:
    """Source: brute force: 600 samples of 100 units, true 95 % quantile of a uniform law 0.95."""
    generator = np.random.default_rng(8)
    held = 0
    for _ in range(600):
        interval = stats.unit_quantiles(generator.random(100), [0.95])[0].interval
        assert interval is not None
        held += interval[0] <= 0.95 <= interval[1]
    assert held / 600 >= 0.95 - 3 * 0.009


@pytest.mark.parametrize("units", [10, 30, 73, 80])
def test_too_few_units_have_no_interval(units: int) -> None:
    """The largest of n bounds a 95 % quantile from above with probability 1 - 0.95^n: at least 72 are needed."""
    interval = stats.unit_quantiles(np.random.default_rng(0).random(units), [0.95])[0].interval
    assert (interval is not None) == (0.95**units <= 0.025)


def test_interval_over_units_is_that_of_the_binomial_law() -> None:
    """Source: scipy.stats.binom: ranks r, s with P(B < r) <= 0.025 and P(B < s) >= 0.975."""
    from scipy.stats import binom

    x = np.random.default_rng(1).random(400)
    for p in (0.5, 0.95):
        (estimate,) = stats.unit_quantiles(x, [p])
        assert estimate.interval is not None
        low, high = (np.sort(x).tolist().index(end) for end in estimate.interval)
        assert binom.cdf(low, 400, p) <= 0.0251
        assert binom.cdf(high, 400, p) >= 0.9749 > binom.cdf(high - 2, 400, p)


@pytest.mark.parametrize("units", [5, 20, 60])
def test_nested_interval_with_few_units_covers_or_is_not_given(units: int) -> None:
    """Mostly unit life, few units: an interval that is given must hold. Source: brute force, true median 1."""
    generator = np.random.default_rng(9)
    held, given = 0, 0
    for _ in range(300):
        values = generator.standard_normal(units) + 0.1 * generator.standard_normal((10, units))
        interval = counted(np.exp(values)).estimates([0.5])[1][0]
        if not np.isnan(interval).any():
            given += 1
            held += interval[0] <= 1 <= interval[1]
    # the median is bounded by the ends of five units with a chance of 1/2^5 to be missed on either side
    assert (given > 0) == (0.5**units <= 0.025)
    if given:
        assert held / given >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / given)


@pytest.mark.parametrize("kind", ["lognormal", "constant", "two", "huge", "single", "zero"])
def test_quantiles_of_counts_are_those_of_sorting_to_a_bin(kind: str) -> None:
    """Source: numpy.sort. A bin is at most 2^-11 of its value wide; a sample of one value is told exactly."""
    generator = np.random.default_rng(2)
    x = {
        "lognormal": np.exp(generator.standard_normal(10_001)),
        "constant": np.full(5000, 3.0),
        "two": generator.integers(0, 2, 5000) + 1.0,
        "huge": np.exp(3 * generator.standard_normal(5000)) * 1e-9,
        "single": np.array([7.0]),
        "zero": np.zeros(300),
    }[kind]
    ps = [0.0, 0.025, 0.5, 0.95, 0.999, 1.0]
    sorting = [stats.quantile(np.sort(x), p) for p in ps]
    found = counted(x[None]).quantiles(ps)
    np.testing.assert_allclose(found, sorting, rtol=2.0**-11)
    if kind in ("constant", "single", "zero"):
        np.testing.assert_array_equal(found, sorting)
    assert x.min() <= found.min()
    assert found.max() <= x.max()


def test_pairs_tell_the_variance_between_units() -> None:
    """The interval of counts against the bootstrap over units. Source: resampling whole units, 2000 times."""
    generator = np.random.default_rng(3)
    units, visits = 400, 12
    values = np.exp(generator.standard_normal(units) + 0.5 * generator.standard_normal((visits, units)))
    low, high = counted(values).estimates([0.9])[1][0]
    again = [np.quantile(values[:, generator.integers(0, units, units)], 0.9) for _ in range(2000)]
    assert high - low == pytest.approx(np.quantile(again, 0.975) - np.quantile(again, 0.025), rel=0.2)
