"""Heads, bent discs and couplings against simulated ones."""

from collections.abc import Callable

import numpy as np
import pytest
from support import curve
from test_assembly import SHAFT, disc_reading, error, tilted_disc_reading

from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import SHAFT as SHAFT_AXIS
from armsim.physics.assembly import (
    contrast,
    contrast_loss,
    coupling_misalignment,
    disc_tilt,
    eccentricity,
    ellipticity,
    gap_loss,
    head_tangential_offset,
    nonrepeatable_runout,
    shaft_runout,
)
from armsim.physics.heads import gain
from armsim.physics.scale import graduation
from armsim.physics.signal import noise


def test_tangential_offset_of_the_head_is_a_constant() -> None:
    """Source: brute force: the head of a centred disc, moved along the track against the count."""
    radius, offset = 12e-3, 100e-6
    head = -np.arctan2(offset, radius)
    shifts = error(SHAFT, disc_reading(SHAFT, 0.0, radius, head) - head)
    modelled = curve(head_tangential_offset(Distribution("fixed", offset), radius), SHAFT)
    np.testing.assert_allclose(modelled, shifts, atol=(offset / radius) ** 3)


@pytest.mark.parametrize("periods", [4.0, 8.0, 20.0])
@pytest.mark.parametrize("mismatch", [0.0, 0.01, 0.04])
def test_contrast_is_the_sum_over_the_detectors(periods: float, mismatch: float) -> None:
    """Source: brute force: 10 000 detectors over the window, each seeing the phase of the lines under it."""
    place = (np.arange(10_000) + 0.5) / 10_000 * periods
    records = np.exp(2j * np.pi * place * (1 + mismatch))
    expected = np.exp(2j * np.pi * place)
    assert contrast(mismatch, periods) == pytest.approx(abs(np.mean(records * expected.conj())), abs=1e-6)


def detected(radial: np.ndarray, tilt: np.ndarray, radius: float, periods: float, detectors: int = 400) -> np.ndarray:
    """Amplitude that a head sees of a disc, over that of a head in place: lines counted under every detector.

    The detectors stand along the track at the pitch of the nominal radius; over a disc they see the angle that their place
    makes at their own radius. A tilted head projects its detectors onto the disc, shorter by cos g, and gathers the light
    of its tilted face, less by cos g.
    """
    pitch = 2 * np.pi * radius / LINES
    along = ((np.arange(detectors) + 0.5) / detectors - 0.5) * periods * pitch
    lines = LINES * (along[:, None] * np.cos(tilt)) / (radius + radial) / (2 * np.pi)
    expected = along[:, None] / pitch
    return np.cos(tilt) * np.abs(np.mean(np.exp(2j * np.pi * (lines - expected)), axis=0))


LINES = 512


@pytest.mark.parametrize(("off", "tilt"), [(0.4e-3, 0.0), (-0.4e-3, 0.0), (0.0, 2.0), (0.0, 10.0)])
def test_a_head_off_or_tilted_loses_contrast_as_simulated(off: float, tilt: float) -> None:
    """Source: brute force, `seen`. Second order of off over radius is left out by the product."""
    radius, periods = 13e-3, 8.0
    turned = np.radians(tilt)
    loss = contrast_loss(Distribution("fixed", abs(off)), Distribution("fixed", turned), radius, periods)
    (remainder,) = detected(np.array([off]), np.array([turned]), radius, periods)
    assert loss == pytest.approx(remainder**-2.0, rel=3 * abs(off) / radius * (loss - 1) + 1e-3)
    assert loss > 1.0


def test_population_noise_has_the_second_moment_of_its_units() -> None:
    """Source: brute force: 20 000 heads drawn, the amplitude of each counted under its detectors."""
    radius, periods = 13e-3, 8.0
    radial, tilt = Distribution("uniform", 0.4e-3), Distribution("uniform", np.radians(2))
    generator = np.random.default_rng(1)
    n = 20_000
    of_each = detected(radial.draw(generator, n), tilt.draw(generator, n), radius, periods) ** -2.0
    loss = contrast_loss(radial, tilt, radius, periods)
    # four standard deviations of the mean, and what the second order of off over radius may do
    assert loss == pytest.approx(np.mean(of_each), abs=4 * of_each.std() / np.sqrt(n) + 0.03 * (loss - 1))
    (term,) = noise(512, 0.001, contrast_loss=loss)
    assert np.sqrt(term.second_moment[0, 0]) == pytest.approx(0.001 / 512 * np.sqrt(loss), rel=1e-9)


