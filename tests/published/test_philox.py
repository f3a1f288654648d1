"""Random numbers.

Source: Salmon, Moraes, Dror, Shaw, SC11 (2011): known-answer vectors of Philox 4x32-10, as distributed with Random123
(from memory, and therefore checked against a plain-integer computation of the paper's algorithm too).
"""

import numpy as np
import pytest
from scipy import stats

from armsim.core.philox import NORMAL, UNIFORM, philox4x32, signs, standard_draws

KNOWN = [
    ((0, 0, 0, 0), (0, 0), (0x6627E8D5, 0xE169C58D, 0xBC57AC4C, 0x9B00DBD8)),
    ((0xFFFFFFFF,) * 4, (0xFFFFFFFF,) * 2, (0x408F276D, 0x41C83B0E, 0xA20BC7C6, 0x6D5451FD)),
    (
        (0x243F6A88, 0x85A308D3, 0x13198A2E, 0x03707344),
        (0xA4093822, 0x299F31D0),
        (0xD16CFE09, 0x94FDCCEB, 0x5001E420, 0x24126EA1),
    ),
]


def plain(counter: tuple[int, ...], key: tuple[int, ...]) -> tuple[int, ...]:
    """The paper's rounds in Python integers."""
    x0, x1, x2, x3 = counter
    k0, k1 = key
    for _ in range(10):
        a, b = x0 * 0xD2511F53, x2 * 0xCD9E8D57
        x0, x1, x2, x3 = (b >> 32) ^ x1 ^ k0, b & 0xFFFFFFFF, (a >> 32) ^ x3 ^ k1, a & 0xFFFFFFFF
        k0, k1 = (k0 + 0x9E3779B9) & 0xFFFFFFFF, (k1 + 0xBB67AE85) & 0xFFFFFFFF
    return x0, x1, x2, x3


@pytest.mark.parametrize(("counter", "key", "expected"), KNOWN)
def test_known_answers(counter, key, expected) -> None:  # type: ignore[no-untyped-def]
    words = np.empty((4, 1), dtype=np.uint32)
    philox4x32(np.array(key, dtype=np.uint32), *counter, words)
    assert tuple(words[:, 0].tolist()) == expected == plain(counter, key)


def test_lanes_count_up() -> None:
    words = np.empty((4, 100), dtype=np.uint32)
    key = (123, 456)
    philox4x32(np.array(key, dtype=np.uint32), 7, 8, 9, 10, words)
    for lane in (0, 1, 50, 99):
        assert tuple(words[:, lane].tolist()) == plain((7 + lane, 8, 9, 10), key)


def draws(law: int, words: np.ndarray) -> np.ndarray:
    n = len(words)
    out = np.empty(n)
    standard_draws(law, words, out, np.empty(n + 1, dtype=np.int64), np.empty(n + 1))
    return out


def test_normal_draws_are_quantiles_to_double_precision() -> None:
    """Source: scipy.special.ndtri, at the ends of the range, over the tails, across the seams and in the middle."""
    from scipy.special import ndtri

    seam = round(0.075 * 2**32)
    words = np.concatenate(
        [
            np.arange(300),
            2**32 - 1 - np.arange(300),
            np.logspace(1, 9.5, 300).astype(np.int64),
            2**32 - 1 - np.logspace(1, 9.5, 300).astype(np.int64),
            seam + np.arange(-50, 50),
            2**32 - 1 - seam + np.arange(-50, 50),
            2**31 + np.arange(-50, 50),
            np.random.default_rng(0).integers(0, 2**32, 5000),
        ]
    ).astype(np.uint32)
    p = (words.astype(float) + 0.5) / 2**32
    upper = p > 0.5
    exact = np.where(upper, -ndtri((2.0**32 - 1 - words.astype(float) + 0.5) / 2**32), ndtri(p))
    np.testing.assert_allclose(draws(NORMAL, words), exact, rtol=2e-14, atol=2e-15)


@pytest.mark.parametrize(("law", "reference"), [(NORMAL, stats.norm()), (UNIFORM, stats.uniform(-1, 2))])
def test_laws(law, reference) -> None:  # type: ignore[no-untyped-def]
    words = np.empty((4, 50_000), dtype=np.uint32)
    philox4x32(np.array([1, 2], dtype=np.uint32), 0, 0, 0, 0, words)
    for lane in range(4):
        out = draws(law, words[lane])
        assert stats.kstest(out, reference.cdf).pvalue > 1e-4


def test_signs_are_the_bits_of_the_words() -> None:
    """Source: Python integers; and both signs equally likely, uncorrelated from bit to bit."""
    words = np.empty((4, 20_000), dtype=np.uint32)
    philox4x32(np.array([1, 2], dtype=np.uint32), 0, 0, 0, 0, words)
    drawn = np.empty((32, 20_000))
    for bit in range(32):
        signs(words[0], bit, drawn[bit])
        assert drawn[bit, :50].tolist() == [2.0 * (int(word) >> bit & 1) - 1 for word in words[0, :50]]
    assert np.abs(drawn.mean(axis=1)).max() < 4.5 / np.sqrt(20_000)
    correlation = drawn @ drawn.T / 20_000 - np.eye(32)
    assert np.abs(correlation).max() < 5 / np.sqrt(20_000)
