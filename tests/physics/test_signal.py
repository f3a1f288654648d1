"""Sub-divisional error and noise against sine and cosine through the arctangent."""

import numpy as np
import pytest
from support import curve

from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import SHAFT
from armsim.physics.signal import noise, sub_divisional_error, third_harmonic

N = 10_000


def through_arctangent(phase, o_s=0.0, o_c=0.0, d=0.0, a=0.0, h_s=0.0, h_c=0.0):  # type: ignore[no-untyped-def]
    """Phase error of an interpolator that takes the two signals at face value."""
    sine = (1 + d / 2) * np.sin(phase + a / 2) + o_s + h_s * np.sin(3 * phase)
    cosine = (1 - d / 2) * np.cos(phase - a / 2) + o_c + h_c * np.cos(3 * phase)
    out = np.arctan2(sine, cosine) - phase
    return out - 2 * np.pi * np.round(out / (2 * np.pi))


def test_ten_thousand_random_signals() -> None:
    """Source: brute force; first order of Heydemann (1981). The rest is bounded by the square of the sum."""
    generator = np.random.default_rng(1)
    order = 100.0
    o_s, o_c, d, a = generator.uniform(-0.03, 0.03, (4, N))
    one = Distribution("fixed", 1.0)
    terms = sub_divisional_error(order, one, one, one)
    zero = np.zeros(N)
    coefficients = {
        "signal offset": np.array([o_s, o_c]),
        # coefficients of sin 2p and cos 2p for a period that starts at the zero of the joint
        "amplitude mismatch": np.array([d / 2, zero]) / order,
        "phase error": np.array([zero, a / 2]) / order,
    }
    bound = (abs(o_s) + abs(o_c) + abs(d) + abs(a)) ** 2 / order
    for _ in range(5):
        position = generator.uniform(0, 2 * np.pi, N)
        exact = through_arctangent(order * position, o_s, o_c, d, a) / order
        assert np.all(np.abs(curve(terms, position, coefficients) - exact) < bound)


@pytest.mark.parametrize(("produced", "sign"), [(4, -1), (2, 1)])
def test_third_harmonic_by_sign_pattern(produced: int, sign: int) -> None:
    """Source: brute force; Kuntz et al., arXiv:2205.08472: orders 4 and 2. The rest is of the order of h^2."""
    generator = np.random.default_rng(2)
    order = 64.0
    h = generator.uniform(-0.02, 0.02, N)
    position = generator.uniform(0, 2 * np.pi, N)
    exact = through_arctangent(order * position, h_s=h, h_c=sign * h) / order
    terms = third_harmonic(order, Distribution("fixed", 1.0), produced)
    modelled = curve(terms, position, {"third harmonic": np.array([h, np.zeros(N)]) / order})
    assert np.all(np.abs(modelled - exact) <= 3 * h**2 / order + 1e-15)
    assert {act.shape.order for act in terms[0].acts} == {produced * order}


def test_one_waveform_seen_twice_has_the_pattern_of_order_four() -> None:
    """Both channels read one distorted wave, a quarter period apart: the arctangent then errs at order 4, by `through_arctangent`.

    Source: brute force: the two channels sampled from one wave, their arctangent taken, its harmonics by Fourier transform.
    """
    order, h = 16.0, 0.01
    p = np.linspace(0, 2 * np.pi, 4096, endpoint=False)

    def wave(x: np.ndarray) -> np.ndarray:
        return np.sin(x) + h * np.sin(3 * x)

    read = np.arctan2(wave(p), wave(p + np.pi / 2))
    off = (read - p + np.pi) % (2 * np.pi) - np.pi
    lines = 2 * np.abs(np.fft.rfft(off)) / len(p)
    (term,) = third_harmonic(order, Distribution("fixed", h), 4)
    orders = {abs(act.shape.order) for act in term.acts}
    assert orders == {4 * order}
    assert int(np.argmax(lines)) == 4
    # rms over the turn: the wave of this amplitude, over the order of the signal
    assert np.sqrt(term.mean_square(SHAFT, State.at_rest(np.zeros(1)))) == pytest.approx(
        lines[4] / np.sqrt(2) / order, rel=5 * h
    )