def test_common_placement_tolerances_are_survived() -> None:
    """+-0.5 mm tangential, +-0.4 mm radial, +-2 deg tilt, on discs of 9, 16 and 26 mm. Source: common practice, no source."""
    for diameter, periods in ((26e-3, 8.0), (16e-3, 8.0), (9e-3, 4.0)):
        radius = 0.44 * diameter
        loss = contrast_loss(Distribution("uniform", 0.4e-3), Distribution("uniform", np.radians(2)), radius, periods)
        assert 1.0 < loss < 3.0
        (zero,) = head_tangential_offset(
            Distribution("uniform", 0.5e-3), radius
        )  # moves the zero, which mastering takes away
        assert zero.life == "unit"
        assert zero.limit == pytest.approx(0.5e-3 / radius, rel=0.01)
    assert contrast_loss(NONE, NONE, 13e-3, 8.0) == 1.0


def test_a_signal_of_a_twentieth_is_the_least() -> None:
    """Just above a contrast of 0.05 the loss is 1/0.05^2, below there is none. Source: common practice, no source."""
    radius, periods = 13e-3, 8.0
    # |sin(pi x) / (pi x)| = 0.0501 and 0.0499 near x = 0.952, by bisection on the closed form
    above, below = (bisected(lambda x, level=level: np.sinc(x) - level, 0.9, 1.0) for level in (0.0501, 0.0499))
    loss = contrast_loss(Distribution("fixed", above * radius / periods), NONE, radius, periods)
    assert loss == pytest.approx(0.0501**-2.0, rel=1e-3)
    assert contrast_loss(Distribution("fixed", below * radius / periods), NONE, radius, periods) == np.inf


def bisected(function: Callable[[float], float], low: float, high: float) -> float:
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if function(middle) * function(low) > 0 else (low, middle)
    return low


def test_a_head_that_loses_its_signal_is_told() -> None:
    assert contrast_loss(Distribution("uniform", 2e-3), NONE, 13e-3, 8.0) == np.inf


@pytest.mark.parametrize("phase", [0.0, 1.3])
def test_eccentric_and_wobbling_discs_combine(phase: float) -> None:
    """Both at once on one simulated disc; what is left over is the product of the two."""
    e, radius, tilt = 40e-6, 10e-3, np.radians(1.5)
    shaft = np.linspace(-3, 3, 61)
    wobble = error(shaft, tilted_disc_reading(shaft, tilt, -phase))
    # the line that the head sees is read on a disc whose centre is off as well
    both = error(shaft, shaft + wobble + error(shaft + wobble, disc_reading(shaft + wobble, e, radius, 0.0)))
    terms = eccentricity(Distribution("fixed", e), radius, phase=0.0) + disc_tilt(
        Distribution("fixed", tilt), phase=phase
    )
    bound = (e / radius) * tilt**2 / 4 + (e / radius) ** 3 + tilt**4 / 6
    np.testing.assert_allclose(curve(terms, shaft), both, atol=1.1 * bound)


@pytest.mark.parametrize("heads", [1, 2, 3])
@pytest.mark.parametrize("phase", [0.0, 0.6])
def test_bent_disc(heads: int, phase: float) -> None:
    """A ring whose arc length is kept, bent to r = R + a cos 2u: each line sits where its arc length puts it.

    Source: brute force: arc length by numerical integration; no displacement formula is used.
    """
    a, radius = 30e-6, 10e-3
    angle = np.linspace(-2 * np.pi, 4 * np.pi, 600_001)
    r = radius + a * np.cos(2 * angle)
    slope = -2 * a * np.sin(2 * angle)
    arc = np.concatenate([[0], np.cumsum(np.diff(angle) * np.hypot(r, slope)[:-1])])
    line = (
        (arc - np.interp(0.0, angle, arc)) / (arc[-1] - arc[0]) * 6 * np.pi
    )  # number of the line at each place, in rad
    shaft = np.linspace(0, 2 * np.pi, 91)
    readings = []
    for k in range(heads):
        head = 2 * np.pi * k / heads
        place = head - shaft + phase  # of the head in the disc, from the long axis
        readings.append(-(np.interp(place, angle, line) - phase - head))
    simulated = np.mean(readings, axis=0) - shaft
    modelled = curve(ellipticity(Distribution("fixed", a), radius, heads, phase=phase), shaft)
    np.testing.assert_allclose(modelled - modelled.mean(), simulated - simulated.mean(), atol=3 * (a / radius) ** 2)


