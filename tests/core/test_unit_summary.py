"""Order statistics and moments of units in compiled code. Source: numpy's sort and mean, which share no code with them."""

from __future__ import annotations

import numpy as np
import pytest

from armsim.core.unit_summary import MOMENTS, read_moments, read_ranks

SIZES = (1, 2, 7, 8, 16, 17, 128, 129, 1000, 2001, 16_384)


@pytest.mark.parametrize("n", SIZES)
def test_ranks_are_those_of_a_sort(n: int) -> None:
    """Of samples in any order, with equal members, with infinite ones and with some that are no number."""
    rng = np.random.default_rng(n)
    plain = rng.standard_normal(n)
    samples = [
        plain, np.sort(plain), np.sort(plain)[::-1].copy(), np.round(plain, 1), np.zeros(n), np.full(n, np.nan),
        np.where(rng.random(n) < 0.3, np.nan, plain), np.where(rng.random(n) < 0.3, np.inf, plain),
    ]  # fmt: skip
    ranks = np.unique(rng.integers(0, n, 6))
    for sample in samples:
        before, out = sample.copy(), np.empty(len(ranks))
        read_ranks(sample, ranks, np.empty(n), out)
        assert np.array_equal(out, np.sort(sample)[ranks], equal_nan=True)
        assert np.array_equal(sample, before, equal_nan=True)


@pytest.mark.parametrize("n", SIZES)
def test_moments_are_sums_by_halves(n: int) -> None:
    """To some roundings of each level of halves, where a plain sum of so many has thousands."""
    sample, out = 1.0 + np.random.default_rng(n).random(n), np.empty(MOMENTS)
    read_moments(sample, np.empty(n), np.empty(n), out)
    residuals = sample - sample.mean()
    expected = [sample.mean(), (residuals**2).mean(), (residuals**3).mean()]
    assert out == pytest.approx(expected, rel=1e-13, abs=1e-15)