@pytest.mark.parametrize(("heads", "averages"), [(1, 16), (2, 1), (4, 4)])
def test_averaging(heads: int, averages: int) -> None:
    """Heads and samples average noise; heads average what each errs by itself. Source: brute force over 20 000 discs."""
    generator = np.random.default_rng(3)
    order, level, n = 128.0, 0.003, 20_000
    readings = level * generator.standard_normal((heads * averages, n)) / order
    (term,) = noise(order, level, heads * averages)
    assert np.sqrt(term.second_moment[0, 0]) == pytest.approx(readings.mean(axis=0).std(), rel=4 / np.sqrt(2 * n))
    o_s, o_c = generator.uniform(-0.02, 0.02, (2, heads, n))
    place = generator.uniform(0, 2 * np.pi, (heads, n))
    averaged = ((o_s * np.cos(place) - o_c * np.sin(place)) / order).mean(axis=0)
    (offset,) = sub_divisional_error(order, Distribution("uniform", 0.02), heads=heads)
    std = np.sqrt(offset.mean_square(SHAFT, State.at_rest(np.zeros(1))))
    assert std == pytest.approx(averaged.std(), rel=6 / np.sqrt(2 * n))


def test_noise_grows_as_contrast_falls() -> None:
    """Source: brute force: sine and cosine of amplitude 0.5 with the noise of amplitude 1."""
    generator = np.random.default_rng(4)
    n, level, order = 200_000, 0.003, 64.0
    phase = generator.uniform(0, 2 * np.pi, n)
    sine = 0.5 * np.sin(phase) + level * generator.standard_normal(n)
    cosine = 0.5 * np.cos(phase) + level * generator.standard_normal(n)
    scatter = np.angle(np.exp(1j * (np.arctan2(sine, cosine) - phase))).std() / order
    (term,) = noise(order, level, contrast_loss=1 / 0.5**2)
    assert np.sqrt(term.second_moment[0, 0]) == pytest.approx(scatter, rel=4 / np.sqrt(2 * n) + 1e-3)


def test_correction_leaves_the_rest() -> None:
    before = sub_divisional_error(
        64.0, Distribution("uniform", 0.02), Distribution("uniform", 0.01), Distribution("uniform", 0.02)
    )
    after = sub_divisional_error(
        64.0, Distribution("uniform", 0.02), Distribution("uniform", 0.01), Distribution("uniform", 0.02), 0.9
    )
    anywhere = State.at_rest(np.zeros(1))
    for full, item in zip(before, after, strict=True):
        assert item.limit == pytest.approx(0.1 * full.limit)
        assert item.mean_square(SHAFT, anywhere) == pytest.approx(0.01 * full.mean_square(SHAFT, anywhere))


def test_absent_quantities_make_no_terms() -> None:
    assert sub_divisional_error(64.0) == ()


@pytest.mark.parametrize("order", [64.0, 2 * np.pi / 20e-6])
def test_noise_through_the_arctangent(order: float) -> None:
    generator = np.random.default_rng(2)
    n, level = 200_000, 0.002
    phase = generator.uniform(0, 2 * np.pi, n)
    sine = np.sin(phase) + level * generator.standard_normal(n)
    cosine = np.cos(phase) + level * generator.standard_normal(n)
    turned = np.angle(np.exp(1j * (np.arctan2(sine, cosine) - phase))) / order
    (term,) = noise(order, level)
    # relative standard deviation of a standard deviation from n draws: 1/sqrt(2n); four of them
    assert np.sqrt(term.second_moment[0, 0]) == pytest.approx(turned.std(), rel=4 / np.sqrt(2 * n) + 1e-4)
    assert term.life == "visit"


def test_limits_are_the_largest_errors_through_the_arctangent() -> None:
    """Every cause at the end of its tolerance, over a whole period. Source: brute force; the rest is of second order."""
    order, end = 128.0, 0.02
    phase = np.linspace(0, 2 * np.pi, 3601)
    law = Distribution("uniform", end)
    terms = {
        t.name: t
        for t in (*sub_divisional_error(order, law, law, law), *third_harmonic(order, law), *noise(order, 0.001))
    }
    worst = {
        "signal offset": through_arctangent(phase, o_s=end, o_c=end),
        "amplitude mismatch": through_arctangent(phase, d=end),
        "phase error": through_arctangent(phase, a=end),
        "third harmonic": through_arctangent(phase, h_s=end, h_c=-end),
    }
    for name, errors in worst.items():
        assert terms[name].limit == pytest.approx(np.abs(errors).max() / order, rel=2 * end), name
    for term in sub_divisional_error(order, law, law, law, heads=4):  # heads may err alike
        assert term.limit == terms[term.name].limit