@pytest.mark.parametrize("phase", [0.0, 0.8])
def test_cardan_coupling(phase: float) -> None:
    """Two shafts in space that meet at an angle, joined by a cross whose arms stay square to each other.

    Source: brute force: for every angle of the driving fork, search the angle at which both arms of the cross are square.
    """
    bend = np.radians(3.0)
    shaft = np.linspace(0.01, 2 * np.pi, 73)
    drive = shaft - phase  # from where the driving arm is square to the plane of the bend
    # both shafts lie in the plane of x and z, the driven one tilted about y; the driving arm starts along y
    driving = np.stack([-np.sin(drive), np.cos(drive), np.zeros_like(drive)], axis=1)
    candidates = np.linspace(-np.pi, np.pi, 400_001)
    # the driven arm starts square to the driving one, along the tilted x, and turns about the driven shaft
    along_x = np.array([np.cos(bend), 0.0, -np.sin(bend)])
    along_y = np.array([0.0, 1.0, 0.0])
    arm = np.cos(candidates)[:, None] * along_x + np.sin(candidates)[:, None] * along_y
    driven = np.array([_nearest_zero(arm @ d, candidates, x) for d, x in zip(driving, drive, strict=True)])
    simulated = driven - drive
    simulated -= 2 * np.pi * np.round(simulated / (2 * np.pi))
    modelled = curve(coupling_misalignment(Distribution("fixed", bend), phase=phase), shaft)
    np.testing.assert_allclose(modelled, simulated, atol=bend**4 / 10 + 2e-7)


def _nearest_zero(values: np.ndarray, candidates: np.ndarray, near: float) -> float:
    crossing = np.nonzero(np.diff(np.sign(values)))[0]
    roots = candidates[crossing] - values[crossing] * np.diff(candidates)[0] / (values[crossing + 1] - values[crossing])
    distance = np.abs(np.angle(np.exp(1j * (roots - near))))  # the other root is half a turn away
    return float(roots[distance.argmin()])


@pytest.mark.parametrize("off", [0.0, 20e-6, -60e-6, 120e-6])
def test_a_head_off_its_air_gap_loses_contrast_as_simulated(off: float) -> None:
    """Source: brute force: rays evenly spread in slope within the cone, from a detector to the lines under it."""
    period, cone = 20e-6, np.radians(3.0)
    slopes = (np.arange(20_000) + 0.5) / 20_000 * 2 * np.tan(cone) - np.tan(cone)
    place = np.linspace(0.0, period, 64, endpoint=False)
    records = np.mean(np.cos(2 * np.pi * (place[:, None] + off * slopes) / period), axis=1)
    amplitude = 0.5 * (records.max() - records.min())
    assert gap_loss(Distribution("fixed", abs(off)), cone, period) == pytest.approx(amplitude**-2.0, rel=1e-3)


def test_units_that_lose_the_signal_by_their_air_gap_are_told() -> None:
    """At w = p the contrast is zero. Source: the first zero of the sine over its argument."""
    period, cone = 20e-6, np.radians(3.0)
    lost = period / (2 * np.tan(cone))
    assert np.isinf(gap_loss(Distribution("uniform", 1.05 * lost), cone, period))
    assert np.isfinite(gap_loss(Distribution("uniform", 0.9 * lost), cone, period))


def test_common_air_gaps_are_survived() -> None:
    """+-0.1 mm off a nominal gap, lines of 60 um, light within a few degrees: most of the signal is left. Source: common practice, no source."""
    assert 1.0 < gap_loss(Distribution("uniform", 0.1e-3), np.radians(4.0), 60e-6) < 1.2


@pytest.mark.parametrize(
    "degrees", [(0.0, 180.0), (0.0, 170.0), (0.0, 90.0), (10.0, 130.0, 250.0), (0.0, 100.0, 210.0)]
)
@pytest.mark.parametrize("phase", [0.0, 1.1])
def test_heads_at_any_angle(degrees: tuple[float, ...], phase: float) -> None:
    """Source: brute force: the mean of what heads read at their places on a simulated disc off its shaft."""
    e, radius, angles = 100e-6, 10e-3, tuple(np.radians(degrees).tolist())
    simulated = np.mean([error(SHAFT, disc_reading(SHAFT, e * np.exp(-1j * phase), radius, a)) for a in angles], axis=0)
    terms = eccentricity(Distribution("fixed", e), radius, heads=angles, phase=phase)
    modelled = curve(terms, SHAFT) if terms else np.zeros_like(SHAFT)
    np.testing.assert_allclose(modelled, simulated, atol=1.1 * (e / radius) ** 3 / 3)


