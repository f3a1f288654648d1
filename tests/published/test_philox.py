"""Random numbers.

Source: Salmon, Moraes, Dror, Shaw, SC11 (2011): known-answer vectors of Philox 4x32-10, as distributed with Random123
(from memory, and therefore checked against a plain-integer computation of the paper's algorithm too).
"""

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from armsim.core.kernel_digest import LANES
from armsim.core.philox import add_normals, add_signs, add_uniforms, philox4x32

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


def words_of(key: tuple[int, int], *counter: int) -> np.ndarray:
    """Shape (4, LANES)."""
    words = np.empty(4 * LANES, dtype=np.uint32)
    philox4x32(np.array(key, dtype=np.uint32), *counter, words)
    return words.reshape(4, LANES)


@pytest.mark.parametrize(("counter", "key", "expected"), KNOWN)
def test_known_answers(counter, key, expected) -> None:  # type: ignore[no-untyped-def]
    assert tuple(words_of(key, *counter)[:, 0].tolist()) == expected == plain(counter, key)


def test_lanes_count_up() -> None:
    key = (123, 456)
    words = words_of(key, 7, 8, 9, 10)
    for lane in range(LANES):
        assert tuple(words[:, lane].tolist()) == plain((7 + lane, 8, 9, 10), key)


def draws_of(kernel: Callable[[np.ndarray, float, np.ndarray], None], words: np.ndarray) -> np.ndarray:
    """Draws from words of shape (4, n), n a multiple of LANES, shape (4, n)."""
    out = np.empty(words.shape)
    for start in range(0, words.shape[1], LANES):
        target = np.zeros(4 * LANES)
        kernel(np.ascontiguousarray(words[:, start : start + LANES]).ravel(), 1.0, target)
        out[:, start : start + LANES] = target.reshape(4, LANES)
    return out


def test_normal_draws_are_those_of_the_paper() -> None:
    """Source: Box, Muller (1958), by the functions of the C library; at the ends of the range, at the seams of the
    quarter turns, near their middle, where the mantissa of the logarithm turns over, and anywhere."""
    seams = np.concatenate([k * 2**29 + np.arange(-32, 32) for k in range(1, 8)])
    ends = np.concatenate([np.arange(128), 2**32 - 1 - np.arange(128)])
    powers = np.concatenate([2**k + np.arange(-4, 4) for k in range(4, 32)])
    single = np.concatenate([seams, ends, powers, np.random.default_rng(0).integers(0, 2**32, 8 * LANES)])
    single = single[: len(single) // LANES * LANES].astype(np.uint32)
    rng = np.random.default_rng(1)
    words = np.stack([single, rng.permutation(single), rng.permutation(single), single[::-1]])
    distance = np.sqrt(-2.0 * np.log((words[:2] + 0.5) / 2**32))
    direction = 2.0 * np.pi * ((words[2:] + 0.5) / 2**32)
    expected = np.concatenate([distance * np.cos(direction), distance * np.sin(direction)])
    np.testing.assert_allclose(draws_of(add_normals, words), expected, rtol=0, atol=3e-11)


@pytest.mark.parametrize(("kernel", "reference"), [(add_normals, stats.norm()), (add_uniforms, stats.uniform(-1, 2))])
def test_laws(kernel, reference) -> None:  # type: ignore[no-untyped-def]
    """Each of the four draws of a lane by itself, and any two together."""
    words = np.concatenate([words_of((1, 2), LANES * n, 0, 0, 0) for n in range(400)], axis=1)
    draws = draws_of(kernel, words)
    for draw in draws:
        assert stats.kstest(draw, reference.cdf).pvalue > 1e-4
    cells = np.minimum((reference.cdf(draws) * 8).astype(int), 7)
    for a in range(4):
        for b in range(a):
            table = np.histogram2d(cells[a], cells[b], bins=8)[0]
            assert stats.chisquare(table.ravel()).pvalue > 1e-4, (a, b)


def test_signs_are_the_bits_of_the_words() -> None:
    """Source: Python integers; and both signs equally likely, uncorrelated from bit to bit."""
    words = np.concatenate([words_of((1, 2), LANES * n, 0, 0, 0)[0] for n in range(160)])
    both = np.empty((32, len(words)))
    for start in range(0, len(words), LANES):
        for bit in range(0, 32, 4):
            target = np.zeros(4 * LANES)
            add_signs(words[start : start + LANES], bit, 1.0, target)
            both[bit : bit + 4, start : start + LANES] = target.reshape(4, LANES)
    for bit in range(32):
        assert both[bit, :50].tolist() == [2.0 * (int(word) >> bit & 1) - 1 for word in words[:50]]
    assert np.abs(both.mean(axis=1)).max() < 4.5 / np.sqrt(len(words))
    correlation = both @ both.T / len(words) - np.eye(32)
    assert np.abs(correlation).max() < 5 / np.sqrt(len(words))