@pytest.mark.parametrize("law", ["fixed", "two-valued", "uniform"])
def test_offsets_come_at_a_phase_that_is_not_known(law: str) -> None:
    """Discs whose zero lies anywhere within a signal period: no direction of the offset's wave is preferred.

    Source: brute force: the wave of each disc from its arctangent, by Fourier sums over a period; moments up to the fourth.
    """
    generator = np.random.default_rng(7)
    order, n = 64.0, 20_000
    spread = Distribution(law, 0.01)  # type: ignore[arg-type]
    o_s, o_c = spread.draw(generator, n), spread.draw(generator, n)
    zero = generator.uniform(0, 2 * np.pi, n)
    along = np.arange(16)[:, None] * 2 * np.pi / 16
    errors = through_arctangent(along + zero, o_s, o_c) / order
    simulated = np.stack([2 * np.mean(errors * wave(along), axis=0) for wave in (np.cos, np.sin)])
    (term,) = sub_divisional_error(order, spread)
    draws = term.draw(generator, n)
    modelled = np.stack([draws[act.coefficient] * act.shape.gain for act in term.acts])
    assert [act.shape.function for act in term.acts] == ["cos", "sin"]
    for powers in ((1, 0), (0, 1), (2, 0), (0, 2), (1, 1), (4, 0), (0, 4), (2, 2), (3, 1)):
        a, b = (x[0] ** powers[0] * x[1] ** powers[1] for x in (simulated, modelled))
        scatter = np.sqrt((a.var() + b.var()) / n)
        assert abs(a.mean() - b.mean()) < 4.5 * scatter + 2e-3 * np.abs(a).mean(), powers


@pytest.mark.parametrize("law", ["fixed", "uniform", "two-valued"])
def test_draws_of_an_offset_keep_within_their_limits_and_reach_them(law: str) -> None:
    """Largest coefficient of many discs. Source: geometry: offsets a on both signals are a vector of length a sqrt(2)."""
    (term,) = sub_divisional_error(64.0, Distribution(law, 0.01))  # type: ignore[arg-type]
    largest = np.abs(term.draw(np.random.default_rng(8), 200_000)).max(axis=1)
    assert np.all(largest <= np.array(term.draw.limits) * (1 + 1e-12))
    np.testing.assert_allclose(largest, 0.01 * np.sqrt(2), rtol=0.02)
    np.testing.assert_allclose(term.draw.limits, 0.01 * np.sqrt(2), rtol=1e-12)


@pytest.mark.parametrize(("share", "heads"), [(0.0, 1), (0.8, 1), (0.8, 2), (0.5, 4)])
def test_calibration_and_heads_reduce_a_third_harmonic(share: float, heads: int) -> None:
    """A table takes a share of the error out of each head's angle; heads at phases of their own are averaged.

    Source: brute force: 4000 units through the arctangent, rms over units and a period; largest error where heads agree.
    """
    generator = np.random.default_rng(9)
    order, h, n = 64.0, 0.004, 4000
    along = np.arange(32)[:, None] * 2 * np.pi / 32
    remainder = np.zeros((32, n))
    for _ in range(heads):
        phase = along + generator.uniform(0, 2 * np.pi, n)
        errors = through_arctangent(phase, h_s=h, h_c=-h)
        table = errors.copy()  # what a calibration run of this head records at the same places
        remainder += (errors - share * table) / heads / order
    (term,) = third_harmonic(order, Distribution("fixed", h), 4, share, heads)
    rms = np.sqrt(term.mean_square(SHAFT, State.at_rest(np.zeros(1))))
    assert rms == pytest.approx(np.sqrt(np.mean(remainder**2)), rel=4 / np.sqrt(n) + 2 * h)
    alike = (1 - share) * np.abs(through_arctangent(np.linspace(0, 2 * np.pi, 3601), h_s=h, h_c=-h)).max() / order
    assert term.limit == pytest.approx(alike, rel=2 * h)