def test_two_heads_nearly_opposite_leave_a_little() -> None:
    """cos(170 deg / 2) of the first order, |cos 170 deg| of the second. Source: trigonometry."""
    assert gain((0.0, np.radians(170.0)), 1)[0] == pytest.approx(np.cos(np.radians(85.0)))
    assert gain((0.0, np.radians(170.0)), 2)[0] == pytest.approx(abs(np.cos(np.radians(170.0))))
    for heads in (2, 3, 5):
        spread = tuple(2 * np.pi * k / heads for k in range(heads))
        for order in range(1, 13):
            assert gain(spread, order)[0] == pytest.approx(gain(heads, order)[0], abs=1e-12)


@pytest.mark.parametrize("degrees", [(0.0,), (0.0, 90.0), (0.0, 180.0)])
def test_the_graduation_as_heads_at_any_angle_see_it(degrees: tuple[float, ...]) -> None:
    """Source: brute force: curves of orders 1 to 4 read at the places of the heads and averaged; rms over all."""
    rng, at = np.random.default_rng(5), np.linspace(0, 2 * np.pi, 400, endpoint=False)
    square = 0.0
    for order in range(1, 5):
        for phase in rng.uniform(0, 2 * np.pi, 200):
            read = np.mean([np.sin(order * (at - a) - phase) for a in np.radians(degrees)], axis=0)
            square += np.mean(read**2) / 800
    amplitude = 1e-4 * np.sqrt(2 / 3)  # of +-1e-4: sqrt(2) times 1e-4 / sqrt(3)
    (term,) = graduation(Distribution("uniform", 1e-4), 1.0, tuple(np.radians(degrees).tolist()))
    actual = term.mean_square(SHAFT_AXIS, State.at_rest(np.zeros(1)))
    assert np.sqrt(actual) == pytest.approx(amplitude * np.sqrt(square), rel=1e-6)


@pytest.mark.parametrize("heads", [1, 2, (0.0, 2.0)])
def test_a_shaft_that_runs_out_carries_the_disc_round(heads: int | tuple[float, ...]) -> None:
    """The centre of the disc lies off the axis of rotation by its own eccentricity and by half the indicator reading.

    Source: brute force: a simulated disc at the sum of both.
    """
    e, reading, radius, towards = 20e-6, 30e-6, 12e-3, (0.3, 2.0)
    centre = e * np.exp(-1j * towards[0]) + reading / 2 * np.exp(-1j * towards[1])
    angles = heads if isinstance(heads, tuple) else tuple(2 * np.pi * k / heads for k in range(heads))
    simulated = np.mean([error(SHAFT, disc_reading(SHAFT, centre, radius, a)) for a in angles], axis=0)
    terms = eccentricity(Distribution("fixed", e), radius, heads=heads, phase=towards[0])
    terms += shaft_runout(Distribution("fixed", reading), radius, heads=heads, phase=towards[1])
    # neglected: (T/2R)^2 / 2 + T e / 2R^2
    neglected = (reading / 2 / radius) ** 2 / 2 + reading * e / 2 / radius**2
    np.testing.assert_allclose(curve(terms, SHAFT), simulated, atol=1.05 * neglected + 1e-9)


@pytest.mark.parametrize("angles", [(0.0,), (0.0, np.pi), (0.0, 2.0), (0.2, 1.0, 4.0)])
def test_a_shaft_that_lies_elsewhere_at_every_visit(angles: tuple[float, ...]) -> None:
    """Source: brute force: the shaft and its centred disc displaced, in 20 000 directions, under heads that stand still."""
    rng, radius, size = np.random.default_rng(6), 12e-3, 3e-6
    shifts = rng.normal(0, size, 20_000) + 1j * rng.normal(0, size, 20_000)
    reads = [np.angle((radius * np.exp(1j * a) - shifts) * np.exp(-1j * a)) for a in angles]
    simulated = np.mean(reads, axis=0).std()
    terms = nonrepeatable_runout(Distribution("normal", size), radius, angles)
    actual = np.sqrt(sum(term.mean_square(SHAFT_AXIS, State.at_rest(np.zeros(1))) for term in terms))
    assert actual == pytest.approx(simulated, rel=0.02, abs=1.5 * (size / radius) ** 2)  # of second order
