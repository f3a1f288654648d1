"""Quantiles of the beta law.

Source: scipy.special.betainc and betaincinv.
"""

from itertools import product

import numpy as np
import pytest
from scipy.special import betainc, betaincinv

from armsim.core.beta import beta_quantile, regularised_beta

SIZES = (0.3, 1.0, 2.5, 17.0, 400.0, 3e4, 2e6)


@pytest.mark.parametrize(("a", "b"), list(product(SIZES, SIZES)))
def test_share_and_quantile(a: float, b: float) -> None:
    for p in (1e-6, 0.025, 0.3, 0.5, 0.975, 1 - 1e-6):
        x = betaincinv(a, b, p)
        if x < 1.0:
            assert regularised_beta(a, b, x) == pytest.approx(betainc(a, b, x), rel=1e-7, abs=1e-12)
        if 1e-280 < x < 1.0 - 1e-9:
            assert beta_quantile(p, a, b) == pytest.approx(x, rel=1e-8)


def test_ends() -> None:
    assert regularised_beta(2.0, 3.0, 0.0) == 0.0
    assert regularised_beta(2.0, 3.0, 1.0) == 1.0
    assert np.isfinite(beta_quantile(0.975, 1e8, 3.0))
