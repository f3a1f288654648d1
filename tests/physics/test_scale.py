"""The scale against its simulation."""

import math

import numpy as np
import pytest
from support import curve

from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import SHAFT
from armsim.physics.scale import (
    graduation,
    least_significant_bit,
    quantisation,
    summary_accuracy,
    summary_repeatability,
)

ARCSEC = 206264.806


def test_bits_of_data_sheets() -> None:
    """Source: common practice, no source: 256 periods and 14 bit make 22 bit; 22 bit are 0.309 arcsec (1296000/2^22)."""
    step = least_significant_bit(256, 14)
    assert math.log2(2 * math.pi / step) == pytest.approx(22)
    assert step * ARCSEC == pytest.approx(0.309, abs=5e-4)


def test_quantisation_is_that_of_a_counter() -> None:
    """Source: brute force with floor(); JCGM 100:2008 F.2.2.1 for the law."""
    order, bits = 32.0, 6
    step = 2 * math.pi / (order * 2**bits)
    true = np.random.default_rng(3).uniform(0, 2 * math.pi, 400_000)
    error = step * np.floor(true / step + 0.5) - true
    (term,) = quantisation(order, bits)
    n = len(true)
    # variance of the sample variance of a uniform law: (a^4/5 - a^4/9) / n; four standard deviations
    half = step / 2
    assert term.second_moment[0, 0] == pytest.approx(error.var(), abs=4 * half**2 * math.sqrt((1 / 5 - 1 / 9) / n))
    assert np.abs(error).max() <= term.limit
    assert term.life == "visit"


def test_linear_scale_counts_in_metres() -> None:
    """Source: arithmetic: 20 um period, 10 bit."""
    assert least_significant_bit(2 * math.pi / 20e-6, 10) == pytest.approx(20e-6 / 1024)


@pytest.mark.parametrize("make", [lambda s: graduation(s, 1.0), lambda s: summary_accuracy(s, 1.0)])
def test_curve_of_unknown_shape_has_the_stated_standard_uncertainty(make) -> None:  # type: ignore[no-untyped-def]
    """Source: JCGM 100:2008 4.3.7: a tolerance of +-a has the standard uncertainty a/sqrt(3)."""
    limit = 1e-4
    (term,) = make(Distribution("uniform", limit))
    generator = np.random.default_rng(4)
    n = 40_000
    draws = term.draw(generator, n)
    place = generator.uniform(0, 2 * np.pi, n)
    errors = np.zeros(n)
    for act in term.acts:
        wave = np.sin if act.shape.function == "sin" else np.cos
        errors += draws[act.coefficient] * act.shape.gain * wave(act.shape.order * place)
    assert errors.std() == pytest.approx(limit / math.sqrt(3), rel=4 * 0.5 / math.sqrt(n))
    assert np.abs(errors).max() <= limit


@pytest.mark.parametrize("heads", [2, 3, 4])
def test_heads_average_the_graduation(heads: int) -> None:
    """Source: brute force: the average over equally spaced heads of the curve that one head reads."""
    (alone,) = graduation(Distribution("uniform", 1e-4), 1.0, 1)
    (averaged,) = graduation(Distribution("uniform", 1e-4), 1.0, heads)
    draws = alone.draw(np.random.default_rng(5), 30)
    shaft = np.linspace(0, 2 * np.pi, 100)
    for unit in range(30):
        values = {"graduation": draws[:, unit]}
        readings = [curve((alone,), shaft + 2 * np.pi * k / heads, values) for k in range(heads)]
        np.testing.assert_allclose(curve((averaged,), shaft, values), np.mean(readings, axis=0), atol=1e-18)


def test_many_heads_leave_no_graduation() -> None:
    assert graduation(Distribution("uniform", 1e-4), 1.0, heads=7) == ()


def test_repeatability_of_a_data_sheet() -> None:
    (term,) = summary_repeatability(Distribution("uniform", 1e-5))
    assert term.life == "visit"
    assert math.sqrt(term.second_moment[0, 0]) == pytest.approx(1e-5 / math.sqrt(3))


@pytest.mark.parametrize(("fundamental", "heads"), [(1.0, 1), (1.0, 2), (1.0, 3), (2 * math.pi / 1.6, 1)])
def test_graduation_is_one_of_the_four_longest_waves(fundamental: float, heads: int) -> None:
    """Every order from the whole turn, or travel, to a quarter of it is carried by a quarter of the units.

    Source: Fourier transform of drawn curves over the turn or the travel, each averaged over simulated heads.
    """
    limit, n, points = 1e-4, 4000, 48
    (alone,) = graduation(Distribution("uniform", limit), fundamental)
    (averaged,) = graduation(Distribution("uniform", limit), fundamental, heads)
    length = 2 * math.pi / fundamental
    place = np.arange(points) * length / points
    draws = averaged.draw(np.random.default_rng(6), n)
    curves = np.zeros((n, points))
    for act in averaged.acts:
        shape = act.shape.value(State.at_rest(place))
        curves += draws[act.coefficient][:, None] * shape
    lines = 2 * np.abs(np.fft.rfft(curves, axis=1)) / points
    amplitude = limit * math.sqrt(2 / 3)  # of a wave with the rms of a tolerance of +-limit
    carried = np.mean(lines > 0.5 * amplitude, axis=0)
    expected = np.array([0.25 if 1 <= order <= 4 and order % heads == 0 else 0.0 for order in range(points // 2 + 1)])
    np.testing.assert_allclose(carried, expected, atol=4 * math.sqrt(0.25 * 0.75 / n))
    np.testing.assert_allclose(lines.max(), amplitude, rtol=1e-9)
    assert alone.mean_square(SHAFT, State.at_rest(place)) == pytest.approx(amplitude**2 / 2, rel=1e-9)
