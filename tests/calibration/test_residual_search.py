"""Orders found in the residual of a curve: false alarms by repetition, in noise drawn here."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from armsim.calibration.residual_search import search_residual
from armsim.documents.curve_file import Curve

TURN = 2 * math.pi


def curve_of(angle: np.ndarray, error: np.ndarray) -> Curve:
    return Curve("s", True, angle, error, np.zeros(len(angle)))


def steps(n: int) -> Callable[[np.random.Generator], np.ndarray]:
    return lambda rng: np.arange(n) * TURN / n


def anywhere(rng: np.random.Generator) -> np.ndarray:
    return np.sort(rng.uniform(0, TURN, 60))


def part(rng: np.random.Generator) -> np.ndarray:
    return np.sort(rng.uniform(0, 0.65 * TURN, 50))


@pytest.mark.parametrize(
    ("degrees", "expected"),
    [
        (np.arange(36) * 10.0, 36),
        (np.arange(72) * 10.0, 36),
        (np.arange(36) * 7.0, 360),
        (np.round(np.arange(37) * 360 / 37, 2), 37),
        (np.linspace(0, 90, 37), 144),
        (np.random.default_rng(1).uniform(0, 360, 60), None),
    ],
)
def test_equal_steps(degrees: np.ndarray, expected: int | None) -> None:
    """Source: definition; steps of 7 deg fall on whole degrees."""
    assert curve_of(np.radians(degrees), np.zeros(len(degrees))).equal_steps == expected


@pytest.mark.parametrize("angles", [steps(48), anywhere, part], ids=["48 steps", "anywhere", "part of a turn"])
def test_noise_alone_holds_no_orders(angles: Callable[[np.random.Generator], np.ndarray]) -> None:
    """200 curves of noise and one requested wave: an order is found in at most one of a hundred (binomial, 99.9 %)."""
    rng, alarms, repetitions = np.random.default_rng(12), 0, 200
    for _ in range(repetitions):
        t = angles(rng)
        searched = search_residual(curve_of(t, 5 * np.sin(t) + rng.normal(0, 1, len(t))), (1, 2))
        alarms += len(searched.orders) > 2
    assert alarms <= stats.binom.ppf(0.999, repetitions, 0.01)


def test_false_alarms_at_equal_steps_are_as_frequent_as_stated() -> None:
    """Orthogonal orders: the least p_value over them is uniform in noise (Kolmogorov-Smirnov, 1 %, 400 curves).

    The p_value is worked out here from sums over a full turn: the law of the largest share of orthogonal orders.
    """
    rng = np.random.default_rng(13)
    t, p_values = np.arange(64) * TURN / 64, []
    waves = np.exp(-1j * np.outer(np.arange(3, 32), t))
    for _ in range(400):
        error = rng.normal(0, 1, 64)
        residual = error - error.mean()
        residual = residual - sum(
            2 / 64 * np.real(np.sum(error * np.exp(-1j * h * t)) * np.exp(1j * h * t)) for h in (1, 2)
        )
        share = np.abs(waves @ residual) ** 2 * 2 / 64 / (residual @ residual)
        p_value = (1 - share.max()) ** ((64 - 5 - 2) / 2)
        alarm = 1 - (1 - p_value) ** 29
        p_values.append(alarm)
        searched = search_residual(curve_of(t, error), (1, 2))
        assert (len(searched.orders) > 2) == (alarm < 0.01)
    assert stats.kstest(p_values, "uniform").pvalue > 0.01


def test_a_curve_without_noise_holds_no_orders() -> None:
    t = np.arange(40) * TURN / 40
    assert search_residual(curve_of(t, np.sin(t)), (1,)).orders == (1,)
    assert search_residual(curve_of(t, np.zeros(40)), (1,)).orders == (1,)


def test_a_high_order_is_found_among_many_angles_where_it_is_stated() -> None:
    """At 20 000 angles 500 orders are searched: order 3000 is found where the sheet names it, and is noise otherwise."""
    rng = np.random.default_rng(19)
    t = rng.uniform(0, TURN, 20_000)
    curve = curve_of(t, 5 * np.sin(t) + np.sin(3000 * t) + rng.normal(0, 1, len(t)))
    assert search_residual(curve, (1,), (1, 3000)).orders == (1, 3000)
    assert search_residual(curve, (1,)).orders == (1,)


def test_a_stated_order_beyond_half_of_the_equal_steps_is_its_alias() -> None:
    t = np.arange(36) * TURN / 36
    curve = curve_of(t, 5 * np.sin(t) + np.sin(256 * t) + np.random.default_rng(20).normal(0, 0.05, 36))
    assert search_residual(curve, (1,), (256,)).orders == (1, 4)
