"""Mounting errors against a simulated disc: points on a disc, a head in space, no formula of the module."""

import numpy as np
import pytest
from support import curve

from armsim.errormodel.distributions import Distribution
from armsim.physics.assembly import disc_tilt, eccentricity, mastering

ARCSEC = 206264.806
SHAFT = np.linspace(0.0, 2 * np.pi, 721)


def disc_reading(shaft: np.ndarray, centre: complex, radius: float, head: float) -> np.ndarray:
    """What a head at angle ``head`` reads on a disc whose centre lies at ``centre`` when the shaft stands at zero.

    The disc turns with the shaft; its graduation counts angles about its own centre.
    """
    line = radius * np.exp(1j * head)
    on_disc = (line - centre * np.exp(1j * shaft)) * np.exp(-1j * shaft)
    return -np.unwrap(np.angle(on_disc)) + head


def error(shaft: np.ndarray, reading: np.ndarray) -> np.ndarray:
    out = reading - shaft
    return out - 2 * np.pi * np.round(out / (2 * np.pi))


@pytest.mark.parametrize("phase", [0.0, 0.7, 4.0])
def test_eccentricity_is_that_of_a_disc_off_its_shaft(phase: float) -> None:
    e, radius = 50e-6, 10e-3
    simulated = error(SHAFT, disc_reading(SHAFT, e * np.exp(-1j * phase), radius, 0.0))
    terms = eccentricity(Distribution("fixed", e), radius, phase=phase)
    # neglected: (e/R)^3 / 3
    np.testing.assert_allclose(curve(terms, SHAFT), simulated, atol=1.1 * (e / radius) ** 3 / 3)


@pytest.mark.parametrize("heads", [1, 2, 3, 4])
def test_heads_keep_the_orders_that_are_multiples_of_their_number(heads: int) -> None:
    e, radius, phase = 100e-6, 10e-3, 0.4
    readings = [
        error(SHAFT, disc_reading(SHAFT, e * np.exp(-1j * phase), radius, 2 * np.pi * k / heads)) for k in range(heads)
    ]
    terms = eccentricity(Distribution("fixed", e), radius, heads=heads, phase=phase)
    np.testing.assert_allclose(curve(terms, SHAFT), np.mean(readings, axis=0), atol=1.1 * (e / radius) ** 3 / 3)


def test_ten_micrometres_on_ten_millimetres_are_206_arcseconds() -> None:
    """Source: geometry, e/R = 1 mrad = 206.26 arcsec; encoder mounting handbooks: +-412 e[um]/D[mm] (from memory)."""
    first, second = (1e-3, 0.5e-6)
    one = eccentricity(Distribution("fixed", 10e-6), 10e-3, phase=0.0)
    assert np.abs(curve(one, SHAFT)).max() * ARCSEC == pytest.approx(206, abs=0.5)
    assert np.abs(curve(one, SHAFT)).max() == pytest.approx(412e-6 * 10 / 20 * 1e6 / ARCSEC, rel=2e-3)
    two = eccentricity(Distribution("fixed", 10e-6), 10e-3, heads=2, phase=0.0)
    assert np.abs(curve(two, SHAFT)).max() == pytest.approx(second, rel=1e-6)
    assert np.abs(curve(two, SHAFT)).max() < first / 1000


def test_a_correction_of_95_percent_leaves_5_percent() -> None:
    """Source: common practice, no source: what a chip's eccentricity correction leaves."""
    before = eccentricity(Distribution("uniform", 20e-6), 8e-3)[0]
    after = eccentricity(Distribution("uniform", 20e-6), 8e-3, correction=0.95)[0]
    np.testing.assert_allclose(after.second_moment, 0.05**2 * before.second_moment)
    assert after.limit == pytest.approx(0.05 * before.limit)


def tilted_disc_reading(shaft: np.ndarray, tilt: float, steepest: float) -> np.ndarray:
    """Reading of a head at angle 0 over a tilted disc, by a search for the line that the head sees along the shaft."""
    lines = np.linspace(-np.pi, np.pi, 400_001)
    axis = steepest + np.pi / 2  # the tilt turns about the direction square to the steepest line
    along, across = np.cos(lines - axis), np.sin(lines - axis) * np.cos(tilt)
    records = np.unwrap(np.arctan2(across, along)) + axis  # where each line is seen while the shaft stands at zero
    records += lines[0] - records[0] - ((lines[0] - records[0] + np.pi) % (2 * np.pi) - np.pi)
    out = []
    for angle in shaft:
        target = -angle - 2 * np.pi * np.round((-angle - 0.0) / (2 * np.pi))
        out.append(-np.interp(target, records, lines))
    return np.array(out)


@pytest.mark.parametrize("phase", [0.0, 0.9])
def test_disc_tilt_is_that_of_a_projected_disc(phase: float) -> None:
    tilt = np.radians(2.0)
    shaft = np.linspace(-3.0, 3.0, 61)
    # the steepest line lies towards the head (angle 0) when the shaft stands at `phase`
    simulated = error(shaft, tilted_disc_reading(shaft, tilt, -phase))
    np.testing.assert_allclose(
        curve(disc_tilt(Distribution("fixed", tilt), phase=phase), shaft), simulated, atol=tilt**4 / 6
    )


def test_one_degree_of_tilt_is_15_7_arcseconds_twice_a_turn() -> None:
    """Source: projection, gamma^2/4 = 76.2 urad."""
    values = curve(disc_tilt(Distribution("fixed", np.radians(1.0)), phase=0.0), SHAFT)
    assert np.abs(values).max() * ARCSEC == pytest.approx(15.7, abs=0.05)
    spectrum = np.abs(np.fft.rfft(values[:-1]))
    assert spectrum.argmax() == 2


def test_mastering_is_a_constant() -> None:
    (term,) = mastering(Distribution("fixed", 1e-4))
    np.testing.assert_allclose(curve((term,), SHAFT), 1e-4)
    assert term.life == "unit"
