"""Quantiles, intervals and verdicts."""

import math

import numpy as np
import pytest
from pose_samples import mean_over_units
from support import estimates, sample_of

from armsim.core.counting import logarithmic_bin, logarithmic_edge
from armsim.sampling import statistics as stats


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
    hits = 0
    for _ in range(trials):
        standing = np.sqrt(share) * generator.standard_normal(units)
        values = standing + np.sqrt(1 - share) * generator.standard_normal((visits, units))
        interval = estimates(sample_of(np.exp(values)), [0], [0.95])[1][0]
        hits += interval[0] <= np.exp(1.6448536) <= interval[1]
    # binomial scatter of the coverage itself: sqrt(0.95*0.05/400) = 1.1 %; three of them below, anything above
    assert hits / trials >= 0.95 - 3 * 0.011


def test_one_unit_has_no_interval() -> None:
    values = np.array([[1.0], [2.0], [3.0]])
    assert np.isnan(estimates(sample_of(values), [0], [0.5])[1]).all()
    assert stats.unit_quantiles(np.array([1.0]), [0.95])[0].interval is None


def test_interval_over_units_covers() -> None:
    """Source: brute force: 600 samples of 100 units, true 95 % quantile of a uniform law 0.95."""
    generator = np.random.default_rng(8)
    hits = 0
    for _ in range(600):
        interval = stats.unit_quantiles(generator.random(100), [0.95])[0].interval
        assert interval is not None
        hits += interval[0] <= 0.95 <= interval[1]
    assert hits / 600 >= 0.95 - 3 * 0.009


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
    hits, intervals = 0, 0
    for _ in range(300):
        values = generator.standard_normal(units) + 0.1 * generator.standard_normal((10, units))
        interval = estimates(sample_of(np.exp(values)), [0], [0.5])[1][0]
        if not np.isnan(interval).any():
            intervals += 1
            hits += interval[0] <= 1 <= interval[1]
    # the median is bounded by the ends of five units with a chance of 1/2^5 to be missed on either side
    assert (intervals > 0) == (0.5**units <= 0.025)
    if intervals:
        assert hits / intervals >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / intervals)


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
    actual = sample_of(x[None]).read([0] * len(ps), ps)[0]
    np.testing.assert_allclose(actual, sorting, rtol=2.0**-11)
    if kind in ("constant", "single", "zero"):
        np.testing.assert_array_equal(actual, sorting)
    assert x.min() <= actual.min()
    assert actual.max() <= x.max()


def test_pairs_tell_the_variance_between_units() -> None:
    """The interval of counts against the bootstrap over units. Source: resampling whole units, 2000 times."""
    generator = np.random.default_rng(3)
    units, visits = 400, 12
    values = np.exp(generator.standard_normal(units) + 0.5 * generator.standard_normal((visits, units)))
    low, high = estimates(sample_of(values), [0], [0.9])[1][0]
    again = [np.quantile(values[:, generator.integers(0, units, units)], 0.9) for _ in range(2000)]
    assert high - low == pytest.approx(np.quantile(again, 0.975) - np.quantile(again, 0.025), rel=0.2)


@pytest.mark.parametrize("share", [-0.6, 0.0, 0.5, 0.95])
def test_nested_interval_is_that_of_the_shares_of_the_units(share: float) -> None:
    """Two visits per unit: the variance between units is that of their own shares, taken unit by unit.

    Source: numpy.var of the shares, scipy.stats.beta and t for the binomial interval at the effective size, as Korn and
    Graubard (1998) write it. Every value has a bin of its own, next to that of its neighbour, so that ranks are exact.
    """
    from scipy.stats import beta, t

    edges = np.array([logarithmic_edge(logarithmic_bin(1.0) + number) for number in range(200)])
    generator = np.random.default_rng(11)
    actual, by_hand = [], []
    for _ in range(150):
        units = int(generator.integers(3, 60))
        n, p = 2 * units, float(generator.choice([0.2, 0.5, 0.9]))
        together = np.array([[1.0, share], [share, 1.0]])
        draws = generator.multivariate_normal(np.zeros(2), together, units).T
        ranks = np.argsort(np.argsort(draws, axis=None)).reshape(2, units) + 1
        target = sample_of((edges[ranks] + edges[ranks + 1]) / 2)
        value, ends = (out[0] for out in estimates(target, [0], [p]))
        bins = np.searchsorted(edges, [value, *ends], side="right") - 1.0
        actual.append(np.where(np.isnan([value, *ends]), np.nan, bins))
        at = np.ceil(p * n - 1e-9)
        target = np.mean(ranks <= at, axis=0)
        below, variance = target.mean(), target.var(ddof=1)
        size = units * below * (1 - below) / variance if variance > 1e-12 else units
        size = min(max(size, 1.0) * (t.ppf(0.975, n - 1) / t.ppf(0.975, units - 1)) ** 2, n)
        low = beta.ppf(0.025, size * p, size - size * p + 1)
        high = beta.ppf(0.975, size * p + 1, size - size * p)
        bounded = max(p, 1 - p) ** min(size, units) <= 0.025
        by_hand.append([at, *(np.ceil(n * np.array([low, high]) - 1e-9) if bounded else (np.nan, np.nan))])
    assert 0.2 < np.isnan(by_hand).any(axis=1).mean() < 0.8
    np.testing.assert_array_equal(actual, by_hand)


@pytest.mark.parametrize("p", [0.05, 0.25, 0.5, 0.9, 0.95])
def test_interval_over_units_is_the_narrowest_that_the_binomial_law_allows(p: float) -> None:
    """No higher rank below and no lower rank above would do. Source: sums of binomial probabilities, rank by rank."""
    for n in (*range(2, 40), 72, 73, 120, 250):
        chances = [math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(n + 1)]
        # the r-th smallest lies above the quantile where fewer than r members lie below, else not above it
        low = max((r for r in range(1, n + 1) if sum(chances[:r]) <= 0.025), default=None)
        high = min((r for r in range(1, n + 1) if sum(chances[r:]) <= 0.025), default=None)
        (estimate,) = stats.unit_quantiles(np.arange(n, 0.0, -1.0), [p])
        if low is None or high is None:
            assert estimate.interval is None
        else:
            assert estimate.interval == (pytest.approx(low), pytest.approx(high))
            assert estimate.value == math.ceil(p * n - 1e-9)


def test_an_error_that_all_units_share_widens_their_interval() -> None:
    """Source: root of the sum of squares, either side by itself."""
    values = np.exp(np.random.default_rng(12).standard_normal(300))
    (alone,), (shared,) = (stats.unit_quantiles(values, [0.9], half) for half in (0.0, 0.3))
    assert alone.interval is not None
    assert shared.interval is not None
    assert shared.value == alone.value
    below, above = alone.value - alone.interval[0], alone.interval[1] - alone.value
    assert shared.interval[0] == pytest.approx(alone.value - (below**2 + 0.09) ** 0.5)
    assert shared.interval[1] == pytest.approx(alone.value + (above**2 + 0.09) ** 0.5)


@pytest.mark.parametrize(("units", "power"), [(2, 2), (7, 1), (30, 2), (400, 4)])
def test_interval_of_a_mean_solves_the_cubic(units: int, power: int) -> None:
    """Source: Hall (1992), g(T) = T + s T^2 / 3 + s^2 T^3 / 27 + s / 6 with s the skewness over the root of the size.

    Solved for T by bisection; skewness and Student's law from scipy.stats.
    """
    from scipy.optimize import brentq
    from scipy.stats import sem, skew, t

    values = np.abs(np.random.default_rng(13).standard_normal(units)) ** power
    s = skew(values) / units**0.5
    actual = mean_over_units(values)
    assert actual.value == pytest.approx(values.mean())
    assert actual.interval is not None
    z = t.ppf(0.975, units - 1)
    ends = []
    for side in (z, -z):

        def off(at: float, side: float = side) -> float:
            return at + s * at**2 / 3 + s**2 * at**3 / 27 + s / 6 - side

        ends.append(values.mean() - brentq(off, -1e3, 1e3, xtol=1e-12) * sem(values))
    assert actual.interval == (pytest.approx(max(ends[0], 0.0)), pytest.approx(ends[1]))


def test_mean_of_a_symmetric_sample_has_the_interval_of_student() -> None:
    """No skewness, no cubic; no scatter, no width; one unit, none. Source: scipy.stats.t."""
    from scipy.stats import sem, t

    values = 5.0 + np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    low, high = t.interval(0.95, 4, 5.0, sem(values))
    assert mean_over_units(values) == (5.0, (pytest.approx(low), pytest.approx(high)))
    assert mean_over_units(np.full(4, 2.0)) == (2.0, (2.0, 2.0))
    assert mean_over_units(np.array([3.0])) == (3.0, None)
